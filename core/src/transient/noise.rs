//! The noise of the readings, learnt from the scatter within blocks.

use super::record::WHOLE;
use super::scaled::Scaled;
use crate::config::Config;
use crate::front::Block;
use crate::num::ONE;

/// Blocks that the white noise of v is the mean of.
const LATEST: u8 = 48;
/// Blocks of which the one that scatters far more than another is not believed.
const FIRST: u8 = 4;

/// Noise variances of v and Vb in V² times weight, so that a mean of weight w
/// has the variance divided by w. Hum within blocks is part of them, a slow
/// disturbance is not.
#[derive(Debug, Clone, Copy)]
pub(super) struct Noise {
    /// Of v, and what a slope of v within a block adds.
    pub(super) chassis: Scaled,
    pub(super) pack: Scaled,
    /// What no residual of v is believed to be below: a millivolt a block, for
    /// switches that are not ideal and times that are rounded, or the rounding
    /// of the converter.
    pub(super) floor: Scaled,
    /// Of v without its slope; how many blocks have shown it; v of the block before.
    white: Scaled,
    seen: u8,
    before: i64,
}

impl Noise {
    pub(super) fn new(config: &Config) -> Self {
        let [resolution, _] = config.front_end().resolution();
        Self {
            chassis: Scaled::ZERO,
            pack: Scaled::ZERO,
            floor: whole(resolution.to_bits()),
            white: Scaled::ZERO,
            seen: 0,
            before: 0,
        }
    }

    pub(super) fn listen(&mut self, block: &Block) {
        let seen = whole(block.chassis_scatter.to_bits());
        // A slope of v looks like scatter: what is small is believed sooner.
        let share = if seen.less(self.chassis) { -2 } else { -6 };
        self.chassis = follow(self.chassis, seen, share);
        self.pack = follow(self.pack, whole(block.pack_scatter.to_bits()), -5);
        let before = core::mem::replace(&mut self.before, block.chassis.to_bits());
        if !block.flags.first_in_dwell {
            self.listen_without_slope(seen, slope(block, before));
        }
    }

    /// The slope is taken off where it is not most of what is seen. What is far above
    /// the others is not noise: v goes with a step of Vb, and a step is no dither.
    #[inline(never)]
    fn listen_without_slope(&mut self, seen: Scaled, slope: Scaled) {
        if slope.plus(slope.shifted(-2)).less(seen) {
            let mut noise = seen.minus(slope);
            if self.seen < FIRST {
                self.white = self.white.min(noise.shifted(2));
            }
            if self.seen > 0 {
                noise = noise.min(self.white.shifted(2));
            }
            self.seen = self.seen.saturating_add(1).min(LATEST);
            let news = noise.minus(self.white);
            let count = Scaled::int(i64::from(self.seen));
            self.white = self.white.plus(news.over(count));
        }
    }

    /// What no noise of Vb is believed to be below, V² times weight: the rounding of the
    /// converter.
    pub(super) fn least_of_pack(config: &Config) -> Scaled {
        let [_, resolution] = config.front_end().resolution();
        whole(resolution.to_bits())
    }

    /// White noise, as far as it is known.
    pub(super) const fn white(&self) -> Scaled {
        if self.seen == 0 {
            self.chassis
        } else {
            self.white
        }
    }
}

/// Scatter of a block mean by an even slope of v since the block before: each of its
/// n bunches of samples differs from its neighbour by an n-th of the way, and half the mean
/// square of that is the variance.
#[inline(never)]
fn slope(block: &Block, before: i64) -> Scaled {
    let way = Scaled::of(block.chassis.to_bits().saturating_sub(before));
    let bunches = block.count.wrapping_shr(block.bunched.into());
    let count = Scaled::int(i64::from(bunches.max(1)));
    let apart = way.over(count).square().over(count);
    apart.times(Scaled::int(i64::from(WHOLE / 2)))
}

/// Variance times weight from the deviation of a block mean; a millivolt at
/// least.
fn whole(scatter: i64) -> Scaled {
    let scatter = Scaled::of(scatter.max(ONE / 1000));
    scatter.square().times(Scaled::int(i64::from(WHOLE)))
}

fn follow(old: Scaled, new: Scaled, share: i32) -> Scaled {
    if old.positive() {
        old.plus(new.minus(old).shifted(share))
    } else {
        new
    }
}
