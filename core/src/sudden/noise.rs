//! How noisy an equation is, learnt from the record itself.

use super::circuit::Link;
use super::row::{Equation, Kind, square};
use crate::num::{self, ONE};

/// Fraction bits of a variance in units².
pub(super) const VARIANCE_BITS: u32 = 8;
/// Least variance of an equation: 16 units, 4·10⁻⁶ of the limit's current.
const LEAST: u64 = square(16) << VARIANCE_BITS;
/// Equations that the mean variance looks back over: twice those that are kept, which are
/// charged by the variance of their time and explained by that of now.
const MEMORY: i64 = 128;

/// Variance of a block's voltage, in units².
#[derive(Debug, Clone)]
pub(super) struct Variance {
    value: u64,
    /// What the converters resolve.
    floor: u64,
    learnt: i64,
}

impl Variance {
    /// Knows nothing but the uncertainty of one reading, in units.
    pub(super) const fn new(resolution: i64) -> Self {
        Self {
            value: 0,
            floor: square(resolution).saturating_add(1) << VARIANCE_BITS,
            learnt: 0,
        }
    }

    /// Learns from two equations that follow each other in one drive state. A
    /// steady leak cancels in their difference; noise n of the blocks makes it
    /// `K·(n₃ - (1 + a)·n₂ + a·n₁)` with the stiffness K and the share a
    /// carried over.
    #[inline(never)]
    pub(super) fn learn(&mut self, newer: &Equation, older: &Equation, link: Link) {
        if newer.kind != Kind::Steady || older.kind != Kind::Steady {
            return;
        }
        let a = link.carried;
        let next = ONE.saturating_add(a);
        let sum = ONE
            .saturating_add(num::mul(next, next))
            .saturating_add(num::mul(a, a));
        let gain = num::mul(num::mul(link.stiffness, link.stiffness), sum);
        let difference = i64::from(newer.current).saturating_sub(i64::from(older.current));
        let shift = (num::FRAC + VARIANCE_BITS) as i32;
        let seen = num::quotient(i128::from(square(difference)), i128::from(gain), shift);
        // Once there is something to go by, an outlier counts as four standard deviations.
        let most = if self.learnt < 8 {
            i64::MAX
        } else {
            i64::try_from(self.get().saturating_mul(16)).unwrap_or(i64::MAX)
        };
        let value = i64::try_from(self.value).unwrap_or(i64::MAX);
        let weight = self.learnt.saturating_add(1).min(MEMORY);
        let step = seen
            .min(most)
            .saturating_sub(value)
            .checked_div(weight)
            .unwrap_or(0);
        self.value = value.saturating_add(step).max(0).unsigned_abs();
        self.learnt = weight;
    }

    /// The variance, Q8.
    pub(super) fn get(&self) -> u64 {
        self.value.max(self.floor)
    }
}

/// Noise of the equations while a leak at the limit may flow.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Noise {
    /// Variance of an equation, Q8 units².
    pub(super) base: u64,
    /// Minus its covariance with the next over the variance, Q31, within ±2^30.
    pub(super) lag: i64,
    /// 2^40 over the root of `base`: a quantity in units times this, over
    /// 2^32, is in sixteenths of a standard deviation.
    pub(super) scale: i64,
    /// Twice the variance without a leak, Q8 units².
    pub(super) quiet: u64,
    /// Variance of an equation over that of the voltages in it, times the
    /// square of the limit conductance, Q16: see [`super::fit`].
    pub(super) pinned: i64,
    pub(super) link: Link,
    /// The limit less what leaks already, over the limit.
    room: i64,
}

impl Noise {
    /// `leak` is the known conductance over the limit.
    #[inline(never)]
    pub(super) fn new(variance: &Variance, link: Link, leak: i64) -> Self {
        let room = ONE.saturating_sub(leak).max(0);
        let (newer, older) = weights(link, room);
        let gain = sum_of_squares(newer, older);
        let base = scaled(variance.get(), gain).max(LEAST);
        let root = i64::from(num::root(base));
        let (one, carried) = weights(link, 0);
        let later = link.later;
        let across = sum_of_squares(later, ONE.saturating_sub(later));
        let across = num::mul(num::mul(room, room), across);
        Self {
            base,
            lag: num::quotient(num::wide(newer, older), i128::from(gain), -1)
                .clamp(-(1 << 30), 1 << 30),
            scale: (1i64 << 40).checked_div(root).unwrap_or(0),
            quiet: scaled(variance.get(), sum_of_squares(one, carried)).saturating_mul(2),
            pinned: num::ratio_shifted(gain, across, 16),
            link,
            room,
        }
    }

    /// Variance of an equation when `leak` flows (over the limit), over that at the limit, Q8.
    pub(super) fn growth(&self, leak: i64) -> i64 {
        let at = |g: i64| {
            let (newer, older) = weights(self.link, g);
            sum_of_squares(newer, older)
        };
        let most = at(leak.max(self.room));
        num::ratio_shifted(most, at(self.room), 8)
    }
}

/// Weights of the two blocks' noise in an equation, the later first.
const fn weights(link: Link, leak: i64) -> (i64, i64) {
    let later = num::mul(leak, link.later);
    let earlier = leak.saturating_sub(later);
    let carried = num::mul(link.carried, link.stiffness);
    (
        link.stiffness.saturating_add(later),
        carried.saturating_sub(earlier),
    )
}

const fn sum_of_squares(a: i64, b: i64) -> i64 {
    num::mul(a, a).saturating_add(num::mul(b, b))
}

/// A variance times an `I32F32`.
#[inline(never)]
fn scaled(variance: u64, factor: i64) -> u64 {
    let wide = u128::from(variance).saturating_mul(u128::from(factor.unsigned_abs())) >> num::FRAC;
    u64::try_from(wide).unwrap_or(u64::MAX)
}
