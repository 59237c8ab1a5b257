//! Each finding where its rule begins and ends, on circuits at rest.

use super::*;
use crate::Verdict;
use crate::config::Timing;
use crate::front::ChannelSums;
use crate::report::Report;
use crate::test_reports::{config, open, report};
use crate::units::{Measured, Microsiemens, Seconds};

/// A source of 40 V through 1 MΩ on 400 V, and all three states in turn.
fn three_states() -> Config {
    let source = config();
    let cycle = [Drive::Rest, Drive::Raise, Drive::Lower];
    let timing = Timing::default().with_cycle(&cycle).expect("three states");
    let parts = source.network().elements();
    Config::try_new(*source.front_end(), parts, timing, *source.limits()).expect("sound")
}

fn volts(volts: f64) -> Volts {
    Volts::from_bits((volts * 4_294_967_296.0) as i64)
}

/// A whole block at this voltage, of 20 noisy samples.
fn block(v: f64) -> (RawBlock, Block) {
    let sums = ChannelSums {
        last: 33_000,
        first: -32_536,
        places: 0,
        sum: 660_000,
        squares: 100,
    };
    let raw = RawBlock {
        count: 20,
        channels: [sums; 2],
        ..RawBlock::default()
    };
    let block = Block {
        duration_us: 20_000,
        count: 20,
        chassis: volts(v),
        pack: Volts::from_int(400),
        ..Block::default()
    };
    (raw, block)
}

impl Diagnosis {
    /// What came of a dwell.
    pub(super) fn concludes(&mut self, config: &Config, dwell: &Report) {
        let closed = Closed {
            sequence: dwell.sequence,
            drive: dwell.drive,
        };
        let read = self.read(config, closed, &dwell.reading);
        self.compare(config, closed, read);
        self.conclude(config, &dwell.estimate);
    }

    fn hears(&mut self, config: &Config, times: u32, (raw, block): (RawBlock, Block)) -> Findings {
        for _ in 0..times {
            self.listen(config, &raw, &block);
        }
        self.findings(config)
    }
}

/// A dwell settled at this voltage, known to 1 mV.
pub(super) fn settled(drive: Drive, v: f64, pack: f64) -> Result<Reading, Reason> {
    let known = |v| Measured {
        value: volts(v),
        u: volts(0.001),
    };
    Ok(Reading {
        drive,
        chassis: known(v),
        pack: known(pack),
        lag: Volts::ZERO,
        time_constant: None::<Measured<Seconds>>,
        dwell_us: 500_000,
    })
}

/// What is found after so many rounds of the drive cycle, each with these
/// voltages at rest, raise and lower.
fn rounds(diagnosis: &mut Diagnosis, count: u32, pack: f64, states: [f64; 3]) -> Findings {
    let config = three_states();
    for sequence in 0..count * 3 {
        let at = (sequence % 3) as usize;
        let drive = Drive::ALL[at];
        let mut dwell = report(sequence, Verdict::Healthy, Ok(open()));
        dwell.drive = drive;
        dwell.reading = settled(drive, states[at], pack);
        diagnosis.concludes(&config, &dwell);
    }
    diagnosis.findings(&config)
}

/// The voltages of 1 µS to the positive and 2 µS to the negative rail, where the
/// states hang `g` on the chassis and push `i`: G·v = Gp·Vb + i − g·v.
fn circuit(g: [f64; 3], i: [f64; 3]) -> [f64; 3] {
    core::array::from_fn(|k| (400.0 + i[k]) / (3.0 + g[k]))
}

#[test]
fn a_circuit_that_is_as_described_gives_no_finding() {
    let states = circuit([0.0, 1.0, 1.0], [0.0, 40.0, -40.0]);
    let found = rounds(&mut Diagnosis::default(), 4, 400.0, states);
    assert_eq!(found, Findings::NONE);
}

