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

use super::entry::{Packed, coarse};
use super::period::Period;
use crate::config::Drive;
use crate::front::Block;
use crate::num;

pub(super) use super::entry::{Entry, WHOLE};

/// Entries kept.
pub(super) const CAPACITY: usize = 256;
/// Blocks in a span that every mains frequency divides.
pub(super) const SPAN: u32 = 5;
/// Most blocks in one entry.
const LONGEST: u32 = 60;
/// Blocks after a switch that are kept single.
const SINGLE: u32 = 10;

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
    /// across a drive change, or unnoticed in what came before.
    Broken,
}

/// The ring of entries.
#[derive(Debug, Clone)]
pub(super) struct Record {
    ring: [Packed; CAPACITY],
    block_us: u32,
    head: u16,
    len: u16,
    open: Option<Open>,
    /// Blocks from the switch to the start of the open entry.
    age: u32,
    /// Most samples seen in a whole block.
    full: u32,
    period: Period,
    /// Scatter of v in a block where it hardly moves: the least of late, 2⁻²⁰ V.
    calm: i32,
    /// v of the block before, 2⁻²⁰ V.
    before: i32,
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
            calm: i32::MAX,
            before: 0,
        }
    }

    pub(super) const fn len(&self) -> usize {
        self.len as usize
    }

    /// Where in the ring an entry stands.
    fn at(&self, place: usize) -> usize {
        usize::from(self.head).wrapping_add(place) & (CAPACITY - 1)
    }

    fn packed(&self, place: usize) -> Option<Packed> {
        if place >= self.len() {
            return None;
        }
        self.ring.get(self.at(place)).copied()
    }

    pub(super) fn get(&self, place: usize) -> Option<Entry> {
        Some(self.packed(place)?.unpack(self.block_us))
    }

    /// Entries that are no gaps, so far and since the first drive change that comes after so many of them.
    pub(super) fn read(&self, before: usize) -> [usize; 2] {
        let (mut read, mut changed) = (0usize, usize::MAX);
        let (newer, older) = self.ring.split_at_checked(self.at(0)).unwrap_or_default();
        for packed in older.iter().chain(newer).take(self.len()) {
            if packed.is_first() && read >= before {
                changed = changed.min(read);
            }
            read = read.saturating_add(usize::from(!packed.is_gap()));
        }
        [read, read.saturating_sub(changed)]
    }

    pub(super) fn iter(&self) -> impl Iterator<Item = Entry> + '_ {
        (0..self.len()).filter_map(|place| self.get(place))
    }

    /// Time between samples, s.
    pub(super) fn tick_seconds(&self) -> i64 {
        self.period.seconds()
    }

    /// Returns their length in microseconds.
    pub(super) fn drop_oldest(&mut self, count: usize) -> u32 {
        let count = count.min(self.len());
        let length = |sum: u32, entry: Entry| sum.saturating_add(entry.duration_us);
        let dropped = self.iter().take(count).fold(0, length);
        self.head = self.at(count) as u16;
        self.len = self.len.saturating_sub(count as u16);
        dropped
    }

    pub(super) fn clear(&mut self) {
        self.len = 0;
        self.open = None;
        self.age = 0;
    }

    fn append(&mut self, entry: Entry) {
        if self.len() == CAPACITY {
            self.drop_oldest(1);
        }
        let at = self.at(self.len());
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
        self.period.follow(block);
        if !block.flags.cut || self.full == 0 {
            self.full = self.full.max(block.count);
            if self.period.take(block) && self.len > 0 {
                self.clear();
                return Pushed::Broken;
            }
            // Beyond rounding, so that none does not stay none.
            let grown = self.calm.saturating_add(self.calm >> 4).saturating_add(1);
            self.calm = grown.min(coarse(block.chassis_scatter.to_bits()));
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
        self.before = coarse(block.chassis.to_bits());
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
    /// a whole block averages out is all there in one that a drive change cut. Where samples fall on no grid of blocks,
    /// one has a sample less than another.
    fn usable(&self, block: &Block) -> bool {
        let whole = !block.flags.cut && self.period.is_whole(block);
        let count = block.count.saturating_add(whole.into());
        let thin = count.saturating_mul(8) < self.full.saturating_mul(7);
        !block.flags.saturated && !thin && !self.blurs(block)
    }

    /// What v moves by within a block, since the one before as it was read, is beside its mean by more than noise, if
    /// samples were lost anywhere in it: one of n, 1/√12 of the block from its middle, by 1/(n·√12) of that; a quarter, to
    /// be sure. Where times are off by a part of a sample, so are its ends: four standard deviations of that are noise
    /// enough to give it up.
    fn blurs(&self, block: &Block) -> bool {
        if block.flags.first_in_dwell && !self.period.is_whole(block) {
            return true;
        }
        let moved = coarse(block.chassis.to_bits()).abs_diff(self.before);
        let parts = u64::from(block.count.saturating_mul(4));
        let blur = self.period.blurred(block, moved.into()).checked_div(parts);
        blur.is_none_or(|blur| blur > u64::from(self.calm.unsigned_abs()))
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
        let Some(last) = self.get(self.len().saturating_sub(1)) else {
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

    /// How far the time of a sample is off, s.
    pub(super) fn jitter_seconds(&self) -> i64 {
        self.record.period.jitter_seconds()
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
