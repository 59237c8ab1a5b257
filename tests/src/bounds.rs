//! Every error that a test allows, with the reason why it may be so large.

use std::fmt::Display;

/// An allowed error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bound {
    /// Largest error allowed, relative unless the reason says otherwise.
    pub allowed: f64,
    /// Why.
    pub reason: &'static str,
}

impl Bound {
    /// Fails when `got` is further from `want`, relative to `want`.
    ///
    /// # Panics
    /// When the bound is broken.
    pub fn relative(&self, got: f64, want: f64, case: impl Display) {
        self.check((got / want - 1.0).abs(), got, want, case);
    }

    /// Fails when `got` is further from `want`, in the unit of both.
    ///
    /// # Panics
    /// When the bound is broken.
    pub fn absolute(&self, got: f64, want: f64, case: impl Display) {
        self.check((got - want).abs(), got, want, case);
    }

    fn check(&self, error: f64, got: f64, want: f64, case: impl Display) {
        assert!(
            error <= self.allowed,
            "{case}: {got} for {want}, error {error:.3e} above {:.3e} ({})",
            self.allowed,
            self.reason
        );
    }
}

const fn bound(allowed: f64, reason: &'static str) -> Bound {
    Bound { allowed, reason }
}

/// Two ways of writing the same algebra in `f64`.
pub const SAME_ALGEBRA: Bound = bound(1e-9, "rounding of a dozen f64 operations");

/// A value printed in a source with seven digits.
pub const SEVEN_DIGITS: Bound = bound(1e-6, "the value is given with seven digits");

/// A value printed with four digits.
pub const FOUR_DIGITS: Bound = bound(1e-4, "the value is given with four digits");

/// R_iso and weakest rail with 24 bits, noise-free, settled, 10 kΩ to 10 MΩ.
pub const ISOLATION: Bound = bound(2e-3, "what the project promises for 24 bits: 0.2 %");

/// x under the same conditions, absolute.
pub const POSITION: Bound = bound(2e-3, "what the project promises for 24 bits: 0.002");

/// Fixed point against the same formula in `f64`.
pub const FIXED_POINT: Bound = bound(5e-4, "what the project promises: 0.05 %");

/// x in fixed point against `f64`, absolute.
pub const FIXED_POINT_POSITION: Bound =
    bound(5e-4, "the same 0.05 % on a quotient of two numerators");

/// Counts that an error at quantised readings may span, by propagation of one
/// count: rounding errs by half a count in each of four readings, which adds
/// up to twice the largest single effect.
pub const COUNTS: Bound = bound(2.0, "half a count in each of four readings");

/// Standard uncertainties by which quantised readings may be off: four
/// rectangular errors of √3 standard deviations add up to 2·√3 when equal.
pub const ROUNDED_READINGS: Bound = bound(3.47, "four rectangular errors at their limits, 2·√3");

/// The plant against an independent integrator, volts of a few hundred.
pub const INTEGRATOR: Bound = bound(1e-6, "tolerance 1e-10 a step over thousands of steps");

/// Time constant and capacitance of a transient that spans many blocks.
pub const TIME_CONSTANT: Bound = bound(1e-2, "rounding of 24-bit readings, seen through the fit");

/// Standard uncertainties by which any single report may be off: 5, a chance
/// of 6·10⁻⁷ for a normal error and beyond any rounding error.
pub const HONEST: Bound = bound(5.0, "five standard deviations");

/// What a report may be off besides its uncertainty, relative.
pub const UNEXPLAINED: Bound = bound(2e-3, "the 0.2 % that the project promises at best");

/// x of a hard short, absolute.
pub const POSITION_OF_SHORT: Bound = bound(
    2e-3,
    "one of 65,536 counts over the range, and up to 50 Ω beside the monitor's own load",
);

/// Capacitance of a recorded circuit besides its uncertainty, relative.
pub const CAPACITANCE: Bound = bound(5e-2, "the transient is a few samples long in some captures");
