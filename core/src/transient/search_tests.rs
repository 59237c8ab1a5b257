//! Where a search may go, against f64; and where it sets out from.

use super::beliefs::Beliefs;
use super::noise::Noise;
use super::normal::System;
use super::pack::Survey;
use super::plant::{self, PLANT, Plant, RESISTORS, SOURCE, UNEQUAL, WEAK_SOURCE, real};
use super::record::{Record, View};
use super::scaled::Scaled;
use super::search::{Bounds, decrement, freedom, variance};
use super::start::{Start, Started};
use super::theta::{CAPACITANCE, COUPLING, RATIO, Reference, TOTAL, Theta};
use crate::config::Drive;
use crate::num::ONE;

fn bits(x: f64) -> i64 {
    (x * ONE as f64).round() as i64
}

fn scaled(x: f64) -> Scaled {
    Scaled::of(bits(x))
}

const BLOCK_S: f64 = 0.02;

fn bounds(length: f64) -> Bounds {
    Bounds {
        reference: Reference {
            g: bits(1.5),
            p: bits(0.5),
        },
        block: bits(BLOCK_S),
        length: bits(length),
    }
}

fn theta(total: f64, ratio: f64, capacitance: f64) -> Theta {
    Theta {
        total: bits(total),
        ratio: bits(ratio),
        capacitance: bits(capacitance),
        coupling: bits(0.5),
        start: bits(100.0),
        drift: bits(0.01),
        lag: bits(1e-3),
    }
}

#[track_caller]
fn near(told: i64, due: f64) {
    let told = real(told);
    assert!(
        (told - due).abs() < 2e-6 * due.abs().max(1.0),
        "{told} is not {due}"
    );
}

/// ln(G + gr), w, ln C, κ, v at the start, drift, λ.
type Step = [f64; 7];

/// Where a step should lead while nothing is at its bounds.
fn moved(from: [f64; 3], step: Step, length: f64) -> [f64; 7] {
    let [total, ratio, capacitance] = from;
    let slow = capacitance > total * length;
    let most = if slow { 0.375 } else { 1.5 };
    let reach = step[0].abs().max(step[2].abs()).max(2.0 * step[1].abs());
    let step = step.map(|by| by * (most / reach).min(1.0));
    let three = if slow {
        // A step of 1/C, (G + gr)/C and (Gp + pr)/C.
        let slower = 1.0 - step[2];
        let rate = total / capacitance * (slower + step[0]);
        let pull = ratio * total / capacitance * (slower + step[0]) + step[1] * total / capacitance;
        let capacitance = capacitance / slower;
        [rate * capacitance, pull / rate, capacitance]
    } else {
        [
            total * step[0].exp(),
            ratio + step[1],
            capacitance * step[2].exp(),
        ]
    };
    [
        three[0],
        three[1],
        three[2],
        0.5 + step[3],
        100.0 + step[4],
        0.01 + step[5],
        1e-3 + step[6],
    ]
}

#[test]
fn a_step_is_taken_as_far_as_the_equations_can_be_trusted() {
    let mut noise = plant::Noise(12);
    for count in 0..600 {
        let mut between = |low: f64, high: f64| low + (high - low) * noise.uniform();
        let from = [
            10f64.powf(between(-0.5, 1.5)),
            between(-0.2, 1.2),
            10f64.powf(between(-1.0, 1.5)),
        ];
        let length = 10f64.powf(between(-0.5, 1.0));
        let size = if count % 3 == 0 { 3.0 } else { 0.3 };
        let step = [
            between(-size, size),
            between(-size / 4.0, size / 4.0),
            between(-size, size),
            between(-0.4, 0.4),
            between(-10.0, 10.0),
            between(-0.1, 0.1),
            between(-1e-3, 1e-3),
        ];
        let due = moved(from, step, length);
        let [total, ratio, capacitance] = from;
        let told = bounds(length).moved(&theta(total, ratio, capacitance), &step.map(scaled));
        let told = [
            told.total,
            told.ratio,
            told.capacitance,
            told.coupling,
            told.start,
            told.drift,
            told.lag,
        ];
        for (told, due) in told.into_iter().zip(due) {
            near(told, due);
        }
    }
}

