//! The budget of a settled estimate against numerical propagation: each source of error is put into an f64 solve
//! of the same readings, and what the figures do is squared and summed (JCGM 100:2008, 5.1.3, note 2).

use super::system::System;
use super::uncertainty::{Budget, Uncertainty};
use crate::config::{Channel, Config, Drive, Element, FrontEnd, Judged, Limits, Timing};
use crate::num::ONE;
use crate::report::Reading;
use crate::settle::{Course, Settled};
use crate::units::{Measured, Ohms, Ratio, Seconds, Volts};
use std::vec::Vec;

fn bits(x: f64) -> i64 {
    (x * ONE as f64).round() as i64
}

fn real(bits: i64) -> f64 {
    bits as f64 / ONE as f64
}

/// A state in f64: v, Vb, and g, p and i of the monitor.
type State = [f64; 5];

/// G, Gp, Gn and x of the states: pairs by Cramer's rule, weighed with D².
fn solve(states: &[State]) -> [f64; 4] {
    let (mut weights, mut total, mut positive) = (0.0, 0.0, 0.0);
    for (at, a) in states.iter().enumerate() {
        for b in &states[at + 1..] {
            let current = |s: &State| s[4] + s[3] * s[1] - s[2] * s[0];
            let d = b[0] * a[1] - a[0] * b[1];
            weights += d * d;
            total += d * (current(b) * a[1] - current(a) * b[1]);
            positive += d * (a[0] * current(b) - b[0] * current(a));
        }
    }
    let (g, gp) = (total / weights, positive / weights);
    [g, gp, g - gp, gp / g]
}

/// A battery and its monitor.
struct Bench {
    pair: bool,
    parts: Vec<Element>,
    drives: &'static [Drive],
    /// G and Gp, µS; C, µF.
    leak: [f64; 2],
    capacitance: f64,
    /// Vb in each state.
    packs: [f64; 3],
    /// Standard uncertainty of v and Vb of each reading.
    readings_u: [[f64; 2]; 3],
    /// Gain and offset of the two channels.
    channels: [[f64; 2]; 2],
    absorption: f64,
    /// What v lags behind a moving pack, with τ known to a tenth.
    lag: f64,
}

const CYCLE: &[Drive] = &[Drive::Raise, Drive::Lower];
const THREE: &[Drive] = &[Drive::Raise, Drive::Lower, Drive::Rest];
/// A step of the converters, of 12 bits and 4096 V, over √12.
const STEP_U: f64 = 1.0 / 3.464_101_615;
const DWELL_S: f64 = 2.0;

impl Bench {
    fn plain(parts: Vec<Element>) -> Self {
        Self {
            pair: false,
            parts,
            drives: CYCLE,
            leak: [2.0, 0.5],
            capacitance: 0.5,
            packs: [400.0, 396.0, 403.0],
            readings_u: [[0.0; 2]; 3],
            channels: [[0.0; 2]; 2],
            absorption: 0.0,
            lag: 0.0,
        }
    }