#[test]
fn what_three_states_contradict_is_named_after_its_cause() {
    for (what, states, pack, due) in [
        (
            "the lower switch open",
            circuit([0.0, 1.0, 0.0], [0.0, 40.0, 0.0]),
            400.0,
            Finding::SwitchStuck,
        ),
        (
            "the raise switch closed for good",
            circuit([1.0, 1.0, 2.0], [40.0, 40.0, 0.0]),
            400.0,
            Finding::SwitchStuck,
        ),
        (
            "half the source voltage",
            circuit([0.0, 1.0, 1.0], [0.0, 20.0, -20.0]),
            400.0,
            Finding::StatesContradict,
        ),
        (
            "the source without voltage",
            circuit([0.0, 1.0, 1.0], [0.0; 3]),
            400.0,
            Finding::NoResponse,
        ),
        (
            "the source the other way round",
            circuit([0.0, 1.0, 1.0], [0.0, -40.0, 40.0]),
            400.0,
            Finding::Polarity,
        ),
        ("the sense line at N", [0.0; 3], 400.0, Finding::SenseLine),
        ("the sense line at P", [400.0; 3], 400.0, Finding::SenseLine),
        (
            "a short in mid-stack",
            [200.0; 3],
            400.0,
            Finding::NoResponse,
        ),
        ("the pack reversed", [0.0; 3], -10.0, Finding::Polarity),
    ] {
        let found = rounds(&mut Diagnosis::default(), 4, pack, states);
        assert!(found.contains(due), "{what}: {found:?}");
        // Once is not enough, and it ends when the circuit is sound again.
        let mut diagnosis = Diagnosis::default();
        let found = rounds(&mut diagnosis, 1, pack, states);
        let at_once = matches!(due, Finding::Polarity | Finding::SenseLine);
        assert!(!found.contains(due) || at_once, "{what}");
        rounds(&mut diagnosis, 4, pack, states);
        let sound = circuit([0.0, 1.0, 1.0], [0.0, 40.0, -40.0]);
        let found = rounds(&mut diagnosis, 8, 400.0, sound);
        assert_eq!(found, Findings::NONE, "{what}");
    }
}

#[test]
fn a_pack_a_little_below_zero_is_no_reversed_one() {
    let found = rounds(&mut Diagnosis::default(), 4, -4.9, [0.0, 5.0, -5.0]);
    assert!(!found.contains(Finding::Polarity), "{found:?}");
}

#[test]
fn eight_blocks_at_a_limit_or_out_of_the_stack_are_found() {
    let config = config();
    let mut diagnosis = Diagnosis::default();
    let (mut raw, mut limit) = block(200.0);
    (raw.saturated, limit.flags.saturated) = (true, true);
    let found = diagnosis.hears(&config, 7, (raw, limit));
    assert!(!found.contains(Finding::ConverterSaturated));
    let found = diagnosis.hears(&config, 1, (raw, limit));
    assert!(found.contains(Finding::ConverterSaturated));
    let found = diagnosis.hears(&config, 1, block(200.0));
    assert!(!found.contains(Finding::ConverterSaturated));
    // 40 V of the source, 5 % of 400 V, and 5 V beyond a rail.
    for (v, out) in [(464.9, false), (465.1, true), (-64.9, false), (-65.1, true)] {
        let mut diagnosis = Diagnosis::default();
        let found = diagnosis.hears(&config, 7, block(v));
        assert!(!found.contains(Finding::PackImplausible), "{v}");
        let found = diagnosis.hears(&config, 1, block(v));
        assert_eq!(found.contains(Finding::PackImplausible), out, "{v}");
    }
}

#[test]
fn a_rate_that_changes_is_found_after_eight_blocks() {
    let config = config();
    let changed = |count, times| {
        let mut diagnosis = Diagnosis::default();
        diagnosis.hears(&config, 200, block(200.0));
        let (raw, mut other) = block(200.0);
        other.count = count;
        let found = diagnosis.hears(&config, times, (raw, other));
        found.contains(Finding::TimeBase)
    };
    // Two more or less, of twenty, is still usual.
    for (count, due) in [(22, false), (18, false), (23, true), (17, true), (40, true)] {
        assert!(!changed(count, 7), "{count}");
        assert_eq!(changed(count, 8), due, "{count}");
    }
}

/// A rate by which something was measured four times is certain, and another is named for as long as it lasts; after
/// eight blocks at a limit, or out of the stack, it is learnt anew.
#[test]
fn rubbish_makes_the_rate_uncertain() {
    let config = config();
    for (limit, v, estimates, certain) in [
        (false, 200.0, 4, true),
        (false, 200.0, 3, false),
        (true, 200.0, 4, false),
        (false, 900.0, 4, false),
    ] {
        let mut diagnosis = Diagnosis::default();
        diagnosis.hears(&config, 200, block(200.0));
        (0..estimates).for_each(|_| diagnosis.conclude(&config, &Ok(open())));
        let (mut raw, mut odd) = block(v);
        (raw.saturated, odd.flags.saturated) = (limit, limit);
        diagnosis.hears(&config, 8, (raw, odd));
        let (raw, mut other) = block(200.0);
        other.count = 40;
        let found = diagnosis.hears(&config, 20, (raw, other));
        assert!(found.contains(Finding::TimeBase), "{limit} {v}");
        let found = diagnosis.hears(&config, 100, (raw, other));
        assert_eq!(found.contains(Finding::TimeBase), certain, "{limit} {v}");
    }
}

