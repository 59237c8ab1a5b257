//! The prediction of block means against the circuit's equations in f64: v and its means span by span, and every
//! column against the difference quotient of that; what a ripple does beside the circuit likewise.

use super::model::{MEAN, Part, Prediction, Walk, Wave};
use super::plant::{Noise, PLANT, Plant, RESISTORS, SOURCE, UNEQUAL, real};
use super::span::{Lead, Span};
use super::theta::{
    CAPACITANCE, COUPLING, LAG, RATIO, Reference, START, TOTAL, Theta, gt, positive,
};
use crate::config::{Drive, Row};
use crate::num::ONE;
use crate::units::{Microamps, Microsiemens};
use std::vec::Vec;

fn bits(x: f64) -> i64 {
    (x * ONE as f64).round() as i64
}

/// A stretch of the record: drive state, length in seconds, mean Vb, by how much it climbs in half of it, and the
/// share of an entry.
#[derive(Debug, Clone, Copy)]
struct Stretch {
    drive: Drive,
    length: f64,
    pack: f64,
    climb: f64,
    share: f64,
}

/// ln(G + gr), w, ln C, κ, v at the start, λ.
type Point = [f64; 6];

/// Places of the point in a row of columns.
const COLUMNS: [usize; 6] = [TOTAL, RATIO, CAPACITANCE, COUPLING, START, LAG];

/// A circuit in f64.
#[derive(Debug, Clone, Copy)]
struct Circuit {
    rows: [[f64; 3]; 2],
    /// gr and pr.
    reference: [f64; 2],
    /// Time between samples, s.
    tick: f64,
    /// Vb at the start.
    pack: f64,
}

fn phi(x: f64) -> f64 {
    -(-x).exp_m1() / x
}

impl Circuit {
    fn row(&self, drive: Drive) -> [f64; 3] {
        self.rows[usize::from(drive == Drive::Lower)]
    }

    /// Mean of v and v at the end of every stretch.
    fn means(&self, point: &Point, stretches: &[Stretch]) -> Vec<[f64; 2]> {
        let [total, ratio, capacitance, coupling, start, lag] = *point;
        let (total, capacitance) = (total.exp(), capacitance.exp());
        let (mut v, mut pack) = (start, self.pack);
        let of = |stretch: &Stretch| {
            let [g, p, i] = self.row(stretch.drive);
            let load = total - self.reference[0] + g;
            let pull = ratio * total - self.reference[1] + p;
            let tau = capacitance / load;
            let (z, delta) = (stretch.length / tau, self.tick / tau);
            let f = phi(z) * (lag / tau - delta / 2.0).exp() / phi(delta);
            // The reading of Vb lags as that of v does.
            let rate = 2.0 * stretch.climb / stretch.length;
            let before = stretch.pack + rate * lag - stretch.climb;
            v += coupling * (before - pack);
            let distance = tau * (pull / load - coupling) * rate;
            let follow = |after: f64| (i + pull * (before + after)) / load - distance;
            let away = v - follow(0.0);
            let seen = follow(stretch.climb - rate * lag) + away * f;
            v = follow(2.0 * stretch.climb) + away * (-z).exp();
            pack = before + 2.0 * stretch.climb;
            [seen * stretch.share, v]
        };
        stretches.iter().map(of).collect()
    }
}

