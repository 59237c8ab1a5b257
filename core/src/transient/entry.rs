//! An entry of the record, and how it is kept.

use crate::config::Drive;
use crate::num;

/// Weight of one whole block.
pub(super) const WHOLE: u32 = 16;

/// One entry: means over a span within one drive state.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Entry {
    /// Mean v in 2⁻²⁰ V.
    pub(super) chassis: i32,
    /// Mean Vb in 2⁻²⁰ V.
    pub(super) pack: i32,
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
pub(super) struct Packed {
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
    pub(super) const EMPTY: Self = Self {
        chassis: 0,
        pack: 0,
        rest: 0,
    };

    pub(super) fn new(entry: &Entry, block_us: u32) -> Self {
        let (duration, block) = (i64::from(entry.duration_us), i64::from(block_us));
        let length = num::ratio_shifted(duration, block, LENGTH_BITS as i32).min(LENGTH_MAX) as u32;
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

    pub(super) const fn is_first(self) -> bool {
        self.rest & FIRST != 0
    }

    pub(super) const fn is_gap(self) -> bool {
        self.rest & GAP != 0
    }

    pub(super) fn unpack(self, block_us: u32) -> Entry {
        let [_, raise, lower, _] = Drive::ALL;
        let (chassis, duration_us, weight) = if self.is_gap() {
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
            first: self.is_first(),
        }
    }
}

/// `I32F32` volts to 2⁻²⁰ V, saturating at ±2048 V.
pub(super) fn coarse(bits: i64) -> i32 {
    let rounded = bits.saturating_add(1 << 11) >> 12;
    rounded.clamp(i64::from(i32::MIN), i64::from(i32::MAX)) as i32
}
