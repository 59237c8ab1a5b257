//! The frame, and the noise of the equations, against the charge balance in f64.

use super::circuit::Link;
use super::frame::{A_BITS, Frame, Leak, T_BITS, at};
use super::noise::{Noise, VARIANCE_BITS, Variance};
use super::row::{CURRENT_BITS, Equation};
use crate::num::ONE;
use crate::transient::plant;
use std::vec::Vec;

fn bits(x: f64, fraction: u32) -> i64 {
    (x * 2f64.powi(fraction as i32)).round() as i64
}

fn real(x: i64, fraction: u32) -> f64 {
    x as f64 / 2f64.powi(fraction as i32)
}

/// Working voltage, and the limit's current at it, in units.
const UNIT: f64 = (1 << CURRENT_BITS) as f64;

fn equation(current: f64, pack: f64, chassis: f64) -> Equation {
    let [current, pack, chassis] = [current, pack, chassis].map(|x| (x * UNIT).round() as i64);
    Equation::new(current, pack, chassis, 0, false)
}

/// Known leaks Gp and Gn and a new one from x, over the limit: the residual current of the new one.
#[test]
fn a_leak_adds_the_current_that_the_balance_gives_it() {
    let mut noise = plant::Noise(4);
    for _ in 0..400 {
        let mut between = |low: f64, high: f64| low + (high - low) * noise.uniform();
        let (positive, negative) = (between(0.0, 0.5), between(0.0, 0.5));
        let (pack, chassis) = (between(0.5, 1.2), between(-0.2, 1.2));
        let newest = equation(between(-2.0, 2.0), pack, chassis);
        let mismatch = between(0.0, 0.01);
        let stiffness = between(1.0, 3000.0);
        let frame = Frame::new(
            &newest,
            bits(positive, 32),
            bits(negative, 32),
            bits(mismatch, A_BITS),
            bits(stiffness, 32),
        )
        .expect("a frame");
        assert_eq!(frame.fine, (stiffness as u32).ilog2());
        assert!((real(frame.known(), 32) - positive - negative).abs() < 1e-8);
        let share = chassis / pack;
        let beyond = (share - 0.5).abs() - 0.5;
        assert_eq!(frame.between_rails, beyond < mismatch + 1.0 / 512.0);
        let [low, high] = frame.rails().map(|slope| real(slope, A_BITS));
        assert!((low + share + mismatch).abs() < 1e-6, "{low}");
        assert!((high - 1.0 + share - mismatch).abs() < 1e-6, "{high}");
        // All of G, from x; the other equation has voltages of its own.
        let (total, x) = (between(0.0, 3.0), between(0.0, 1.0));
        let offset = real(frame.offset, A_BITS);
        let leak = Leak {
            t: bits(total, T_BITS),
            a: bits(total * (x - share) - offset, A_BITS),
            ..Leak::default()
        };
        let (vb, v) = (between(0.5, 1.2), between(0.0, 1.0));
        let other = equation(between(-1.0, 1.0), vb, v);
        let known = positive * (vb - v) - negative * v;
        let due = total * (x * vb - v) - known;
        let told = frame.added(&other, &leak) as f64 / UNIT;
        assert!((told - due).abs() < 2e-5, "{told} is not {due}");
        assert!((real(frame.positive(&leak), T_BITS) - total * x).abs() < 1e-5);
        // At the newest equation a leak in the frame adds what that one shows: its own line meets the rails.
        let (least, most) = frame.cone(leak.t);
        let along = |slope: f64| total * slope - offset;
        assert!((real(least, A_BITS) - along(low)).abs() < 1e-5);
        assert!((real(most, A_BITS) - along(high)).abs() < 1e-5);
        let [rest, q, d] = frame.columns(&other);
        assert!((d as f64 / UNIT - (v - share * vb)).abs() < 1e-5);
        assert_eq!(q, i64::from(other.pack));
        let line =
            f64::from(newest.current) / UNIT / pack * vb + (positive + negative) * (v - share * vb);
        let left = f64::from(other.current) / UNIT - line;
        assert!((rest as f64 / UNIT - left).abs() < 2e-5, "{rest}");
    }
}

#[test]
fn there_is_no_frame_without_a_pack_or_with_a_current_beyond_it() {
    let frame = |current: f64, pack: f64| {
        let newest = equation(current, pack, 0.1);
        Frame::new(&newest, 0, 0, 0, ONE).is_some()
    };
    assert!(frame(0.0, 1.0 / 16.0) && !frame(0.0, 1.0 / 16.0 - 1e-6));
    assert!(!frame(0.0, -1.0));
    for sign in [1.0, -1.0] {
        assert!(frame(sign * 16.0, 1.0) && !frame(sign * 16.0 + sign * 1e-5, 1.0));
    }
    assert!(Frame::new(&Equation::default(), 0, 0, 0, ONE).is_none());
}

#[test]
fn products_are_of_their_fraction_bits() {
    assert_eq!(at(3 << 20, 5 << 20, 40), 15);
    assert_eq!(at(-(3 << 20), 5 << 20, 39), -30);
    assert_eq!(at(i64::MAX, i64::MAX, 1), i64::MAX);
}

const LINK: Link = Link {
    stiffness: 3 * ONE,
    carried: ONE * 3 / 5,
    later: ONE * 3 / 4,
};

