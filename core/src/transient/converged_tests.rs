//! Figures and their uncertainty from equations made by hand, and what is believed before the data, in f64.

use super::beliefs::{Beliefs, Revision};
use super::fit::{Converged, Covariance, Fit, longest};
use super::noise::Noise;
use super::normal::System;
use super::pack::Survey;
use super::plant::{PLANT, real};
use super::record::{Record, View};
use super::scaled::Scaled;
use super::slips::Slips;
use super::tally::Tally;
use super::theta::{CAPACITANCE, COUPLING, DRIFT, LAG, RATIO, Reference, START, TOTAL, Theta};
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

/// G of 4 µS, of which 1 to the positive rail, beside gr of 1.5 and pr of 0.5.
const REFERENCE: [f64; 2] = [1.5, 0.5];
const OWN: [f64; 2] = [4.0, 1.0];

fn theta(own: [f64; 2]) -> Theta {
    let total = own[0] + REFERENCE[0];
    Theta {
        total: bits(total),
        ratio: bits((own[1] + REFERENCE[1]) / total),
        capacitance: bits(2.0),
        coupling: bits(0.4),
        start: bits(100.0),
        drift: 0,
        lag: 0,
    }
}

/// Information of ln(G + gr), w, ln C, κ and the rest; with one product of the first two.
const INFORMATION: [f64; 7] = [900.0, 2500.0, 400.0, 20.0, 1.0, 1.0, 1.0];
const ACROSS: f64 = 600.0;
const FREEDOM: i64 = 50;
/// Noise variance, V² times weight: 10 mV a block.
const NOISE: f64 = 16e-4;

fn tally(mean: f64, count: u32) -> Tally {
    Tally {
        sum: scaled(mean * f64::from(count)),
        count,
    }
}

fn converged() -> Converged {
    let mut system = System::NONE;
    for (row, information) in INFORMATION.into_iter().enumerate() {
        system.set(row, row, scaled(information));
    }
    system.set(TOTAL, RATIO, scaled(ACROSS));
    system.set(7, 7, scaled(NOISE * FREEDOM as f64));
    let mut covariance = Covariance::new(&system, FREEDOM);
    covariance.complete(&system);
    Converged {
        covariance,
        fives: tally(NOISE, 3),
        batches: tally(NOISE, 30),
        scatter: scaled(NOISE),
        samples: 20,
        step: scaled(1e-8),
        blocks: 400,
        second: 50,
        used: 57,
        rejected: 2,
        left_out: Scaled::ZERO,
        span: bits(8.0),
        dwell_us: 500_000,
        least: Scaled::ZERO,
        single: scaled(4.0 * NOISE),
        pack: bits(400.0),
        pack_u: Scaled::ZERO,
        slips: Slips::NONE,
    }
}

fn told_of(converged: &Converged, theta: &Theta, suspected: [f64; 2]) -> Option<Fit> {
    let [g, p] = REFERENCE.map(bits);
    converged.fit(theta, Reference { g, p }, suspected.map(scaled), bits(0.7))
}

fn told(converged: &Converged) -> Fit {
    told_of(converged, &theta(OWN), [0.0; 2]).expect("a fit")
}

/// Variances of ln(G + gr) and w and their product, for a variance of one: the inverse of two by two.
fn inverse() -> [f64; 3] {
    let determinant = INFORMATION[0] * INFORMATION[1] - ACROSS * ACROSS;
    [INFORMATION[1], -ACROSS, INFORMATION[0]].map(|of| of / determinant)
}

fn student() -> f64 {
    (1.0 + 1.22 / FREEDOM as f64).powi(2)
}

/// u of G, Gp, Gn, x and C with these variances.
fn due([total, both, ratio]: [f64; 3]) -> [f64; 4] {
    let all = OWN[0] + REFERENCE[0];
    let w = (OWN[1] + REFERENCE[1]) / all;
    let of = |a: f64, b: f64| (a * a * total + 2.0 * a * b * both + b * b * ratio).sqrt() * all;
    [
        of(1.0, 0.0),
        of(w, 1.0),
        of(1.0 - w, -1.0),
        of(w - OWN[1] / OWN[0], 1.0) / OWN[0],
    ]
}

fn uncertainties(fit: &Fit) -> [f64; 4] {
    [
        fit.conductance.u.to_bits(),
        fit.positive_conductance.u.to_bits(),
        fit.negative_conductance.u.to_bits(),
        fit.position.expect("G is positive").u.to_bits(),
    ]
    .map(real)
}

#[track_caller]
fn check(fit: &Fit, variances: [f64; 3]) {
    for (told, due) in uncertainties(fit).into_iter().zip(due(variances)) {
        near(told, due);
    }
}