/// What the core predicts of the same: rows, and v at the ends.
fn walk(circuit: &Circuit, point: &Point, stretches: &[Stretch]) -> Vec<(Prediction, f64)> {
    let [total, ratio, capacitance, coupling, start, lag] = *point;
    let theta = Theta {
        total: bits(total.exp()),
        ratio: bits(ratio),
        capacitance: bits(capacitance.exp()),
        coupling: bits(coupling),
        start: bits(start),
        drift: 0,
        lag: bits(lag),
    };
    let [g, p] = circuit.reference.map(bits);
    let reference = Reference { g, p };
    let mut walk = Walk::new(&theta, bits(circuit.pack));
    let mut wave = Wave::NONE;
    let of = |stretch: &Stretch| {
        let [g, p, i] = circuit.row(stretch.drive).map(bits);
        let row = Row {
            g: Microsiemens::from_bits(g),
            p: Microsiemens::from_bits(p),
            i: Microamps::from_bits(i),
        };
        let (mut span, length) = (None, (stretch.length * 1e6).round() as u32);
        Span::write(
            &mut span,
            &theta,
            &reference,
            &row,
            stretch.drive,
            length,
            bits(circuit.tick),
        );
        let part = Part {
            share: bits(stretch.share),
            pack: bits(stretch.pack),
            climb: bits(stretch.climb),
        };
        let mut out = Prediction::default();
        let span = span.expect("a span");
        let lead = Lead::of(&span, &theta, part.climb);
        walk.pass(&span, &theta, &part, &lead, &mut out);
        wave.climbed = bits(stretch.pack - circuit.pack);
        wave.pass(&span, &theta, &part, &mut out.rippled);
        (out, real(walk.v()))
    };
    stretches.iter().map(of).collect()
}

/// A random circuit whose time constant is 10 ms or more, and a record of twelve stretches.
fn drawn(seed: u64, climbs: bool) -> (Circuit, Point, Vec<Stretch>) {
    let mut noise = Noise(seed);
    let mut between = |low: f64, high: f64| low + (high - low) * noise.uniform();
    let rows = [SOURCE, RESISTORS, UNEQUAL][(seed % 3) as usize];
    let mean = |at: usize| (rows[0][at] + rows[1][at]) / 2.0;
    let reference = [mean(0), mean(1)];
    let own = 10f64.powf(between(-1.5, 1.0));
    let total = own + reference[0];
    let pull = between(-0.1, 1.1) * own + reference[1];
    let capacitance = 10f64.powf(between(-0.8, 1.0));
    let point = [
        total.ln(),
        pull / total,
        capacitance.ln(),
        between(0.0, 1.0),
        between(-100.0, 500.0),
        between(-1e-3, 2e-3),
    ];
    let pack = between(60.0, 800.0);
    let lengths = [0.02, 0.1, 0.3, 1.2];
    let stretches = (0..12).map(|place| {
        let drive = if place / 4 % 2 == 0 {
            Drive::Raise
        } else {
            Drive::Lower
        };
        Stretch {
            drive,
            length: lengths[(between(0.0, 4.0)) as usize % 4],
            pack: pack + if place > 5 { between(-30.0, 30.0) } else { 0.0 },
            climb: if climbs { between(-5.0, 5.0) } else { 0.0 },
            share: if place == 7 { 0.375 } else { 1.0 },
        }
    });
    let stretches = stretches.collect();
    let circuit = Circuit {
        rows,
        reference,
        tick: 1e-3,
        pack,
    };
    (circuit, point, stretches)
}

#[track_caller]
fn near(got: f64, due: f64, scale: f64, what: &str) {
    let allowed = 3e-6 * scale.max(1.0);
    assert!((got - due).abs() < allowed, "{what}: {got} is not {due}");
}

#[test]
fn means_and_ends_are_those_of_the_circuit() {
    for seed in 0..200 {
        let (circuit, point, stretches) = drawn(seed, seed % 2 == 0);
        let due = circuit.means(&point, &stretches);
        for ((out, end), [mean, v]) in walk(&circuit, &point, &stretches).iter().zip(due) {
            near(real(out.row[MEAN]), mean, 1000.0, "mean");
            near(*end, v, 1000.0, "end");
        }
    }
}

#[test]
fn columns_are_the_difference_quotients_of_the_means() {
    for seed in 0..200 {
        let climbs = seed % 2 == 0;
        let (circuit, mut point, stretches) = drawn(seed, climbs);
        if climbs {
            // What the lag moves of a climbing Vb moves no column but its own.
            point[5] = 0.0;
        }
        let rows = walk(&circuit, &point, &stretches);
        for (at, &column) in COLUMNS.iter().enumerate() {
            // Of a climbing Vb the column of the lag takes the transient alone.
            if column == LAG && climbs {
                continue;
            }
            let step = if column == LAG { 1e-6 } else { 1e-4 };
            let moved = |by: f64| {
                let mut point = point;
                point[at] += by;
                circuit.means(&point, &stretches)
            };
            let (up, down) = (moved(step), moved(-step));
            for ((out, _), (up, down)) in rows.iter().zip(up.iter().zip(&down)) {
                let due = (up[0] - down[0]) / 2.0 / step;
                let what = std::format!("seed {seed}, column {at}");
                near(real(out.row[column]), due, 1000.0 + due.abs(), &what);
            }
        }
    }
}

