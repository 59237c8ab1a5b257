//! The running record: block means in the order of time, thinned with the age
//! since the last drive change.
//!
//! Right after a switch v moves fast and every block is kept; later, means over
//! longer spans lose nothing, because the model is exact for a block of any
//! length. Spans are one block up to the tenth, then five blocks (100 ms of
//! 20 ms blocks: a whole number of periods of 50 and of 60 Hz), then an eighth
//! of the age in whole fives. An exponential is so sampled at least eight times
//! per time constant, and 256 entries hold 13 dwells of 1 s or 6 of 10 s.
//! Blocks in which the pack voltage moved are not merged.

use crate::config::Drive;
use crate::front::Block;
use crate::num::{self, millionths};

/// Fraction bits of a time between samples in microseconds.
const PERIOD_BITS: u32 = 8;

/// Entries kept.
pub(super) const CAPACITY: usize = 256;
/// Weight of one whole block.
pub(super) const WHOLE: u32 = 16;
/// Blocks in a span that every mains frequency divides.
pub(super) const SPAN: u32 = 5;
/// Most blocks in one entry.
const LONGEST: u32 = 60;
/// Blocks after a switch that are kept single.
const SINGLE: u32 = 10;

/// One entry: means over a span within one drive state.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Entry {
    /// Mean v in 2⁻²⁰ V.
    chassis: i32,
    /// Mean Vb in 2⁻²⁰ V.
    pack: i32,
    pub(super) duration_us: u32,
    /// Sixteenths of a whole block; zero for a gap.
    pub(super) weight: u16,
    pub(super) drive: Drive,
    /// Begins at a drive change.
    pub(super) first: bool,
}

impl Entry {
    /// Mean v, `I32F32` volts.
    pub(super) const fn chassis(&self) -> i64 {
        (self.chassis as i64) << 12
    }
    /// Mean Vb, `I32F32` volts.
    pub(super) const fn pack(&self) -> i64 {
        (self.pack as i64) << 12
    }
}

/// An entry as it is kept, in 12 bytes.
#[derive(Debug, Clone, Copy)]
struct Packed {
    /// Mean v in 2⁻²⁰ V. Nothing was read in a gap: there it is the length in
    /// microseconds.
    chassis: i32,
    pack: i32,
    /// From the top: length in blocks (6 bits, and 22 of its fraction), is a gap (1),
    /// begins at a drive change (1), drive state (2).
    rest: u32,
}

/// Fraction bits of a length in blocks, and the longest: 64 blocks.
const LENGTH_BITS: u32 = 22;
const LENGTH_MAX: i64 = (1 << 28) - 1;
const GAP: u32 = 8;
const FIRST: u32 = 4;

impl Packed {
    const EMPTY: Self = Self {
        chassis: 0,
        pack: 0,
        rest: 0,
    };

    fn new(entry: &Entry, block_us: u32) -> Self {
        let (duration, block) = (i64::from(entry.duration_us), i64::from(block_us));
        let length = num::ratio(duration, block, LENGTH_BITS as i32).min(LENGTH_MAX) as u32;
        let gap = entry.weight == 0;
        let flag = |is: bool, bit: u32| if is { bit } else { 0 };
        Self {
            chassis: if gap {
                entry.duration_us.cast_signed()
            } else {
                entry.chassis
            },
            pack: entry.pack,
            rest: length << 4 | flag(gap, GAP) | flag(entry.first, FIRST) | entry.drive as u32,
        }
    }

    fn unpack(self, block_us: u32) -> Entry {
        let [_, raise, lower, _] = Drive::ALL;
        let (chassis, duration_us, weight) = if self.rest & GAP != 0 {
            (0, self.chassis.cast_unsigned(), 0)
        } else {
            let half = 1 << (LENGTH_BITS - 1);
            let [duration, weight] = [block_us, WHOLE].map(|of_block| {
                let length = u64::from(self.rest >> 4).wrapping_mul(of_block.into());
                (length.wrapping_add(half) >> LENGTH_BITS) as u32
            });
            (self.chassis, duration, weight.max(1))
        };
        Entry {
            chassis,
            pack: self.pack,
            duration_us,
            weight: weight as u16,
            drive: match self.rest & 3 {
                1 => raise,
                2 => lower,
                _ => Drive::Rest,
            },
            first: self.rest & FIRST != 0,
        }
    }
}

/// `I32F32` volts to 2⁻²⁰ V, saturating at ±2048 V.
fn coarse(bits: i64) -> i32 {
    let rounded = bits.saturating_add(1 << 11) >> 12;
    rounded.clamp(i64::from(i32::MIN), i64::from(i32::MAX)) as i32
}

/// The entry being gathered.
#[derive(Debug, Clone, Copy, Default)]
struct Open {
    /// Sums of v and Vb over the samples.
    chassis: i64,
    pack: i64,
    samples: u32,
    duration_us: u32,
    blocks: u32,
    drive: Drive,
    first: bool,
}

impl Open {
    /// Mean of a sum, `I32F32` volts.
    fn mean(&self, sum: i64) -> i64 {
        num::quotient(i128::from(sum), i128::from(self.samples), 0)
    }

