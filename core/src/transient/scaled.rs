//! Block floating point for the few hundred operations of a solve: a 31-bit
//! mantissa with its own power of two, so that conductances, capacitances and
//! their covariances need no format each. Nothing here panics: zero divides
//! to zero, exponents saturate.

use crate::num;

/// `mantissa · 2^exponent`; the mantissa is zero or in ±[2³⁰, 2³¹).
/// Every operation is right to a relative 2⁻²⁹.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Scaled {
    mantissa: i32,
    exponent: i16,
}

impl Scaled {
    pub(super) const ZERO: Self = Self {
        mantissa: 0,
        exponent: 0,
    };
    pub(super) const ONE: Self = Self {
        mantissa: 1 << 30,
        exponent: -30,
    };

    /// `bits · 2^exponent`.
    #[cfg_attr(not(target_pointer_width = "64"), inline(never))]
    pub(super) const fn new(bits: i64, exponent: i32) -> Self {
        if bits == 0 {
            return Self::ZERO;
        }
        let size = bits.unsigned_abs();
        let zeros = size.leading_zeros();
        let top = ((size << zeros) >> 32) as u32;
        let down = 33i32.wrapping_sub(zeros as i32);
        Self::rounded(top, exponent.saturating_add(down), bits < 0)
    }

    /// Half of `top`, whose top bit is set, times `2^exponent`.
    const fn rounded(top: u32, exponent: i32, negative: bool) -> Self {
        let mut mantissa = (top >> 1).wrapping_add(top & 1);
        let mut exponent = exponent;
        if mantissa > i32::MAX as u32 {
            mantissa >>= 1;
            exponent = exponent.saturating_add(1);
        }
        if exponent < -30_000 {
            return Self::ZERO;
        }
        let exponent = if exponent > 30_000 { 30_000 } else { exponent } as i16;
        let mantissa = mantissa as i32;
        Self {
            mantissa: if negative {
                mantissa.wrapping_neg()
            } else {
                mantissa
            },
            exponent,
        }
    }

    /// Mantissa and exponent, which take less room apart.
    pub(super) const fn apart(self) -> (i32, i16) {
        (self.mantissa, self.exponent)
    }

    /// Of what [`Scaled::apart`] took apart.
    pub(super) const fn joined(mantissa: i32, exponent: i16) -> Self {
        Self { mantissa, exponent }
    }

    /// From an `I32F32`.
    pub(super) const fn of(bits: i64) -> Self {
        Self::new(bits, -32)
    }

    /// From an integer.
    pub(super) const fn int(value: i64) -> Self {
        Self::new(value, 0)
    }

    /// `I32F32`, rounded towards zero, saturating.
    pub(super) const fn bits(self) -> i64 {
        self.fixed(32)
    }

    /// The number with `fraction` fraction bits, saturating.
    pub(super) const fn fixed(self, fraction: i32) -> i64 {
        let up = (self.exponent as i32).saturating_add(fraction);
        let wide = self.mantissa as i64;
        if up >= 0 {
            if self.mantissa == 0 {
                0
            } else if up <= 32 {
                wide << (up as u32)
            } else if wide < 0 {
                i64::MIN
            } else {
                i64::MAX
            }
        } else if up > -32 {
            let size = (wide.unsigned_abs() >> (up.wrapping_neg() as u32)) as i64;
            if wide < 0 { size.wrapping_neg() } else { size }
        } else {
            0
        }
    }

    #[cfg_attr(not(target_pointer_width = "64"), inline(never))]
    pub(super) const fn times(self, other: Self) -> Self {
        if self.mantissa == 0 || other.mantissa == 0 {
            return Self::ZERO;
        }
        let (a, b) = (self.mantissa.unsigned_abs(), other.mantissa.unsigned_abs());
        // In [2^60, 2^62): 61 or 62 bits.
        let product = (a as u64).wrapping_mul(b as u64);
        let exponent = (self.exponent as i32).wrapping_add(other.exponent as i32);
        let negative = (self.mantissa < 0) != (other.mantissa < 0);
        if product >> 61 == 0 {
            Self::rounded((product >> 29) as u32, exponent.wrapping_add(30), negative)
        } else {
            Self::rounded((product >> 30) as u32, exponent.wrapping_add(31), negative)
        }
    }

    /// `self + a·b`, the product not rounded.
    #[cfg_attr(not(target_pointer_width = "64"), inline(never))]
    pub(super) const fn plus_product(self, a: Self, b: Self) -> Self {
        // Zero or in ±[2^60, 2^62), as `self` is with 31 places more.
        let product = (a.mantissa as i64).wrapping_mul(b.mantissa as i64);
        if product == 0 {
            return self;
        }
        let exponent = (a.exponent as i32).wrapping_add(b.exponent as i32);
        if self.mantissa == 0 {
            return Self::new(product, exponent);
        }
        let own = (self.mantissa as i64) << 31;
        let up = (self.exponent as i32)
            .wrapping_sub(31)
            .wrapping_sub(exponent);
        if up > 62 {
            self
        } else if up >= 0 {
            let sum = own.wrapping_add(product >> (up as u32));
            Self::new(sum, exponent.wrapping_add(up))
        } else if up >= -62 {
            let sum = product.wrapping_add(own >> (up.wrapping_neg() as u32));
            Self::new(sum, exponent)
        } else {
            Self::new(product, exponent)
        }
    }