/// Vb stands still and is read with a wave that reaches v by way of the capacitances: of that the circuit's
/// prediction from the readings misses κ − w of one column less the other, whatever the drive state.
#[test]
fn a_ripple_is_beside_the_circuit_by_its_columns() {
    for seed in 0..200 {
        let (circuit, point, stretches) = drawn(seed, false);
        let [_, ratio, _, coupling, ..] = point;
        let foretold = circuit.means(&point, &stretches);
        let still = stretches.iter().map(|stretch| Stretch {
            pack: circuit.pack,
            ..*stretch
        });
        let still = circuit.means(&point, &still.collect::<Vec<_>>());
        let rows = walk(&circuit, &point, &stretches);
        for (at, stretch) in stretches.iter().enumerate() {
            let wave = stretch.pack - circuit.pack;
            let read = still[at][0] + coupling * wave * stretch.share;
            let [passes, apart] = rows[at].0.rippled.map(real);
            let due = (coupling - ratio) * passes - apart;
            near(
                read - foretold[at][0],
                due,
                1000.0,
                &std::format!("seed {seed}, {at}"),
            );
        }
    }
}

/// v jumps by κ of what Vb does between spans, whatever else.
#[test]
fn v_follows_a_jump_of_the_pack_by_the_coupling() {
    let theta = Theta {
        coupling: bits(0.3),
        start: bits(100.0),
        ..Theta::ZERO
    };
    let mut walk = Walk::new(&theta, bits(400.0));
    walk.arrive(&theta, bits(400.0));
    assert_eq!(walk.v(), bits(100.0));
    walk.arrive(&theta, bits(380.0));
    near(real(walk.v()), 94.0, 1.0, "v");
    walk.arrive(&theta, bits(390.0));
    near(real(walk.v()), 97.0, 1.0, "v");
}

#[test]
fn the_circuit_of_a_point_is_positive_whatever_the_point() {
    let plant = Plant {
        rows: UNEQUAL,
        ..PLANT
    };
    let config = plant.config();
    let [raise, lower] = [Drive::Raise, Drive::Lower].map(|drive| config.network().row(drive));
    let reference = Reference {
        g: bits(1.5),
        p: bits(0.5),
    };
    let at = |total: f64, ratio: f64| Theta {
        total: bits(total),
        ratio: bits(ratio),
        ..Theta::ZERO
    };
    let theta = at(4.0, 0.3);
    near(real(gt(&theta, reference, raise)), 3.5, 1.0, "G + 1");
    near(real(gt(&theta, reference, lower)), 4.5, 1.0, "G + 2");
    near(real(positive(&theta, reference)), 0.7, 1.0, "Gp");
    // G of −1 µS: a thousandth of the whole is left, and never nothing.
    let theta = at(0.5, 0.3);
    near(
        real(gt(&theta, reference, raise)),
        0.5 / 1024.0,
        1.0,
        "of all",
    );
    assert!(gt(&at(0.0, 0.0), reference, raise) > 0);
}

/// All of v moves, and w·Vb with it.
#[test]
fn a_shift_moves_the_start_and_the_share() {
    let theta = Theta {
        start: bits(100.0),
        ratio: bits(0.25),
        ..Theta::ZERO
    };
    for (by, pack, due) in [
        (2.0, 400.0, [102.0, 0.255]),
        (-4.0, 400.0, [96.0, 0.24]),
        (2.0, 0.0, [100.0, 0.25]),
        (0.0, 400.0, [100.0, 0.25]),
    ] {
        let mut moved = theta;
        moved.shift(bits(by), bits(pack));
        near(real(moved.start), due[0], 1.0, "start");
        near(real(moved.ratio), due[1], 1.0, "share");
    }
}
