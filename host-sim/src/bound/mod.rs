//! The Cramér-Rao bound: how well R_iso, x and C can be known at all from a
//! drive record, whatever the method.
//!
//! # Model
//! The chassis voltage v follows, in drive state k,
//!
//! ```text
//! C dv/dt = (Gp + p_k) Vb + Cp dVb/dt + i_k - (G + g_k) v
//! ```
//!
//! and each sample of v carries white Gaussian noise of standard deviation σ.
//! Unknown are G, Gp, C, the voltage at the start, and if wanted κ = Cp/C.
//! With the derivatives s_n of v at sample n by the unknowns, the Fisher
//! information is `F = Σ s_n s_nᵀ / σ²`, and no unbiased method has a
//! covariance below F⁻¹.
//!
//! R_iso = 1/G and x = Gp/G follow to first order: `dR/R = -dG/G`,
//! `dx = (dGp - x dG)/G`.
//!
//! # Solution
//! The derivatives obey linear equations of their own (the sensitivity
//! equations), so that state, derivatives and a pack voltage that is straight
//! between samples advance together by one matrix exponential: exact for any
//! sampling interval, without a step size. Neither the plant nor the core
//! works this way, so the three can be held against each other.
//!
//! # What is left out
//! Part tolerances, hum and ripple are no noise, and no record removes them:
//! a real figure is worse than the bound by those.
//!
//! All units are SI: volts, siemens, farads, seconds, amperes.
//!
//! Source: H. Cramér, Mathematical Methods of Statistics, 1946, and C. R. Rao,
//! 1945 (from memory, not verified); the equations above are derived here.

mod course;
mod information;
#[cfg(test)]
pub(crate) mod likelihood;
mod motion;
mod table;

pub use course::{Achieved, Mark, course};
pub use information::{Bound, Deviations, Noise};
pub use motion::{Circuit, Row};
pub use table::{MarkLine, table};

/// Standard deviations of a normal law that hold 95 % of it, on either side.
pub const COVERAGE_95: f64 = 1.959_964;

#[cfg(test)]
mod tests;
