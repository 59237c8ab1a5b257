//! Fixed-point arithmetic that the standard types do not offer: wide products,
//! quotients without a 128-bit division, roots of sums of squares, logarithm.
//!
//! Numbers are the raw bits of `I32F32` (32 fraction bits) unless said
//! otherwise. Nothing here panics; results beyond the range saturate.

mod division;
mod roots;
#[cfg(test)]
mod tests;

pub(crate) use division::{
    Reciprocal, fraction, mean_of, over, over_unsigned, quotient, ratio, ratio_shifted,
};
pub(crate) use roots::{RootSum, Squares, hypot, root, sqrt_int, sqrt_wide, square};

/// Fraction bits of the common format.
pub(crate) const FRAC: u32 = 32;
/// One in the common format.
pub(crate) const ONE: i64 = 1 << FRAC;

/// 1/√12: standard deviation of a rectangular distribution of width one.
pub(crate) const ONE_BY_ROOT_12: i64 = 1_239_850_262;

/// 1/√3: standard deviation of a rectangular distribution between ±1.
pub(crate) const ROOT_THIRD: i64 = 2_479_700_525;

/// Narrows to 64 bits, saturating.
pub(crate) const fn narrow(wide: i128) -> i64 {
    let low = wide as i64;
    if low as i128 == wide {
        low
    } else if wide < 0 {
        i64::MIN
    } else {
        i64::MAX
    }
}

/// Product of two `I32F32`, rounded to nearest, saturating. A machine of 64 bits
/// has it in one multiplication; elsewhere it is never inlined, since it is
/// called from hundreds of places.
#[cfg_attr(not(target_pointer_width = "64"), inline(never))]
pub(crate) const fn mul(a: i64, b: i64) -> i64 {
    if cfg!(target_pointer_width = "64") {
        mul_wide(a, b)
    } else {
        mul_in_parts(a, b)
    }
}

/// From up to four products of 32 bits, which is what a microcontroller
/// multiplies: a factor below one needs two, and the smallest parts no long
/// multiplication.
const fn mul_in_parts(a: i64, b: i64) -> i64 {
    let negative = (a < 0) != (b < 0);
    let (x, y) = (a.unsigned_abs(), b.unsigned_abs());
    let (x1, y1) = ((x >> 32) as u32, (y >> 32) as u32);
    let (x0, y0) = (x as u32, y as u32);
    // A half is rounded up, so that of a negative product down.
    let half = (1u64 << (FRAC - 1)).wrapping_sub(negative as u64);
    let mut size = product(x0, y0).wrapping_add(half) >> FRAC;
    if x1 != 0 {
        size = size.wrapping_add(product(x1, y0));
    }
    if y1 != 0 {
        if x1 != 0 {
            let units = product(x1, y1);
            if units >> 31 != 0 {
                return most(negative);
            }
            // Below 2^64, as all that is added here: 2^63 from units and from x.
            size = size.wrapping_add(units << FRAC);
            if size >> 63 != 0 {
                return most(negative);
            }
        }
        size = size.wrapping_add(product(x0, y1));
    }
    if size >> 63 != 0 {
        return most(negative);
    }
    if negative {
        (size as i64).wrapping_neg()
    } else {
        size as i64
    }
}

const fn product(a: u32, b: u32) -> u64 {
    (a as u64).wrapping_mul(b as u64)
}

const fn most(negative: bool) -> i64 {
    if negative { i64::MIN } else { i64::MAX }
}

const fn mul_wide(a: i64, b: i64) -> i64 {
    // |a·b| ≤ 2^126, so adding the rounding half cannot overflow.
    narrow(wide(a, b).wrapping_add(1 << (FRAC - 1)) >> FRAC)
}

/// Sum and difference, saturating; never inlined, as the check of 64 bits takes more
/// room than a call.
#[cfg_attr(not(target_pointer_width = "64"), inline(never))]
pub(crate) const fn add(a: i64, b: i64) -> i64 {
    a.saturating_add(b)
}

/// See [`add`].
#[cfg_attr(not(target_pointer_width = "64"), inline(never))]
pub(crate) const fn sub(a: i64, b: i64) -> i64 {
    a.saturating_sub(b)
}

