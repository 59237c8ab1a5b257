//! What is believed before the data, and what the data make of it, in f64.

use super::beliefs::{Beliefs, Revision};
use super::noise::Noise;
use super::normal::System;
use super::pack::Survey;
use super::plant::PLANT;
use super::record::{Record, View};
use super::scaled::Scaled;
use super::theta::{CAPACITANCE, COUPLING, DRIFT, LAG, RATIO, START, TOTAL, Theta};
use crate::front::Block;
use crate::num::ONE;
use crate::units::{Measured, Seconds, Volts};

fn bits(x: f64) -> i64 {
    (x * ONE as f64).round() as i64
}

fn scaled(x: f64) -> Scaled {
    // Small numbers keep their bits.
    Scaled::of(bits(x * 1024.0)).shifted(-10)
}

fn back(x: Scaled) -> f64 {
    x.shifted(10).fixed(32) as f64 / ONE as f64 / 1024.0
}

#[track_caller]
fn near(told: f64, due: f64) {
    assert!(
        (told - due).abs() < 2e-5 * due.abs() + 1e-9,
        "{told} is not {due}"
    );
}

/// Noise variance, V² times weight: 10 mV a block.
const NOISE: f64 = 16e-4;

fn theta(drift: f64, lag: f64) -> Theta {
    Theta {
        total: bits(5.5),
        ratio: bits(0.3),
        capacitance: bits(2.0),
        coupling: bits(0.4),
        start: bits(100.0),
        drift: bits(drift),
        lag: bits(lag),
    }
}

const TICK: f64 = 1e-3;

fn beliefs(declared: Option<[f64; 2]>, jitter: f64) -> Beliefs {
    let config = PLANT.config();
    let mut noise = Noise::new(&config);
    let block = Block {
        duration_us: 20_000,
        count: 20,
        chassis: Volts::from_int(100),
        pack: Volts::from_int(400),
        chassis_scatter: Volts::from_bits(bits(0.01)),
        ..Block::default()
    };
    let mut record = Record::new(20_000);
    for _ in 0..10 {
        noise.listen(&block);
        record.push(&block, 0);
    }
    record.close();
    let view = View::new(&record, record.len());
    let mut survey = Survey::default();
    while survey.step(view, Scaled::ONE, Scaled::ONE) {}
    let mut beliefs = Beliefs::new();
    let declared = declared.map(|[value, u]| Measured {
        value: Seconds::from_bits(bits(value)),
        u: Seconds::from_bits(bits(u)),
    });
    beliefs.observe(declared, &noise, bits(TICK), bits(jitter), &survey);
    beliefs
}

/// Half of what noise would let 0.2 s show: 10 mV a block, ten blocks.
const HIDDEN: f64 = 0.01 / 3.162_277_66 / 0.2 / 2.0;

