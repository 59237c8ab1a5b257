//! The interrupt side: sums of counts over averaging blocks, a few dozen
//! instructions a sample and no division.

use crate::config::{Channel, Config, Drive};
use crate::sample::Sample;

/// Sums of one channel over a block. Noise is summed as squares of differences between neighbours, which
/// a slow signal hardly touches; those of 24-bit codes fit for 16,000 samples
/// even if all jump from end to end. A sum that is full stays as it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct ChannelSums {
    pub(crate) last: i32,
    pub(crate) sum: i64,
    pub(crate) squares: u64,
}

/// A sum of squares that takes no more.
const ENOUGH: u64 = 1 << 62;

impl ChannelSums {
    const fn start(code: i32) -> Self {
        Self {
            last: code,
            sum: code as i64,
            squares: 0,
        }
    }

    #[inline]
    const fn add(&mut self, code: i32) {
        // A code has 32 bits and a block fewer than 2^31 samples (10 s at
        // 200 MHz): the sum stays below 2^62.
        self.sum = self.sum.wrapping_add(code as i64);
        // A step is kept within 2^31, its square within 2^62.
        if self.squares < ENOUGH {
            let step = code.saturating_sub(self.last) as i64;
            self.squares = self.squares.wrapping_add(step.wrapping_mul(step) as u64);
        }
        self.last = code;
    }
}

/// The codes of a channel that are no limit of its converter, as one comparison
/// in the interrupt tells them.
#[derive(Debug, Clone, Copy)]
struct Inside {
    least: i32,
    count: u32,
}

impl Inside {
    const fn new(channel: &Channel) -> Self {
        let least = channel.lowest.wrapping_add(1);
        Self {
            least,
            count: channel.highest.wrapping_sub(least) as u32,
        }
    }

    /// As [`Channel::saturated`].
    #[inline]
    const fn leaves_out(&self, code: i32) -> bool {
        code.wrapping_sub(self.least) as u32 >= self.count
    }
}

/// A block of summed counts on its way from the interrupt to the background task.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct RawBlock {
    /// Blocks of the sampler before this one, wrapping.
    pub(crate) number: u16,
    pub(crate) drive: Drive,
    /// The first block after a drive change.
    pub(crate) first_in_dwell: bool,
    /// Whole blocks without a sample just before this one.
    pub(crate) missing: u16,
    /// A block cut short by a drive change.
    pub(crate) cut: bool,
    /// A code of either channel was at a limit.
    pub(crate) saturated: bool,
    /// Microseconds from the start of the block to its end, or to its last sample when cut.
    pub(crate) duration_us: u32,
    pub(crate) count: u32,
    pub(crate) channels: [ChannelSums; 2],
}

/// The order of blocks as the background sees it.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Order {
    next: Option<u16>,
}

impl Order {
    /// False when a block before this one was lost: nothing is known of what it
    /// held, a drive change for instance.
    pub(crate) fn follows(&mut self, block: &RawBlock) -> bool {
        let next = self.next.replace(block.number.wrapping_add(1));
        next.is_none_or(|next| next == block.number)
    }
}

/// Sums samples into blocks that never span a drive change. Owned by the
/// interrupt; shares nothing with the background task but the blocks it
/// returns.
#[derive(Debug, Clone)]
pub struct Sampler {
    block_us: u32,
    inside: [Inside; 2],
    /// The block that takes samples, with its whole duration; of none where there is no
    /// such block.
    open: RawBlock,
    /// Start of the open block.
    start_us: u32,
    last_us: u32,
    next: u16,
}

impl Sampler {
    /// A sampler that has seen nothing.
    #[must_use]
    pub const fn new(config: &Config) -> Self {
        let [first, second] = config.front_end().channels();
        let sums = ChannelSums::start(0);
        Self {
            block_us: config.timing().block_us,
            inside: [Inside::new(first), Inside::new(second)],
            open: RawBlock {
                number: 0,
                drive: Drive::Rest,
                first_in_dwell: false,
                missing: 0,
                cut: false,
                saturated: false,
                duration_us: 0,
                count: 0,
                channels: [sums, sums],
            },
            start_us: 0,
            last_us: 0,
            next: 0,
        }
    }