/// The documented bounds: G + gr from a fiftieth of gr to 60 mS, w from −1 to 2, C from τ of a 400th of a block to
/// 400 µF. κ has none.
#[test]
fn a_point_stays_within_its_bounds() {
    let least_total = 1.5 / 50.0 + 1e-3;
    let go = |from: Theta, step: Step| bounds(1000.0).moved(&from, &step.map(scaled));
    let one = |place: usize, by: f64| {
        let mut step = [0.0; 7];
        step[place] = by;
        step
    };
    near(go(theta(0.05, 0.3, 1.0), one(0, -1.4)).total, least_total);
    near(go(theta(50_000.0, 0.3, 1.0), one(0, 1.4)).total, 60_000.0);
    near(go(theta(4.0, 0.3, 300.0), one(2, 1.4)).capacitance, 400.0);
    let least = 4.0 * BLOCK_S / 400.0;
    near(
        go(theta(4.0, 0.3, 1.5 * least), one(2, -1.4)).capacitance,
        least,
    );
    near(go(theta(4.0, 1.8, 1.0), one(1, 0.6)).ratio, 2.0);
    near(go(theta(4.0, -0.8, 1.0), one(1, -0.6)).ratio, -1.0);
    near(go(theta(4.0, 0.3, 1.0), one(3, 5.0)).coupling, 5.5);
    near(go(theta(4.0, 0.3, 1.0), one(3, -5.0)).coupling, -4.5);
}

/// What is known of G + gr only because C is held at the most: the square of what both have in common, over what is known
/// of C.
#[test]
fn what_c_at_the_most_tells_of_g_is_counted() {
    for (capacitance, pull, due) in [
        (400.0, 1.0, 2.25),
        (400.0, -1.0, 0.0),
        (399.0, 1.0, 0.0),
        (1.99e-4, -1.0, 0.0),
    ] {
        let mut system = System::NONE;
        for row in 0..7 {
            system.set(row, row, Scaled::int(4));
        }
        system.set(TOTAL, CAPACITANCE, Scaled::int(3));
        system.set(CAPACITANCE, 7, scaled(pull));
        let told = bounds(8.0).hold(&mut system, &theta(4.0, 0.3, capacitance));
        near(told.bits(), due);
    }
}

/// At a bound, with the data pulling beyond it, a parameter is held; pulled back, or inside, it is free.
#[test]
fn what_is_pulled_beyond_a_bound_is_held() {
    let held = |theta: &Theta, place: usize, pull: f64| {
        let mut system = System::NONE;
        for row in 0..7 {
            system.set(row, row, Scaled::int(4));
        }
        system.set(0, 1, Scaled::ONE);
        system.set(2, 3, Scaled::ONE);
        system.set(place, 7, scaled(pull));
        bounds(8.0).hold(&mut system, theta);
        system.is_held(place)
    };
    let inside = theta(4.0, 0.3, 1.0);
    let at = |change: fn(&mut Theta)| {
        let mut theta = inside;
        change(&mut theta);
        theta
    };
    let low = [
        (TOTAL, at(|theta| theta.total = bits(0.03))),
        (RATIO, at(|theta| theta.ratio = bits(-1.0))),
        (CAPACITANCE, at(|theta| theta.capacitance = bits(1.99e-4))),
    ];
    let high = [
        (TOTAL, at(|theta| theta.total = bits(60_000.0))),
        (RATIO, at(|theta| theta.ratio = bits(2.0))),
        (CAPACITANCE, at(|theta| theta.capacitance = bits(400.0))),
    ];
    for (place, theta) in low {
        assert!(
            held(&theta, place, -1.0) && !held(&theta, place, 1.0),
            "{place}"
        );
        assert!(!held(&inside, place, -1.0));
    }
    for (place, theta) in high {
        assert!(
            held(&theta, place, 1.0) && !held(&theta, place, -1.0),
            "{place}"
        );
        assert!(!held(&inside, place, 1.0));
    }
    // A ripple takes κ anywhere; held, it would be known.
    for beyond in [
        at(|theta| theta.coupling = bits(-9.0)),
        at(|theta| theta.coupling = bits(9.0)),
    ] {
        assert!(!held(&beyond, COUPLING, 1.0) && !held(&beyond, COUPLING, -1.0));
    }
}

