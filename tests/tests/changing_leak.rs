//! A leak that changes at any instant: until readings of the new circuit fill
//! a cycle, what the core reports lies between old and new, within its stated
//! uncertainty, or is refused; afterwards it is the new one.

use ohmsplit::config::Check;
use ohmsplit::{Estimate, Finding, Kind};
use ohmsplit_tests::bench::{Bench, Figures, Lead, run_volts};
use ohmsplit_tests::bounds::{HONEST, ISOLATION};
use ohmsplit_tests::design::{Design, drives};
use ohmsplit_tests::honest::off;
use ohmsplit_tests::reference::{Circuit, Drive, Leak, State};
use proptest::prelude::*;

/// When the leak changes, seconds.
const CHANGE: f64 = 5.0;

/// Fails when an estimate lies outside both circuits and all between.
fn between(estimate: &Estimate, before: &Circuit, after: &Circuit) -> Result<(), TestCaseError> {
    let figures = Figures::from(estimate);
    let [one, other] = [before, after].map(|circuit| circuit.leak.conductance());
    let (least, most) = (one.min(other), one.max(other));
    let case = || format!("{figures:?} for {one:e} S, then {other:e} S");
    let [low, high] = figures.isolation_interval;
    match estimate.kind {
        Kind::Figure => {
            let g = figures.conductance[0];
            let nearest = off(&figures, before, one).min(off(&figures, before, other));
            let inside = g > least && g < most;
            prop_assert!(inside || nearest <= HONEST.allowed, "{}", case());
        }
        Kind::Short => prop_assert!(1.0 / most < 1.5 * high, "{}", case()),
        Kind::Open => prop_assert!(1.0 / least > low / 1.5, "{}", case()),
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, ..ProptestConfig::default() })]

    #[test]
    fn estimates_lie_between_old_and_new_and_end_at_the_new(
        kind in 0..4usize,
        ohms in [3.5f64..7.0, 3.5f64..7.0],
        places in [0.0f64..1.0, 0.0f64..1.0],
        farad in -9.0f64..-7.2,
        half_period in 0.8f64..2.0,
        closed_loop in any::<bool>(),
        rest in any::<bool>(),
    ) {
        let drive = drives()[kind];
        let [before, after] = [0, 1].map(|n| {
            let leak = Leak::inside(10f64.powf(ohms[n]), places[n]);
            Circuit::new(leak, 10f64.powf(farad), drive)
        });
        let mut design = Design::new(drive, 400.0, 24);
        // A third state: two readings of the old circuit beside one of the new.
        let rests = rest && closed_loop && !matches!(drive, Drive::LogicSource { .. });
        if rests {
            design.cycle.push(State::Rest);
        }
        let config = design.config();
        let lead = if closed_loop { Lead::Sequencer } else { Lead::alternating(half_period) };
        let mut v = before.settled(State::Raise, 400.0);
        let reports = run_volts(&config, 500.0, CHANGE + 12.0, &lead, |state, from, to| {
            let circuit = if from < CHANGE { &before } else { &after };
            v = circuit.after(state, v, [400.0; 2], to - from);
            [v, 400.0]
        });
        for report in &reports {
            if let Ok(estimate) = &report.estimate {
                between(estimate, &before, &after)?;
            }
        }
        let last = reports.last().and_then(|report| report.estimate.ok());
        let last = last.ok_or_else(|| TestCaseError::fail(format!("{:?}", reports.last())))?;
        prop_assert_eq!(last.kind, Kind::Figure);
        let figures = Figures::from(&last);
        let off = (figures.conductance[0] - after.leak.conductance()).abs();
        let allowed = HONEST.allowed * figures.conductance[1];
        prop_assert!(off <= allowed + ISOLATION.allowed * after.leak.conductance());
    }
}

/// In a cycle of three states two readings may be of the old circuit and one of the new: their mixture was
/// told as 263 MΩ once, where 40 kΩ had begun to leak.
#[test]
fn what_was_read_before_a_leak_is_not_mixed_with_what_comes_after() {
    for drive in &drives()[..3] {
        let mut design = Design::new(*drive, 800.0, 16);
        design.cycle.push(State::Rest);
        let config = design.config();
        for (place, steps) in [(0.0, 0..12u32), (0.4, 12..24), (1.0, 24..36)] {
            let [before, after] = [Leak::inside(10e6, 0.7), Leak::inside(40e3, place)]
                .map(|leak| Circuit::new(leak, 320e-9, *drive));
            for step in steps {
                let mut bench = Bench::new(before, 800.0);
                bench.noise = 0.02;
                bench.seed = u64::from(step);
                bench.later = Some((3.0 + 0.17 * f64::from(step), after));
                let waiting = bench.run(&config, 1000.0, 12.0, &Lead::Sequencer);
                let swift = bench.run_swift(&config, 1000.0, 12.0, &Lead::Sequencer);
                let reports = waiting
                    .iter()
                    .chain(swift.iter().map(|event| &event.report));
                for estimate in reports.filter_map(|report| report.estimate.as_ref().ok()) {
                    let figures = Figures::from(estimate);
                    let misses = [before, after].map(|circuit| miss(&figures, &circuit));
                    let least = misses[0].min(misses[1]);
                    assert!(
                        least <= 3.0,
                        "{drive:?} {place} {step}: {least} {figures:?}"
                    );
                }
            }
        }
    }
}

/// By how many half-widths of its interval R_iso is off.
fn miss(figures: &Figures, circuit: &Circuit) -> f64 {
    let truth = circuit.leak.isolation();
    let [low, high] = figures.isolation_interval;
    let half = if truth < low {
        figures.isolation - low
    } else {
        high - figures.isolation
    };
    (truth - figures.isolation).abs() / half
}

/// A leak that begins is no fault of the parts, wherever in the cycle it begins: the check that is weighed with one
/// driven state of before and one of after contradicts itself.
#[test]
#[ignore = "a check that follows a contradiction at once weighs the same driven readings again, which counts as twice"]
fn a_leak_that_begins_beside_a_check_is_no_fault_of_the_parts() {
    for drive in &drives()[..3] {
        let mut design = Design::new(*drive, 800.0, 16);
        design.check = Check::Every(1);
        let config = design.config();
        for step in 0..24u32 {
            let place = [0.0, 0.4, 1.0][step as usize % 3];
            let [before, after] = [Leak::inside(1e6, 0.7), Leak::inside(80e3, place)]
                .map(|leak| Circuit::new(leak, 100e-9, *drive));
            let mut bench = Bench::new(before, 800.0);
            bench.noise = 0.02;
            bench.seed = u64::from(step);
            bench.later = Some((4.0 + 0.11 * f64::from(step), after));
            for report in bench.run(&config, 1000.0, 12.0, &Lead::Sequencer) {
                for fault in [Finding::StatesContradict, Finding::Polarity] {
                    let found = report.findings.contains(fault);
                    assert!(!found, "{drive:?} {step}: {}", fault.name());
                }
            }
        }
    }
}
