//! Normal equations of a weighted least-squares problem, gathered row by row.
//!
//! Every column has its own power of two, raised when a value outgrows it, so
//! that 26-bit products sum in 64 bits whatever the size of a column: a
//! column in kilovolts and one in microvolts keep the same relative accuracy.

use super::scaled::Scaled;
use super::solve::WORTHLESS;
use super::theta::PARAMETERS;

/// Columns and the residual.
pub(super) const WIDE: usize = PARAMETERS + 1;
/// Entries of the upper triangle.
pub(super) const TRIANGLE: usize = WIDE * (WIDE + 1) / 2;
/// Bits of a column value, sign apart. A product has 50, its weight at most
/// 10, and 8 of them are dropped: 256 rows fit 61.
pub(super) const BITS: u32 = 25;
pub(super) const DROPPED: u32 = 8;
/// Heaviest row.
pub(super) const HEAVIEST: i64 = (1 << 10) - 1;

/// Place of (row, column), row ≤ column, in the upper triangle.
pub(super) const fn place(row: usize, column: usize) -> usize {
    // Rows before it hold WIDE + (WIDE − 1) + …
    let before = row
        .wrapping_mul(2 * WIDE + 1)
        .wrapping_sub(row.wrapping_mul(row))
        / 2;
    before.wrapping_add(column.wrapping_sub(row))
}

/// Sums of products.
#[derive(Debug, Clone)]
pub(super) struct Normal {
    sums: [i64; TRIANGLE],
    shifts: [u8; WIDE],
}

impl Normal {
    pub(super) const fn new() -> Self {
        Self {
            sums: [0; TRIANGLE],
            shifts: [0; WIDE],
        }
    }

    /// Adds a row of `I32F32` values: the columns, then the residual.
    pub(super) fn add(&mut self, row: &[i64; WIDE], weight: u32) {
        self.make_room(row);
        let mut short = [0i64; WIDE];
        for ((short, value), shift) in short.iter_mut().zip(row).zip(&self.shifts) {
            *short = value >> shift;
        }
        let weight = i64::from(weight).min(HEAVIEST);
        let mut sums = self.sums.as_mut_slice();
        for at in 0..WIDE {
            let lines = short
                .split_at_checked(at)
                .zip(sums.split_at_mut_checked(WIDE.wrapping_sub(at)));
            let Some(((_, right), (line, rest))) = lines else {
                return;
            };
            let weighted = right.first().map_or(0, |left| left.wrapping_mul(weight));
            for (sum, right) in line.iter_mut().zip(right) {
                // 25 + 10 + 25 bits; a record is short enough for their sum.
                *sum = sum.wrapping_add(weighted.wrapping_mul(*right) >> DROPPED);
            }
            sums = rest;
        }
    }

    /// Power of two of a column.
    pub(super) fn shift(&self, column: usize) -> u8 {
        self.shifts.get(column).copied().unwrap_or(0)
    }

    fn make_room(&mut self, row: &[i64; WIDE]) {
        for (column, value) in row.iter().enumerate() {
            let Some(shift) = self.shifts.get_mut(column) else {
                return;
            };
            // Seldom, and to count zeros takes long where no instruction does.
            let beyond = value.unsigned_abs() >> BITS >> (*shift & 63);
            if beyond != 0 {
                let more = 64u32.wrapping_sub(beyond.leading_zeros()) as u8;
                *shift = shift.saturating_add(more);
                self.lower(column, more);
            }
        }
    }

    /// Divides all products with a column by a power of two.
    fn lower(&mut self, column: usize, by: u8) {
        for other in 0..WIDE {
            let times = if other == column { 2 } else { 1 };
            let at = place(other.min(column), other.max(column));
            if let Some(sum) = self.sums.get_mut(at) {
                *sum >>= by.wrapping_mul(times).min(63);
            }
        }
    }

