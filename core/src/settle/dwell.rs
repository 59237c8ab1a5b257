//! The record of one dwell: a bounded number of equal averaging slots from
//! the switch to now. When the record is full, neighbours merge and slots
//! double in length.

use core::num::NonZeroI32;

use crate::config::Drive;
use crate::front::Block;
use crate::num::Saturating as _;
use crate::num::{self, Squares};

/// The number of slots, even, at which neighbours merge; 12 to 23 are in use
/// from then on.
pub(crate) const SLOTS: usize = 24;

/// Room for the slots of a dwell, and for those of the dwell before while its proof
/// reads them, one less than full. The new dwell has at least twelve of them: where it fills these before
/// the proof is over, its neighbours merge that much earlier.
const ROOM: usize = SLOTS - 1 + SLOTS / 2;

/// Fraction bits that a slot gives up against `I32F32`: slots are `I12F20`
/// (±2048 V, step 0.95 µV) to halve the record.
pub(crate) const SLOT_SHIFT: u32 = 12;

/// A step above the lowest value, as it is kept.
const LOWEST: NonZeroI32 = match NonZeroI32::new(1) {
    Some(lowest) => lowest,
    None => NonZeroI32::MIN,
};

/// Mean voltages of a slot. With its lowest value left out, v is kept less that
/// value, so that an optional slot needs no more room.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Slot {
    chassis: NonZeroI32,
    pack: i32,
}

impl Slot {
    fn of(chassis: i64, pack: i64) -> Self {
        let cut = |bits: i64| {
            let rounded = bits.plus(1 << (SLOT_SHIFT - 1)) >> SLOT_SHIFT;
            i32::try_from(rounded).unwrap_or(if rounded < 0 { i32::MIN } else { i32::MAX })
        };
        Self::new(cut(chassis), cut(pack))
    }

    fn new(chassis: i32, pack: i32) -> Self {
        Self {
            chassis: NonZeroI32::new(chassis ^ i32::MIN).unwrap_or(LOWEST),
            pack,
        }
    }

    /// How far v is from that of another, in steps of [`SLOT_SHIFT`].
    pub(crate) const fn apart(self, other: Self) -> u32 {
        let [a, b] = [
            self.chassis.get() ^ i32::MIN,
            other.chassis.get() ^ i32::MIN,
        ];
        a.abs_diff(b)
    }

    /// v as `I32F32` bits.
    pub(crate) fn chassis(self) -> i64 {
        i64::from(self.chassis.get() ^ i32::MIN) << SLOT_SHIFT
    }

    /// Vb as `I32F32` bits.
    pub(crate) fn pack(self) -> i64 {
        i64::from(self.pack) << SLOT_SHIFT
    }

    fn between(self, other: Self) -> Self {
        let half = |a: i32, b: i32| (i64::from(a).wrapping_add(i64::from(b)) >> 1) as i32;
        let [a, b] = [self, other].map(|slot| slot.chassis.get() ^ i32::MIN);
        Self::new(half(a, b), half(self.pack, other.pack))
    }
}

/// Where v stood when the dwell began: the end of the dwell before.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Lead {
    pub(crate) drive: Drive,
    /// The last slot.
    pub(super) last: Slot,
    /// How far v may have moved from its middle to its end, in steps of a slot.
    moved: u32,
}

impl Lead {
    /// The end of a dwell; `None` when its last two slots have no data.
    pub(crate) fn after(dwell: &Dwell) -> Option<Self> {
        let mut late = dwell.slots().iter().rev();
        let last = (*late.next()?)?;
        let before = (*late.next()?)?;
        Some(Self {
            drive: dwell.drive,
            last,
            moved: last.apart(before),
        })
    }

    pub(super) fn drift(&self) -> i64 {
        i64::from(self.moved) << SLOT_SHIFT
    }
}

/// How well it is known when the samples of a dwell were taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Times {
    Even,
    /// Not all blocks have as many.
    Uneven,
    /// Blocks are missing: where, within the slots, nobody knows.
    Lost,
}

