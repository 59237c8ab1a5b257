//! The interrupt side: sums of counts over averaging blocks, a few dozen
//! instructions a sample and no division.

use crate::config::{Channel, Config, Drive};
use crate::sample::Sample;

/// Sums of one channel over a block. Noise is summed as squares of differences between neighbours, which
/// a slow signal hardly touches. Neighbours are two samples, or two bunches of samples where these come
/// faster than a millisecond apart, since hum would hide between such samples.
///
/// Squares of 24-bit codes fit for 8,000 samples even if all bunches jump from end to end. Wider
/// codes that do so fill the sum; it then wraps, and is far above any noise all the same.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct ChannelSums {
    pub(crate) last: i32,
    /// The lower half of the first code.
    pub(crate) first: i16,
    /// Samples of a bunch, as a power of two.
    pub(crate) places: u8,
    pub(crate) sum: i64,
    /// Of the differences between the two bunches of a pair.
    pub(crate) squares: u64,
}

impl ChannelSums {
    const fn start(code: i32, places: u8) -> Self {
        Self {
            last: code,
            first: code as i16,
            places,
            sum: code as i64,
            squares: 0,
        }
    }

    /// Samples of the first bunches of all pairs, of so many in the block: as many times the
    /// variance of two samples are the squares.
    pub(crate) const fn paired(&self, count: u32) -> u32 {
        let bunch = 1u32.wrapping_shl(self.places as u32);
        count.wrapping_shr(1) & bunch.wrapping_neg()
    }

    #[inline]
    const fn add(&mut self, code: i32) {
        // A code has 32 bits and a block fewer than 2^31 samples (10 s at
        // 200 MHz): the sum stays below 2^62.
        self.sum = self.sum.wrapping_add(code as i64);
        self.last = code;
    }

    /// The end of a pair.
    #[inline]
    const fn pair(&mut self, pair: &mut Pair) {
        let end = self.sum as i32;
        let first = pair.middle.wrapping_sub(pair.start);
        let second = end.wrapping_sub(pair.middle);
        // Within 2^31, its square within 2^62.
        let step = second.saturating_sub(first) as i64;
        self.squares = self.squares.wrapping_add(step.wrapping_mul(step) as u64);
        pair.start = end;
    }
}

/// The sum of a channel where a pair of bunches starts, and in its middle. A bunch of codes
/// fits 32 bits, so the lower 32 of the sums are enough to tell it.
#[derive(Debug, Clone, Copy)]
struct Pair {
    start: i32,
    middle: i32,
}

impl Pair {
    /// The first of a block, whose first sample has been summed.
    const fn first(code: i32) -> Self {
        Self {
            start: 0,
            middle: code,
        }
    }
}

/// A bunch lasts this long at most. A ninth more than a millisecond, so that a sample
/// more or less in a block does not change it.
const BUNCH_US: u32 = 1125;
/// Bits of a bunch of codes, at most, and bits by which it is more than a code.
const BUNCH_BITS: u8 = 28;
const BUNCH_PLACES: u8 = 7;

const fn places_most(config: &Config) -> u8 {
    let [first, second] = config.front_end().channels();
    let widest = if first.bits > second.bits {
        first.bits
    } else {
        second.bits
    };
    let places = BUNCH_BITS.saturating_sub(widest);
    if places < BUNCH_PLACES {
        places
    } else {
        BUNCH_PLACES
    }
}

/// Samples of a bunch, as a power of two, where so many came in a time.
const fn places(count: u32, time_us: u32, most: u8) -> u8 {
    // Of more than 3.8 million samples, any bunches will do.
    let mut spans = count.wrapping_mul(BUNCH_US) >> 1;
    let mut places = 0u8;
    while spans >= time_us && places < most {
        spans >>= 1;
        places = places.wrapping_add(1);
    }
    places
}

