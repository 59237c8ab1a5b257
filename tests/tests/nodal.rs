//! Nodal analysis of the whole network against the core's figures: every cell
//! of the stack, the measuring dividers down to the converter pin, meters,
//! bleeds and the drive are parts of the matrix; leaks start from any tap.

use ohmsplit::Kind;
use ohmsplit::config::{
    Channel, Config, Divider, Element, FrontEnd, Judged, Landing, Limits, Timing,
};
use ohmsplit_tests::bench::{Lead, last, run_codes};
use ohmsplit_tests::bounds::{COUNTS, FIXED_POINT, FIXED_POINT_POSITION, SAME_ALGEBRA};
use ohmsplit_tests::design::{drive_parts, drives, ohms, volts};
use ohmsplit_tests::nodal::{Network, Stack};
use ohmsplit_tests::reference::{Circuit, Drive, Leak, Settled, State, sensitivity};
use proptest::prelude::*;

/// Bits of the converters: one count is 0.03 µV at the pin.
const BITS: u8 = 30;
/// Volts at the pin that all codes span.
const PIN_SPAN: f64 = 40.96;

/// What hangs on the battery.
#[derive(Debug, Clone)]
struct Bus {
    cells: Vec<f64>,
    /// Leaks: place in the stack (0 to 1, next tap), resistance.
    leaks: Vec<(f64, f64)>,
    drive: Drive,
    rail_pair: bool,
    /// Measuring dividers: top and bottom.
    dividers: [[f64; 2]; 2],
    /// Bleeds from P and from N to the chassis.
    bleeds: [Option<f64>; 2],
}

/// Terminals and pins after the solve.
struct Solved {
    chassis: f64,
    pins: [f64; 2],
}

impl Bus {
    fn pack(&self) -> f64 {
        self.cells.iter().sum()
    }

    /// The tap nearest to a place in the stack.
    fn tap(&self, x: f64) -> usize {
        (x * self.cells.len() as f64).round() as usize
    }

    /// All leaks as one: each tap splits its current between the rails.
    fn leak(&self) -> Leak {
        let mut below = vec![0.0];
        for cell in &self.cells {
            below.push(below[below.len() - 1] + cell);
        }
        self.leaks.iter().fold(Leak::NONE, |sum, &(x, ohm)| {
            let one = Leak::inside(ohm, below[self.tap(x)] / self.pack());
            Leak {
                positive: sum.positive + one.positive,
                negative: sum.negative + one.negative,
            }
        })
    }

    fn solve(&self, state: State) -> Solved {
        let mut network = Network::default();
        let stack = Stack::new(&mut network, &self.cells);
        let positive = stack.positive();
        let chassis = network.node();
        for &(x, ohm) in &self.leaks {
            network.resistor(stack.taps[self.tap(x)], chassis, ohm);
        }
        for (rail, bleed) in [positive, 0].into_iter().zip(self.bleeds) {
            if let Some(ohm) = bleed {
                network.resistor(rail, chassis, ohm);
            }
        }
        let (ends, bottoms) = if self.rail_pair {
            ([positive, chassis], [chassis, 0])
        } else {
            ([chassis, positive], [0, 0])
        };
        let [first, second] =
            [0, 1].map(|n| network.divider(ends[n], bottoms[n], self.dividers[n]));
        drive(&mut network, &self.drive, state, positive, chassis);
        let solved = network.solve();
        Solved {
            chassis: solved[chassis],
            pins: [
                solved[first] - solved[bottoms[0]],
                solved[second] - solved[bottoms[1]],
            ],
        }
    }

    fn config(&self) -> Config {
        let [first, second] = self.dividers.map(|[top, bottom]| {
            let divider = Divider {
                top: ohms(top),
                bottom: ohms(bottom),
            };
            Channel::bipolar(BITS, volts(PIN_SPAN))
                .behind(divider)
                .expect("a bottom resistor")
        });
        let front_end = if self.rail_pair {
            FrontEnd::RailPair {
                positive: first,
                negative: second,
            }
        } else {
            FrontEnd::ChassisAndPack {
                chassis: first,
                pack: second,
            }
        };
        let mut parts = drive_parts(&self.drive);
        for (rail, bleed) in [Landing::Positive, Landing::Negative]
            .into_iter()
            .zip(self.bleeds)
        {
            parts.extend(bleed.map(|ohm| Element::permanent(ohms(ohm), rail)));
        }
        let limits = Limits::new(volts(self.pack()), Judged::WeakestRail);
        Config::try_new(front_end, &parts, Timing::default(), limits).expect("a sound network")
    }

    /// The same in the closed form of the reference.
    fn circuit(&self) -> Circuit {
        let load = |n: usize| 1.0 / (self.dividers[n][0] + self.dividers[n][1]);
        let [to_positive, to_negative] = self.bleeds.map(|ohm| ohm.map_or(0.0, f64::recip));
        let permanent = if self.rail_pair {
            [to_positive + load(0), to_negative + load(1)]
        } else {
            [to_positive, to_negative + load(0)]
        };
        Circuit {
            permanent,
            ..Circuit::new(self.leak(), 0.0, self.drive)
        }
    }
}

