//! What the residuals of a walk look like.

use super::scaled::Scaled;

/// Residuals beyond six standard deviations are left out.
pub(super) const REJECT: i64 = 36;

/// Sums of squares of the residuals over spans of different length. White
/// noise gives the same mean square for each; hum is large in `single` only,
/// a misfit in `batch`.
#[derive(Debug, Clone, Copy)]
pub(super) struct Tally {
    pub(super) sum: Scaled,
    pub(super) count: u32,
}

impl Tally {
    pub(super) const NONE: Self = Self {
        sum: Scaled::ZERO,
        count: 0,
    };

    /// Adds (Σ w·r)²/Σw.
    pub(super) fn add(&mut self, sum: i64, weight: u32) {
        let weight = Scaled::int(i64::from(weight));
        self.put(Scaled::of(sum).square().over(weight));
    }

    pub(super) fn put(&mut self, square: Scaled) {
        self.sum = self.sum.plus(square);
        self.count = self.count.saturating_add(1);
    }

    pub(super) fn take(&mut self, other: Self) {
        self.sum = self.sum.plus(other.sum);
        self.count = self.count.saturating_add(other.count);
    }

    pub(super) fn mean(&self) -> Scaled {
        self.sum.over(Scaled::int(i64::from(self.count)))
    }
}

/// What came of a walk.
#[derive(Debug, Clone, Copy)]
pub(super) struct Walked {
    /// Of entries that make up sums over five blocks.
    pub(super) single: Tally,
    pub(super) fives: Tally,
    pub(super) batches: Tally,
    /// Rows in the normal equations.
    pub(super) used: u32,
    pub(super) rejected: u32,
    /// Newest entries rejected without a break.
    pub(super) trailing: u32,
}

impl Walked {
    /// What the residuals left out add to the sum of squares: the bound each.
    pub(super) fn left_out(&self, variance: Option<Scaled>) -> Scaled {
        let bound = variance.unwrap_or_default().times(Scaled::int(REJECT));
        bound.times(Scaled::int(i64::from(self.rejected)))
    }
}