    fn config(&self) -> Config {
        let [first, second] = self.channels.map(|[gain, offset]| {
            let mut channel = Channel::bipolar(12, Volts::from_int(4096));
            channel.gain_u = Ratio::from_bits(bits(gain));
            channel.offset_u = Volts::from_bits(bits(offset));
            channel
        });
        let front_end = if self.pair {
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
        let limits = Limits::new(Volts::from_int(400), Judged::WeakestRail);
        let mut timing = Timing::default();
        timing.absorption = Ratio::from_bits(bits(self.absorption));
        Config::try_new(front_end, &self.parts, timing, limits).expect("sound")
    }

    /// The states with the resistance of one part, or its source, off by a part.
    fn states(&self, off: Option<(usize, bool)>, by: f64) -> Vec<State> {
        let states = self.drives.iter().zip(self.packs).map(|(&drive, pack)| {
            let sum = |off: Option<(usize, bool)>| {
                let mut sum = [0.0; 3];
                for (place, part) in self.parts.iter().enumerate() {
                    let row = part.row(drive);
                    let all = [row.g.to_bits(), row.p.to_bits(), row.i.to_bits()].map(real);
                    let scales = match off {
                        Some((at, true)) if at == place => [1.0 / (1.0 + by); 3],
                        Some((at, false)) if at == place => [1.0, 1.0, 1.0 + by],
                        _ => [1.0; 3],
                    };
                    for ((sum, value), scale) in sum.iter_mut().zip(all).zip(scales) {
                        *sum += value * scale;
                    }
                }
                sum
            };
            let [g, p, i] = sum(None);
            let v = (i + (self.leak[1] + p) * pack) / (self.leak[0] + g);
            let [g, p, i] = sum(off);
            [v, pack, g, p, i]
        });
        states.collect()
    }

    /// Squares of what an error of one standard uncertainty does, summed over the sources.
    fn due(&self) -> [f64; 4] {
        let clean = self.states(None, 0.0);
        let mut sums = [0.0; 4];
        let mut add = |up: &[State], down: &[State]| {
            for ((sum, up), down) in sums.iter_mut().zip(solve(up)).zip(solve(down)) {
                *sum += ((up - down) / 2.0).powi(2);
            }
        };
        // An error of v and Vb in each state, a small part of it at a time.
        let mut voltages = |errors: &dyn Fn(usize, &State) -> [f64; 2]| {
            let moved = |sign: f64| -> Vec<State> {
                let states = clean.iter().enumerate().map(|(place, state)| {
                    let [v, vb] = errors(place, state).map(|error| sign * error);
                    [state[0] + v, state[1] + vb, state[2], state[3], state[4]]
                });
                states.collect()
            };
            add(&moved(1.0), &moved(-1.0));
        };
        for (reading, u) in self.readings_u.iter().enumerate().take(clean.len()) {
            let one = |place: usize, by: f64| if place == reading { by } else { 0.0 };
            voltages(&|place, _| [one(place, u[0]), 0.0]);
            voltages(&|place, _| [0.0, one(place, u[1])]);
        }
        let [[gain, offset], [other_gain, other_offset]] = self.channels;
        if self.pair {
            voltages(&|_, s| [0.0, (s[1] - s[0]) * gain]);
            voltages(&|_, _| [0.0, offset]);
            voltages(&|_, s| [s[0] * other_gain; 2]);
            voltages(&|_, _| [other_offset; 2]);
        } else {
            voltages(&|_, s| [s[0] * gain, 0.0]);
            voltages(&|_, _| [offset, 0.0]);
            voltages(&|_, s| [0.0, s[1] * other_gain]);
            // A pack that stands still is rounded alike in every state.
            voltages(&|_, _| [0.0, other_offset.hypot(STEP_U)]);
        }
        // aC/H times how far v is from its mean over the states is an error of the current.
        let mean = clean.iter().map(|s| s[0]).sum::<f64>() / clean.len() as f64;
        let absorbed = |sign: f64| -> Vec<State> {
            let rate = sign * self.absorption * self.capacitance / DWELL_S;
            let states = clean.iter().map(|s| {
                let current = s[4] + rate * (s[0] - mean);
                [s[0], s[1], s[2], s[3], current]
            });
            states.collect()
        };
        add(&absorbed(1.0), &absorbed(-1.0));
        for (place, part) in self.parts.iter().enumerate() {
            for (of_resistance, u) in [(true, part.resistance_u), (false, part.emf_u)] {
                let by = real(u.to_bits());
                let moved = |by: f64| self.states(Some((place, of_resistance)), by);
                add(&moved(by), &moved(-by));
            }
        }
        sums.map(f64::sqrt)
    }

    fn told(&self) -> (Uncertainty, [f64; 4]) {
        let config = self.config();
        let readings: Vec<Settled> = self
            .states(None, 0.0)
            .iter()
            .zip(self.drives)
            .zip(self.readings_u)
            .map(|((state, &drive), u)| {
                let volts = |value: f64, u: f64| Measured {
                    value: Volts::from_bits(bits(value)),
                    u: Volts::from_bits(bits(u)),
                };
                let tau = self.capacitance / (self.leak[0] + state[2]);
                let reading = Reading {
                    drive,
                    chassis: volts(state[0], u[0]),
                    pack: volts(state[1], u[1]),
                    lag: Volts::from_bits(bits(self.lag)),
                    time_constant: Some(Measured {
                        value: Seconds::from_bits(bits(tau)),
                        u: Seconds::from_bits(bits(tau * 0.1)),
                    }),
                    dwell_us: (DWELL_S * 1e6) as u32,
                };
                Settled::new(&reading, Course::NONE)
            })
            .collect();
        let mut system = System::default();
        assert!(system.take(config.network(), readings.iter()));
        system.take_off_lag();
        let mut budget = Budget::default();
        while budget.step(&system, &config) {}
        let [g, gp] = [system.total(), system.positive()].map(real);
        let figures = [g, gp, g - gp, real(system.position())];
        (budget.total(), figures)
    }

    #[track_caller]
    fn check(&self, what: &str) {
        let (u, figures) = self.told();
        let due = self.due();
        let told = [u.total, u.positive, u.negative, u.position].map(real);
        for (place, (told, due)) in told.into_iter().zip(due).enumerate() {
            let allowed = 0.005 * due + 2e-7;
            assert!(
                (told - due).abs() < allowed,
                "{what}, {place}: {told} is not {due}"
            );
        }
        let [g, gp] = self.leak;
        for (told, due) in figures.into_iter().zip([g, gp, g - gp, gp / g]) {
            assert!(
                (told - due).abs() < 1e-5 * due,
                "{what}: {told} is not {due}"
            );
        }
    }
}

const MEG: Ohms = Ohms::from_int(1_000_000);

fn with(part: Element, resistance: f64, emf: f64) -> Element {
    let ratio = |x: f64| Ratio::from_bits(bits(x));
    part.with_uncertainty(ratio(resistance), ratio(emf))
}

fn source(resistance: f64, emf: f64) -> Vec<Element> {
    let part = Element::source_to_negative(Volts::from_int(40), MEG);
    std::vec![with(part, resistance, emf)]
}

fn switched(first: f64, second: f64) -> Vec<Element> {
    let two = Ohms::from_int(2_000_000);
    std::vec![
        with(Element::switched_to_positive(MEG), first, 0.0),
        with(Element::switched_to_negative(two), second, 0.0),
    ]
}

#[test]
fn one_source_of_error_at_a_time() {
    Bench::plain(source(0.0, 0.0)).check("rounding of Vb alone");
    for reading in 0..3 {
        for at in 0..2 {
            let mut bench = Bench::plain(switched(0.0, 0.0));
            bench.drives = THREE;
            bench.readings_u[reading][at] = 0.02;
            bench.check("a reading");
        }
    }
    for pair in [false, true] {
        for channel in 0..2 {
            for (at, error) in [(0, 1e-3), (1, 0.05)] {
                // With a pair the rounding is part of the readings.
                let mut bench = Bench::plain(source(0.0, 0.0));
                bench.pair = pair;
                bench.channels[channel][at] = error;
                bench.check("a channel");
            }
        }
    }
    Bench::plain(source(2e-3, 0.0)).check("the resistor of a source");
    Bench::plain(source(0.0, 2e-3)).check("the voltage of a source");
    Bench::plain(switched(2e-3, 0.0)).check("the first resistor");
    Bench::plain(switched(0.0, 2e-3)).check("the second resistor");
    let mut bench = Bench::plain(source(0.0, 0.0));
    bench.absorption = 0.02;
    bench.check("absorption");
}

#[test]
fn all_of_them_together_and_in_three_states() {
    for (drives, leak) in [
        (CYCLE, [2.0, 0.5]),
        (THREE, [0.2, 0.19]),
        (CYCLE, [90.0, 30.0]),
    ] {
        for parts in [source(1e-3, 2e-3), switched(1e-3, 3e-3)] {
            let mut bench = Bench::plain(parts);
            bench.drives = drives;
            bench.leak = leak;
            bench.readings_u = [[2e-3, 1e-3], [3e-3, 2e-3], [1e-3, 4e-3]];
            bench.channels = [[1e-3, 0.01], [5e-4, 0.02]];
            bench.absorption = 0.01;
            bench.check("all");
        }
    }
}

/// On a ramp v trails by `lag·(x_k − Cp/C)`: the part with x_k is taken off, half of the rest as well, and what is
/// left of it is in the uncertainty, 1/√12 in all states alike and what is not known of τ in each.
#[test]
fn what_v_trails_by_is_taken_off_and_in_doubt() {
    let mut bench = Bench::plain(source(0.0, 0.0));
    bench.lag = 0.6;
    let config = bench.config();
    let clean = bench.states(None, 0.0);
    let readings: Vec<Settled> = clean
        .iter()
        .zip(bench.drives)
        .map(|(state, &drive)| {
            let reading = Reading {
                drive,
                chassis: Measured {
                    value: Volts::from_bits(bits(state[0])),
                    u: Volts::ZERO,
                },
                pack: Measured {
                    value: Volts::from_bits(bits(state[1])),
                    u: Volts::ZERO,
                },
                lag: Volts::from_bits(bits(bench.lag)),
                time_constant: None,
                dwell_us: 1,
            };
            Settled::new(&reading, Course::NONE)
        })
        .collect();
    let mut system = System::default();
    assert!(system.take(config.network(), readings.iter()));
    system.take_off_lag();
    for (state, clean) in system.states.iter().zip(&clean) {
        let share = (bench.leak[1] + clean[3]) / (bench.leak[0] + clean[2]);
        let due = clean[0] + bench.lag * (share - 0.5);
        assert!((real(state.v) - due).abs() < 1e-6, "{}", real(state.v));
        let current = clean[4] + clean[3] * clean[1] - clean[2] * due;
        assert!((real(state.r) - current).abs() < 1e-5);
        assert!((real(state.lag) - bench.lag / 12f64.sqrt()).abs() < 1e-6);
        assert!((real(state.v_u) - bench.lag).abs() < 1e-6);
    }
}