#[test]
fn figures_and_uncertainties_follow_from_the_equations() {
    let fit = told(&converged());
    let enlarged = NOISE * student();
    check(&fit, inverse().map(|of| of * enlarged));
    near(real(fit.conductance.value.to_bits()), 4.0);
    near(real(fit.positive_conductance.value.to_bits()), 1.0);
    near(real(fit.negative_conductance.value.to_bits()), 3.0);
    near(real(fit.position.expect("x").value.to_bits()), 0.25);
    let capacitance = fit.capacitance.expect("C");
    near(real(capacitance.value.to_bits()), 2.0);
    near(
        real(capacitance.u.to_bits()),
        2.0 * (enlarged / INFORMATION[2]).sqrt(),
    );
    near(real(fit.coupling.value.to_bits()), 0.4);
    near(
        real(fit.coupling.u.to_bits()),
        (enlarged / INFORMATION[3]).sqrt(),
    );
    // Of a block, and of one before hum averages out.
    near(real(fit.noise.to_bits()), 0.01);
    near(real(fit.scatter.to_bits()), 0.02);
    near(real(fit.misfit.to_bits()), 1.0);
    near(real(fit.time_constant.to_bits()), 0.7);
    assert_eq!((fit.rows, fit.rejected, fit.dwell_us), (57, 2, 500_000));
    // Never less than is believed.
    let floor = Converged {
        least: scaled(9.0 * NOISE),
        ..converged()
    };
    check(&told(&floor), inverse().map(|of| of * enlarged * 9.0));
    near(real(told(&floor).noise.to_bits()), 0.03);
    near(real(told(&floor).scatter.to_bits()), 0.03);
}

#[test]
fn a_misfit_beyond_three_deviations_enlarges_the_intervals() {
    let edge = 1.0 + (18.0f64 / 30.0).sqrt();
    let quiet = 1.0 + (8.0f64 / 30.0).sqrt();
    for (misfit, enlarged, calm) in [
        (0.99 * quiet, 1.0, true),
        (1.01 * quiet, 1.0, false),
        (0.99 * edge, 1.0, false),
        (1.01 * edge, 1.01 * edge, false),
        (7.0, 7.0, false),
    ] {
        let converged = Converged {
            batches: tally(misfit * NOISE, 30),
            ..converged()
        };
        check(
            &told(&converged),
            inverse().map(|of| of * NOISE * student() * enlarged),
        );
        assert_eq!(converged.quiet(), calm, "{misfit}");
        near(real(told(&converged).misfit.to_bits()), misfit);
    }
}

/// What does not average out: rows that vary by more than samples scatter, hum, and a converter that rounds alike.
#[test]
fn slow_disturbances_are_in_the_uncertainty() {
    let with = |fives: f64, count: u32, scatter: f64, step: f64| {
        let converged = Converged {
            fives: tally(fives, count),
            scatter: scaled(scatter),
            step: scaled(step),
            ..converged()
        };
        let fit = told(&converged);
        // What is added to the noise variance.
        let [u, ..] = uncertainties(&fit);
        let all = OWN[0] + REFERENCE[0];
        (u / all).powi(2) / inverse()[0] / student() - NOISE
    };
    let same = |told: f64, due: f64| {
        assert!(
            (told - due).abs() < 1e-3 * due + 1e-8,
            "{told} is not {due}"
        );
    };
    let usual = 21.0 / 16.0 + (18.0f64 / 32.0).sqrt();
    let high = 1.01 * usual * NOISE;
    same(with(0.99 * usual * NOISE, 32, NOISE, 1e-8), 0.0);
    same(with(high, 32, NOISE, 1e-8), (high - NOISE) * 200.0);
    // With fewer than four of them nothing is known.
    same(with(high, 3, NOISE, 1e-8), 0.0);
    // The step of the converter counts as noise where it is the larger.
    same(with(high, 32, NOISE / 2.0, NOISE), (high - NOISE) * 200.0);
    // Rounded alike: samples of variance 20·scatter below four steps'.
    let step = 5.01 * NOISE;
    same(with(NOISE, 32, NOISE, step), step * 200.0);
    same(with(NOISE, 32, NOISE, 4.99 * NOISE), 0.0);
    // Hum: what of the samples' variance is not white leaves (0.01/√3)² of itself, alike for a second.
    let fives = NOISE / 3.01;
    let hum = 20.0 * (NOISE - fives) * 1e-4 / 3.0 * 50.0;
    same(with(fives, 32, NOISE, 1e-8), hum);
    same(with(NOISE / 2.99, 32, NOISE, 1e-8), 0.0);
}

