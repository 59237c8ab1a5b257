//! Units as types: a number that is volts cannot be passed for ohms.
//!
//! Every quantity is a newtype over a binary fixed-point number with one
//! stated unit. The electrical units are chosen so that the products the
//! estimator needs stay in unit without a factor:
//!
//! * volts × microsiemens = microamperes
//! * microfarads = microsiemens × seconds
//!
//! All are `I32F32` (range ±2.1·10⁹, step 2.3·10⁻¹⁰ of the unit) except
//! [`Ohms`], which is `I48F16` (range ±1.4·10¹⁴ Ω, step 15 µΩ).

use fixed::types::{I32F32, I48F16};

use crate::num::{self, Reciprocal};

macro_rules! unit {
    ($(#[$doc:meta])* $name:ident($repr:ty)) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
        pub struct $name($repr);

        impl $name {
            /// Zero.
            pub const ZERO: Self = Self(<$repr>::ZERO);
            /// The largest value; what a saturated result reads.
            pub const MAX: Self = Self(<$repr>::MAX);

            /// From the fixed-point number in this unit.
            #[must_use]
            pub const fn new(value: $repr) -> Self {
                Self(value)
            }
            /// From the raw bits of the fixed-point number.
            #[must_use]
            pub const fn from_bits(bits: i64) -> Self {
                Self(<$repr>::from_bits(bits))
            }
            /// From a whole number of the unit.
            #[must_use]
            pub const fn from_int(value: i32) -> Self {
                Self(<$repr>::from_bits((value as i64) << <$repr>::FRAC_NBITS))
            }
            /// The fixed-point number in this unit.
            #[must_use]
            pub const fn get(self) -> $repr {
                self.0
            }
            /// The raw bits of the fixed-point number.
            #[must_use]
            pub const fn to_bits(self) -> i64 {
                self.0.to_bits()
            }
            /// Sum, saturating at the range.
            #[must_use]
            pub const fn saturating_add(self, other: Self) -> Self {
                Self::from_bits(num::add(self.to_bits(), other.to_bits()))
            }
            /// Difference, saturating at the range.
            #[must_use]
            pub const fn saturating_sub(self, other: Self) -> Self {
                Self::from_bits(num::sub(self.to_bits(), other.to_bits()))
            }
            /// Magnitude, saturating at the range.
            #[must_use]
            pub const fn abs(self) -> Self {
                Self::from_bits(num::size(self.to_bits()))
            }
        }

        #[cfg(feature = "defmt")]
        impl defmt::Format for $name {
            fn format(&self, f: defmt::Formatter<'_>) {
                let bits = <$repr>::FRAC_NBITS;
                defmt::write!(f, "{=i64}/2^{=u32} {=str}", self.to_bits(), bits, stringify!($name));
            }
        }
    };
}

unit! {
    /// Voltage in volts.
    Volts(I32F32)
}
unit! {
    /// Current in microamperes.
    Microamps(I32F32)
}
unit! {
    /// Conductance in microsiemens (1 µS is 1 MΩ).
    Microsiemens(I32F32)
}
unit! {
    /// Capacitance in microfarads.
    Microfarads(I32F32)
}
unit! {
    /// Time in seconds.
    Seconds(I32F32)
}
unit! {
    /// A dimensionless number: a relative uncertainty, or a position in the stack.
    Ratio(I32F32)
}
unit! {
    /// Resistance in ohms.
    Ohms(I48F16)
}

/// Fraction bits by which 10⁶ (ohms × microsiemens) is scaled when one is
/// turned into the other: 32 of the conductance and 16 of the resistance.
const RECIPROCAL_NUMERATOR: i128 = 1_000_000 << 48;

impl Ohms {
    /// `1/G`; [`Ohms::MAX`] when `G` is not positive (no leak resolvable).
    #[must_use]
    pub fn of(conductance: Microsiemens) -> Self {
        if conductance.to_bits() <= 0 {
            return Self::MAX;
        }
        Self::from_bits(num::quotient(
            RECIPROCAL_NUMERATOR,
            i128::from(conductance.to_bits()),
            0,
        ))
    }
}

impl Microsiemens {
    /// `1/R`; [`Microsiemens::MAX`] when `R` is not positive.
    #[must_use]
    pub fn of(resistance: Ohms) -> Self {
        if resistance.to_bits() <= 0 {
            return Self::MAX;
        }
        Self::from_bits(num::quotient(
            RECIPROCAL_NUMERATOR,
            i128::from(resistance.to_bits()),
            0,
        ))
    }

    /// Current that this conductance carries at `v`.
    #[must_use]
    pub const fn at(self, v: Volts) -> Microamps {
        Microamps::from_bits(num::mul(self.to_bits(), v.to_bits()))
    }
}

impl Ratio {
    /// One.
    pub const ONE: Self = Self::from_int(1);

    /// From a number of parts per million.
    #[must_use]
    pub const fn from_ppm(ppm: i32) -> Self {
        // 2^32 / 10^6, rounded; the error is below 10⁻⁷ of the value.
        Self::from_bits(
            (ppm as i64)
                .saturating_mul(4_294_967_296)
                .wrapping_div(1_000_000),
        )
    }

    /// `n/d`; `None` when `d` is zero.
    #[must_use]
    pub fn of(n: i64, d: i64) -> Option<Self> {
        let reciprocal = Reciprocal::new(i128::from(d))?;
        Some(Self::from_bits(reciprocal.times(i128::from(n), 32)))
    }
}

/// A figure with its standard uncertainty (one standard deviation, k = 1, of
/// JCGM 100:2008, the GUM), both in the unit of `T`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Measured<T> {
    /// Best estimate.
    pub value: T,
    /// Standard uncertainty.
    pub u: T,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reciprocals_agree_with_floating_point_from_1_ohm_to_100_gigaohm() {
        for exponent in 0..=110 {
            let ohms = 10f64.powf(f64::from(exponent) / 10.0);
            let r = Ohms::new(I48F16::from_num(ohms));
            let g = Microsiemens::of(r).get().to_num::<f64>();
            let exact = 1e6 / r.get().to_num::<f64>();
            assert!(
                (g - exact).abs() <= exact * 1e-9 + 2.4e-10,
                "{ohms}: {g} {exact}"
            );
        }
    }

    #[test]
    fn no_conductance_is_the_largest_resistance() {
        assert_eq!(Ohms::of(Microsiemens::ZERO), Ohms::MAX);
        assert_eq!(Microsiemens::of(Ohms::from_int(-5)), Microsiemens::MAX);
    }
}
