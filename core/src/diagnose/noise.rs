//! How much noise is left in block means.
//!
//! Hum shows in the scatter within a block and leaves the mean; a transient
//! moves the means and shows little within a block. So noise is the lesser of
//! what the scatter within blocks makes expect and what successive means show.

use crate::front::Block;
use crate::num;

use super::{CUT, cut};

/// Blocks over which means go back, as a power of two.
const MEMORY: u32 = 3;

/// Mean squares of the newest blocks, V² with 32 fraction bits.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Noise {
    /// The two block means before, in this dwell.
    before: [Option<i32>; 2],
    within: u64,
    between: u64,
    /// Blocks of the dwell under way and of the one before.
    dwell: u32,
    last_dwell: u32,
}

impl Noise {
    pub(super) fn listen(&mut self, block: &Block) {
        if block.flags.first_in_dwell {
            self.before = [None; 2];
            self.last_dwell = core::mem::take(&mut self.dwell);
        }
        self.dwell = self.dwell.saturating_add(1);
        if block.flags.cut || block.flags.saturated || block.missing > 0 {
            self.before = [None; 2];
            return;
        }
        let v = cut(block.chassis);
        follow(&mut self.within, square(cut(block.chassis_scatter).into()));
        if let [Some(older), Some(old)] = self.before.map(|v| v.map(i64::from)) {
            let bend = i64::from(v)
                .saturating_add(older)
                .saturating_sub(old.saturating_mul(2));
            // Second differences of white means have six times their variance.
            follow(&mut self.between, square(bend).wrapping_div(6));
        }
        let [_, old] = self.before;
        self.before = [old, Some(v)];
    }

    /// Standard uncertainty of the mean of a dwell that is white.
    pub(super) fn of_a_dwell(&self) -> i64 {
        let blocks = u64::from(self.dwell.max(self.last_dwell).max(1));
        let square = self.between.min(self.within);
        let mean = square.checked_div(blocks).unwrap_or(0);
        num::sqrt_wide(u128::from(mean) << CUT.wrapping_mul(2))
    }
}

const fn square(volts: i64) -> u64 {
    let volts = volts.unsigned_abs();
    volts.saturating_mul(volts)
}

fn follow(mean: &mut u64, new: u64) {
    *mean = if *mean == 0 {
        new
    } else {
        let kept = mean.saturating_sub(*mean >> MEMORY);
        kept.saturating_add(new >> MEMORY)
    };
}
