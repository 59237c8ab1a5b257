//! A leak that changes at any instant: until readings of the new circuit fill
//! a cycle, what the core reports lies between old and new, within its stated
//! uncertainty, or is refused; afterwards it is the new one.

use ohmsplit::{Estimate, Kind};
use ohmsplit_tests::bench::{Figures, Lead, run_volts};
use ohmsplit_tests::bounds::{HONEST, ISOLATION};
use ohmsplit_tests::design::{Design, drives};
use ohmsplit_tests::honest::off;
use ohmsplit_tests::reference::{Circuit, Leak, State};
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
    ) {
        let drive = drives()[kind];
        let [before, after] = [0, 1].map(|n| {
            let leak = Leak::inside(10f64.powf(ohms[n]), places[n]);
            Circuit::new(leak, 10f64.powf(farad), drive)
        });
        let config = Design::new(drive, 400.0, 24).config();
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
