//! The bus is left to another monitor on request and taken back: no false
//! verdict meanwhile or after, health only by new readings, and an alarm that
//! stands throughout.

use ohmsplit::config::Drive as State;
use ohmsplit::{Reason, Verdict};
use ohmsplit_host::plant::Plant;
use ohmsplit_host::rig::{MonitorKind, Rig};
use ohmsplit_host::scenario::{Capacitance, Cause, Disturbance, Fault, Leak, World};
use ohmsplit_tests::design::{Design, swift_drives};

/// While the other monitor pushes, this one is at rest.
const YIELDED: std::ops::Range<f64> = 8.4..15.2;
const SECONDS: f64 = 25.0;

fn quiet(ohm: f64) -> World {
    World {
        leaks: vec![Leak::at(ohm, 0.3)],
        capacitance: Capacitance {
            positive_uf: 0.1,
            negative_uf: 0.1,
        },
        disturbance: Disturbance {
            noise_chassis_v: Some(0.05),
            noise_pack_v: Some(0.05),
            ..Disturbance::default()
        },
        ..World::default()
    }
}

/// Verdicts over time, and the drive while the bus was left.
fn run(ohm: f64, kind: MonitorKind) -> (Vec<(f64, Verdict)>, Vec<State>) {
    let config = Design::new(swift_drives()[0], 400.0, 16).config();
    let world = World {
        faults: vec![Fault {
            until_s: Some(YIELDED.end - 0.1),
            ..Fault::from(
                YIELDED.start + 0.1,
                Cause::OtherMonitor {
                    amplitude_v: 100.0,
                    series_ohm: 100e3,
                    period_s: 2.2,
                },
            )
        }],
        ..quiet(ohm)
    };
    let mut plant = Plant::new(&config, &world).expect("a sound world");
    let mut rig = Rig::new(&config, kind);
    let (mut verdicts, mut drives) = (Vec::new(), Vec::new());
    let mut yielded = false;
    for _ in 0..(SECONDS * world.sample_rate_hz) as u64 {
        let row = plant.step(rig.drive());
        let wanted = YIELDED.contains(&row.time_s);
        if wanted != yielded {
            yielded = wanted;
            if wanted {
                rig.yield_bus()
            } else {
                rig.resume_bus()
            }
        }
        rig.push(row.time_s, &row.sample, &mut |_| ());
        verdicts.push((row.time_s, rig.verdict()));
        if yielded {
            drives.push(rig.drive());
        }
    }
    (verdicts, drives)
}

#[test]
fn a_bus_that_is_left_gives_no_verdict_until_new_readings_confirm_one() {
    for kind in [MonitorKind::Settled, MonitorKind::Swift] {
        let (verdicts, drives) = run(2e6, kind);
        assert!(drives.iter().all(|&drive| drive == State::Rest));
        let at = |time: f64| {
            verdicts
                .iter()
                .find(|(t, _)| *t >= time)
                .expect("a verdict")
                .1
        };
        assert_eq!(at(8.3), Verdict::Healthy, "{kind:?}");
        let left = Verdict::Undetermined(Reason::BusYielded);
        for (time, verdict) in &verdicts {
            if YIELDED.contains(time) {
                assert_eq!(*verdict, left, "{kind:?} {time}");
            }
            assert!(
                !matches!(verdict, Verdict::Alarm | Verdict::Warning),
                "{kind:?} {time}"
            );
        }
        // At least a drive period of new readings, and not much more.
        assert_eq!(at(YIELDED.end + 0.5), left, "{kind:?}");
        assert_eq!(at(YIELDED.end + 6.0), Verdict::Healthy, "{kind:?}");
    }
}

#[test]
fn an_alarm_stands_while_the_bus_is_left_and_after() {
    for kind in [MonitorKind::Settled, MonitorKind::Swift] {
        let (verdicts, _) = run(20e3, kind);
        let late = verdicts.iter().filter(|(time, _)| *time > 8.0);
        for (time, verdict) in late {
            assert_eq!(*verdict, Verdict::Alarm, "{kind:?} {time}");
        }
    }
}

/// Left and taken back between two samples, the bus sees no drive change: the monitor begins anew amid the dwell, and
/// does not wait for a change that only it can bring about.
#[test]
fn a_bus_that_is_taken_back_at_once_is_measured_anew() {
    for kind in [MonitorKind::Settled, MonitorKind::Swift] {
        for at_s in [0.3, 8.41, 8.93] {
            let config = Design::new(swift_drives()[0], 400.0, 16).config();
            let world = quiet(2e6);
            let mut plant = Plant::new(&config, &world).expect("a sound world");
            let mut rig = Rig::new(&config, kind);
            for at in 0..((at_s + 6.0) * world.sample_rate_hz) as u64 {
                let row = plant.step(rig.drive());
                if at == (at_s * world.sample_rate_hz) as u64 {
                    rig.yield_bus();
                    rig.resume_bus();
                    let left = Verdict::Undetermined(Reason::BusYielded);
                    assert_eq!(rig.verdict(), left, "{kind:?} {at_s}");
                }
                rig.push(row.time_s, &row.sample, &mut |_| ());
            }
            assert_eq!(rig.verdict(), Verdict::Healthy, "{kind:?} {at_s}");
        }
    }
}