/// One dwell as it is recorded, and the slots of the dwell before.
#[derive(Debug, Clone)]
pub(crate) struct Dwell {
    /// Those of this dwell from the start, those kept at the end.
    slots: [Option<Slot>; ROOM],
    count: u8,
    kept: u8,
    /// A slot is so many blocks, as a power of two.
    pub(super) places: u8,
    /// It goes on.
    pub(crate) lasts: bool,
    pub(crate) drive: Drive,
    pending: Pending,
    /// Blocks so far, missing ones included.
    pub(crate) blocks: u32,
    /// Blocks that brought samples.
    pub(crate) seen: u32,
    pub(crate) missing: u32,
    pub(crate) saturated: bool,
    /// Of its newest block, as in [`Block`].
    pub(crate) bunched: u8,
    /// Most in a block.
    samples: u32,
    /// Not all blocks have as many.
    uneven: bool,
    /// Scatter of the blocks since the latest power of two of their number, and
    /// between the two powers before: the later part of the dwell, where the
    /// transient is spent.
    newer: [Squares; 2],
    older: [Squares; 2],
}

#[derive(Debug, Clone, Copy, Default)]
struct Pending {
    chassis: i64,
    pack: i64,
    seen: u32,
}

impl Dwell {
    /// A dwell that is over and kept nothing.
    pub(crate) fn none() -> Self {
        Self {
            slots: [None; ROOM],
            count: 0,
            kept: 0,
            places: 0,
            lasts: false,
            drive: Drive::Rest,
            pending: Pending::default(),
            blocks: 0,
            seen: 0,
            missing: 0,
            saturated: false,
            bunched: 0,
            samples: 0,
            uneven: false,
            newer: [Squares::ZERO; 2],
            older: [Squares::ZERO; 2],
        }
    }

    #[cfg(test)]
    pub(crate) fn new(drive: Drive) -> Self {
        let mut dwell = Self::none();
        dwell.begin(drive);
        dwell
    }

    /// Begins a dwell in `drive`, in the place of the one before.
    #[inline(never)]
    pub(crate) fn begin(&mut self, drive: Drive) {
        self.drive = drive;
        self.lasts = true;
        (self.count, self.places) = (0, 0);
        self.pending = Pending::default();
        (self.blocks, self.seen, self.missing) = (0, 0, 0);
        self.samples = 0;
        (self.saturated, self.uneven) = (false, false);
        self.newer = [Squares::ZERO; 2];
        self.older = [Squares::ZERO; 2];
    }

    /// The dwell is over; its slots are kept for a proof.
    #[inline(never)]
    pub(crate) fn keep(&mut self) {
        self.lasts = false;
        self.kept = core::mem::take(&mut self.count);
        let count = usize::from(self.kept);
        // From the last on, since they may overlap.
        for at in (0..count).rev() {
            let slot = self.slots.get(at).copied().flatten();
            let to = ROOM.wrapping_sub(count).wrapping_add(at);
            if let Some(place) = self.slots.get_mut(to) {
                *place = slot;
            }
        }
    }

    /// Nothing is recorded, nor kept.
    pub(crate) fn forget(&mut self) {
        self.lasts = false;
        self.release();
    }

    /// The slots kept are not needed any more.
    pub(crate) fn release(&mut self) {
        self.kept = 0;
    }

    /// The slots of the dwell before.
    pub(crate) fn kept(&self) -> &[Option<Slot>] {
        let from = ROOM.wrapping_sub(usize::from(self.kept));
        self.slots.get(from..).unwrap_or_default()
    }