#[test]
fn what_a_step_promises_and_what_residuals_show() {
    let mut system = System::NONE;
    let sides = [1.0, -2.0, 0.5, 0.0, 3.0, -1.0, 2.0];
    for (row, side) in sides.into_iter().enumerate() {
        system.set(row, 7, scaled(side));
    }
    let step = [2.0, 1.0, 4.0, 9.0, -1.0, -3.0, 0.25];
    let due: f64 = sides.iter().zip(step).map(|(side, by)| side * by).sum();
    near(decrement(&system, &step.map(scaled)).bits(), due);
    assert_eq!((freedom(10, 6), freedom(6, 6), freedom(3, 6)), (4, 1, 1));
    near(variance(scaled(12.0), 4, scaled(1.0)).bits(), 3.0);
    near(variance(scaled(12.0), 4, scaled(5.0)).bits(), 5.0);
}

/// Where the search of a record of this plant sets out from, with the mean row of the drive and v of the first entry.
fn set_out(plant: &Plant) -> (Theta, Reference, i64) {
    let config = plant.config();
    let blocks = plant.blocks(&plant.clean([0.0; 4]), 0);
    let mut record = Record::new(20_000);
    let mut noise = Noise::new(&config);
    for block in &blocks {
        noise.listen(block);
        record.push(block, ONE / 4);
    }
    record.close();
    let entries: u32 = record.iter().map(|entry| entry.duration_us).sum();
    let [raise, lower] = [Drive::Raise, Drive::Lower].map(|drive| config.network().row(drive));
    let mean = |a: i64, b: i64| (a + b) / 2;
    let reference = Reference {
        g: mean(raise.g.to_bits(), lower.g.to_bits()),
        p: mean(raise.p.to_bits(), lower.p.to_bits()),
    };
    let mut beliefs = Beliefs::new();
    let view = View::new(&record, record.len());
    let mut survey = Survey::default();
    while survey.step(view, noise.pack, noise.floor) {}
    beliefs.observe(None, &noise, record.tick_seconds(), 0, &survey);
    let mut start = Start::none();
    start.begin(view, entries, 20_000, &beliefs);
    let found = loop {
        match start.step(view, config.network(), reference) {
            Started::Busy => {}
            Started::At(theta) => break theta,
            Started::Nowhere => panic!("a record"),
        }
    };
    (found, reference, record.get(0).expect("an entry").chassis())
}

/// Poles an octave apart: 1.5 to go in τ at most, and G, w near what they are, without noise.
#[test]
fn a_search_sets_out_near_the_circuit() {
    for (rows, resistance, x, capacitance, length) in [
        (SOURCE, 0.5, 0.3, 1.0, 8.0),
        (SOURCE, 2.0, 0.8, 0.1, 1.3),
        (WEAK_SOURCE, 0.1, 0.5, 5.0, 6.0),
        (RESISTORS, 5.0, 0.3, 3.0, 8.0),
        (UNEQUAL, 0.3, 0.0, 0.5, 3.0),
    ] {
        let plant = Plant {
            rows,
            resistance,
            x,
            capacitance,
            length,
            sigma: 0.0,
            ..PLANT
        };
        let (found, reference, first) = set_out(&plant);
        let own = 1.0 / resistance;
        let (total, pull) = (own + real(reference.g), x * own + real(reference.p));
        let tau = real(found.capacitance) / real(found.total);
        let off = tau / (capacitance / total);
        assert!(
            (1.0 / 1.6..1.6).contains(&off),
            "{resistance} {capacitance}: {off}"
        );
        let off = real(found.total) / total;
        assert!(
            (0.75..1.33).contains(&off),
            "{resistance} {capacitance}: {off}"
        );
        let ratio = real(found.ratio);
        assert!(
            (ratio - pull / total).abs() < 0.05,
            "{ratio} {}",
            pull / total
        );
        near(found.start, real(first));
    }
}

#[test]
fn an_empty_record_leads_nowhere() {
    let record = Record::new(20_000);
    let mut start = Start::none();
    let view = View::new(&record, 0);
    start.begin(view, 0, 20_000, &Beliefs::new());
    let config = PLANT.config();
    let reference = Reference { g: ONE, p: 0 };
    let mut said = Started::Busy;
    for _ in 0..10 {
        if let Started::Busy = said {
            said = start.step(view, config.network(), reference);
        }
    }
    assert!(matches!(said, Started::Nowhere));
}