    /// Takes one sample; returns the block that it completes, if any. Samples
    /// whose time does not advance are taken as missing.
    pub fn push(&mut self, sample: &Sample) -> Option<RawBlock> {
        let elapsed = sample.at_us.wrapping_sub(self.start_us);
        let block = &mut self.open;
        // A clock that runs backwards would read as a very long gap.
        if sample.drive != block.drive || elapsed >= block.duration_us {
            return self.turn(sample, elapsed);
        }
        block.count = block.count.wrapping_add(1);
        let [first, second] = &mut block.channels;
        let [a, b] = sample.codes;
        let [inside_a, inside_b] = &self.inside;
        first.add(a);
        if inside_a.leaves_out(a) {
            block.saturated = true;
        }
        second.add(b);
        if inside_b.leaves_out(b) {
            block.saturated = true;
        }
        self.last_us = sample.at_us;
        None
    }

    /// A sample that begins a block. Apart from the common case, which saves
    /// no registers for it.
    #[cold]
    #[inline(never)]
    fn turn(&mut self, sample: &Sample, elapsed: u32) -> Option<RawBlock> {
        if self.is_open() {
            return Some(self.close(sample, elapsed));
        }
        self.start_us = sample.at_us;
        self.begin(sample, true, 0);
        None
    }

    const fn is_open(&self) -> bool {
        self.open.duration_us > 0
    }

    /// Ends the open block, as at the end of a capture.
    pub fn finish(&mut self) -> Option<RawBlock> {
        if !self.is_open() {
            return None;
        }
        let mut done = self.open;
        self.open.duration_us = 0;
        done.cut = true;
        done.duration_us = self.last_us.wrapping_sub(self.start_us);
        Some(done)
    }

    /// Ends the open block and starts the one that `sample` opens.
    fn close(&mut self, sample: &Sample, elapsed: u32) -> RawBlock {
        let mut done = self.open;
        let length = self.block_us;
        if sample.drive != done.drive {
            // The switch moved right after the last sample of the old state.
            let reached = self.last_us.wrapping_sub(self.start_us);
            // A dwell that lasted whole blocks ends with a whole block, even
            // though its last sample comes one sampling period before the end.
            let whole = elapsed >= length;
            done.cut = !whole;
            if !whole {
                done.duration_us = reached;
            }
            let missing = blocks_in(elapsed, length).saturating_sub(1);
            self.start_us = sample.at_us;
            self.begin(sample, true, missing);
        } else {
            let blocks = blocks_in(elapsed, length).max(1);
            self.start_us = self
                .start_us
                .wrapping_add(length.wrapping_mul(u32::from(blocks)));
            if blocks == u16::MAX {
                self.start_us = sample.at_us;
            }
            self.begin(sample, false, blocks.saturating_sub(1));
        }
        done
    }

    fn begin(&mut self, sample: &Sample, first_in_dwell: bool, missing: u16) {
        let [a, b] = sample.codes;
        let [first, second] = self.inside;
        self.last_us = sample.at_us;
        let number = self.next;
        self.next = number.wrapping_add(1);
        self.open = RawBlock {
            number,
            drive: sample.drive,
            first_in_dwell,
            missing,
            cut: false,
            saturated: first.leaves_out(a) || second.leaves_out(b),
            duration_us: self.block_us,
            count: 1,
            channels: [ChannelSums::start(a), ChannelSums::start(b)],
        };
    }
}

/// Whole blocks in a time, saturating at `u16::MAX`.
fn blocks_in(elapsed: u32, length: u32) -> u16 {
    let blocks = elapsed.checked_div(length).unwrap_or(0);
    u16::try_from(blocks).unwrap_or(u16::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Volts;

    #[test]
    fn what_is_inside_is_what_is_not_saturated() {
        let usual = Channel::bipolar(16, Volts::from_int(20));
        let limits = [
            (0, 65_535),
            (-2048, 2047),
            (5, 6),
            (7, 9),
            (i32::MIN, i32::MAX),
            (i32::MIN, i32::MIN + 1),
            (i32::MAX - 1, i32::MAX),
        ];
        for (lowest, highest) in limits {
            let channel = Channel {
                lowest,
                highest,
                ..usual
            };
            let inside = Inside::new(&channel);
            let near = |code: i32| (-2..=2).map(move |by| code.wrapping_add(by));
            let codes = [lowest, highest, 0, i32::MIN, i32::MAX];
            for code in codes.into_iter().flat_map(near) {
                let saturated = channel.saturated(code);
                assert_eq!(
                    inside.leaves_out(code),
                    saturated,
                    "{lowest} {highest} {code}"
                );
            }
        }
    }
}
