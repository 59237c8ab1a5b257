//! What mains hum leaves of a mean over whole periods of its nominal frequency.
//!
//! At a frequency f that is off by df, a mean over n nominal periods leaves
//! `sin(πn(1 + df/f))/(πn(1 + df/f))` of the amplitude, or about df/f. Public
//! supplies keep within ±1 % of 50 Hz for 99.5 % of a year (EN 50160, from
//! memory, not verified). Taken to be anywhere in there, the residue is
//! 1 %/√3 of the hum, whatever the phase, and so slow (0.5 Hz at most) that
//! the blocks of a dwell share it.

use crate::num;

/// 0.01/√3.
const RESIDUE: i64 = num::ONE * 5774 / 1_000_000;

/// Standard deviation of the residue in a mean, from that of the hum.
pub(crate) fn residue(hum: i64) -> i64 {
    num::mul(hum, RESIDUE)
}