/// Estimates of the first fifty blocks, or while the rate differs, make no rate certain.
#[test]
fn a_rate_is_certain_by_estimates_of_fifty_blocks_alike() {
    let config = config();
    let (raw, alike) = block(200.0);
    let other = Block { count: 40, ..alike };
    let conclude = |diagnosis: &mut Diagnosis, times: u32| {
        (0..times).for_each(|_| diagnosis.conclude(&config, &Ok(open())));
    };
    let mut early = Diagnosis::default();
    early.hears(&config, 10, (raw, alike));
    conclude(&mut early, 60);
    let mut differs = Diagnosis::default();
    differs.hears(&config, 200, (raw, alike));
    conclude(&mut differs, 3);
    differs.hears(&config, 3, (raw, other));
    conclude(&mut differs, 4);
    for mut diagnosis in [early, differs] {
        let found = diagnosis.hears(&config, 120, (raw, other));
        assert!(!found.contains(Finding::TimeBase));
    }
}

#[test]
fn a_code_that_stands_still_through_drive_changes_is_stuck() {
    let config = config();
    let still = |channel: usize| {
        let mut diagnosis = Diagnosis::default();
        let (mut raw, mut block) = block(200.0);
        raw.channels[channel].squares = 0;
        for dwell in 0..5 {
            (raw.first_in_dwell, block.flags.first_in_dwell) = (dwell > 0, dwell > 0);
            diagnosis.hears(&config, 1, (raw, block));
            (raw.first_in_dwell, block.flags.first_in_dwell) = (false, false);
            diagnosis.hears(&config, 10, (raw, block));
        }
        diagnosis
            .findings(&config)
            .contains(Finding::ConverterStuck)
    };
    // The drive moves the chassis, not the pack.
    assert!(still(0));
    assert!(!still(1));
}

#[test]
fn capacitance_and_energy_are_found_beyond_doubt() {
    let config = config();
    let weighed = |farads: i32, u: i32| {
        let mut estimate = open();
        estimate.capacitance = Some(Measured {
            value: Microfarads::from_int(farads),
            u: Microfarads::from_int(u),
        });
        let mut diagnosis = Diagnosis::default();
        diagnosis.weigh(&config, &estimate);
        let found = diagnosis.findings(&config);
        [Finding::Capacitance, Finding::StoredEnergy].map(|finding| found.contains(finding))
    };
    // 50 µF are declared; 0.2 J at 400 V are 2.5 µF.
    assert_eq!(weighed(60, 3), [true, true]);
    assert_eq!(weighed(60, 4), [false, true]);
    assert_eq!(weighed(50, 0), [false, true]);
    assert_eq!(weighed(3, 0), [false, true]);
    assert_eq!(weighed(2, 0), [false, false]);
    assert_eq!(weighed(5, 1), [false, false]);
}

#[test]
fn estimates_refused_twice_and_noise_are_a_weak_stimulus() {
    let config = config();
    let mut diagnosis = Diagnosis::default();
    let mut after = |estimate| {
        diagnosis.concludes(&config, &report(9, Verdict::Healthy, estimate));
        diagnosis.findings(&config).contains(Finding::StimulusWeak)
    };
    assert!(!after(Err(Reason::StimulusTooWeak)));
    assert!(after(Err(Reason::StimulusTooWeak)));
    assert!(after(Ok(open())));
    assert!(!after(Ok(open())));

    // A quarter of the swing at the alarm limit, 80 µA on 26 µS, is 0.77 V: the mean of a dwell of
    // 25 blocks, white, is that uncertain where one block scatters by 3.8 V.
    for (scatter, due) in [(2.0, false), (8.0, true)] {
        let mut diagnosis = Diagnosis::default();
        let mut state = 3u64;
        for number in 0..100u32 {
            // Knuth's MMIX generator: the sums of five blocks must be white as well.
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            let up = state >> 63 == 1;
            let (raw, mut noisy) = block(if up { 200.0 + scatter } else { 200.0 - scatter });
            noisy.flags.first_in_dwell = number.is_multiple_of(25);
            noisy.chassis_scatter = volts(scatter);
            diagnosis.listen(&config, &raw, &noisy);
        }
        for _ in 0..2 {
            diagnosis.concludes(&config, &report(9, Verdict::Healthy, Ok(open())));
        }
        let found = diagnosis.findings(&config);
        assert_eq!(found.contains(Finding::StimulusWeak), due, "{scatter} V");
    }
}