    /// Writes the sums as numbers: V² times weight.
    #[inline(never)]
    pub(super) fn write(&self, system: &mut System) {
        let mut sums = self.sums.iter().enumerate();
        for (at, left) in self.shifts.iter().enumerate() {
            for (right, (place, sum)) in self.shifts.iter().skip(at).zip(&mut sums) {
                let exponent = i32::from(*left)
                    .wrapping_add(i32::from(*right))
                    .wrapping_add(DROPPED as i32);
                system.put(place, Scaled::new(*sum, exponent.wrapping_sub(64)));
            }
        }
    }
}

/// Normal equations ready to be solved: the upper triangle of the matrix, the
/// right-hand side as its last column, and the sum of squares of the residuals.
#[derive(Debug, Clone)]
pub(super) struct System {
    mantissas: [i32; TRIANGLE],
    exponents: [i16; TRIANGLE],
}

impl System {
    pub(super) const NONE: Self = Self {
        mantissas: [0; TRIANGLE],
        exponents: [0; TRIANGLE],
    };

    fn get(&self, place: usize) -> Scaled {
        match (self.mantissas.get(place), self.exponents.get(place)) {
            (Some(mantissa), Some(exponent)) => Scaled::joined(*mantissa, *exponent),
            _ => Scaled::ZERO,
        }
    }

    fn put(&mut self, place: usize, value: Scaled) {
        let slots = (self.mantissas.get_mut(place), self.exponents.get_mut(place));
        if let (Some(mantissa), Some(exponent)) = slots {
            (*mantissa, *exponent) = value.apart();
        }
    }

    #[inline(never)]
    pub(super) fn at(&self, row: usize, column: usize) -> Scaled {
        self.get(place(row.min(column), row.max(column)))
    }

    pub(super) fn set(&mut self, row: usize, column: usize, value: Scaled) {
        self.put(place(row.min(column), row.max(column)), value);
    }

    #[inline(never)]
    pub(super) fn add(&mut self, row: usize, column: usize, value: Scaled) {
        let at = place(row, column);
        self.put(at, self.get(at).plus(value));
    }

    /// Right-hand side.
    pub(super) fn side(&self, row: usize) -> Scaled {
        self.at(row, PARAMETERS)
    }

    /// Weighted sum of squares of the residuals.
    pub(super) fn squares(&self) -> Scaled {
        self.at(PARAMETERS, PARAMETERS)
    }

    /// Takes off the sum of squares what a step has explained.
    pub(super) fn lower(&mut self, by: Scaled) {
        self.add(PARAMETERS, PARAMETERS, by.negated());
    }

    /// Takes note that a parameter is known: `error` is how far it is above
    /// the present point, `weight` the noise variance over its own.
    pub(super) fn prior(&mut self, row: usize, error: Scaled, weight: Scaled) {
        let pull = weight.times(error);
        self.add(row, row, weight);
        self.add(row, PARAMETERS, pull);
        self.add(PARAMETERS, PARAMETERS, pull.times(error));
    }

    /// A parameter is held: nothing goes with it.
    pub(super) fn is_held(&self, row: usize) -> bool {
        (0..WIDE).all(|column| column == row || self.at(row, column) == Scaled::ZERO)
    }

    /// Holds a parameter where it is, with what the data say of it.
    pub(super) fn hold(&mut self, row: usize, said: Scaled) {
        for column in 0..WIDE {
            self.set(row, column, Scaled::ZERO);
        }
        let said = if said.positive() { said } else { Scaled::ONE };
        self.set(row, row, said);
    }

    /// What the data say of a parameter that they do not say of another as well.
    pub(super) fn said_of(&self, row: usize, other: usize) -> Scaled {
        let (all, by) = (self.at(row, row), self.at(other, other));
        let shared = self.at(row, other).square().over(by);
        let own = all.minus(shared).max(all.shifted(WORTHLESS));
        if by.positive() { own } else { all }
    }
}