    /// `self − a·b`.
    pub(super) const fn minus_product(self, a: Self, b: Self) -> Self {
        self.plus_product(a.negated(), b)
    }

    pub(super) const fn square(self) -> Self {
        self.times(self)
    }

    /// Times a power of two.
    pub(super) const fn shifted(self, by: i32) -> Self {
        Self::new(
            self.mantissa as i64,
            (self.exponent as i32).saturating_add(by),
        )
    }

    pub(super) const fn plus(self, other: Self) -> Self {
        if self.mantissa == 0 {
            return other;
        }
        if other.mantissa == 0 {
            return self;
        }
        let (big, small) = if self.exponent >= other.exponent {
            (self, other)
        } else {
            (other, self)
        };
        let apart = (big.exponent as i32).saturating_sub(small.exponent as i32);
        if apart > 31 {
            return big;
        }
        // Both mantissas below 2^31: sums of the shifted ones stay below 2^63.
        let sum = ((big.mantissa as i64) << 31)
            .wrapping_add(((small.mantissa as i64) << 31) >> (apart as u32));
        Self::new(sum, (big.exponent as i32).saturating_sub(31))
    }

    pub(super) const fn negated(self) -> Self {
        Self {
            mantissa: self.mantissa.wrapping_neg(),
            exponent: self.exponent,
        }
    }

    pub(super) const fn minus(self, other: Self) -> Self {
        self.plus(other.negated())
    }

    /// Zero when dividing by zero.
    pub(super) const fn over(self, other: Self) -> Self {
        if other.mantissa == 0 {
            return Self::ZERO;
        }
        // A mantissa doubled has its top bit set.
        let (n, d) = (self.mantissa.unsigned_abs(), other.mantissa.unsigned_abs());
        let size = num::fraction(n, d.wrapping_mul(2)) as i64;
        let negative = (self.mantissa < 0) != (other.mantissa < 0);
        Self::new(
            if negative { size.wrapping_neg() } else { size },
            (self.exponent as i32)
                .saturating_sub(other.exponent as i32)
                .saturating_sub(31),
        )
    }

    /// Root; zero of what is not positive.
    pub(super) const fn root(self) -> Self {
        if self.mantissa <= 0 {
            return Self::ZERO;
        }
        let odd = (self.exponent as i32).rem_euclid(2);
        // An even power of two is taken out; the root has 31 bits.
        let square = (self.mantissa as u64) << (odd.wrapping_add(30) as u32);
        let exponent = (self.exponent as i32).wrapping_sub(odd).wrapping_div(2);
        Self::new(num::root(square) as i64, exponent.wrapping_sub(15))
    }

    pub(super) const fn positive(self) -> bool {
        self.mantissa > 0
    }

    pub(super) const fn negative(self) -> bool {
        self.mantissa < 0
    }

    pub(super) const fn less(self, other: Self) -> bool {
        let (a, b) = (self.mantissa, other.mantissa);
        if self.exponent == other.exponent || a == 0 || b == 0 || (a < 0) != (b < 0) {
            return a < b;
        }
        (self.exponent < other.exponent) != (a < 0)
    }

    pub(super) const fn size(self) -> Self {
        Self {
            mantissa: self.mantissa.wrapping_abs(),
            exponent: self.exponent,
        }
    }

    pub(super) const fn max(self, other: Self) -> Self {
        if self.less(other) { other } else { self }
    }

    pub(super) const fn min(self, other: Self) -> Self {
        if self.less(other) { self } else { other }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn real(x: Scaled) -> f64 {
        f64::from(x.mantissa) * 2f64.powi(i32::from(x.exponent))
    }

    fn near(got: f64, want: f64) -> bool {
        (got - want).abs() <= want.abs() * 2f64.powi(-29)
    }

    proptest! {
        #[test]
        fn operations_agree_with_f64(
            a in -(1i64 << 62)..(1i64 << 62), ea in -200i32..200,
            b in -(1i64 << 62)..(1i64 << 62), eb in -200i32..200,
        ) {
            let (x, y) = (Scaled::new(a, ea), Scaled::new(b, eb));
            let (fx, fy) = (real(x), real(y));
            prop_assert!(near(fx, a as f64 * 2f64.powi(ea)));
            prop_assert!(near(real(x.times(y)), fx * fy));
            let sum = real(x.plus_product(x, y));
            prop_assert!((sum - (fx + fx * fy)).abs() <= fx.abs().max((fx * fy).abs()) * 2f64.powi(-29));
            let error = (real(x.plus(y)) - (fx + fy)).abs();
            prop_assert!(error <= fx.abs().max(fy.abs()) * 2f64.powi(-29));
            if b != 0 {
                prop_assert!(near(real(x.over(y)), fx / fy));
            }
            prop_assert!(near(real(x.size().root()), fx.abs().sqrt()));
            prop_assert_eq!(x.less(y), fx < fy);
        }

        #[test]
        fn fixed_point_goes_through_unchanged(bits in -(1i64 << 30)..(1i64 << 30)) {
            prop_assert_eq!(Scaled::of(bits).bits(), bits);
        }
    }

    #[test]
    fn what_has_no_answer_is_zero_or_saturates() {
        assert_eq!(Scaled::ONE.over(Scaled::ZERO), Scaled::ZERO);
        assert_eq!(Scaled::ONE.negated().root(), Scaled::ZERO);
        assert_eq!(Scaled::new(1, 100).bits(), i64::MAX);
        assert_eq!(Scaled::new(-1, 100).bits(), i64::MIN);
    }
}
