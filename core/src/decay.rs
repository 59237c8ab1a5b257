//! The exponential relaxation of a circuit with one time constant.
//!
//! All numbers are `I32F32`. With `z = B/τ`, a voltage whose distance from its
//! settled value is d at the start of a block of length B has `d·e^(−z)` at its
//! end and `d·φ(z)`, `φ(z) = (1 − e^(−z))/z`, as its mean. A current that sets in
//! with the block moves that mean by `ψ(z) = (1 − φ(z))/z` of what it does at once.

use crate::num::{self, ONE, mul};

/// ln 2.
const LN2: i64 = 2_977_044_472;

/// 1/ln 2.
const BY_LN2: i64 = 6_196_328_018;

/// `1/(k + 1)!` from k = 0 on, the series of φ.
const SERIES: [i64; 12] = [
    ONE,
    2_147_483_648,
    715_827_883,
    178_956_971,
    35_791_394,
    5_965_232,
    852_176,
    106_522,
    11_836,
    1_184,
    108,
    9,
];

/// `φ(z)` of `z ≥ 0`; error below 2⁻³⁰. Below one by its series, which is cut
/// after z¹¹/12!.
pub(crate) fn phi(z: i64) -> i64 {
    if z >= ONE {
        return num::ratio(ONE.wrapping_sub(exp_neg(z)), z);
    }
    series(z.max(0))
}

/// `φ(z)` of z from 0 to 1.
#[inline(never)]
fn series(z: i64) -> i64 {
    SERIES
        .iter()
        .rev()
        .fold(0, |sum, term| term.wrapping_sub(mul(z, sum)))
}

/// φ and ψ of `z ≥ 0`; error below 2⁻²⁸. Below one from the series of ψ,
/// `Σ (−z)^k/(k + 2)!`, that of φ less its first term.
#[inline(never)]
pub(crate) fn phi_psi(z: i64) -> (i64, i64) {
    if z > ONE {
        let phi = phi(z);
        let psi = num::ratio(ONE.wrapping_sub(phi), z);
        return (phi, psi);
    }
    let z = z.max(0);
    let psi = SERIES
        .iter()
        .skip(1)
        .rev()
        .fold(0, |sum, term| term.wrapping_sub(mul(z, sum)));
    (ONE.wrapping_sub(mul(z, psi)), psi)
}

/// `e^(−z)` of `z ≥ 0`; error below 2⁻³⁰.
pub(crate) fn exp_neg(z: i64) -> i64 {
    let z = z.max(0);
    if z >= LN2.wrapping_mul(40) {
        return 0;
    }
    // A few units below z/ln 2, so that it is at most one halving too few.
    let mut halvings = mul(z, BY_LN2).saturating_sub(64).max(0) >> num::FRAC;
    let mut rest = z.wrapping_sub(halvings.wrapping_mul(LN2));
    if rest >= LN2 {
        halvings = halvings.wrapping_add(1);
        rest = rest.wrapping_sub(LN2);
    }
    ONE.wrapping_sub(mul(rest, series(rest))) >> (halvings as u32)
}

/// `e^x` for x in ±2; relative error below 2⁻²⁷.
pub(crate) fn exp(x: i64) -> i64 {
    if x <= 0 {
        exp_neg(x.saturating_neg())
    } else {
        num::ratio(ONE, exp_neg(x))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn relaxation_agrees_with_f64(z in prop_oneof![0..ONE * 2, 0..ONE * 64]) {
            let exact = z as f64 / ONE as f64;
            let mean = if exact == 0.0 { 1.0 } else { -(-exact).exp_m1() / exact };
            prop_assert!((phi(z) as f64 / ONE as f64 - mean).abs() < 1e-9, "{exact}");
            prop_assert!((exp_neg(z) as f64 / ONE as f64 - (-exact).exp()).abs() < 1e-9, "{exact}");
        }

        #[test]
        fn what_a_current_moves_agrees_with_f64(z in prop_oneof![0..ONE * 2, 0..ONE * 64]) {
            let exact = z as f64 / ONE as f64;
            let (phi, psi) = phi_psi(z);
            let mean = if exact == 0.0 { 1.0 } else { -(-exact).exp_m1() / exact };
            // The difference would lose too many digits.
            let moved = if exact < 1e-3 { 0.5 - exact / 6.0 + exact * exact / 24.0 } else { (1.0 - mean) / exact };
            prop_assert!((phi as f64 / ONE as f64 - mean).abs() < 3.7e-9, "{exact}");
            prop_assert!((psi as f64 / ONE as f64 - moved).abs() < 3.7e-9, "{exact}");
        }

        #[test]
        fn growth_agrees_with_f64(x in -2 * ONE..2 * ONE) {
            let exact = (x as f64 / ONE as f64).exp();
            prop_assert!((exp(x) as f64 / ONE as f64 / exact - 1.0).abs() < 7.5e-9);
        }
    }
}
