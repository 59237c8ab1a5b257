//! Fixed-point arithmetic that the standard types do not offer: wide products,
//! quotients without a 128-bit division, roots of sums of squares, logarithm.
//!
//! Numbers are the raw bits of `I32F32` (32 fraction bits) unless said
//! otherwise. Nothing here panics; results beyond the range saturate.

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
            if units >> 30 != 0 {
                return mul_large(a, b);
            }
            size = size.wrapping_add(units << FRAC);
        }
        // Within 2^62 from units, 2^63 from either side: checked below.
        size = size.wrapping_add(product(x0, y1));
    }
    if size >> 63 != 0 {
        return mul_large(a, b);
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

#[cold]
#[inline(never)]
const fn mul_large(a: i64, b: i64) -> i64 {
    mul_wide(a, b)
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
const fn size(a: i64) -> i64 {
    a.saturating_abs()
}

/// [`add`], [`sub`] and [`size`] as methods.
pub(crate) trait Saturating {
    /// Sum.
    fn plus(self, other: Self) -> Self;
    /// Difference.
    fn minus(self, other: Self) -> Self;
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

    fn size(self) -> Self {
        size(self)
    }
}

/// Product of two integers, saturating; never inlined, as its check takes more
/// room than a call.
#[cfg_attr(not(target_pointer_width = "64"), inline(never))]
pub(crate) const fn times(a: i64, b: i64) -> i64 {
    a.saturating_mul(b)
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

/// `n · 2^shift / d`, saturating; saturates with the sign of `n` when `d` is zero.
#[inline(never)]
pub(crate) fn quotient(n: i128, d: i128, shift: i32) -> i64 {
    match Reciprocal::new(d) {
        Some(reciprocal) => reciprocal.times(n, shift),
        None if n < 0 => i64::MIN,
        None => i64::MAX,
    }
}

/// [`quotient`] of 64-bit numbers, in a third of the time.
#[cfg_attr(not(target_pointer_width = "64"), inline(never))]
pub(crate) fn ratio(n: i64, d: i64, shift: i32) -> i64 {
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
    #[cfg_attr(not(target_pointer_width = "64"), inline(never))]
    pub(crate) fn times_short(&self, n: i64, shift: i32) -> i64 {
        let down = self.exponent.saturating_add(shift).saturating_add(32);
        let down = down.saturating_neg();
        if down <= 0 {
            return self.times_long(i128::from(n), shift);
        }
        // The product has 96 bits, and the lowest 32 do not count.
        let size = n.unsigned_abs();
        let low = u64::from(size as u32).wrapping_mul(self.mantissa) >> 32;
        let product = (size >> 32).wrapping_mul(self.mantissa).wrapping_add(low);
        let scaled = if down > 63 {
            0
        } else {
            let half = 1u64 << down.wrapping_sub(1);
            product.saturating_add(half) >> down
        };
        self.signed(scaled, n < 0)
    }

    fn signed(&self, size: u64, negative: bool) -> i64 {
        let size = i64::try_from(size).unwrap_or(i64::MAX);
        if negative != self.negative {
            size.saturating_neg()
        } else {
            size
        }
    }

    /// `n · 2^shift / d`, saturating.
    pub(crate) fn times(&self, n: i128, shift: i32) -> i64 {
        match i64::try_from(n) {
            Ok(n) => self.times_short(n, shift),
            Err(_) => self.times_long(n, shift),
        }
    }

    #[cfg_attr(not(target_pointer_width = "64"), inline(never))]
    fn times_long(&self, n: i128, shift: i32) -> i64 {
        // Numerator cut to 64 bits; its product below 2^96, as 64 bits and 32.
        let (top, above) = top(n.unsigned_abs());
        let low = u64::from(top as u32).wrapping_mul(self.mantissa);
        let product = (top >> 32)
            .wrapping_mul(self.mantissa)
            .wrapping_add(low >> 32);
        let exponent = self
            .exponent
            .saturating_add(shift)
            .saturating_add(above as i32);
        let size = if exponent >= 0 {
            raised(product, low as u32, exponent.unsigned_abs())
        } else {
            lowered(product, low as u32, exponent.unsigned_abs())
        };
        self.signed(size, n < 0)
    }
}

/// The upper 64 bits that are used, and how many are below them.
const fn top(size: u128) -> (u64, u32) {
    let (high, low) = ((size >> 64) as u64, size as u64);
    let above = 64u32.wrapping_sub(high.leading_zeros());
    match above {
        0 => (low, 0),
        64 => (high, 64),
        _ => (high << (64u32.wrapping_sub(above)) | low >> above, above),
    }
}

/// `(high·2^32 + low)·2^up`, saturating.
fn raised(high: u64, low: u32, up: u32) -> u64 {
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
fn lowered(high: u64, low: u32, down: u32) -> u64 {
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

/// The top bit of a normalised divisor.
const TOP_BIT: u32 = 1 << 31;

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
const fn root_in_parts(square: u64) -> u32 {
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
fn long_in_parts(all: u64, d: u32) -> Option<(u32, u32)> {
    if d == 0 {
        return None;
    }
    let up = d.leading_zeros();
    let all = all << up;
    let (quotient, rest) = digits((all >> 32) as u32, all as u32, d << up);
    Some((quotient, rest >> up))
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
    let y = self::ratio(m.wrapping_sub(ONE), m.wrapping_add(ONE), FRAC as i32);
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
    let ln_m = mul(y, series).saturating_mul(2);
    /// ln 2 as `I32F32`.
    const LN2: i64 = 2_977_044_472;
    k.saturating_mul(LN2).saturating_sub(ln_m)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn quotient_agrees_with_f64(n in -(1i128 << 100)..(1i128 << 100), d in 1i128..(1 << 100), neg: bool) {
            let d = if neg { -d } else { d };
            let exact = n as f64 / d as f64 * 4_294_967_296.0;
            let got = quotient(n, d, 32);
            if exact.abs() > 9.2e18 {
                prop_assert!(got == i64::MAX || got <= -i64::MAX);
            } else {
                prop_assert!((got as f64 - exact).abs() <= exact.abs() * 1.1e-9 + 1.0);
            }
        }

        #[test]
        fn a_ratio_is_the_quotient(n: i64, d: i64, cut in 0u32..63, by in 0u32..63, shift in -40i32..40) {
            let (n, d) = (n >> cut, d >> by);
            prop_assume!(d != 0);
            let long = Reciprocal::new(i128::from(d)).unwrap().times_long(i128::from(n), shift);
            let short = ratio(n, d, shift);
            prop_assert!(long.abs_diff(short) <= 1, "{long} {short}");
        }

        #[test]
        fn a_wide_product_is_cut_as_in_128_bits(high: u64, low: u32, cut in 0u32..64, by in 1u32..130) {
            let high = high >> cut;
            let whole = u128::from(high) << 32 | u128::from(low);
            let up = if by > whole.leading_zeros() { u128::MAX } else { whole << (by & 127) };
            let down = if by > 127 { 0 } else { (whole + (1 << (by - 1))) >> by };
            let held = |wide: u128| u64::try_from(wide).unwrap_or(u64::MAX);
            prop_assert_eq!(raised(high, low, by), if whole == 0 { 0 } else { held(up) });
            prop_assert_eq!(lowered(high, low, by), held(down));
        }

        #[test]
        fn the_top_is_the_upper_64_bits(size: u128, down in 0u32..128) {
            let size = size >> down;
            let (bits, above) = top(size);
            prop_assert_eq!(u128::from(bits), size >> above);
            prop_assert!(above == 0 || bits >> 63 == 1);
        }

        #[test]
        fn a_product_is_exact_or_saturates(a: i64, b: i64, down in 0u32..63, by in 0u32..63) {
            let (a, b) = (a >> down, b >> by);
            let exact = (i128::from(a) * i128::from(b) + (1 << 31)) >> 32;
            let held = exact.clamp(i64::MIN.into(), i64::MAX.into());
            prop_assert_eq!(i128::from(mul(a, b)), held);
            prop_assert_eq!(i128::from(mul_in_parts(a, b)), held);
        }

        #[test]
        fn a_square_is_exact(size: u64, down in 0u32..63) {
            let size = size >> down;
            prop_assert_eq!(square(size), u128::from(size) * u128::from(size));
        }

        #[test]
        fn a_fraction_is_exact(n: u32, d: u32) {
            let d = d | TOP_BIT;
            let n = n % d;
            prop_assert_eq!(u64::from(fraction(n, d)), (u64::from(n) << 32) / u64::from(d));
        }

        #[test]
        fn millionths_are_exact(n: u32) {
            prop_assert_eq!(millionths(n), ((u64::from(n) << 32) / 1_000_000) as i64);
        }

        #[test]
        fn a_root_is_that_of_the_library(square: u64, down in 0u32..64, root: u32) {
            let square = square >> down;
            prop_assert_eq!(u64::from(root_in_parts(square)), square.isqrt());
            // Squares, and what is just below.
            let square = u64::from(root).pow(2);
            prop_assert_eq!(root_in_parts(square), root);
            prop_assert_eq!(root_in_parts(square.saturating_sub(1)), root.saturating_sub(1));
        }

        #[test]
        fn a_long_division_is_exact(n: u64, down in 0u32..64, d: u32, by in 0u32..32) {
            let (n, d) = (n >> down, d >> by);
            let exact = n.checked_div(u64::from(d));
            prop_assert_eq!(over_unsigned(n, d), exact);
            let signed = n.cast_signed();
            prop_assert_eq!(over(signed, d), signed.checked_div(i64::from(d)));
            let all = (n % (u64::from(d) << 32).max(1)).min((u64::from(d) << 32).saturating_sub(1));
            let told = long_in_parts(all, d);
            let due = d > 0;
            prop_assert_eq!(told.is_some(), due);
            if let Some((quotient, rest)) = told {
                prop_assert_eq!(u64::from(quotient), all / u64::from(d));
                prop_assert_eq!(u64::from(rest), all % u64::from(d));
            }
        }

        #[test]
        fn a_mean_is_the_quotient(sum: u128, down in 0u32..128, parts: u32, by in 0u32..32) {
            let (sum, parts) = (sum >> down, parts >> by);
            prop_assert_eq!(mean_of(sum, parts), sum.checked_div(u128::from(parts)));
        }

        #[test]
        fn root_agrees_with_f64(square in 0u128..(1 << 126)) {
            let got = sqrt_wide(square) as f64;
            let exact = (square as f64).sqrt();
            prop_assert!((got - exact).abs() <= exact * 4.7e-10 + 1.0);
        }

        #[test]
        fn logarithm_agrees_with_f64(bits in 1i64..=ONE) {
            let exact = -(bits as f64 / ONE as f64).ln();
            let got = neg_ln(bits) as f64 / ONE as f64;
            prop_assert!((got - exact).abs() < 4e-9, "{got} {exact}");
        }
    }

    #[test]
    fn dividing_by_zero_saturates_with_the_sign_of_the_numerator() {
        assert_eq!(quotient(5, 0, 0), i64::MAX);
        assert_eq!(quotient(-5, 0, 0), i64::MIN);
    }
}
