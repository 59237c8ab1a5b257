//! The trend against published code, an independent `f64` and simulated drying
//! and wetting.

use std::vec::Vec;

use super::*;
use crate::test_reports::{estimate, report};
use crate::units::Volts;
use crate::{Reason, Verdict};
use proptest::prelude::*;

const DAY: u32 = 86_400;

fn limits() -> Limits {
    Limits::new(Volts::from_int(400), Judged::WeakestRail)
}

fn point(span: u32, ln_r: f64) -> Point {
    Point {
        span,
        ln_r: (ln_r * f64::from(1 << POINT_FRAC)).round() as i32,
    }
}

fn laid(points: &[Point]) -> Trend {
    let mut trend = Trend::new(&limits(), DAY);
    for &point in points {
        trend.restore(point);
    }
    while trend.step() {}
    trend
}

fn number(bits: i64) -> f64 {
    bits as f64 / 4_294_967_296.0
}

/// Slope, its ends, and levels at the last point: sorted lists, as in the textbook.
fn by_sorting(points: &[(f64, f64)]) -> [f64; 6] {
    let n = points.len();
    let median = |values: &mut Vec<f64>| {
        values.sort_by(f64::total_cmp);
        (values[(values.len() - 1) / 2] + values[values.len() / 2]) / 2.0
    };
    let mut slopes = Vec::new();
    for j in 0..n {
        for i in 0..j {
            slopes.push((points[j].1 - points[i].1) / (points[j].0 - points[i].0));
        }
    }
    let middle = median(&mut slopes);
    let (count, n_real) = (slopes.len() as f64, n as f64);
    let square: f64 = 4.0 * n_real * (n_real - 1.0) * (2.0 * n_real + 5.0) / 18.0;
    let rank = ((count - square.sqrt()) / 2.0).floor();
    // The core rounds C up to a whole number: at most one rank further out.
    let core = ((count - (square.ceil().sqrt().floor() + 1.0)) / 2.0).floor();
    assert!(core >= 1.0 && (0.0..=1.0).contains(&(rank - core)));
    let (low, high) = (
        slopes[core as usize - 1],
        slopes[slopes.len() - core as usize],
    );
    let last = points[n - 1].0;
    let level = |slope: f64| {
        let mut levels = points.iter().map(|(t, y)| y + slope * (last - t)).collect();
        median(&mut levels)
    };
    [middle, low, high, level(middle), level(low), level(high)]
}

/// SciPy 1.17.1, `scipy.stats.theilslopes(y, x, method="joint")` for these 15
/// points: slope −0.04266666666666659, intercept 16.1 at x = 0, 95 % interval of
/// the slope −0.0575 to −0.0275. The twelfth is an outlier.
#[test]
fn slope_and_level_are_those_of_a_reference_library() {
    const X: [u32; 15] = [0, 1, 2, 3, 4, 5, 7, 8, 9, 11, 12, 13, 14, 16, 17];
    const Y: [f64; 15] = [
        16.10, 16.02, 16.11, 15.93, 15.98, 15.71, 15.86, 15.90, 15.60, 15.74, 15.52, 13.20, 15.55,
        15.41, 15.47,
    ];
    let points: Vec<Point> = X.iter().zip(Y).map(|(&x, y)| point(x, y)).collect();
    let line = laid(&points).line.expect("a line");
    assert!((number(line.slopes[0]) + 0.042_666_667).abs() < 1e-6);
    assert!((number(line.levels[0]) - (16.1 - 17.0 * 0.042_666_667)).abs() < 1e-5);
    // The ends are rounded outwards here, and by two standard deviations, not 1.96.
    let [low, high] = [line.slopes[1], line.slopes[2]].map(number);
    assert!((-0.0650..=-0.0574).contains(&low), "{low}");
    assert!((-0.0276..=-0.0200).contains(&high), "{high}");
}

