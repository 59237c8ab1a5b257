//! Squares and roots: how independent standard uncertainties combine.

use core::num::NonZeroU32;

use super::{FRAC, product};

/// The square, from one product of 32 bits for what is below one.
#[cfg_attr(not(target_pointer_width = "64"), inline(never))]
pub(crate) const fn square(size: u64) -> u128 {
    let (high, low) = ((size >> 32) as u32, size as u32);
    let below = product(low, low) as u128;
    if high == 0 {
        return below;
    }
    let across = (product(high, low) as u128) << (FRAC + 1);
    let above = (product(high, high) as u128) << (2 * FRAC);
    above.wrapping_add(across).wrapping_add(below)
}

/// A sum of squares of `I32F32` numbers as it is kept: 64 fraction bits, saturating just
/// below 2^32. The upper word lies one higher, so that an optional sum needs no more
/// room.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Squares {
    above: NonZeroU32,
    below: [u32; 2],
}

impl Squares {
    pub(crate) const ZERO: Self = Self {
        above: NonZeroU32::MIN,
        below: [0; 2],
    };

    /// A sum as it is gathered.
    #[inline(never)]
    pub(crate) fn of(sum: &RootSum) -> Self {
        let sum = sum.0;
        let above = (sum >> 64) as u64;
        if above < u64::from(u32::MAX) {
            Self {
                above: NonZeroU32::MIN.saturating_add(above as u32),
                below: [(sum >> 32) as u32, sum as u32],
            }
        } else {
            Self {
                above: NonZeroU32::MAX,
                below: [u32::MAX; 2],
            }
        }
    }

    /// Adds the square of `value`.
    pub(crate) fn add(&mut self, value: i64) {
        let mut sum = RootSum(self.get());
        sum.add(value);
        *self = Self::of(&sum);
    }

    /// The sum.
    #[inline(never)]
    pub(crate) fn get(self) -> u128 {
        let [upper, lower] = self.below.map(u128::from);
        u128::from(self.above.get().wrapping_sub(1)) << 64 | upper << 32 | lower
    }
}

/// Root of a sum of squares of `I32F32` numbers, saturating: how independent
/// standard uncertainties combine.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct RootSum(u128);

impl RootSum {
    /// Adds the square of `value`.
    #[cfg_attr(not(target_pointer_width = "64"), inline(never))]
    pub(crate) fn add(&mut self, value: i64) {
        self.0 = self.0.saturating_add(square(value.unsigned_abs()));
    }

    /// The root, `I32F32`.
    pub(crate) fn root(self) -> i64 {
        sqrt_wide(self.0)
    }
}

/// Independent standard uncertainties combined.
pub(crate) fn hypot(parts: &[i64]) -> i64 {
    let mut sum = RootSum::default();
    for &part in parts {
        sum.add(part);
    }
    sum.root()
}

/// Root of a number with 64 fraction bits: `I32F32`, low by at most 2⁻³¹ of
/// itself and one step. Only the top 63 or 64 bits are used, which spares a
/// target without wide division a few thousand instructions. Never inlined, for its
/// size.
#[inline(never)]
pub(crate) fn sqrt_wide(square: u128) -> i64 {
    let bits = 128u32.wrapping_sub(square.leading_zeros());
    // An even number of bits, so that the root is cut by half as many.
    let cut = bits.saturating_sub(64).wrapping_add(1) & !1;
    let root = self::root((square >> cut) as u64);
    // At most 2^32 · 2^32, and only for a square of more than 126 bits.
    let scaled = u128::from(root) << (cut >> 1);
    if scaled > i64::MAX as u128 {
        i64::MAX
    } else {
        scaled as i64
    }
}

/// [`sqrt_wide`] of an integer: of a number of samples, most often.
#[inline(never)]
pub(crate) fn sqrt_int(number: u32) -> i64 {
    sqrt_wide(u128::from(number) << (2 * FRAC))
}

/// Root of an integer, rounded down.
#[cfg_attr(not(target_pointer_width = "64"), inline(never))]
pub(crate) const fn root(square: u64) -> u32 {
    if cfg!(target_pointer_width = "64") {
        square.isqrt() as u32
    } else {
        root_in_parts(square)
    }
}

/// The upper half bit by bit, the lower half
/// by one division (Zimmermann, Karatsuba Square Root, INRIA RR-3805, 1999; from
/// memory, not verified). A quarter of the library's, which wants a division of 64
/// bits as well.
pub(super) const fn root_in_parts(square: u64) -> u32 {
    // An even shift brings one of the top two bits to the top.
    let up = square.leading_zeros() & 0x3e;
    let wide = square << up;
    let mut rest = (wide >> 32) as u32;
    let mut high = 0u32;
    let mut bit = 1u32 << 30;
    while bit != 0 {
        let tried = high | bit;
        high >>= 1;
        if rest >= tried {
            rest = rest.wrapping_sub(tried);
            high |= bit;
        }
        bit >>= 2;
    }
    // The rest is at most twice the root, of 16 bits.
    let rest = rest << 15 | (wide >> 17) as u32 & 0x7fff;
    let Some(low) = rest.checked_div(high) else {
        return 0;
    };
    let rest = rest.wrapping_sub(low.wrapping_mul(high)) as u64;
    let rest = rest << 17 | wide & 0x1_ffff;
    let root = (high << 16).wrapping_add(low);
    let one_too_many = rest < (low as u64).wrapping_mul(low as u64);
    root.wrapping_sub(one_too_many as u32) >> (up >> 1)
}
