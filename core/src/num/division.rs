//! Division without that of 128 or 64 bits, which no microcontroller has.

/// `n · 2^shift / d`, saturating; saturates with the sign of `n` when `d` is zero.
#[inline(never)]
pub(crate) fn quotient(n: i128, d: i128, shift: i32) -> i64 {
    match Reciprocal::new(d) {
        Some(reciprocal) => reciprocal.times(n, shift),
        None if n < 0 => i64::MIN,
        None => i64::MAX,
    }
}

/// Quotient of two `I32F32`.
#[cfg_attr(not(target_pointer_width = "64"), inline(never))]
pub(crate) fn ratio(n: i64, d: i64) -> i64 {
    ratio_shifted(n, d, super::FRAC as i32)
}

/// [`quotient`] of 64-bit numbers, in a third of the time.
#[cfg_attr(not(target_pointer_width = "64"), inline(never))]
pub(crate) fn ratio_shifted(n: i64, d: i64, shift: i32) -> i64 {
    match Reciprocal::of(d) {
        Some(reciprocal) => reciprocal.times_short(n, shift),
        None if n < 0 => i64::MIN,
        None => i64::MAX,
    }
}

/// `1/d` held as a 32-bit mantissa and an exponent, so that many numerators
/// are divided by one `d` at the price of a multiplication each.
/// Relative error at most 2⁻³⁰.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Reciprocal {
    /// In `[2^31, 2^32]`.
    mantissa: u64,
    /// `1/|d| = mantissa · 2^exponent`.
    exponent: i32,
    negative: bool,
}

impl Reciprocal {
    /// `None` when `d` is zero.
    #[cfg_attr(not(target_pointer_width = "64"), inline(never))]
    pub(crate) fn new(d: i128) -> Option<Self> {
        let (top, above) = top(d.unsigned_abs());
        let mut reciprocal = Self::inverse(top)?;
        reciprocal.exponent = reciprocal.exponent.saturating_sub(above as i32);
        reciprocal.negative = d < 0;
        Some(reciprocal)
    }

    /// [`Reciprocal::new`] of a 64-bit number.
    pub(crate) fn of(d: i64) -> Option<Self> {
        let mut reciprocal = Self::inverse(d.unsigned_abs())?;
        reciprocal.negative = d < 0;
        Some(reciprocal)
    }

    #[cfg_attr(not(target_pointer_width = "64"), inline(never))]
    fn inverse(magnitude: u64) -> Option<Self> {
        if magnitude == 0 {
            return None;
        }
        let zeros = magnitude.leading_zeros();
        // The top 32 bits of d, in [2^31, 2^32).
        let mantissa = match ((magnitude << zeros) >> 32) as u32 {
            // The only one whose inverse has 33 bits.
            TOP_BIT => 1 << 32,
            top => u64::from(fraction(TOP_BIT, top)),
        };
        Some(Self {
            mantissa,
            // d ≈ top·2^(32-zeros) and mantissa ≈ 2^63/top.
            exponent: (zeros as i32).wrapping_sub(95),
            negative: false,
        })
    }

    /// [`Reciprocal::times`] of a 64-bit number.
    pub(crate) fn times_short(&self, n: i64, shift: i32) -> i64 {
        self.times_size(n.unsigned_abs(), n < 0, shift)
    }

    /// `n · 2^shift / d`, saturating; the numerator is cut to 64 bits.
    pub(crate) fn times(&self, n: i128, shift: i32) -> i64 {
        let (top, above) = top(n.unsigned_abs());
        self.times_size(top, n < 0, shift.saturating_add(above as i32))
    }

    #[cfg_attr(not(target_pointer_width = "64"), inline(never))]
    fn times_size(&self, size: u64, negative: bool, shift: i32) -> i64 {
        // The product is below 2^96: as 64 bits and 32.
        let low = u64::from(size as u32).wrapping_mul(self.mantissa);
        let product = (size >> 32)
            .wrapping_mul(self.mantissa)
            .wrapping_add(low >> 32);
        let exponent = self.exponent.saturating_add(shift);
        let size = if exponent >= 0 {
            raised(product, low as u32, exponent.unsigned_abs())
        } else {
            lowered(product, low as u32, exponent.unsigned_abs())
        };
        let size = i64::try_from(size).unwrap_or(i64::MAX);
        if negative != self.negative {
            size.saturating_neg()
        } else {
            size
        }
    }
}

/// The upper 64 bits that are used, and how many are below them.
pub(super) const fn top(size: u128) -> (u64, u32) {
    let (high, low) = ((size >> 64) as u64, size as u64);
    let above = 64u32.wrapping_sub(high.leading_zeros());
    match above {
        0 => (low, 0),
        64 => (high, 64),
        _ => (high << (64u32.wrapping_sub(above)) | low >> above, above),
    }
}

