//! The pack voltage between its readings.

use super::model::Part;
use super::record::{Entry, View};
use super::scaled::Scaled;
use super::theta::quotient;
use crate::num::{self, ONE, mul};

/// Vb must move by half a volt, and by four times what it moves on either
/// side, to count as a step.
const STEP: i64 = ONE / 2;
/// A climb of Vb within half an entry that counts: 1.5 V/s in blocks of 20 ms.
const CLIMB: i64 = ONE * 3 / 100;

/// How Vb went within an entry, from its mean and its neighbours'. Two parts
/// where it stepped: a step from b₀ to b₁ with the mean b came after the share
/// (b₁ − b)/(b₁ − b₀). Else one, climbing.
pub(super) fn parts(record: View<'_>, at: usize, entry: &Entry) -> [Option<Part>; 2] {
    let near = |at: Option<usize>| at.and_then(|at| record.get(at));
    let (before, after) = (near(at.checked_sub(1)), near(at.checked_add(1)));
    let here = entry.pack();
    if let (Some(before), Some(after)) = (before, after) {
        let pack = |at: Option<usize>, other: Entry| near(at).unwrap_or(other).pack();
        let earlier = pack(at.checked_sub(2), before);
        let later = pack(at.checked_add(2), after);
        if let Some(share) = step(earlier, before.pack(), here, after.pack(), later) {
            let part = |share, pack| {
                Some(Part {
                    share,
                    pack,
                    climb: 0,
                })
            };
            let rest = ONE.wrapping_sub(share);
            return [part(share, before.pack()), part(rest, after.pack())];
        }
    }
    let half = |other: Option<Entry>| {
        other.map(|other| {
            let both = entry.duration_us.saturating_add(other.duration_us);
            let share = quotient(i64::from(entry.duration_us), i64::from(both));
            mul(other.pack().saturating_sub(here), share)
        })
    };
    let (back, forth) = (half(before).map(i64::saturating_neg), half(after));
    let climb = match (back.or(forth), forth.or(back)) {
        (Some(back), Some(forth)) => climb(back, forth),
        _ => 0,
    };
    [
        Some(Part {
            share: ONE,
            pack: here,
            climb,
        }),
        None,
    ]
}

/// Climb in half an entry from the climbs to either side: their mean, or the
/// smaller where they differ much, so that a step next door is not taken for a
/// slope here.
fn climb(back: i64, forth: i64) -> i64 {
    let (small, large) = if back.saturating_abs() < forth.saturating_abs() {
        (back, forth)
    } else {
        (forth, back)
    };
    let mean = back.saturating_add(forth) >> 1;
    let climb = if (small < 0) != (large < 0) {
        0
    } else if small.saturating_abs() < large.saturating_abs() >> 1 {
        small
    } else {
        mean
    };
    if climb.saturating_abs() < CLIMB {
        0
    } else {
        climb
    }
}

/// Share of the entry before a step of Vb inside it.
fn step(earlier: i64, before: i64, here: i64, after: i64, later: i64) -> Option<i64> {
    let apart = |a: i64, b: i64| a.saturating_sub(b).saturating_abs();
    let around = apart(before, earlier).saturating_add(apart(after, later));
    if apart(after, before) < around.saturating_mul(4).saturating_add(STEP) {
        return None;
    }
    let share = quotient(after.saturating_sub(here), after.saturating_sub(before));
    (share > ONE / 50 && share < ONE - ONE / 50).then_some(share)
}

/// Vb of a record in which it stood still.
#[derive(Debug, Clone, Copy)]
pub(super) struct Level {
    pub(super) value: i64,
    /// Its standard uncertainty, from noise.
    pub(super) u: Scaled,
}

/// Vb where it stood still through the record: the mean, when every dwell and
/// every entry agrees with it within four and five standard deviations. `unit` is the noise variance of Vb in V² times weight.
///
/// With an estimated Vb its noise no longer adds to that of v, which would
/// cost a factor of up to two in variance for a leak near the positive rail.
pub(super) fn level(record: View<'_>, unit: Scaled) -> Option<Level> {
    let (mut sum, mut total) = (0i64, 0i64);
    let base = record.get(0)?.pack();
    let weighed = |entry: &Entry| {
        let weight = i64::from(entry.weight);
        let error = entry.pack().saturating_sub(base);
        (error.saturating_mul(weight), weight)
    };
    for entry in record.iter() {
        let (value, weight) = weighed(&entry);
        sum = sum.saturating_add(value);
        total = total.saturating_add(weight);
    }
    let mean = num::ratio(sum, total, 0);
    // Variance of Σ w·e is the variance of one weight unit times Σ w.
    let beyond = |sum: i64, weight: i64, sigmas: i64| {
        let bound = unit.times(Scaled::int(weight.saturating_mul(sigmas)));
        bound.less(Scaled::of(sum).square())
    };
    let (mut dwell, mut weight_of_dwell) = (0i64, 0i64);
    for entry in record.iter() {
        if entry.first {
            if beyond(dwell, weight_of_dwell, 16) {
                return None;
            }
            (dwell, weight_of_dwell) = (0, 0);
        }
        let (value, weight) = weighed(&entry);
        let error = value.saturating_sub(mean.saturating_mul(weight));
        if beyond(error, weight, 25) {
            return None;
        }
        dwell = dwell.saturating_add(error);
        weight_of_dwell = weight_of_dwell.saturating_add(weight);
    }
    (!beyond(dwell, weight_of_dwell, 16)).then(|| Level {
        value: base.saturating_add(mean),
        u: unit.over(Scaled::int(total)).root(),
    })
}
