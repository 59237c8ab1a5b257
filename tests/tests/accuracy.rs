//! What the project must show on noise-free, settled readings with ideal
//! parts: the figures are right, and the stated uncertainty says how right.

use ohmsplit::Kind;
use ohmsplit_tests::bench::{Bench, Figures, Lead, last};
use ohmsplit_tests::bounds::{COUNTS, ISOLATION, POSITION, ROUNDED_READINGS};
use ohmsplit_tests::design::{Design, Front, drives};
use ohmsplit_tests::reference::{Circuit, Leak, Sensitivity, Settled, State, sensitivity};

const VOLTAGES: [f64; 4] = [60.0, 400.0, 800.0, 1500.0];
const RESISTANCES: [f64; 7] = [1e4, 3e4, 1e5, 3e5, 1e6, 3e6, 1e7];
const POSITIONS: [f64; 6] = [0.0, 0.25, 0.4, 0.5, 0.75, 1.0];

/// One settled run and the circuit behind it.
struct Case {
    name: String,
    design: Design,
    circuit: Circuit,
    pack: f64,
}

impl Case {
    fn run(&self, lead: &Lead) -> (Kind, Figures) {
        let reports =
            Bench::new(self.circuit, self.pack).run(&self.design.config(), 500.0, 6.0, lead);
        last(&reports).unwrap_or_else(|reason| panic!("{}: {reason:?}", self.name))
    }

    /// Sensitivities to the readings of the two states.
    fn sensitivity(&self) -> Sensitivity {
        let [one, two] = [State::Raise, State::Lower].map(|state| Settled {
            row: self.circuit.row(state),
            v: self.circuit.settled(state, self.pack),
            vb: self.pack,
        });
        sensitivity(&self.circuit.leak, &one, &two)
    }

    fn count(&self) -> f64 {
        self.design.span / 2f64.powi(i32::from(self.design.bits))
    }
}

fn cases(bits: u8, farads: &[f64]) -> Vec<Case> {
    let mut cases = Vec::new();
    for drive in drives() {
        for pack in VOLTAGES {
            let design = Design::new(drive, pack, bits);
            for ohm in RESISTANCES {
                for x in POSITIONS {
                    for &farad in farads {
                        cases.push(Case {
                            name: format!("{drive:?}, {pack} V, {ohm} Ω at {x}, {farad} F"),
                            design: design.clone(),
                            circuit: Circuit::new(Leak::inside(ohm, x), farad, drive),
                            pack,
                        });
                    }
                }
            }
        }
    }
    cases
}

#[test]
fn with_24_bits_resistance_is_within_two_per_mille_and_position_within_two_thousandths() {
    let recorded = Lead::alternating(1.0);
    for case in cases(24, &[1e-9, 2.2e-7]) {
        for lead in [&Lead::Sequencer, &recorded] {
            let (kind, figures) = case.run(lead);
            let name = format!("{}, {lead:?}: {figures:?}", case.name);
            assert_eq!(kind, Kind::Figure, "{name}");
            let leak = &case.circuit.leak;
            ISOLATION.relative(figures.isolation, leak.isolation(), &name);
            let x = figures.position.expect("a position")[0];
            POSITION.absolute(x, leak.position(), &name);
        }
    }
}

#[test]
fn with_16_bits_errors_stay_within_what_counts_imply_and_the_uncertainty_says_so() {
    let mut worst_in_u = 0.0f64;
    for case in cases(16, &[1e-9, 2.2e-7]) {
        let (kind, figures) = case.run(&Lead::alternating(1.0));
        let law = case.sensitivity();
        let leak = &case.circuit.leak;
        let name = format!("{}: {kind:?} {figures:?}", case.name);
        let largest = |by: [f64; 4]| by.iter().fold(0.0f64, |a, b| a.max(b.abs()));
        let by_counts = COUNTS.allowed * case.count() * largest(law.total);
        let error = (figures.conductance[0] - leak.conductance()).abs();
        let [_, u] = figures.conductance;
        if by_counts < 0.25 * leak.conductance() {
            assert_eq!(kind, Kind::Figure, "{name}");
            assert!(
                error <= by_counts.max(ISOLATION.allowed * leak.conductance()),
                "{name}: off by {error:e} S, counts imply {by_counts:e}"
            );
            assert!(
                error <= ROUNDED_READINGS.allowed * u,
                "{name}: off by {} standard uncertainties",
                error / u
            );
            worst_in_u = worst_in_u.max(error / u);
            // One rectangular step a reading, q/√12, and at most twice that.
            // It may be less: a transient that crosses codes dithers itself.
            let implied = case.count() / 12f64.sqrt()
                * law.total.iter().map(|by| by * by).sum::<f64>().sqrt();
            assert!(
                u < 2.0 * implied,
                "{name}: u {u:e} where readings imply {implied:e}"
            );
        }
        let [low, high] = figures.isolation_interval;
        assert!(
            low <= leak.isolation() * 1.002 && high >= leak.isolation() * 0.998
                || error <= ROUNDED_READINGS.allowed * u,
            "{name}"
        );
    }
    println!("largest error: {worst_in_u:.2} standard uncertainties");
}

#[test]
fn rails_measured_as_a_pair_through_loading_dividers_give_the_same() {
    for drive in drives() {
        for pack in VOLTAGES {
            for (ohm, x) in [(1e4, 0.0), (1e5, 0.3), (1e6, 0.5), (1e7, 0.8)] {
                let design = Design {
                    front: Front::RailPair,
                    divider: Some(5.1e6),
                    bleeds: [Some(10e6), Some(4.7e6)],
                    ..Design::new(drive, pack, 28)
                };
                let case = Case {
                    name: format!("{drive:?}, {pack} V, {ohm} Ω at {x}"),
                    circuit: Circuit {
                        permanent: design.permanent(),
                        ..Circuit::new(Leak::inside(ohm, x), 1e-7, drive)
                    },
                    design,
                    pack,
                };
                let (kind, figures) = case.run(&Lead::Sequencer);
                let name = format!("{}: {figures:?}", case.name);
                assert_eq!(kind, Kind::Figure, "{name}");
                ISOLATION.relative(figures.isolation, ohm, &name);
                POSITION.absolute(figures.position.expect("a position")[0], x, &name);
            }
        }
    }
}