/// `(high·2^32 + low)·2^up`, saturating.
pub(super) fn raised(high: u64, low: u32, up: u32) -> u64 {
    let whole = high << 32 | u64::from(low);
    if high == 0 && low == 0 {
        0
    } else if high >> 32 == 0 && up <= whole.leading_zeros() {
        whole << up
    } else {
        u64::MAX
    }
}

/// `(high·2^32 + low) / 2^down` to nearest, saturating; `down` is not zero.
pub(super) fn lowered(high: u64, low: u32, down: u32) -> u64 {
    let above = down.saturating_sub(32);
    match above {
        0 => {
            // At most half of 2^32 is added to the low part.
            let half = 1u64 << (down.saturating_sub(1) & 31);
            let low = u64::from(low).wrapping_add(half);
            let up = 32u32.saturating_sub(down);
            match high.checked_add(low >> 32) {
                Some(high) if up <= high.leading_zeros() => {
                    high << up | u64::from(low as u32) >> down
                }
                _ => u64::MAX,
            }
        }
        1..64 => (high >> above).wrapping_add(high >> above.saturating_sub(1) & 1),
        64 => high >> 63,
        _ => 0,
    }
}

/// The top bit of a normalised divisor.
pub(super) const TOP_BIT: u32 = 1 << 31;

/// `⌊n·2^32 / d⌋` of `n < d`, d with its top bit set: two digits of 16 bits,
/// since no microcontroller divides 64 bits.
pub(crate) const fn fraction(n: u32, d: u32) -> u32 {
    digits(n, 0, d).0
}

/// Quotient and remainder of `(n·2^32 + low) / d`, of `n < d` with its top bit set.
const fn digits(n: u32, low: u32, d: u32) -> (u32, u32) {
    let (first, rest) = digit(n, low >> 16, d);
    let (second, rest) = digit(rest, low & 0xffff, d);
    ((first << 16) | second, rest)
}

/// Quotient and remainder of `(n·2^16 + low) / d`, estimated with the upper half of
/// d: too high by two at most.
const fn digit(n: u32, low: u32, d: u32) -> (u32, u32) {
    let upper = (d >> 16) | (1 << 15);
    let mut quotient = match n.checked_div(upper) {
        Some(quotient) => quotient,
        None => 0,
    };
    // Below 2^49.
    let taken = (quotient as u64).wrapping_mul(d as u64);
    let mut rest = ((n as u64) << 16 | low as u64).wrapping_sub(taken) as i64;
    while rest < 0 {
        quotient = quotient.wrapping_sub(1);
        rest = rest.wrapping_add(d as i64);
    }
    (quotient, rest as u32)
}

/// The sum over the number of its parts, rounded down; `None` without parts.
#[inline(never)]
pub(crate) fn mean_of(sum: u128, parts: u32) -> Option<u128> {
    let (mut mean, mut rest) = (0u128, 0);
    for down in [96, 64, 32, 0] {
        let (whole, left) = long(rest, (sum >> down) as u32, parts)?;
        rest = left;
        mean = mean << 32 | u128::from(whole);
    }
    Some(mean)
}

/// `n/d`, rounded towards zero; `None` where d is zero. The library's division of 64
/// bits takes a kilobyte.
#[inline(never)]
pub(crate) fn over(n: i64, d: u32) -> Option<i64> {
    let size = over_unsigned(n.unsigned_abs(), d)?.cast_signed();
    Some(if n < 0 { size.wrapping_neg() } else { size })
}

/// `⌊n/d⌋`; `None` where d is zero.
#[inline(never)]
pub(crate) fn over_unsigned(n: u64, d: u32) -> Option<u64> {
    let (high, rest) = long(0, (n >> 32) as u32, d)?;
    let (low, _) = long(rest, n as u32, d)?;
    Some(u64::from(high) << 32 | u64::from(low))
}

/// A digit of a long division, with what is left of the one before, which is less
/// than `d`: quotient and remainder of `(rest·2^32 + digit) / d`.
fn long(rest: u32, digit: u32, d: u32) -> Option<(u32, u32)> {
    let (all, by) = (u64::from(rest) << 32 | u64::from(digit), u64::from(d));
    if cfg!(target_pointer_width = "64") {
        Some((all.checked_div(by)? as u32, all.checked_rem(by)? as u32))
    } else {
        long_in_parts(all, d)
    }
}

/// Quotient and remainder where the upper half is less than `d`.
pub(super) fn long_in_parts(all: u64, d: u32) -> Option<(u32, u32)> {
    if d == 0 {
        return None;
    }
    let up = d.leading_zeros();
    let all = all << up;
    let (quotient, rest) = digits((all >> 32) as u32, all as u32, d << up);
    Some((quotient, rest >> up))
}
