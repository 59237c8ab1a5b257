//! The time between samples, and what it says of a block.

use crate::front::Block;
use crate::num::millionths;

/// Fraction bits of a time between samples in microseconds.
const PERIOD_BITS: u32 = 8;

/// Fraction bits of a jitter, in samples.
const JITTER_BITS: u32 = 14;

/// Samples that blocks lose in the mean, with 8 fraction bits, from which on none of them may have been whole.
const MANY: u16 = 2 << 8;

/// Time between samples in microseconds, with 8 fraction bits, as the blocks show it that lost none: within three
/// quarters of a sample a block jitters, beyond that it lost one, or the clock is another.
#[derive(Debug, Clone, Copy)]
pub(super) struct Period {
    /// Zero where nothing is known.
    tick: u32,
    /// What is believed of a block: it grows by a 64th of a sample with each that shows more, so that a clock which has
    /// become slower by a sample is believed after 64; until then many may have lost one.
    most: u32,
    /// What the newest block makes of it. It counts once the next follows: a pause is no whole number of samples.
    next: u32,
    /// Samples that blocks lose in the mean, with 8 fraction bits.
    losing: u16,
    /// How far blocks are from a whole number of samples, in the mean, in samples with 14 fraction bits.
    jitter: u16,
}

impl Period {
    pub(super) const UNKNOWN: Self = Self {
        tick: 0,
        most: 0,
        next: 0,
        losing: 0,
        jitter: 0,
    };

    /// A block follows the one before.
    pub(super) fn follow(&mut self, block: &Block) {
        if block.missing == 0 && self.next > 0 {
            (self.tick, self.most) = (self.next, self.next);
        }
        self.next = 0;
    }

    /// Takes a whole one. True where all before it may have lost samples unnoticed: it has three quarters of a sample more
    /// than was believed to be due, or so many are lost that no block need have been whole.
    pub(super) fn take(&mut self, block: &Block) -> bool {
        let long = u64::from(block.duration_us) << PERIOD_BITS;
        let Some(seen) = long.checked_div(block.count.into()) else {
            return false;
        };
        let seen = u32::try_from(seen).unwrap_or(u32::MAX);
        let apart = i64::from(seen).saturating_sub(i64::from(self.tick));
        let quarter = i64::from(self.tick >> 2);
        let off = apart.saturating_mul(block.count.into()).saturating_abs();
        let jitters = off <= quarter.saturating_mul(3);
        let more = !jitters && apart < 0;
        if jitters {
            let tick = i64::from(self.tick).saturating_add(apart.saturating_add(4) >> 3);
            self.next = u32::try_from(tick).unwrap_or(0);
            self.jitter(off);
        } else if more || self.tick == 0 || seen <= self.most {
            (self.tick, self.most) = (seen, seen);
        } else {
            let grows = self.most.checked_div(block.count.saturating_mul(64));
            self.most = self.most.saturating_add(grows.unwrap_or(0));
        }
        let many = self.loses_many();
        // A pause counts as little more than that.
        let lost = self.lost(block).min(4) as u16;
        let kept = self.losing.saturating_sub(self.losing >> 4);
        self.losing = kept.saturating_add(lost << 4);
        more || self.loses_many() && !many
    }

    /// A block is `off` microseconds from a whole number of samples, with 8 fraction bits. A single one, as before a pause,
    /// counts as little more than those before.
    fn jitter(&mut self, off: i64) {
        let off = (off << JITTER_BITS).checked_div(self.tick.into());
        let most = u64::from(self.jitter).saturating_mul(4).saturating_add(64);
        let off = off.unwrap_or(0).unsigned_abs().min(most) as u16;
        let kept = self
            .jitter
            .saturating_sub(self.jitter.saturating_add(15) >> 4);
        self.jitter = kept.saturating_add(off >> 4);
    }

    const fn loses_many(self) -> bool {
        self.losing > MANY
    }

    /// In seconds.
    pub(super) const fn seconds(self) -> i64 {
        millionths(self.tick) >> PERIOD_BITS
    }

    /// How far v moves, of `volts` within a block of n samples and n times over, in the samples that it lost and in what
    /// times are off.
    pub(super) fn blurred(self, block: &Block, volts: u64) -> u64 {
        let lost = self.lost(block).saturating_mul(1 << JITTER_BITS);
        volts.saturating_mul(lost.saturating_add(self.jitter.into())) >> JITTER_BITS
    }

    /// How far the time of a sample is off, in seconds.
    pub(super) fn jitter_seconds(self) -> i64 {
        self.seconds().saturating_mul(self.jitter.into()) >> JITTER_BITS
    }

    /// Nothing is missing of it for sure.
    pub(super) fn is_whole(self, block: &Block) -> bool {
        self.lost(block) == 0 && !self.loses_many()
    }

    /// How many it is seen to have lost, to the nearest.
    pub(super) fn lost(self, block: &Block) -> u64 {
        let tick = u64::from(self.tick);
        let due = tick.saturating_mul(block.count.into());
        let long = (u64::from(block.duration_us) << PERIOD_BITS).saturating_add(tick >> 1);
        long.saturating_sub(due).checked_div(tick).unwrap_or(0)
    }
}
