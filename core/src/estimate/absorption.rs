//! Charge that the insulation takes up slowly (dielectric absorption).
//!
//! Beside C lie branches of a capacitor in series with a resistor, `a·C` in all,
//! whose time constants τ nobody knows (Debye's relaxation). A branch alone is
//! an admittance
//!
//! ```text
//! Y = jω·aC/(1 + jωτ),   Re Y = aC·ω²τ/(1 + ω²τ²) <= aC·ω/2
//! ```
//!
//! Re Y passes for a leak. It depends on how often v changes, not on where v
//! is: a drive that alternates every H has `ω = π/H`, so that G is found too
//! large by at most `π/2·aC/H`, whatever τ. Anything from nothing to that: with
//! a rectangular distribution (JCGM 100:2008, 4.3.7; from memory, not verified)
//! a standard uncertainty of 0.9·aC/H, here aC/H.
//!
//! The current follows how far v is from its mean over the states: it adds to
//! Gp and Gn as well, but puts no leak where there is none.

use super::shown;
use super::system::{READINGS, System};
use crate::num;
use crate::num::Saturating as _;
use crate::units::Ratio;

/// A circuit that shows no time constant has one below this part of the dwell:
/// a slot of its record.
const UNSEEN: i64 = 16;

/// Standard uncertainty of the current into the chassis in each state, in µA.
#[inline(never)]
pub(super) fn absorbed(system: &System<'_>, share: Ratio) -> [i64; READINGS] {
    let mut currents = [0; READINGS];
    let conductance = conductance(system, share);
    let count = system.states.len() as u32;
    let sum = system
        .states
        .iter()
        .fold(0i64, |sum, state| sum.plus(state.v));
    let mean = num::over(sum, count).unwrap_or(0);
    for (current, state) in currents.iter_mut().zip(&system.states) {
        *current = num::mul(conductance, state.v.minus(mean));
    }
    currents
}

/// aC/H in µS, H being the shortest dwell; nothing where no dwell is told.
fn conductance(system: &System<'_>, share: Ratio) -> i64 {
    let dwells = system.states.iter().map(|state| state.settled.dwell_us);
    let Some(dwell_us) = dwells.min().filter(|&us| us > 0) else {
        return 0;
    };
    let rate = match shown(system, true, READINGS) {
        Some((_, [c, ..])) => num::ratio(c, num::millionths(dwell_us)),
        None => system.total().plus(system.mean_load()) / UNSEEN,
    };
    num::mul(share.to_bits(), rate)
}
