//! A pack voltage that differs between the readings, ramps or jumps: the solve
//! is exact whatever Vb does between readings, and what a moving pack leaves
//! in a reading is stated or refused.

use ohmsplit::{Kind, Report};
use ohmsplit_tests::bench::{Bench, Figures, Lead, run_volts};
use ohmsplit_tests::bounds::{ISOLATION, POSITION};
use ohmsplit_tests::design::{Design, drives};
use ohmsplit_tests::honest::wrong;
use ohmsplit_tests::reference::{Circuit, Leak, State};

const LEAKS: [(f64, f64); 4] = [(2e4, 0.0), (1e5, 0.4), (1e6, 0.7), (5e6, 1.0)];

/// Fails when an estimate of the run is off by more than it says; counts those
/// that say less than 1 %.
fn honest(reports: &[Report], circuit: &Circuit) -> usize {
    let mut sharp = 0;
    for estimate in reports
        .iter()
        .filter_map(|report| report.estimate.as_ref().ok())
    {
        if let Some(what) = wrong(estimate, circuit) {
            panic!("{circuit:?}: {what}");
        }
        let [g, u] = Figures::from(estimate).conductance;
        sharp += usize::from(estimate.kind == Kind::Figure && u < 0.01 * g);
    }
    sharp
}

#[test]
fn pack_voltages_that_differ_between_the_readings_cost_nothing() {
    for drive in drives() {
        for (ohm, x) in LEAKS {
            for sag in [0.999, 0.95, 0.8] {
                let circuit = Circuit::new(Leak::inside(ohm, x), 0.0, drive);
                let config = Design::new(drive, 400.0, 28).config();
                let lead = Lead::alternating(1.0);
                let reports = run_volts(&config, 200.0, 6.0, &lead, |state, _, _| {
                    let pack = if state == State::Lower {
                        400.0 * sag
                    } else {
                        400.0
                    };
                    [circuit.settled(state, pack), pack]
                });
                let case = format!("{drive:?} {ohm} Ω at {x}, {sag}");
                let estimate = reports.last().expect("a report").estimate.expect(&case);
                let figures = Figures::from(&estimate);
                ISOLATION.relative(figures.isolation, ohm, &case);
                POSITION.absolute(figures.position.expect("a position")[0], x, &case);
            }
        }
    }
}

#[test]
fn behind_a_ramp_the_figures_are_right_within_what_they_state() {
    let mut sharp = 0;
    let mut runs = 0;
    for drive in drives() {
        for (ohm, x) in LEAKS {
            for slope in [-10.0, -1.0, -0.1, 0.3, 3.0] {
                for (farad, kappa) in [(1e-9, 0.5), (1e-7, 0.1), (1e-6, 0.9)] {
                    let circuit = Circuit {
                        positive_farad: kappa * farad,
                        negative_farad: (1.0 - kappa) * farad,
                        ..Circuit::new(Leak::inside(ohm, x), farad, drive)
                    };
                    let bench = Bench {
                        pack_slope: slope,
                        ..Bench::new(circuit, 400.0)
                    };
                    let config = Design::new(drive, 600.0, 24).config();
                    // A last dwell that is shorter than the others.
                    let reports = bench.run(&config, 500.0, 15.0, &Lead::alternating(1.7));
                    sharp += usize::from(honest(&reports, &circuit) > 2);
                    runs += 1;
                }
            }
        }
    }
    // It is no use to be right by never being sharp.
    assert!(2 * sharp > runs, "sharp in {sharp} of {runs} runs");
}

#[test]
fn a_jump_in_the_middle_of_a_dwell_is_refused_or_right() {
    for drive in drives() {
        for (ohm, x) in LEAKS {
            for (jump, farad) in [(8.0, 1e-9), (-8.0, 2e-7), (40.0, 1e-7), (-40.0, 1e-6)] {
                for kappa in [0.1, 0.9] {
                    let circuit = Circuit {
                        positive_farad: kappa * farad,
                        negative_farad: (1.0 - kappa) * farad,
                        ..Circuit::new(Leak::inside(ohm, x), farad, drive)
                    };
                    let config = Design::new(drive, 400.0, 24).config();
                    let mut v = circuit.settled(State::Rest, 400.0).max(0.0);
                    let pack_at = |t: f64| {
                        if ((t / 2.3) as u32).is_multiple_of(2) {
                            400.0
                        } else {
                            400.0 + jump
                        }
                    };
                    let lead = Lead::alternating(1.0);
                    let reports = run_volts(&config, 500.0, 20.0, &lead, |state, from, to| {
                        let pack = [pack_at(from), pack_at(to)];
                        // The jump goes through the capacitors at once.
                        v += kappa * (pack[1] - pack[0]);
                        v = circuit.after(state, v, [pack[1]; 2], to - from);
                        [v, pack[1]]
                    });
                    honest(&reports, &circuit);
                }
            }
        }
    }
}
