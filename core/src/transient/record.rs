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
    /// Samples, in sixteenths of a whole block; zero for a gap.
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
    /// From the top: length in 8192ths of a block (19 bits), weight (10),
    /// begins at a drive change (1), drive state (2).
    rest: u32,
}

/// Fraction bits of a length in blocks, and the longest: 64 blocks.
const LENGTH_BITS: u32 = 13;
const LENGTH_MAX: i64 = (1 << 19) - 1;
/// Heaviest entry.
const WEIGHT_MAX: u32 = (1 << 10) - 1;

impl Packed {
    const EMPTY: Self = Self {
        chassis: 0,
        pack: 0,
        rest: 0,
    };

    fn new(entry: &Entry, block_us: u32) -> Self {
        let (duration, block) = (i64::from(entry.duration_us), i64::from(block_us));
        let length = num::ratio(duration, block, LENGTH_BITS as i32).min(LENGTH_MAX) as u32;
        let weight = u32::from(entry.weight).min(WEIGHT_MAX);
        let gap = weight == 0;
        Self {
            chassis: if gap {
                entry.duration_us.cast_signed()
            } else {
                entry.chassis
            },
            pack: entry.pack,
            rest: length << 13 | weight << 3 | u32::from(entry.first) << 2 | entry.drive as u32,
        }
    }

    fn unpack(self, block_us: u32) -> Entry {
        let weight = self.rest >> 3 & WEIGHT_MAX;
        let [_, raise, lower, _] = Drive::ALL;
        let (chassis, duration_us) = if weight == 0 {
            (0, self.chassis.cast_unsigned())
        } else {
            let length = u64::from(self.rest >> 13).wrapping_mul(u64::from(block_us));
            let half = 1 << (LENGTH_BITS - 1);
            (
                self.chassis,
                (length.wrapping_add(half) >> LENGTH_BITS) as u32,
            )
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
            first: self.rest & 4 != 0,
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
    chassis: i64,
    pack: i64,
    weight: u32,
    duration_us: u32,
    blocks: u32,
    drive: Drive,
    first: bool,
}

impl Open {
    fn close(&self) -> Entry {
        let mean = |sum: i64| {
            let sum = i128::from(sum);
            coarse(num::quotient(sum, i128::from(self.weight), 0))
        };
        Entry {
            chassis: mean(self.chassis),
            pack: mean(self.pack),
            duration_us: self.duration_us,
            weight: self.weight.min(u32::from(u16::MAX)) as u16,
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

    /// Time between samples in microseconds, with 8 fraction bits.
    pub(super) fn tick(&self) -> u32 {
        let wide = u64::from(self.block_us) << 8;
        wide.checked_div(u64::from(self.full)).unwrap_or(wide) as u32
    }

    /// Time between samples, s.
    pub(super) fn tick_seconds(&self) -> i64 {
        millionths(self.tick()) >> 8
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
        if block.duration_us >= self.block_us {
            self.full = self.full.max(block.count);
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
            let mean = num::ratio(open.pack, i64::from(open.weight), 0);
            let moved = pack.saturating_sub(mean).saturating_abs();
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
    const fn usable(&self, block: &Block) -> bool {
        let thin = block.count.saturating_mul(8) < self.full.saturating_mul(7);
        !block.flags.saturated && !thin
    }

    fn gather(&mut self, block: &Block) {
        // A cut block ends one sample period after its last sample.
        let tail = if block.flags.cut { self.tick() >> 8 } else { 0 };
        let duration = block.duration_us.saturating_add(tail);
        let share = u64::from(block.count)
            .saturating_mul(u64::from(WHOLE))
            .checked_div(u64::from(self.full.max(1)))
            .unwrap_or(0)
            .clamp(1, u64::from(WHOLE) * 64) as u32;
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
        let by = i64::from(share);
        let add = |sum: &mut i64, value: i64| *sum = sum.saturating_add(num::times(value, by));
        add(&mut open.chassis, block.chassis.to_bits());
        add(&mut open.pack, block.pack.to_bits());
        open.weight = open.weight.saturating_add(share);
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
