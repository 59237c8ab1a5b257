//! How much noise is left in block means.
//!
//! Hum shows in the scatter within a block and leaves the mean of a dwell; a
//! transient moves the means and shows little within a block. So noise is the
//! lesser of what the scatter within blocks makes expect and what successive
//! spans of blocks show. A block need not hold whole periods of the mains: 60 Hz
//! leave 10 Hz in blocks of 20 ms, which five of them do not show. A step of the pack
//! voltage moves v once, and is no noise.

use crate::config::Config;
use crate::front::Block;
use crate::num;
use crate::num::Saturating as _;

use super::{CUT, cut};

/// Blocks in a span, and spans in the shortest dwell. Of these the transient moves
/// the first most: they are not compared.
const SPAN: u32 = 5;
const FEWEST: u32 = 5;
const FIRST: u32 = 2;
/// Blocks, and spans, over which means go back, as a power of two.
const BLOCKS: u32 = 3;
const SPANS: u32 = 2;

/// Standard uncertainties of Vb in a block, and half of them of the difference of two,
/// that are a step.
const STEP: u32 = 12;

/// Mean squares of the newest blocks, V² with 32 fraction bits.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Noise {
    /// Sums of the two spans before, and of the one under way.
    before: [i32; 2],
    sum: i32,
    within: u64,
    between: u64,
    /// Blocks without a break in the dwell under way, and in the one before.
    dwell: u16,
    last_dwell: u16,
    /// Vb of the block before, and whether it has stepped in this dwell.
    pack: i32,
    stepped: bool,
}

impl Noise {
    pub(super) fn listen(&mut self, config: &Config, block: &Block) {
        if block.flags.first_in_dwell {
            self.begin();
            self.stepped = false;
        }
        let pack = cut(block.pack);
        let by = pack.abs_diff(core::mem::replace(&mut self.pack, pack));
        let [_, coarse] = config.front_end().resolution().map(cut);
        let noise = cut(block.pack_scatter).saturating_add(coarse);
        // Once a dwell: what steps again and again is noise.
        if by > noise.unsigned_abs().saturating_mul(STEP) && !self.stepped {
            self.stepped = true;
            self.begin();
        }
        if block.flags.cut || block.flags.saturated || block.missing > 0 {
            self.begin();
            return;
        }
        let scatter = square(cut(block.chassis_scatter).into());
        follow(&mut self.within, scatter, BLOCKS);
        self.sum = self.sum.saturating_add(cut(block.chassis));
        self.dwell = self.dwell.saturating_add(1);
        let timing = config.timing();
        let blocks = timing.dwell_min_us.checked_div(timing.block_us);
        let span = blocks.unwrap_or(0).wrapping_div(FEWEST).clamp(1, SPAN);
        let dwell = u32::from(self.dwell);
        if dwell.is_multiple_of(span) && self.dwell < u16::MAX {
            self.close(span, dwell.checked_div(span).unwrap_or(0));
        }
    }

    /// What follows is not compared with what came before.
    const fn begin(&mut self) {
        self.sum = 0;
        if self.dwell > 0 {
            (self.last_dwell, self.dwell) = (self.dwell, 0);
        }
    }

    /// A span is whole, one of as many.
    fn close(&mut self, blocks: u32, spans: u32) {
        let [older, old] = self.before.map(i64::from);
        let sum = core::mem::take(&mut self.sum);
        if spans > FIRST.saturating_add(2) {
            let bend = i64::from(sum).plus(older).minus(old.saturating_mul(2));
            // Second differences of white sums have six times their variance, and
            // a sum that of its blocks together.
            let alike = blocks.saturating_mul(6);
            let variance = num::over_unsigned(square(bend), alike).unwrap_or(0);
            follow(&mut self.between, variance, SPANS);
        }
        let [_, old] = self.before;
        self.before = [old, sum];
    }

    /// All that moves the readings is within the blocks, as of hum.
    pub(super) const fn is_within(&self) -> bool {
        self.between < self.within
    }

    /// Standard uncertainty of the mean of a dwell that is white.
    pub(super) fn of_a_dwell(&self) -> i64 {
        let blocks = u32::from(self.dwell.max(self.last_dwell).max(1));
        let square = self.between.min(self.within);
        let mean = num::over_unsigned(square, blocks).unwrap_or(0);
        num::sqrt_wide(u128::from(mean) << CUT.wrapping_mul(2))
    }
}

const fn square(volts: i64) -> u64 {
    let volts = volts.unsigned_abs();
    volts.saturating_mul(volts)
}

fn follow(mean: &mut u64, new: u64, memory: u32) {
    *mean = if *mean == 0 {
        new
    } else {
        let kept = mean.saturating_sub(mean.wrapping_shr(memory));
        kept.saturating_add(new.wrapping_shr(memory))
    };
}