/// The watch after a dwell whose blocks scatter within, and step between.
fn after_a_dwell(scatter: f64, step: f64) -> Diagnosis {
    let mut diagnosis = Diagnosis::default();
    for number in 0..100 {
        let up = f64::from(number / 5 % 2);
        let (raw, mut block) = block(200.0 + step * up);
        block.chassis_scatter = volts(scatter);
        diagnosis.listen(&config(), &raw, &block);
    }
    diagnosis
}

#[test]
fn what_moves_the_chassis_again_and_again_is_interference() {
    let config = config();
    let step = |diagnosis: &mut Diagnosis, reason: Reason| {
        let mut dwell = report(9, Verdict::Healthy, Err(Reason::NotSettled));
        dwell.reading = Err(reason);
        diagnosis.concludes(&config, &dwell);
        diagnosis.findings(&config).contains(Finding::Interference)
    };
    let mut diagnosis = after_a_dwell(0.01, 1.0);
    let found = [(); 3].map(|()| step(&mut diagnosis, Reason::CircuitChanged));
    assert_eq!(found, [false, false, true]);
    // It dies away, and now and then a step is an event.
    for _ in 0..20 {
        step(&mut diagnosis, Reason::NotSettled);
    }
    for _ in 0..10 {
        assert!(!step(&mut diagnosis, Reason::CircuitChanged));
        for _ in 0..5 {
            assert!(!step(&mut diagnosis, Reason::NotSettled));
        }
    }
    // Hum, which is within blocks, is none.
    let mut hum = after_a_dwell(1.0, 0.0);
    assert!(
        ![(); 9]
            .map(|()| step(&mut hum, Reason::CircuitChanged))
            .contains(&true)
    );
}

#[test]
fn a_settled_voltage_that_turns_is_interference() {
    let config = config();
    // To and fro; one that drifts is a circuit that does.
    for (wobble, due) in [(true, true), (false, false)] {
        let mut diagnosis = Diagnosis::default();
        for sequence in 0..12u32 {
            let step = if wobble {
                sequence / 2 % 2
            } else {
                sequence / 2
            };
            let (drive, v) = if sequence % 2 == 0 {
                (Drive::Raise, 110.0)
            } else {
                (Drive::Lower, 90.0)
            };
            let mut dwell = report(sequence, Verdict::Healthy, Ok(open()));
            dwell.drive = drive;
            dwell.reading = settled(drive, v + f64::from(step), 400.0);
            diagnosis.concludes(&config, &dwell);
        }
        let found = diagnosis.findings(&config);
        assert_eq!(found.contains(Finding::Interference), due);
    }
}

/// 8 V of hum at 60 and 120 Hz: in blocks of 20 ms they leave 10 and 20 Hz, which
/// scatter blocks by more than 3.8 V would, and jump in every dwell.
#[test]
fn hum_that_blocks_do_not_hold_is_neither_weak_stimulus_nor_interference() {
    let config = config();
    for beat in [0.2, 0.4] {
        let mut diagnosis = Diagnosis::default();
        for number in 0..200u32 {
            let turns = f64::from(number) * beat;
            let (raw, mut hum) = block(200.0 + 8.0 * (turns * core::f64::consts::TAU).sin());
            hum.flags.first_in_dwell = number.is_multiple_of(25);
            hum.chassis_scatter = volts(8.0);
            diagnosis.listen(&config, &raw, &hum);
            if number % 25 == 24 {
                let mut dwell = report(number, Verdict::Healthy, Ok(open()));
                dwell.reading = Err(Reason::CircuitChanged);
                diagnosis.concludes(&config, &dwell);
            }
        }
        let found = diagnosis.findings(&config);
        assert!(found.is_empty(), "{beat}: {found:?}");
    }
}

/// A leak that is another whenever its record contradicts itself: to and fro is
/// interference, to the same side is a circuit that changes.
#[test]
fn a_leak_that_turns_back_when_its_record_contradicts_itself_is_interference() {
    let config = config();
    for (to_and_fro, due) in [(true, true), (false, false)] {
        let mut diagnosis = Diagnosis::default();
        for time in 0..6 {
            let step = if to_and_fro { time % 2 } else { time };
            let mut fitted = open();
            fitted.conductance = Measured {
                value: Microsiemens::from_int(1 << step),
                u: Microsiemens::from_bits(1 << 20),
            };
            diagnosis.arrive(&fitted);
            diagnosis.leave(&fitted);
        }
        let found = diagnosis.findings(&config);
        assert_eq!(found.contains(Finding::Interference), due);
    }
}