/// Hollander and Wolfe, Nonparametric Statistical Methods, give the slope of
/// these five points as −0.056 (from memory, not verified; the same from SciPy
/// 1.17.1, −0.05625). Each is doubled here to reach the fewest points.
#[test]
fn a_textbook_example() {
    let data = [1.26, 1.27, 1.12, 1.16, 1.03];
    let points: Vec<(f64, f64)> = (1..).map(f64::from).zip(data).collect();
    let mut slopes = Vec::new();
    for j in 0..5 {
        for i in 0..j {
            slopes.push((points[j].1 - points[i].1) / (points[j].0 - points[i].0));
        }
    }
    slopes.sort_by(f64::total_cmp);
    assert!(((slopes[4] + slopes[5]) / 2.0 + 0.05625).abs() < 1e-12);
    let mut fit = Fit::new(5);
    let mut kept = heapless::Deque::new();
    for (t, y) in points {
        kept.push_back(point(t as u32, y)).expect("room");
    }
    let line = (0..1000).find_map(|_| fit.step(&kept)).expect("a line");
    assert!((number(line.slopes[0]) + 0.05625).abs() < 1e-6);
}

proptest! {
    #[test]
    fn the_line_agrees_with_sorting_in_floating_point(
        gaps in prop::collection::vec(1u32..4, 6..=32),
        values in prop::collection::vec(-20.0f64..20.0, 32),
    ) {
        let mut span = 1000;
        let points: Vec<Point> = gaps.iter().zip(&values).map(|(gap, &y)| {
            span += gap;
            point(span, y)
        }).collect();
        let real: Vec<(f64, f64)> = points.iter()
            .map(|p| (f64::from(p.span), f64::from(p.ln_r) / f64::from(1 << POINT_FRAC)))
            .collect();
        let line = laid(&points).line.expect("a line");
        let got = line.slopes.iter().chain(&line.levels).map(|&bits| number(bits));
        for (got, due) in got.zip(by_sorting(&real)) {
            // A slope is off by one step, which 96 spans carry along.
            prop_assert!((got - due).abs() < 1e-7, "{} {}", got, due);
        }
    }
}

/// Feeds a month of a leak that falls from 10 MΩ by `part` a day, with a daily
/// cycle, noise, and now and then a reading that is far off; the days from the
/// end until the limit, as known and as they are.
fn month(part: f64, seed: u64) -> (Course, f64) {
    let mut state = seed.wrapping_mul(2_862_933_555_777_941_757) | 1;
    let mut uniform = || {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (state >> 11) as f64 / (1u64 << 53) as f64
    };
    let mut trend = Trend::new(&limits(), DAY);
    let mut now = 0;
    for hour in 0..24 * 30 {
        now = hour * 3600 + 100;
        let days = f64::from(now) / f64::from(DAY);
        let cycle = 0.3 * (days * core::f64::consts::TAU).sin();
        let noise = 0.2 * (uniform() + uniform() - 1.0);
        let wild = if uniform() < 0.03 { -3.0 } else { 0.0 };
        // 100 nS is 10 MΩ.
        let g = 100.0 * (part * days + cycle + noise + wild).exp();
        let estimate = estimate([g, 0.0], [g * 0.02, g * 0.01]);
        trend.take(now, &report(hour, Verdict::Healthy, Ok(estimate)));
        while trend.step() {}
    }
    // Warning at 200 kΩ: a factor of 50.
    let due = 50f64.ln() / part - f64::from(now) / f64::from(DAY);
    (trend.course(now), due)
}

#[test]
fn a_decline_is_told_with_its_time_to_the_limit() {
    let (mut held, runs) = (0, 100);
    for seed in 1..=runs {
        let (course, due) = month(0.05, seed);
        let Course::Falling(slope, (time, within)) = course else {
            panic!("seed {seed}: {course:?}");
        };
        let days = |s: Seconds| s.get().to_num::<f64>() / f64::from(DAY);
        assert!(
            (slope.0.get().to_num::<f64>() + 0.05).abs() < 0.01,
            "{slope:?}"
        );
        assert!(
            (days(time) / due - 1.0).abs() < 0.25,
            "{} {due}",
            days(time)
        );
        held += u64::from(days(within.low) <= due && due <= days(within.high));
    }
    // 95 % with a standard error of 2 %.
    assert!(held >= 89, "{held} of {runs} intervals hold the truth");
}