/// The drive's resistors and sources in one state.
fn drive(network: &mut Network, drive: &Drive, state: State, positive: usize, chassis: usize) {
    let sign = if state == State::Raise { 1.0 } else { -1.0 };
    let mut push = |from: usize, volt: f64, series: f64| {
        let output = network.node();
        network.source(output, from, volt);
        network.resistor(output, chassis, series);
    };
    match (*drive, state) {
        (Drive::LogicSource { high, series, .. }, State::Raise) => push(0, high, series),
        (Drive::LogicSource { low, series, .. }, _) => push(0, low, series),
        (_, State::Rest) => {}
        (Drive::SourceToNegative { amplitude, series }, _) => push(0, sign * amplitude, series),
        (Drive::SourceToBothRails { amplitude, series }, _) => {
            push(0, sign * amplitude, series);
            push(positive, sign * amplitude, series);
        }
        (Drive::SwitchedResistors { positive: ohm, .. }, State::Raise) => {
            network.resistor(positive, chassis, ohm);
        }
        (Drive::SwitchedResistors { negative: ohm, .. }, State::Lower) => {
            network.resistor(chassis, 0, ohm);
        }
    }
}

/// The core on the matrix's pin voltages against the matrix's own resistors.
fn check(bus: &Bus) {
    let case = format!("{bus:?}");
    let config = bus.config();
    let solved = [State::Raise, State::Lower].map(|state| bus.solve(state));
    let reports = run_codes(
        &config,
        100.0,
        4.0,
        &Lead::alternating(1.0),
        |state, _, _| {
            let at = &solved[usize::from(state == State::Lower)];
            at.pins.map(|pin| {
                (pin / PIN_SPAN * 2f64.powi(BITS.into())).round() as i32 + (1 << (BITS - 1))
            })
        },
    );
    let (kind, figures) = last(&reports).unwrap_or_else(|reason| panic!("{case}: {reason:?}"));
    assert_eq!(kind, Kind::Figure, "{case}: {figures:?}");
    let circuit = bus.circuit();
    let leak = bus.leak();
    let pack = bus.pack();
    let states = [State::Raise, State::Lower].map(|state| Settled {
        row: circuit.row(state),
        v: circuit.settled(state, pack),
        vb: pack,
    });
    for (at, state) in solved.iter().zip(&states) {
        SAME_ALGEBRA.absolute(at.chassis / pack, state.v / pack, &case);
    }
    let law = sensitivity(&leak, &states[0], &states[1]);
    // The core's readings have a step of 1 µV, however fine the converter.
    let ratio = bus.dividers.map(|[top, bottom]| (top + bottom) / bottom);
    let count = (PIN_SPAN / 2f64.powi(BITS.into()) * ratio[0].max(ratio[1])).max(1e-6);
    let by_counts =
        |by: [f64; 4]| COUNTS.allowed * count * by.iter().fold(0.0f64, |a, b| a.max(b.abs()));
    let total = leak.conductance();
    let error = (figures.conductance[0] - total).abs();
    let allowed = FIXED_POINT.allowed * total + by_counts(law.total);
    assert!(
        error <= allowed,
        "{case}: G {figures:?} for {total:e}, {error:e} above {allowed:e}"
    );
    let x = figures.position.expect("a position")[0];
    let allowed = FIXED_POINT_POSITION.allowed + by_counts(law.position);
    assert!(
        (x - leak.position()).abs() <= allowed,
        "{case}: x {x} for {}",
        leak.position()
    );
}

fn dividers(rail_pair: bool) -> [[f64; 2]; 2] {
    if rail_pair {
        [[10e6, 100e3], [9.1e6, 91e3]]
    } else {
        [[10e6, 100e3], [4.7e6, 47e3]]
    }
}

#[test]
fn every_drive_position_voltage_and_resistance() {
    for drive in drives() {
        for pack in [60.0, 400.0, 800.0, 1500.0] {
            for ohm in [1e3, 1e4, 1e5, 1e6, 1e7, 5e7] {
                for x in [0.0, 0.25, 0.5, 1.0] {
                    check(&Bus {
                        cells: vec![pack / 12.0; 12],
                        leaks: vec![(x, ohm)],
                        drive,
                        rail_pair: ohm < 1e6,
                        dividers: dividers(ohm < 1e6),
                        bleeds: [None, None],
                    });
                }
            }
        }
    }
}

#[test]
fn several_leaks_uneven_cells_and_bleeds_are_one_leak_to_the_chassis() {
    check(&Bus {
        cells: vec![3.1, 4.2, 3.7, 3.65, 0.0, 3.9, 4.1, 3.3, 3.6, 3.2, 4.0, 3.8],
        leaks: vec![(0.0, 470e3), (0.2, 82e3), (0.6, 1.5e6), (1.0, 330e3)],
        drive: drives()[2],
        rail_pair: false,
        dividers: dividers(false),
        bleeds: [Some(3.3e6), Some(1e6)],
    });
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 250, ..ProptestConfig::default() })]

    #[test]
    fn any_leaks_at_any_taps(
        kind in 0..4usize,
        pack in 60.0f64..1500.0,
        leaks in prop::collection::vec((0.0f64..=1.0, 3.3f64..7.6), 1..4),
        rail_pair in any::<bool>(),
        bleeds in [prop::option::of(5.8f64..7.5), prop::option::of(5.8f64..7.5)],
        spread in prop::collection::vec(0.5f64..1.5, 16),
    ) {
        let sum: f64 = spread.iter().sum();
        let ohm = |decades: f64| 10f64.powf(decades).round();
        check(&Bus {
            cells: spread.iter().map(|share| share * pack / sum).collect(),
            leaks: leaks.into_iter().map(|(x, decades)| (x, ohm(decades))).collect(),
            drive: drives()[kind],
            rail_pair,
            dividers: dividers(rail_pair),
            bleeds: bleeds.map(|decades| decades.map(ohm)),
        });
    }
}