/// Equations of a circuit that makes `K·(n₂ − a·n₁)` of the noise n of its blocks.
fn equations(sigma: f64, count: usize, seed: u64) -> Vec<Equation> {
    let mut noise = plant::Noise(seed);
    let blocks: Vec<f64> = (0..=count).map(|_| sigma * noise.normal()).collect();
    let pairs = blocks.windows(2);
    pairs
        .map(|pair| {
            Equation::new(
                (3.0 * (pair[1] - 0.6 * pair[0])).round() as i64,
                1,
                1,
                0,
                false,
            )
        })
        .collect()
}

#[test]
fn the_variance_that_is_learnt_is_that_of_the_blocks() {
    for sigma in [300.0, 20_000.0] {
        let (mut sum, runs) = (0.0, 40);
        for seed in 0..runs {
            let mut variance = Variance::new(0);
            for pair in equations(sigma, 200, seed).windows(2) {
                variance.learn(&pair[1], &pair[0], LINK);
            }
            sum += variance.get() as f64 / f64::from(1 << VARIANCE_BITS) / (sigma * sigma);
        }
        // A mean of 32, of which neighbours share their noise: within a tenth over forty runs.
        let mean = sum / runs as f64;
        assert!((0.85..1.1).contains(&mean), "{sigma}: {mean}");
    }
}

#[test]
fn the_first_variances_are_plain_means_and_outliers_count_little() {
    let gain = 9.0 * (1.0 + 1.6 * 1.6 + 0.36);
    let pair = |difference: f64| {
        let row = |current: f64| Equation::new(current as i64, 1, 1, 0, false);
        [row(0.0), row(difference)]
    };
    let seen = |difference: f64| (difference * difference / gain * 256.0).floor();
    let mut variance = Variance::new(0);
    let mut learn = |difference: f64| {
        let [older, newer] = pair(difference);
        variance.learn(&newer, &older, LINK);
        variance.get() as f64
    };
    let differences = [
        1000.0, 3000.0, 2000.0, 500.0, 4000.0, 2500.0, 1500.0, 3500.0,
    ];
    let mut squares = 0.0;
    for (count, difference) in differences.into_iter().enumerate() {
        squares += seen(difference);
        let due = squares / (count + 1) as f64;
        let told = learn(difference);
        assert!((told / due - 1.0).abs() < 1e-3, "{told} is not {due}");
    }
    // From the ninth on, at most four standard deviations.
    let before = squares / 8.0;
    let told = learn(1e6);
    assert!(
        (told / before - (1.0 + 15.0 / 9.0)).abs() < 1e-2,
        "{told} {before}"
    );
    // Nothing is learnt across a drive change or a gap.
    let [older, newer] = pair(1e6);
    let edge = Equation::new(1_000_000, 1, 1, 0, true);
    variance.learn(&edge, &older, LINK);
    variance.learn(&newer, &edge, LINK);
    variance.learn(&newer, &Equation::default(), LINK);
    assert_eq!(variance.get() as f64, told);
    // Nothing is quieter than the converters.
    let mut still = Variance::new(50);
    still.learn(&older, &older, LINK);
    assert_eq!(still.get(), (50 * 50 + 1) << VARIANCE_BITS);
}

#[test]
fn the_noise_of_an_equation_is_that_of_its_two_blocks() {
    let variance = Variance::new(1000);
    let s2 = 1000.0 * 1000.0 + 1.0;
    let [k, a, later] = [3.0, 0.6, 0.75];
    // With a leak at the limit: its own share of each block's voltage as well.
    let weights = |g: f64| (k + g * later, a * k - g * (1.0 - later));
    for leak in [0.0, 0.3, 1.0, 1.5] {
        let noise = Noise::new(&variance, LINK, bits(leak, 32));
        let room = (1.0f64 - leak).max(0.0);
        let (newer, older) = weights(room);
        let gain = newer * newer + older * older;
        let near = |told: f64, due: f64, what: &str| {
            let scale = due.abs().max(1e-6);
            assert!(
                (told - due).abs() < 2e-4 * scale,
                "{leak}, {what}: {told} is not {due}"
            );
        };
        near(noise.base as f64, 256.0 * s2 * gain, "variance");
        near(real(noise.lag, 31), (newer * older / gain).min(0.5), "lag");
        near(
            noise.scale as f64,
            2f64.powi(40) / (256.0 * s2 * gain).sqrt(),
            "scale",
        );
        let quiet = k * k * (1.0 + a * a);
        near(
            noise.quiet as f64,
            2.0 * 256.0 * s2 * quiet,
            "without a leak",
        );
        if room > 0.0 {
            let across = room * room * (later * later + (1.0 - later) * (1.0 - later));
            near(real(noise.pinned, 16), gain / across, "pinned");
        }
        for other in [0.0, 0.5, 4.0] {
            let (newer, older) = weights(f64::max(other, room));
            let due = (newer * newer + older * older) / gain;
            let told = real(noise.growth(bits(other, 32)), 8);
            assert!((told - due).abs() < 0.01, "{told} is not {due}");
        }
    }
    // At least sixteen units.
    let least = Noise::new(
        &Variance::new(0),
        Link {
            stiffness: ONE / 100,
            ..LINK
        },
        0,
    )
    .base;
    assert_eq!(least, 256 << VARIANCE_BITS);
}