#[test]
fn beliefs_are_weighed_by_their_deviation() {
    for (declared, jitter, lag, lag_u) in [
        (Some([2e-4, 1e-5]), 0.0, 2e-4 - TICK / 2.0, 1e-5),
        (Some([2e-4, 3e-5]), 4e-5, 2e-4 - TICK / 2.0, 5e-5),
        (Some([0.0, 0.0]), 0.0, -TICK / 2.0, 1e-7),
        (None, 0.0, 0.0, TICK / 2.0 / 3f64.sqrt()),
        (None, TICK / 2.0, 0.0, TICK / 3f64.sqrt()),
    ] {
        let mut beliefs = beliefs(declared, jitter);
        near(back(beliefs.variance()), NOISE);
        near(back(beliefs.drift_u()), HIDDEN);
        let theta = theta(0.02, 3e-4);
        // Weight times u² over the noise, and how far above the point the belief is.
        let row = |beliefs: &Beliefs, place: usize, u: f64| {
            let mut system = System::NONE;
            beliefs.apply(&mut system, &theta, scaled(NOISE * 2.0));
            let weight = system.at(place, place);
            let parts = weight.times(scaled(u).square()).over(scaled(NOISE));
            (back(parts), back(system.side(place).over(weight)))
        };
        let same = |(weight, error): (f64, f64), above: f64| {
            assert!((weight - 1.0).abs() < 5e-3, "{weight}");
            assert!(
                (error - above).abs() < 1e-5 * above.abs() + 1e-8,
                "{error} {above}"
            );
        };
        same(row(&beliefs, COUPLING, 0.3), 0.1);
        let lag_u = lag_u.max(1e-7);
        same(row(&beliefs, LAG, lag_u), lag - 3e-4);
        same(row(&beliefs, DRIFT, HIDDEN), -0.02);
        same(row(&beliefs, TOTAL, 1e6 / 5.5 + 5.5), 0.0);
        same(row(&beliefs, RATIO, 1e6 / 5.5), 0.0);
        same(row(&beliefs, CAPACITANCE, 30.0), 0.0);
        same(row(&beliefs, START, 3e4), 0.0);
        let due = NOISE * ((0.1f64 / 0.3).powi(2) + ((lag - 3e-4) / lag_u).powi(2));
        let told = back(beliefs.squares_of_coupling_and_lag(&theta));
        assert!((told / due - 1.0).abs() < 1e-2, "{told} {due}");
        // Free, a drift is anything up to half a volt a second and a lag a sampling period.
        assert!(!beliefs.are_free());
        beliefs.free(true);
        assert!(beliefs.are_free());
        same(row(&beliefs, DRIFT, 0.5), -0.02);
        same(row(&beliefs, LAG, TICK), lag - 3e-4);
        beliefs.free(false);
        near(back(beliefs.drift_u()), HIDDEN);
    }
    // With few degrees of freedom the scatter within blocks is the better witness.
    let beliefs = beliefs(None, 0.0);
    let least = |freedom: i64| back(beliefs.least_variance(freedom));
    near(least(1), NOISE);
    assert!(least(1000) < NOISE / 50.0, "{}", least(1000));
}

/// A parameter that pulls by more than four deviations of its belief contradicts it; free, it is held again within
/// three of its own.
#[test]
fn beliefs_are_revised_by_what_the_data_say() {
    let revised = |drift: f64, lag: f64, free: bool| {
        let mut beliefs = beliefs(Some([5e-4, 1e-4]), 0.0);
        beliefs.free(free);
        // So sure that the posterior is small beside the belief: a hundredth of it in variance.
        let mut system = System::NONE;
        for row in 0..7 {
            system.set(row, row, Scaled::ONE);
        }
        let (drift_u, lag_u) = if free {
            (1e-3, 1e-5)
        } else {
            (HIDDEN / 10.0, 1e-5)
        };
        system.set(DRIFT, DRIFT, scaled(NOISE / drift_u / drift_u));
        let information = Scaled::of(bits(NOISE)).over(Scaled::of(bits(lag_u)).square());
        system.set(LAG, LAG, information);
        let theta = theta(drift, lag);
        let said = beliefs.revise(&system, &theta, scaled(NOISE));
        (said, beliefs.are_free())
    };
    let edge = 4.0 * HIDDEN * 0.99f64.sqrt();
    let lag_edge = 4.0 * 1e-4 * 0.99f64.sqrt();
    for sign in [1.0, -1.0] {
        assert_eq!(revised(sign * 0.97 * edge, 0.0, false).0, Revision::Kept);
        assert_eq!(
            revised(sign * 1.03 * edge, 0.0, false).0,
            Revision::Contradicted
        );
        assert_eq!(
            revised(0.0, sign * 0.97 * lag_edge, false).0,
            Revision::Kept
        );
        assert_eq!(
            revised(0.0, sign * 1.03 * lag_edge, false).0,
            Revision::Contradicted
        );
        // Both are free until both agree.
        assert_eq!(
            revised(sign * 3.1e-3, sign * 3.2e-5, true),
            (Revision::Kept, true)
        );
        assert_eq!(
            revised(sign * 2.9e-3, sign * 3.2e-5, true),
            (Revision::Restored, true)
        );
        assert_eq!(
            revised(sign * 2.9e-3, sign * 2.8e-5, true),
            (Revision::Restored, false)
        );
    }
}