#[test]
fn changes_slips_readings_and_drifts_add_to_it() {
    let plain = inverse().map(|of| of * NOISE * student());
    let suspected = told_of(&converged(), &theta(OWN), [3e-6, 5e-6]).expect("a fit");
    check(&suspected, [plain[0] + 3e-6, plain[1], plain[2] + 5e-6]);
    let slips = Converged {
        slips: Slips([scaled(2e-6), scaled(1e-6), scaled(4e-6)]),
        ..converged()
    };
    check(
        &told(&slips),
        [plain[0] + 2e-6, plain[1] + 1e-6, plain[2] + 4e-6],
    );
    // w·Vb as well as Vb is known.
    let w: f64 = 1.5 / 5.5;
    let level = Converged {
        pack_u: scaled(2.0),
        ..converged()
    };
    check(
        &told(&level),
        [plain[0], plain[1], plain[2] + (2.0 / 400.0 * w).powi(2)],
    );
    // A drift of 0.1 V/s over half of 8 s.
    let drifting = Theta {
        drift: bits(0.1),
        ..theta(OWN)
    };
    let fit = told_of(&converged(), &drifting, [0.0; 2]).expect("a fit");
    check(
        &fit,
        [plain[0], plain[1], plain[2] + (0.4f64 / 400.0).powi(2)],
    );
}

#[test]
fn what_no_passive_circuit_has_is_no_fit() {
    // u of G is some nanosiemens here: five of them below zero.
    let [u, of_plus, ..] = uncertainties(&told(&converged()));
    let at = |own: [f64; 2]| told_of(&converged(), &theta(own), [0.0; 2]);
    let scale = (REFERENCE[0]) / (OWN[0] + REFERENCE[0]);
    // G near zero: the same relative uncertainty of G + gr.
    let g = 5.0 * u * scale;
    assert!(at([-0.9 * g, -0.45 * g]).is_some() && at([-1.2 * g, -0.6 * g]).is_none());
    // Gp alone, and Gn alone.
    assert!(at([4.0, -4.0 * of_plus]).is_some() && at([4.0, -6.0 * of_plus]).is_none());
    assert!(at([4.0, 4.0 + 3.0 * of_plus]).is_some() && at([4.0, 4.2]).is_none());
    // Without G there is no place.
    assert_eq!(
        at([-0.5 * g, 0.0]).map(|fit| fit.position.is_some()),
        Some(false)
    );
    let mut system = System::NONE;
    system.set(0, 0, Scaled::ONE);
    let undetermined = Converged {
        covariance: Covariance::new(&system, FREEDOM),
        ..converged()
    };
    assert!(told_of(&undetermined, &theta(OWN), [0.0; 2]).is_none());
}

#[test]
fn the_longest_time_constant_is_that_of_the_least_conductance() {
    let [g, p] = REFERENCE.map(bits);
    let told = |states: &[f64]| {
        let states = states.iter().map(|&g| bits(g));
        real(longest(&theta(OWN), Reference { g, p }, states))
    };
    near(told(&[2.0, 1.0]), 2.0 / 5.0);
    near(told(&[0.5]), 2.0 / 4.5);
    near(told(&[]), 2.0 / 5.5);
}

const TICK: f64 = 1e-3;

fn beliefs(declared: Option<[f64; 2]>) -> Beliefs {
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
    while survey.step(view, Scaled::ONE) {}
    let mut beliefs = Beliefs::new();
    let declared = declared.map(|[value, u]| Measured {
        value: Seconds::from_bits(bits(value)),
        u: Seconds::from_bits(bits(u)),
    });
    beliefs.observe(declared, &noise, bits(TICK), &survey);
    beliefs
}

/// Half of what noise would let 0.2 s show: 10 mV a block, ten blocks.
const HIDDEN: f64 = 0.01 / 3.162_277_66 / 0.2 / 2.0;

#[test]
fn beliefs_are_weighed_by_their_deviation() {
    for (declared, lag, lag_u) in [
        (Some([2e-4, 1e-5]), 2e-4 - TICK / 2.0, 1e-5),
        (Some([0.0, 0.0]), -TICK / 2.0, 1e-7),
        (None, 0.0, TICK / 2.0 / 3f64.sqrt()),
    ] {
        let mut beliefs = beliefs(declared);
        near(back(beliefs.variance()), NOISE);
        near(back(beliefs.drift_u()), HIDDEN);
        let theta = Theta {
            drift: bits(0.02),
            lag: bits(3e-4),
            ..theta(OWN)
        };
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
        same(row(&beliefs, CAPACITANCE, 5.0), 0.0);
        same(row(&beliefs, START, 1000.0), 0.0);
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
    let beliefs = beliefs(None);
    let least = |freedom: i64| back(beliefs.least_variance(freedom));
    near(least(1), NOISE);
    assert!(least(1000) < NOISE / 50.0, "{}", least(1000));
}

/// A parameter that pulls by more than four deviations of its belief contradicts it; free, it is held again within
/// three of its own.
#[test]
fn beliefs_are_revised_by_what_the_data_say() {
    let revised = |drift: f64, lag: f64, free: bool| {
        let mut beliefs = beliefs(Some([5e-4, 1e-4]));
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
        let theta = Theta {
            drift: bits(drift),
            lag: bits(lag),
            ..theta(OWN)
        };
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