    /// Adds a block; blocks cut short by a drive change are left out. True
    /// when it completed a slot.
    pub(crate) fn push(&mut self, block: &Block) -> bool {
        let missing = u32::from(block.missing);
        self.missing = self.missing.saturating_add(missing);
        let mut completed = false;
        // More missing blocks than fill the record tell nothing further.
        for _ in 0..missing.min(SLOTS as u32) {
            completed |= self.advance();
        }
        self.saturated |= block.flags.saturated;
        if block.flags.cut {
            return completed;
        }
        self.seen = self.seen.saturating_add(1);
        self.pending.chassis = self.pending.chassis.plus(block.chassis.to_bits());
        self.pending.pack = self.pending.pack.plus(block.pack.to_bits());
        // A slot has 2^31 blocks at most.
        self.pending.seen = self.pending.seen.wrapping_add(1);
        if self.seen.is_power_of_two() {
            self.older = core::mem::replace(&mut self.newer, [Squares::ZERO; 2]);
        }
        let scatter = [block.chassis_scatter, block.pack_scatter];
        for (sum, scatter) in self.newer.iter_mut().zip(scatter) {
            sum.add(scatter.to_bits());
        }
        self.uneven |= self.seen > 1 && self.samples != block.count;
        self.samples = self.samples.max(block.count);
        self.bunched = block.bunched;
        completed | self.advance()
    }

    /// The slots in order of time; `None` where samples were missing.
    pub(crate) fn slots(&self) -> &[Option<Slot>] {
        self.slots
            .get(..usize::from(self.count))
            .unwrap_or_default()
    }

    /// Blocks that make a slot.
    pub(crate) const fn per_slot(&self) -> u32 {
        1u32.wrapping_shl(self.places as u32)
    }

    /// Samples averaged in a slot, at least 1.
    pub(crate) fn samples_per_slot(&self) -> u32 {
        self.samples.saturating_mul(self.per_slot()).max(1)
    }

    pub(super) fn times(&self) -> Times {
        if self.missing > 0 {
            Times::Lost
        } else if self.uneven {
            Times::Uneven
        } else {
            Times::Even
        }
    }

    /// Root mean square scatter of the later blocks, of v and of Vb, `I32F32` bits.
    pub(crate) fn scatter(&self) -> [i64; 2] {
        // Since the latest power of two, and half as many as that before it.
        let places = 31u32.saturating_sub(self.seen.leading_zeros());
        let power = 1u32.wrapping_shl(places);
        let newer = self.seen.saturating_sub(power).saturating_add(1);
        let count = newer.saturating_add(power >> 1);
        let ([chassis, pack], [chassis_before, pack_before]) = (&self.newer, &self.older);
        [(chassis, chassis_before), (pack, pack_before)].map(|(sum, before)| {
            let sum = sum.get().saturating_add(before.get());
            num::sqrt_wide(num::mean_of(sum, count).unwrap_or(0))
        })
    }

    /// One block of time has passed. True when that completed a slot.
    fn advance(&mut self) -> bool {
        self.blocks = self.blocks.saturating_add(1);
        // The blocks of a slot are a power of two.
        if self.blocks & self.per_slot().wrapping_sub(1) != 0 {
            return false;
        }
        let Pending {
            chassis,
            pack,
            seen,
        } = core::mem::take(&mut self.pending);
        let slot = match (num::over(chassis, seen), num::over(pack, seen)) {
            (Some(chassis), Some(pack)) => Some(Slot::of(chassis, pack)),
            _ => None,
        };
        // There is room: the record merges as soon as it is full.
        if let Some(place) = self.slots.get_mut(usize::from(self.count)) {
            *place = slot;
            self.count = self.count.wrapping_add(1);
        }
        let free = ROOM.wrapping_sub(usize::from(self.kept)) & !1;
        if usize::from(self.count) >= free.min(SLOTS) {
            self.merge();
        }
        true
    }

    /// Neighbours become one.
    fn merge(&mut self) {
        let half = usize::from(self.count >> 1);
        for at in 0..half {
            let first = at.wrapping_mul(2);
            let one = |at: usize| self.slots.get(at).copied().flatten();
            let both = match (one(first), one(first.wrapping_add(1))) {
                (Some(a), Some(b)) => Some(a.between(b)),
                (one, other) => one.or(other),
            };
            if let Some(slot) = self.slots.get_mut(at) {
                *slot = both;
            }
        }
        self.count = half as u8;
        self.places = self.places.saturating_add(1).min(31);
    }
}
