//! The noise of the readings, learnt from the scatter within blocks.

use super::record::WHOLE;
use super::scaled::Scaled;
use crate::config::Config;
use crate::front::Block;
use crate::num::ONE;

/// Noise variances of v and Vb in V² times weight, so that a mean of weight w
/// has the variance divided by w. Hum within blocks is part of them, a slow
/// disturbance is not.
#[derive(Debug, Clone, Copy)]
pub(super) struct Noise {
    pub(super) chassis: Scaled,
    pub(super) pack: Scaled,
    /// What no residual of v is believed to be below: a millivolt a block, for
    /// switches that are not ideal and times that are rounded, or the rounding
    /// of the converter.
    pub(super) floor: Scaled,
}

impl Noise {
    pub(super) fn new(config: &Config) -> Self {
        let [resolution, _] = config.front_end().resolution();
        Self {
            chassis: Scaled::ZERO,
            pack: Scaled::ZERO,
            floor: whole(resolution.to_bits()),
        }
    }

    pub(super) fn listen(&mut self, block: &Block) {
        let seen = whole(block.chassis_scatter.to_bits());
        // A slope of v looks like scatter: what is small is believed sooner.
        let share = if seen.less(self.chassis) { -2 } else { -6 };
        self.chassis = follow(self.chassis, seen, share);
        self.pack = follow(self.pack, whole(block.pack_scatter.to_bits()), -5);
    }
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
