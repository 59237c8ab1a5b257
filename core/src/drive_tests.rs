//! The sequencer's patience and its way with the bus; which readings make a cycle.

use crate::config::{Config, Drive};
use crate::drive::{Cycle, Sequencer};
use crate::reason::Reason;
use crate::report::Reading;
use crate::settle::{Course, Settled};
use crate::test_reports::config;
use crate::units::{Measured, Seconds, Volts};

/// The default timing has blocks of 20 ms, dwells of 0.5 s to 60 s.
const BLOCKS_PER_S: u32 = 50;

fn seconds(tenths: i64) -> Seconds {
    Seconds::from_bits((tenths << 32) / 10)
}

/// A settled dwell, with a time constant if one was seen.
fn reading(drive: Drive, tau: Option<Seconds>) -> Reading {
    let volts = Measured {
        value: Volts::from_int(100),
        u: Volts::ZERO,
    };
    Reading {
        drive,
        chassis: volts,
        pack: volts,
        lag: Volts::ZERO,
        time_constant: tau.map(|value| Measured {
            value,
            u: Seconds::ZERO,
        }),
        dwell_us: 500_000,
    }
}

/// After how many blocks a dwell in this state is given up.
fn patience(sequencer: &Sequencer, config: &Config, drive: Drive) -> u32 {
    let given_up = |&blocks: &u32| sequencer.due(config, drive, blocks).1;
    (0..=3000).find(given_up).expect("patience has an end")
}

#[test]
fn a_dwell_lasts_its_least_time_and_no_longer_than_patience() {
    let config = config();
    let patient = Sequencer::new(&config);
    for (blocks, due) in [
        (24, (false, false)),
        (25, (true, false)),
        (2999, (true, false)),
        (3000, (true, true)),
        (u32::MAX, (true, true)),
    ] {
        assert_eq!(patient.due(&config, Drive::Raise, blocks), due, "{blocks}");
    }
    let brisk = Sequencer::brisk(&config);
    assert_eq!(brisk.due(&config, Drive::Lower, 24), (false, false));
    assert_eq!(brisk.due(&config, Drive::Lower, 25), (true, true));
}

#[test]
fn the_half_period_is_two_and_a_half_time_constants_within_its_limits() {
    let config = config();
    let mut sequencer = Sequencer::brisk(&config);
    // (τ, record, half-period) in tenths of a second; a half-period is rounded up.
    for (tau, span, due) in [
        (20, 300, 51),
        (20, 30, 31),
        (0, 300, 5),
        (1000, 10_000, 600),
    ] {
        sequencer.pace(&config, seconds(tau), seconds(span));
        for drive in [Drive::Raise, Drive::Lower, Drive::Rest] {
            let blocks = patience(&sequencer, &config, drive);
            // The decimal fractions are rounded down in binary: a tenth less at most.
            let tenths = blocks * 10 / BLOCKS_PER_S;
            assert!(tenths == due || tenths + 1 == due, "τ {tau}: {tenths}");
        }
    }
}

#[test]
fn without_a_fit_there_is_twice_the_time_up_to_the_longest_dwell() {
    let config = config();
    let mut sequencer = Sequencer::brisk(&config);
    for due in [25, 50, 100, 200, 400, 800, 1600, 3000, 3000] {
        assert_eq!(patience(&sequencer, &config, Drive::Raise), due);
        sequencer.slow_down(&config);
    }
}

#[test]
fn a_settled_dwell_tells_how_long_the_next_in_its_state_may_last() {
    let config = config();
    let mut sequencer = Sequencer::new(&config);
    // Eight time constants of half a second.
    sequencer.learn(
        &config,
        Drive::Raise,
        &Ok(reading(Drive::Raise, Some(seconds(5)))),
    );
    assert_eq!(patience(&sequencer, &config, Drive::Raise), 200);
    assert_eq!(patience(&sequencer, &config, Drive::Lower), 3000);
    // None was seen: as before. It did not settle: twice as long.
    sequencer.learn(&config, Drive::Raise, &Ok(reading(Drive::Raise, None)));
    assert_eq!(patience(&sequencer, &config, Drive::Raise), 200);
    sequencer.learn(&config, Drive::Raise, &Err(Reason::NotSettled));
    assert_eq!(patience(&sequencer, &config, Drive::Raise), 400);
    // A fast circuit is still given the least dwell.
    sequencer.learn(
        &config,
        Drive::Raise,
        &Ok(reading(Drive::Raise, Some(Seconds::ZERO))),
    );
    assert_eq!(patience(&sequencer, &config, Drive::Raise), 25);
}

#[test]
fn a_dwell_is_waited_for_until_the_drive_moves_on() {
    let config = config();
    let mut sequencer = Sequencer::new(&config);
    sequencer.begin(&config, Drive::Raise);
    assert!(sequencer.waits());
    sequencer.move_on(&config);
    assert!(!sequencer.waits());
    sequencer.begin(&config, Drive::Lower);
    assert!(sequencer.waits());
}

#[test]
fn the_bus_that_is_left_is_at_rest_and_is_taken_back_with_a_driven_state() {
    let source = config();
    let timing = source.timing().clone();
    let timing = timing
        .with_cycle(&[Drive::Rest, Drive::Lower, Drive::Raise])
        .expect("three states");
    let element = crate::config::Element::source_to_negative(
        Volts::from_int(40),
        crate::units::Ohms::from_int(1_000_000),
    );
    let config = Config::try_new(*source.front_end(), &[element], timing, *source.limits())
        .expect("a sound configuration");
    let mut sequencer = Sequencer::new(&config);
    sequencer.move_on(&config);
    assert_eq!(sequencer.drive(&config), Drive::Lower);
    assert!(!sequencer.has_left());
    sequencer.leave();
    assert!(sequencer.has_left());
    assert_eq!(sequencer.drive(&config), Drive::Rest);
    sequencer.take_back(&config);
    assert!(!sequencer.has_left() && sequencer.waits());
    assert_eq!(sequencer.drive(&config), Drive::Lower);
}

#[test]
fn a_cycle_is_the_newest_readings_of_the_last_four_dwells() {
    let mut cycle = Cycle::default();
    let drives = |cycle: &Cycle, sequence| -> std::vec::Vec<Drive> {
        cycle
            .readings(sequence)
            .map(|settled| settled.drive)
            .collect()
    };
    // Across the end of the counter.
    let first = u32::MAX;
    let settled = |drive| Settled::new(&reading(drive, None), Course::NONE);
    cycle.put(first, &settled(Drive::Raise));
    cycle.put(first.wrapping_add(1), &settled(Drive::Lower));
    assert_eq!(
        drives(&cycle, first.wrapping_add(1)),
        [Drive::Raise, Drive::Lower]
    );
    cycle.put(first.wrapping_add(2), &settled(Drive::Raise));
    assert_eq!(
        drives(&cycle, first.wrapping_add(2)),
        [Drive::Lower, Drive::Raise]
    );
    assert_eq!(drives(&cycle, first.wrapping_add(5)), [Drive::Raise]);
    assert_eq!(drives(&cycle, first.wrapping_add(6)), []);
    // A dwell without a reading takes away the one before it in its state.
    cycle.clear(Drive::Raise);
    assert!(cycle.latest(Drive::Raise).is_none());
    assert!(cycle.latest(Drive::Lower).is_some());
    assert_eq!(drives(&cycle, first.wrapping_add(2)), [Drive::Lower]);
}