#[test]
fn without_a_decline_there_is_no_trend() {
    let runs = 100;
    let none = (1..=runs).filter(|&seed| {
        let (course, _) = month(1e-9, seed);
        matches!(course, Course::NoTrend(_))
    });
    let count = none.count();
    assert!(count >= 89, "{count} of {runs}");
}

#[test]
fn drying_is_rising_and_a_limit_that_is_reached_is_now() {
    let line = |slope: f64, from: f64| {
        let points: Vec<Point> = (0..20)
            .map(|day| point(day, from + slope * f64::from(day)))
            .collect();
        laid(&points).course(20 * DAY)
    };
    assert!(matches!(line(0.1, 0.0), Course::Rising(_)));
    // ln 0.2 is the limit: 200 kΩ of 1 MΩ.
    let Course::Falling(_, (time, _)) = line(-0.1, 0.0) else {
        panic!("falling");
    };
    assert_eq!(time, Seconds::ZERO);
    let Course::Falling(_, (time, _)) = line(-0.1, 1.0) else {
        panic!("falling");
    };
    // (1 + 1.609)/0.1 = 26.09 days from the first middle, 0.5 days.
    let due = (26.094 + 0.5 - 20.0) * f64::from(DAY);
    assert!((time.get().to_num::<f64>() - due).abs() < 300.0, "{time:?}");
}

#[test]
fn what_is_not_known_gives_no_point() {
    let mut trend = Trend::new(&limits(), DAY);
    for day in 0..40 {
        let poor = estimate([100.0, 0.0], [30.0; 2]);
        assert_eq!(
            trend.take(day * DAY, &report(day, Verdict::Healthy, Ok(poor))),
            None
        );
        let none = Err(Reason::NotSettled);
        assert_eq!(
            trend.take(day * DAY, &report(day, Verdict::Healthy, none)),
            None
        );
    }
    assert_eq!(trend.course(40 * DAY), Course::TooFewSpans);
}

#[test]
fn a_clock_that_goes_back_starts_anew_and_one_that_leaps_forgets() {
    let good = |day| report(day, Verdict::Healthy, Ok(estimate([100.0, 0.0], [1.0; 2])));
    let mut trend = Trend::new(&limits(), DAY);
    for day in 100..120 {
        trend.take(day * DAY, &good(day));
    }
    assert_eq!(trend.points.len(), 19);
    trend.take(5 * DAY, &good(5));
    assert!(trend.points.is_empty());
    for day in 5..15 {
        trend.take(day * DAY, &good(day));
    }
    trend.take(u32::MAX, &good(16));
    trend.take(u32::MAX, &good(17));
    assert!(!trend.points.is_empty());
    trend.restore(Point {
        span: u32::MAX,
        ln_r: 0,
    });
    assert_eq!(trend.points.len(), 1);
}

#[test]
fn points_that_were_kept_give_the_same_line_again() {
    let mut kept = Vec::new();
    let mut trend = Trend::new(&limits(), DAY);
    for day in 0..40u32 {
        let g = 100.0 * (0.05 * f64::from(day)).exp();
        let estimate = estimate([g, 0.0], [g * 0.01; 2]);
        kept.extend(trend.take(day * DAY, &report(day, Verdict::Healthy, Ok(estimate))));
    }
    while trend.step() {}
    assert_eq!(laid(&kept).line, trend.line);
}

/// The logarithm holds on either side of one microsiemens.
#[test]
fn logarithms_agree_with_floating_point_over_the_whole_range() {
    for exponent in -60..=90 {
        let g = 10f64.powf(f64::from(exponent) / 10.0);
        let bits = Microsiemens::from_bits((g * 4_294_967_296.0).round() as i64);
        let exact = -(bits.to_bits() as f64 / 4_294_967_296.0).ln();
        let got = f64::from(ln_r(bits)) / f64::from(1 << POINT_FRAC);
        assert!((got - exact).abs() < 1e-6, "{g}: {got} {exact}");
    }
}
