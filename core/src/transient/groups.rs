//! Rows summed over the span that every mains frequency divides.

use super::record::SPAN;
use crate::num;

/// A sum of weighted rows that grows to five blocks.
#[derive(Debug, Clone, Copy)]
pub(super) struct Group<const WIDE: usize> {
    sums: [i64; WIDE],
    weight: u32,
    duration_us: u32,
}

impl<const WIDE: usize> Group<WIDE> {
    pub(super) const NONE: Self = Self {
        sums: [0; WIDE],
        weight: 0,
        duration_us: 0,
    };

    /// Starts over: a drive change spoils the sum that it cuts.
    pub(super) fn reset(&mut self) {
        self.sums = [0; WIDE];
        self.weight = 0;
        self.duration_us = 0;
    }

    /// Adds a row, of which the end may be missing; returns the weighted sum and
    /// its weight when the span is full.
    pub(super) fn sum(
        &mut self,
        row: &[i64],
        weight: u32,
        duration_us: u32,
        block_us: u32,
    ) -> Option<([i64; WIDE], u32)> {
        for (sum, value) in self.sums.iter_mut().zip(row) {
            *sum = sum.saturating_add(num::times(*value, i64::from(weight)));
        }
        self.weight = self.weight.saturating_add(weight);
        self.duration_us = self.duration_us.saturating_add(duration_us);
        // Five blocks, less a sampling period's worth of slack.
        let whole_us = block_us.saturating_mul(SPAN).saturating_sub(block_us >> 2);
        if self.duration_us < whole_us {
            return None;
        }
        let full = (self.sums, self.weight);
        self.reset();
        Some(full)
    }
}

/// The mean row of a weighted sum; the sum itself without a weight.
#[inline(never)]
pub(super) fn mean<const WIDE: usize>(mut sums: [i64; WIDE], weight: u32) -> [i64; WIDE] {
    if let Some(by) = num::Reciprocal::of(i64::from(weight)) {
        for value in &mut sums {
            *value = by.times_short(*value, 0);
        }
    }
    sums
}
