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

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    /// Amplitude of the means over whole nominal periods of a sine.
    fn left(periods: f64, off: f64) -> f64 {
        let angle = TAU / 2.0 * periods * (1.0 + off);
        (angle.sin() / angle).abs()
    }

    /// The uniform distribution over ±1 % has 1 %/√3 for its deviation.
    #[test]
    fn it_is_that_of_a_frequency_anywhere_within_one_percent() {
        for periods in [1.0, 2.0, 5.0] {
            let steps = 1000;
            let mean = (0..steps)
                .map(|step| {
                    left(periods, (f64::from(step) + 0.5) / f64::from(steps) / 100.0).powi(2)
                })
                .sum::<f64>()
                / f64::from(steps);
            let told = residue(10 * num::ONE) as f64 / num::ONE as f64 / 10.0;
            assert!((told / mean.sqrt() - 1.0).abs() < 0.02, "{periods}: {told}");
        }
    }
}
