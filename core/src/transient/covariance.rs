//! What the equations leave uncertain, and what that makes of the figures.

use super::normal::System;
use super::scaled::Scaled;
use super::slips::{Covariances, Slips};
use super::solve::Factors;
use super::theta::{CAPACITANCE, RATIO, START, TOTAL, Theta};
use crate::num::{self, ONE};
use crate::units::{Measured, Microfarads, Ratio};

/// Share of what is known of v at the start that is left of it when nothing is, as a power of two: rounding leaves less.
const UNTOLD: i32 = -18;

/// What the normal equations leave uncertain, over the noise variance.
#[derive(Debug, Clone, Copy)]
pub(super) struct Covariance {
    /// Every parameter is determined.
    pub(super) regular: bool,
    /// Of ln(G + gr), of it and w, and of w.
    pub(super) total: Scaled,
    pub(super) both: Scaled,
    pub(super) ratio: Scaled,
    /// Of ln C and of κ.
    pub(super) capacitance: Scaled,
    pub(super) coupling: Scaled,
    /// Sum of squares of the residuals, and their degrees of freedom.
    pub(super) squares: Scaled,
    pub(super) freedom: i64,
}

impl Covariance {
    pub(super) const NONE: Self = Self {
        regular: false,
        total: Scaled::ZERO,
        both: Scaled::ZERO,
        ratio: Scaled::ZERO,
        capacitance: Scaled::ZERO,
        coupling: Scaled::ZERO,
        squares: Scaled::ZERO,
        freedom: 0,
    };

    /// That of the leaks; the rest is added to it.
    #[inline(never)]
    pub(super) fn new(system: &System, freedom: i64) -> Self {
        let mut factors = Factors::NONE;
        factors.factor(system, Scaled::ZERO);
        let [total, both, ratio] = factors.block(TOTAL, RATIO);
        Self {
            regular: factors.regular,
            total,
            both,
            ratio,
            capacitance: Scaled::ZERO,
            coupling: Scaled::ZERO,
            squares: system.squares(),
            freedom,
        }
    }

    /// C is no longer held: so much of what is known of G + gr is not.
    pub(super) fn let_go(&mut self, by_capacitance: Scaled) {
        if !by_capacitance.positive() {
            return;
        }
        let left = Scaled::ONE.minus(self.total.times(by_capacitance));
        self.total = self.total.over(left.max(Scaled::ONE.shifted(UNTOLD)));
    }

    /// That of C, whatever v was at the start, which was held with the weight `held`: in a circuit that settles within
    /// the first block the two pass for each other, and at a v of some kilovolts the one would tell the other.
    #[inline(never)]
    pub(super) fn add_capacitance(&mut self, system: &mut System, held: Scaled) {
        let believed = system.at(START, START);
        let told = believed.minus(held).max(Scaled::ZERO);
        system.set(START, START, told.plus(believed.shifted(UNTOLD)));
        self.capacitance = variance_of(system, CAPACITANCE);
        system.set(START, START, believed);
    }

    pub(super) const fn add_coupling(&mut self, coupling: &Covariances) {
        self.coupling = coupling.own;
    }
}

#[inline(never)]
fn variance_of(system: &System, place: usize) -> Scaled {
    let mut factors = Factors::NONE;
    factors.factor(system, Scaled::ZERO);
    factors.variance(place)
}

/// Covariance of ln(G + gr) and w, and the variance of ln C.
pub(super) struct Spread {
    /// G + gr.
    total: Scaled,
    pub(super) by_total: Scaled,
    both: Scaled,
    by_ratio: Scaled,
    pub(super) by_capacitance: Scaled,
    /// The record tells C to a quarter.
    tells_capacitance: bool,
}

impl Spread {
    /// `wave` adds to the noise variance, for C.
    pub(super) fn new(
        covariance: &Covariance,
        variance: Scaled,
        wave: Scaled,
        theta: &Theta,
    ) -> Self {
        let by_capacitance = covariance.capacitance.times(variance.plus(wave));
        Self {
            total: Scaled::of(theta.total),
            by_total: covariance.total.times(variance),
            both: covariance.both.times(variance),
            by_ratio: covariance.ratio.times(variance),
            by_capacitance,
            tells_capacitance: by_capacitance.less(Scaled::new(1, -4)),
        }
    }

    /// A change of the circuit that is suspected but not certain.
    pub(super) fn plus_change(mut self, [by_total, by_ratio]: [Scaled; 2]) -> Self {
        self.by_total = self.by_total.plus(by_total);
        self.by_ratio = self.by_ratio.plus(by_ratio);
        self
    }

    pub(super) fn plus_slips(mut self, slips: &Slips) -> Self {
        self.by_total = self.by_total.plus(slips.total);
        self.both = self.both.plus(slips.both);
        self.by_ratio = self.by_ratio.plus(slips.ratio);
        self.by_capacitance = self.by_capacitance.plus(slips.capacitance);
        self
    }

    /// v shows w·Vb, as well as Vb is known.
    pub(super) fn plus_pack(mut self, pack: i64, pack_u: Scaled, theta: &Theta) -> Self {
        let pack = Scaled::of(pack);
        let level = pack_u.over(pack).times(Scaled::of(theta.ratio));
        self.by_ratio = self.by_ratio.plus(level.square());
        self
    }

    pub(super) fn position(&self, theta: &Theta, plus: i64, total: i64) -> Measured<Ratio> {
        let position = num::ratio(plus, total);
        let away = theta.ratio.saturating_sub(position);
        Measured {
            value: Ratio::from_bits(position),
            u: Ratio::from_bits(self.of(away, ONE).over(Scaled::of(total)).bits()),
        }
    }

    pub(super) fn capacitance(&self, theta: &Theta) -> Option<Measured<Microfarads>> {
        let relative = self.by_capacitance.root();
        let u = relative.times(Scaled::of(theta.capacitance));
        self.tells_capacitance.then(|| Measured {
            value: Microfarads::from_bits(theta.capacitance),
            u: Microfarads::from_bits(u.bits()),
        })
    }

    /// Deviation of (G + gr)·(a·ln(G + gr) + b·w).
    pub(super) fn of(&self, a: i64, b: i64) -> Scaled {
        let (a, b) = (Scaled::of(a), Scaled::of(b));
        let sum = a
            .square()
            .times(self.by_total)
            .plus(a.times(b).times(self.both).shifted(1))
            .plus(b.square().times(self.by_ratio));
        sum.root().times(self.total)
    }
}
