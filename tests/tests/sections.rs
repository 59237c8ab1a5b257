//! Contactors that close on a simulated battery: the core starts afresh, says on
//! which side the leak is, and permits closing only on what it has measured.

use ohmsplit::config::{Channel, Config, Element, FrontEnd, Judged, Limits, Timing};
use ohmsplit::permit::{Permit, Rules, Withheld};
use ohmsplit::sections::{Connected, Sections, Share};
use ohmsplit::units::{Ohms, Volts};
use ohmsplit_host::plant::Plant;
use ohmsplit_host::rig::{MonitorKind, Rig};
use ohmsplit_host::scenario::{Capacitance, Disturbance, Leak, World};

const BATTERY: [f64; 2] = [4e6, 6e6];
/// What each section adds, from either rail in ohms.
const ADDED: [[f64; 2]; 2] = [[50e6, 50e6], [400e3, 3e6]];

fn config() -> Config {
    let channel = Channel::bipolar(20, Volts::from_int(4096));
    let front_end = FrontEnd::ChassisAndPack {
        chassis: channel,
        pack: channel,
    };
    let parts = [Element::source_to_negative(
        Volts::from_int(40),
        Ohms::from_int(1_000_000),
    )];
    let limits = Limits::new(Volts::from_int(400), Judged::WeakestRail);
    Config::try_new(front_end, &parts, Timing::default(), limits).expect("a sound configuration")
}

/// Conductances of both rails with these sections connected.
fn rails(connected: Connected) -> [f64; 2] {
    let sections = ADDED.iter().enumerate();
    let closed = sections.filter(|(section, _)| connected.bits() >> section & 1 == 1);
    let all = closed.map(|(_, added)| added).chain([&BATTERY]);
    all.fold([0.0; 2], |[p, n], [rp, rn]| [p + 1.0 / rp, n + 1.0 / rn])
}

fn world(connected: Connected, seed: u64) -> World {
    let [gp, gn] = rails(connected);
    World {
        seed,
        leaks: vec![Leak {
            positive_ohm: Some(1.0 / gp),
            negative_ohm: Some(1.0 / gn),
            ..Leak::default()
        }],
        // Each section brings its own filters.
        capacitance: Capacitance {
            positive_uf: 0.05 + 0.1 * f64::from(connected.bits().count_ones()),
            negative_uf: 0.05,
        },
        disturbance: Disturbance {
            noise_chassis_v: Some(0.02),
            noise_pack_v: Some(0.02),
            ..Disturbance::default()
        },
        ..World::default()
    }
}

/// How far a share is off, in standard uncertainties: G and x.
fn off(share: &Share, [gp, gn]: [f64; 2]) -> [f64; 2] {
    let micro = |g: ohmsplit::units::Microsiemens| g.get().to_num::<f64>() * 1e-6;
    let g = (micro(share.conductance.value) - gp - gn) / micro(share.conductance.u);
    let x = share.position.map_or(0.0, |x| {
        let [value, u] = [x.value, x.u].map(|x| x.get().to_num::<f64>());
        (value - gp / (gp + gn)) / u
    });
    [g, x]
}

fn run(kind: MonitorKind, seed: u64) {
    let config = config();
    let alone = Connected::NONE;
    let (first, both) = (alone.with(0), alone.with(0).with(1));
    let mut sections = Sections::new(alone, 600);
    let mut permit = Permit::new(Rules::default());
    let mut now_s = 0;
    for connected in [alone, first, both] {
        permit.network_changed(now_s);
        sections.switched(connected);
        assert_eq!(permit.ask(now_s).permission, Err(Withheld::NetworkChanged));
        // The monitor starts afresh.
        let mut rig = Rig::new(&config, kind);
        let mut plant = Plant::new(&config, &world(connected, seed)).expect("a sound world");
        for sample in 0..20_000 {
            let row = plant.step(rig.drive());
            rig.push(row.time_s, &row.sample, &mut |event| {
                permit.take(now_s + sample / 1000, &event.report);
                sections.take(now_s + sample / 1000, &event.report);
            });
        }
        now_s += 20;
        assert_eq!(permit.ask(now_s).permission, Ok(()), "{connected:?}");
    }
    let siemens = |ohms: [f64; 2]| ohms.map(|ohms| 1.0 / ohms);
    let load = [0, 1].map(|rail| 1.0 / ADDED[0][rail] + 1.0 / ADDED[1][rail]);
    for (share, truth) in [
        (sections.battery(), siemens(BATTERY)),
        (sections.share(alone.with(0)), siemens(ADDED[0])),
        (sections.share(alone.with(1)), siemens(ADDED[1])),
        (sections.share(both), load),
    ] {
        let share = share.expect("a share");
        let [g, x] = off(&share, truth);
        assert!(
            g.abs() < 4.0 && x.abs() < 4.0,
            "{kind:?} {seed} {g} {x} {share:?}"
        );
    }
    let leak = sections.share(alone.with(1)).expect("a share");
    let [gp, gn] = siemens(ADDED[1]);
    let known = leak.isolation.get().to_num::<f64>() * (gp + gn);
    assert!((known - 1.0).abs() < 0.05, "{kind:?} {seed} {known}");
}

#[test]
fn a_leak_behind_the_contactors_is_told_from_one_in_the_battery() {
    for seed in 1..=5 {
        run(MonitorKind::Settled, seed);
        run(MonitorKind::Swift, seed);
    }
}