    /// As it is kept, it has its weight by its length.
    fn close(&self) -> Entry {
        Entry {
            chassis: coarse(self.mean(self.chassis)),
            pack: coarse(self.mean(self.pack)),
            duration_us: self.duration_us,
            weight: 1,
            drive: self.drive,
            first: self.first,
        }
    }
}

/// What a block did to the record.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Pushed {
    /// It joined the entry being gathered.
    Gathered,
    /// It closed an entry.
    Closed,
    /// It cannot follow the record, which was cleared: samples were lost
    /// across a drive change.
    Broken,
}

/// The ring of entries.
#[derive(Debug, Clone)]
pub(super) struct Record {
    ring: [Packed; CAPACITY],
    block_us: u32,
    head: usize,
    len: usize,
    open: Option<Open>,
    /// Blocks from the switch to the start of the open entry.
    age: u32,
    /// Most samples seen in a whole block.
    full: u32,
    period: Period,
    /// Scatter of v in a block where it hardly moves: the least of late, `I32F32` volts.
    calm: i64,
}

/// Time between samples in microseconds, as the blocks show it that lost none.
#[derive(Debug, Clone, Copy)]
struct Period {
    /// Of the newest of them, with 8 fraction bits; zero where nothing is known.
    tick: u32,
    /// What a block shows that lost none, at most: it grows by a sixteenth of a sample a block, so that a clock which has
    /// become slower is believed after some dozens.
    most: u32,
}

impl Period {
    const UNKNOWN: Self = Self { tick: 0, most: 0 };

    fn take(&mut self, block: &Block) {
        let long = u64::from(block.duration_us) << PERIOD_BITS;
        let Some(seen) = long.checked_div(block.count.into()) else {
            return;
        };
        let seen = u32::try_from(seen).unwrap_or(u32::MAX);
        let grows = self.most.checked_div(block.count.saturating_mul(16));
        self.most = self.most.saturating_add(grows.unwrap_or(0));
        if self.most == 0 || seen <= self.most {
            (self.tick, self.most) = (seen, seen);
        }
    }

    /// How many samples a block lost, to the nearest.
    fn lost(self, block: &Block) -> u64 {
        let tick = u64::from(self.tick);
        let due = tick.saturating_mul(block.count.into());
        let long = (u64::from(block.duration_us) << PERIOD_BITS).saturating_add(tick >> 1);
        long.saturating_sub(due).checked_div(tick).unwrap_or(0)
    }
}

impl Record {
    pub(super) const fn new(block_us: u32) -> Self {
        Self {
            ring: [Packed::EMPTY; CAPACITY],
            block_us,
            head: 0,
            len: 0,
            open: None,
            age: 0,
            full: 0,
            period: Period::UNKNOWN,
            calm: i64::MAX,
        }
    }

    pub(super) const fn len(&self) -> usize {
        self.len
    }

    pub(super) fn get(&self, place: usize) -> Option<Entry> {
        if place >= self.len {
            return None;
        }
        let at = self.head.wrapping_add(place) & (CAPACITY - 1);
        let packed = self.ring.get(at)?;
        Some(packed.unpack(self.block_us))
    }