/// See [`add`]; without the sign.
#[cfg_attr(not(target_pointer_width = "64"), inline(never))]
pub(crate) const fn size(a: i64) -> i64 {
    a.saturating_abs()
}

/// [`add`], [`sub`], [`times`] and [`size`] as methods.
pub(crate) trait Saturating {
    /// Sum.
    fn plus(self, other: Self) -> Self;
    /// Difference.
    fn minus(self, other: Self) -> Self;
    /// Product of two integers.
    fn times(self, other: Self) -> Self;
    /// Without its sign.
    fn size(self) -> Self;
}

impl Saturating for i64 {
    fn plus(self, other: Self) -> Self {
        add(self, other)
    }

    fn minus(self, other: Self) -> Self {
        sub(self, other)
    }

    fn times(self, other: Self) -> Self {
        times(self, other)
    }

    fn size(self) -> Self {
        size(self)
    }
}

/// Product of two integers, saturating; never inlined, as its check takes more
/// room than a call.
#[cfg_attr(not(target_pointer_width = "64"), inline(never))]
pub(crate) const fn times(a: i64, b: i64) -> i64 {
    narrow(wide(a, b))
}

/// Product of two `I32F32` at full width: 64 fraction bits. Never inlined, for its
/// size.
#[cfg_attr(not(target_pointer_width = "64"), inline(never))]
pub(crate) const fn wide(a: i64, b: i64) -> i128 {
    (a as i128).wrapping_mul(b as i128)
}

/// Sum of two wide numbers, saturating; never inlined, for its size.
#[cfg_attr(not(target_pointer_width = "64"), inline(never))]
pub(crate) const fn plus(a: i128, b: i128) -> i128 {
    a.saturating_add(b)
}

/// A wide number without its sign, saturating; never inlined, for its size.
#[cfg_attr(not(target_pointer_width = "64"), inline(never))]
pub(crate) const fn extent(a: i128) -> i128 {
    a.saturating_abs()
}

/// `⌊n·2^32 / 10^6⌋`: microseconds as `I32F32` seconds. In 32-bit divisions by
/// a constant, since 2^32/10^6 = 4294 + 15114/15625.
pub(crate) const fn millionths(n: u32) -> i64 {
    let (whole, rest) = (n.wrapping_div(15_625), n.wrapping_rem(15_625));
    let part = rest.wrapping_mul(15_114).wrapping_div(15_625);
    // Below 2^45.
    (n as i64)
        .wrapping_mul(4_294)
        .wrapping_add((whole as i64).wrapping_mul(15_114))
        .wrapping_add(part as i64)
}

/// `-ln(ratio)` of an `I32F32` in (0, 1], as `I32F32`; error below 2⁻²⁸.
/// Saturates for a ratio that is not positive.
///
/// `ratio = m·2^-k` with m in [0.5, 1), `ln m = 2 artanh((m-1)/(m+1))`, and
/// |(m-1)/(m+1)| ≤ 1/3 makes the odd series converge by 1/9 a term.
pub(crate) fn neg_ln(ratio: i64) -> i64 {
    if ratio <= 0 {
        return i64::MAX;
    }
    let zeros = ratio.leading_zeros();
    let mantissa = (ratio as u64) << zeros; // top bit at 63
    let m = (mantissa >> 32) as i64; // in [0.5, 1) as I32F32
    // Bit 63-zeros set: value = m · 2^(32-zeros).
    let k = (zeros as i64).wrapping_sub(32);
    let y = self::ratio(m.wrapping_sub(ONE), m.wrapping_add(ONE));
    let y2 = mul(y, y);
    // 1/(2j+1), j = 0..10: the remainder is below 3^-23.
    const ODD: [i64; 11] = [
        4_294_967_296,
        1_431_655_765,
        858_993_459,
        613_566_757,
        477_218_588,
        390_451_572,
        330_382_100,
        286_331_153,
        252_645_135,
        226_050_910,
        204_522_252,
    ];
    let mut series = 0i64;
    for coefficient in ODD.iter().rev() {
        series = mul(series, y2).saturating_add(*coefficient);
    }
    let ln_m = mul(y, series).times(2);
    /// ln 2 as `I32F32`.
    const LN2: i64 = 2_977_044_472;
    k.times(LN2).saturating_sub(ln_m)
}
