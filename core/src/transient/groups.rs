//! Rows summed over the span that every mains frequency divides.

use super::record::SPAN;
use crate::num;

/// A sum of weighted rows that grows to five blocks.
#[derive(Debug, Clone, Copy)]
pub(super) struct Group<const WIDE: usize> {
    pub(super) sums: [i64; WIDE],
    pub(super) weight: u32,
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

    /// Adds a row, of which the end may be missing; true when the span is full. Then
    /// it is to be reset.
    pub(super) fn add<'a>(
        &mut self,
        row: impl Iterator<Item = &'a i64>,
        weight: u32,
        duration_us: u32,
        block_us: u32,
    ) -> bool {
        for (sum, value) in self.sums.iter_mut().zip(row) {
            *sum = sum.saturating_add(num::times(*value, i64::from(weight)));
        }
        self.weight = self.weight.saturating_add(weight);
        self.duration_us = self.duration_us.saturating_add(duration_us);
        // Five blocks, less a sampling period's worth of slack.
        let whole_us = block_us.saturating_mul(SPAN).saturating_sub(block_us >> 2);
        self.duration_us >= whole_us
    }

    /// Turns the weighted sum into the mean row; it stays a sum without a weight.
    #[inline(never)]
    pub(super) fn average(&mut self) {
        if let Some(by) = num::Reciprocal::of(i64::from(self.weight)) {
            for value in &mut self.sums {
                *value = by.times_short(*value, 0);
            }
        }
    }
}