    pub(super) fn iter(&self) -> impl Iterator<Item = Entry> + '_ {
        (0..self.len).filter_map(|place| self.get(place))
    }

    /// Time between samples, s.
    pub(super) fn tick_seconds(&self) -> i64 {
        millionths(self.period.tick) >> PERIOD_BITS
    }

    /// Returns their length in microseconds.
    pub(super) fn drop_oldest(&mut self, count: usize) -> u32 {
        let count = count.min(self.len);
        let length = |sum: u32, entry: Entry| sum.saturating_add(entry.duration_us);
        let dropped = self.iter().take(count).fold(0, length);
        self.head = self.head.wrapping_add(count) & (CAPACITY - 1);
        self.len = self.len.saturating_sub(count);
        dropped
    }

    pub(super) fn clear(&mut self) {
        self.len = 0;
        self.open = None;
        self.age = 0;
    }

    fn append(&mut self, entry: Entry) {
        if self.len == CAPACITY {
            self.drop_oldest(1);
        }
        let at = self.head.wrapping_add(self.len) & (CAPACITY - 1);
        if let Some(slot) = self.ring.get_mut(at) {
            *slot = Packed::new(&entry, self.block_us);
            self.len = self.len.saturating_add(1);
        }
    }

    pub(super) fn close(&mut self) -> bool {
        let Some(open) = self.open.take() else {
            return false;
        };
        self.age = self.age.saturating_add(open.blocks);
        self.append(open.close());
        true
    }

    /// Blocks that an entry may gather at the present age.
    const fn span(&self) -> u32 {
        if self.age < SINGLE {
            1
        } else {
            let fives = self.age / (8 * SPAN);
            let span = fives.saturating_mul(SPAN);
            if span < SPAN {
                SPAN
            } else if span > LONGEST {
                LONGEST
            } else {
                span
            }
        }
    }

    /// Takes a block. `quiet` is how far Vb may wander, in `I32F32` volts,
    /// and still count as standing still.
    pub(super) fn push(&mut self, block: &Block, quiet: i64) -> Pushed {
        if !block.flags.cut || self.full == 0 {
            self.full = self.full.max(block.count);
            self.period.take(block);
            let grown = self.calm.saturating_add(self.calm >> 4);
            self.calm = grown.min(block.chassis_scatter.to_bits());
        }
        let mut closed = false;
        if block.missing > 0 {
            if block.flags.first_in_dwell && self.len > 0 {
                self.clear();
                return Pushed::Broken;
            }
            closed |= self.bridge(block);
        }
        if block.flags.first_in_dwell {
            closed |= self.close();
            self.age = 0;
        }
        let pack = block.pack.to_bits();
        let fits = self.open.is_some_and(|open| {
            let moved = pack.saturating_sub(open.mean(open.pack)).saturating_abs();
            open.blocks < self.span() && self.usable(block) && moved <= quiet
        });
        if !fits {
            closed |= self.close();
        }
        self.gather(block);
        if self.open.is_some_and(|open| open.blocks >= self.span()) {
            closed |= self.close();
        }
        if closed {
            Pushed::Closed
        } else {
            Pushed::Gathered
        }
    }

    /// The mean of a block that lost samples is not that of its middle, and hum that
    /// a whole block averages out is all there in one that a drive change cut.
    fn usable(&self, block: &Block) -> bool {
        let thin = block.count.saturating_mul(8) < self.full.saturating_mul(7);
        !block.flags.saturated && !thin && !self.blurs(block)
    }

    /// What v moves by within a block is beside its mean by more than noise, if samples were lost anywhere in it: one of
    /// n, 1/√12 of the block from its middle, by 1/(n·√12) of that; a quarter, to be sure.
    fn blurs(&self, block: &Block) -> bool {
        let lost = self.period.lost(block);
        if lost == 0 {
            return false;
        }
        let before = self.open.map_or_else(
            || {
                self.get(self.len.saturating_sub(1))
                    .map(|last| last.chassis())
            },
            |open| Some(open.mean(open.chassis)),
        );
        let Some(before) = before.filter(|_| !block.flags.first_in_dwell) else {
            return true;
        };
        let moved = block
            .chassis
            .to_bits()
            .saturating_sub(before)
            .unsigned_abs();
        let parts = u64::from(block.count.saturating_mul(4));
        let blur = moved.saturating_mul(lost).checked_div(parts);
        blur.is_none_or(|blur| blur > self.calm.unsigned_abs())
    }

    fn gather(&mut self, block: &Block) {
        let duration = block.duration_us;
        if !self.usable(block) {
            self.gap(
                block.drive,
                duration,
                block.pack.to_bits(),
                block.flags.first_in_dwell,
            );
            self.age = self.age.saturating_add(1);
            return;
        }
        let open = self.open.get_or_insert(Open {
            drive: block.drive,
            first: block.flags.first_in_dwell,
            ..Open::default()
        });
        let by = i64::from(block.count);
        let add = |sum: &mut i64, value: i64| *sum = sum.saturating_add(num::times(value, by));
        add(&mut open.chassis, block.chassis.to_bits());
        add(&mut open.pack, block.pack.to_bits());
        open.samples = open.samples.saturating_add(block.count);
        open.duration_us = open.duration_us.saturating_add(duration);
        open.blocks = open.blocks.saturating_add(1);
    }

    /// An entry that says only that time passed.
    fn gap(&mut self, drive: Drive, duration_us: u32, pack: i64, first: bool) {
        self.append(Entry {
            chassis: 0,
            pack: coarse(pack),
            duration_us,
            weight: 0,
            drive,
            first,
        });
    }

    /// Bridges lost blocks in one drive state, at the pack voltage half-way.
    fn bridge(&mut self, block: &Block) -> bool {
        self.close();
        let Some(last) = self.get(self.len.saturating_sub(1)) else {
            return false;
        };
        let pack = last.pack().saturating_add(block.pack.to_bits()) >> 1;
        let duration = self.block_us.saturating_mul(u32::from(block.missing));
        self.gap(block.drive, duration, pack, false);
        self.age = self.age.saturating_add(u32::from(block.missing));
        true
    }
}

/// The record as it was when a fit began: blocks that come meanwhile wait.
#[derive(Debug, Clone, Copy)]
pub(super) struct View<'a> {
    record: &'a Record,
    len: usize,
}

impl<'a> View<'a> {
    pub(super) const fn new(record: &'a Record, len: usize) -> Self {
        Self { record, len }
    }

    pub(super) const fn len(&self) -> usize {
        self.len
    }

    pub(super) fn get(&self, place: usize) -> Option<Entry> {
        if place >= self.len {
            return None;
        }
        self.record.get(place)
    }

    /// Samples in a whole block.
    pub(super) const fn samples(&self) -> u32 {
        self.record.full
    }

    /// Time between samples, s.
    pub(super) fn tick_seconds(&self) -> i64 {
        self.record.tick_seconds()
    }
}