/// Samples of a bunch, as a power of two, in blocks of so many samples.
pub(crate) fn bunch_places(config: &Config, count: u32) -> u32 {
    places(count, config.timing().block_us, places_most(config)).into()
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
    /// Whole blocks without a sample just before this one. One as well where a sample was lost at the drive
    /// change: nobody knows on which side of it.
    pub(crate) missing: u16,
    /// A block cut short by a drive change.
    pub(crate) cut: bool,
    /// A code of either channel was at a limit.
    pub(crate) saturated: bool,
    /// Microseconds from its first sample to the first after it, less the whole blocks that are missing there. Samples
    /// fall on no grid of blocks; where none was lost, this is as many periods as samples.
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
    /// Start of the open block, on the grid of blocks from the drive change on.
    start_us: u32,
    first_us: u32,
    last_us: u32,
    /// One and a half of the periods of the newest block of more than a sample: after that, samples were lost.
    late_us: u32,
    next: u16,
    /// Samples of a bunch, and as a power of two in the next block and at most.
    bunch: u32,
    places: u8,
    places_most: u8,
    pairs: [Pair; 2],
}

impl Sampler {
    /// A sampler that has seen nothing.
    #[must_use]
    pub const fn new(config: &Config) -> Self {
        let [first, second] = config.front_end().channels();
        let sums = ChannelSums::start(0, 0);
        let pair = Pair::first(0);
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
            first_us: 0,
            last_us: 0,
            late_us: u32::MAX,
            next: 0,
            bunch: 1,
            places: 0,
            places_most: places_most(config),
            pairs: [pair, pair],
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
        second.add(b);
        let bunch = self.bunch;
        if block.count & bunch.wrapping_sub(1) == 0 {
            let [pair_a, pair_b] = &mut self.pairs;
            if block.count & bunch == 0 {
                first.pair(pair_a);
                second.pair(pair_b);
            } else {
                (pair_a.middle, pair_b.middle) = (first.sum as i32, second.sum as i32);
            }
        }
        if inside_a.leaves_out(a) || inside_b.leaves_out(b) {
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
        // Nothing comes after the last sample: its period is that of the others.
        let span = self.last_us.wrapping_sub(self.first_us);
        let period = span.checked_div(done.count.wrapping_sub(1)).unwrap_or(0);
        done.duration_us = span.wrapping_add(period);
        Some(done)
    }

    /// Ends the open block and starts the one that `sample` opens.
    fn close(&mut self, sample: &Sample, elapsed: u32) -> RawBlock {
        let length = self.block_us;
        let blocks = blocks_in(elapsed, length);
        let changes = sample.drive != self.open.drive;
        let gap = sample.at_us.wrapping_sub(self.last_us);
        let span = self.last_us.wrapping_sub(self.first_us);
        // The switch moved right after the last sample of the old state. A dwell that lasted
        // whole blocks ends with a whole block, even though its last sample comes one
        // sampling period before the end.
        if blocks == 0 {
            self.open.cut = true;
        } else {
            self.places = places(self.open.count, length, self.places_most);
        }
        let late = span.wrapping_add(span >> 1);
        let periods = self.open.count.wrapping_sub(1);
        self.late_us = late.checked_div(periods).unwrap_or(self.late_us);
        let mut missing = blocks.saturating_sub(1);
        let lost = length.wrapping_mul(u32::from(missing));
        self.open.duration_us = span.wrapping_add(gap).wrapping_sub(lost);
        if changes && gap > self.late_us {
            missing = missing.max(1);
        }
        self.start_us = if changes || blocks == u16::MAX {
            sample.at_us
        } else {
            let time = length.wrapping_mul(u32::from(blocks));
            self.start_us.wrapping_add(time)
        };
        let done = self.open;
        self.begin(sample, changes, missing);
        done
    }

    fn begin(&mut self, sample: &Sample, first_in_dwell: bool, missing: u16) {
        let [a, b] = sample.codes;
        let [first, second] = self.inside;
        self.first_us = sample.at_us;
        self.last_us = sample.at_us;
        let number = self.next;
        self.next = number.wrapping_add(1);
        let places = self.places;
        self.bunch = 1u32.wrapping_shl(places.into());
        self.pairs = [Pair::first(a), Pair::first(b)];
        self.open = RawBlock {
            number,
            drive: sample.drive,
            first_in_dwell,
            missing,
            cut: false,
            saturated: first.leaves_out(a) || second.leaves_out(b),
            duration_us: self.block_us,
            count: 1,
            channels: [ChannelSums::start(a, places), ChannelSums::start(b, places)],
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
