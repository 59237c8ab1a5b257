//! The normal equations of the changes that are looked for, gathered beside
//! those of the circuit: what two more columns add to them, for each change.

use super::normal::{BITS, DROPPED, HEAVIEST, Normal, System, WIDE};
use super::scaled::Scaled;
use super::slips::Waves;
use super::theta::{CAPACITANCE, COUPLING, DRIFT, LAG, PARAMETERS, RATIO, START, TOTAL};

/// Changes that are looked for in one walk: a trend, and steps at the beginning
/// of the newest half, quarter, eighth and sixteenth.
pub(super) const CHANGES: usize = 5;

/// Columns of a change, that of G + gr and that of w, at each change.
pub(super) type Columns = [[i64; 2]; CHANGES];

/// Places in a system of the columns that stay beside those of a change, the
/// residual last.
const KEPT: [usize; 6] = [TOTAL, RATIO, CAPACITANCE, START, DRIFT, PARAMETERS];
/// Places that the columns of a change take: those of κ and λ.
const TAKEN: [usize; 2] = [COUPLING, LAG];

/// Sums of products of the two columns of a change.
#[derive(Debug, Clone, Copy)]
struct Border {
    /// Of each with the columns that stay.
    kept: [[i64; KEPT.len()]; 2],
    /// Of each with itself.
    own: [i64; 2],
    /// Of one with the other.
    both: i64,
}

impl Border {
    const NONE: Self = Self {
        kept: [[0; KEPT.len()]; 2],
        own: [0; 2],
        both: 0,
    };

    /// Adds products with columns that are weighted already.
    fn add(&mut self, kept: &[i64; KEPT.len()], [a, b]: [i64; 2], weight: i64) {
        for (sums, column) in self.kept.iter_mut().zip([a, b]) {
            for (sum, kept) in sums.iter_mut().zip(kept) {
                *sum = sum.wrapping_add(kept.wrapping_mul(column) >> DROPPED);
            }
        }
        for (sum, column) in self.own.iter_mut().zip([a, b]) {
            let heavy = column.wrapping_mul(weight);
            *sum = sum.wrapping_add(heavy.wrapping_mul(column) >> DROPPED);
        }
        let heavy = a.wrapping_mul(weight);
        self.both = self.both.wrapping_add(heavy.wrapping_mul(b) >> DROPPED);
    }

    /// Divides the products with a column that stays by a power of two.
    fn lower_kept(&mut self, at: usize, by: u8) {
        for sums in &mut self.kept {
            if let Some(sum) = sums.get_mut(at) {
                *sum >>= by.min(63);
            }
        }
    }

    /// Divides the products with a column of the change by a power of two.
    fn lower_own(&mut self, column: usize, by: u8) {
        let kept = self.kept.get_mut(column).into_iter().flatten();
        kept.for_each(|sum| *sum >>= by.min(63));
        if let Some(sum) = self.own.get_mut(column) {
            *sum >>= by.saturating_mul(2).min(63);
        }
        self.both >>= by.min(63);
    }
}

/// Sums of products for each change.
#[derive(Debug, Clone)]
pub(super) struct Borders {
    sums: [Border; CHANGES],
    /// Powers of two of the columns kept, as [`Normal`] has them, and of those
    /// of the changes.
    kept: [u8; WIDE],
    own: [u8; 2],
    rows: u32,
    /// What a ripple on the pack adds.
    pub(super) waves: Waves,
}

impl Borders {
    pub(super) const fn new() -> Self {
        Self {
            sums: [Border::NONE; CHANGES],
            kept: [0; WIDE],
            own: [0; 2],
            rows: 0,
            waves: Waves::NONE,
        }
    }

    pub(super) const fn is_empty(&self) -> bool {
        self.rows == 0
    }

    pub(super) fn clear(&mut self) {
        *self = Self::new();
    }

    /// Adds a row that `normal` has, with its columns of the first so many
    /// changes: those of the others are zero.
    #[cfg_attr(not(target_pointer_width = "64"), inline(never))]
    pub(super) fn add(
        &mut self,
        normal: &Normal,
        row: &[i64; WIDE],
        columns: &Columns,
        changes: usize,
        weight: u32,
    ) {
        self.rows = self.rows.saturating_add(1);
        self.keep_up(normal);
        self.make_room(columns);
        let weight = i64::from(weight).min(HEAVIEST);
        let mut kept = [0i64; KEPT.len()];
        for (short, place) in kept.iter_mut().zip(KEPT) {
            let value = row.get(place).copied().unwrap_or(0);
            let shift = self.kept.get(place).copied().unwrap_or(0);
            *short = (value >> shift).wrapping_mul(weight);
        }
        let [left, right] = self.own;
        for (sums, [a, b]) in self.sums.iter_mut().zip(columns).take(changes) {
            sums.add(&kept, [a >> left, b >> right], weight);
        }
    }

    /// Follows the powers of two of the columns kept.
    fn keep_up(&mut self, normal: &Normal) {
        for (at, place) in KEPT.iter().enumerate() {
            let shift = normal.shift(*place);
            if let Some(own) = self.kept.get_mut(*place).filter(|own| **own < shift) {
                let more = shift.wrapping_sub(*own);
                *own = shift;
                for sums in &mut self.sums {
                    sums.lower_kept(at, more);
                }
            }
        }
    }

    fn make_room(&mut self, columns: &Columns) {
        let [mut a, mut b] = [0u64; 2];
        for [left, right] in columns {
            a |= left.unsigned_abs();
            b |= right.unsigned_abs();
        }
        for (column, size) in [a, b].into_iter().enumerate() {
            let needed = 64u32
                .wrapping_sub(size.leading_zeros())
                .saturating_sub(BITS) as u8;
            if let Some(own) = self.own.get_mut(column).filter(|own| **own < needed) {
                let more = needed.wrapping_sub(*own);
                *own = needed;
                for sums in &mut self.sums {
                    sums.lower_own(column, more);
                }
            }
        }
    }

    /// Writes the columns of a change into a system, in the places of those of
    /// κ and λ.
    #[inline(never)]
    pub(super) fn write(&self, change: usize, system: &mut System) {
        let Some(sums) = self.sums.get(change) else {
            return;
        };
        let mut put = |row: usize, column: usize, sum: i64| {
            let exponent = self.shift(row).wrapping_add(self.shift(column));
            let exponent = exponent.wrapping_add(DROPPED) as i32;
            system.set(row, column, Scaled::new(sum, exponent.wrapping_sub(64)));
        };
        for ((column, kept), own) in TAKEN.iter().zip(&sums.kept).zip(sums.own) {
            for (row, sum) in KEPT.iter().zip(kept) {
                put(*row, *column, *sum);
            }
            put(*column, *column, own);
        }
        let [first, second] = TAKEN;
        put(first, second, sums.both);
    }

    fn shift(&self, place: usize) -> u32 {
        let [a, b] = self.own;
        u32::from(match place {
            COUPLING => a,
            LAG => b,
            _ => self.kept.get(place).copied().unwrap_or(0),
        })
    }
}
