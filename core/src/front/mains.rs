//! What mains hum leaves of a mean over whole periods of its nominal frequency.
//!
//! At a frequency f that is off by df, a mean over n nominal periods leaves
//! `sin(πn(1 + df/f))/(πn(1 + df/f))` of the amplitude, or about df/f. Public
//! supplies keep within ±1 % of 50 Hz for 99.5 % of a year (EN 50160, from
//! memory, not verified). Taken to be anywhere in there, the residue is
//! 1 %/√3 of the hum, whatever the phase, and so slow (0.5 Hz at most) that
//! the blocks of a dwell share it. A drive of that frequency moves v alike, for as
//! long as the record may be.
//!
//! How large the hum is tells the scatter of samples, or of bunches of them where they come fast,
//! taken between neighbours: a time T apart they differ by 2·sin(πfT) of the amplitude, and their scatter is
//! √2·sin(πfT) of the hum's deviation. At 50 Hz that is T/4.50 ms; at a higher frequency
//! the hum is smaller than taken. A ripple that the sampling has folded down to anything
//! else leaves as little in a mean over a quarter of a second, for the frequencies of
//! most aliases, and to the transient estimator its samples count as being far apart.

use crate::num;

/// 1/(√2·π·50 Hz), in µs: samples so far apart scatter as hum does, or more.
pub(crate) const FAR: u32 = 4502;

/// 0.01/√3 of that.
const RESIDUE: i64 = num::ONE * 25_992 / 1000;

/// Standard deviation of the residue in a mean, from the scatter of neighbouring
/// samples by hum, so many microseconds apart.
pub(crate) fn residue(scatter: i64, apart_us: u32) -> i64 {
    num::over(num::mul(scatter, RESIDUE), apart_us.min(FAR)).unwrap_or(i64::MAX)
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
            let told = real(residue(10 * num::ONE, FAR)) / 10.0;
            assert!((told / mean.sqrt() - 1.0).abs() < 0.02, "{periods}: {told}");
        }
    }

    fn real(bits: i64) -> f64 {
        bits as f64 / num::ONE as f64
    }

    /// Hum of one volt at 50 Hz leaves 0.01/√3 of its deviation, however often it is sampled.
    #[test]
    fn the_size_of_hum_is_told_from_neighbours() {
        let due = 0.01 / 3f64.sqrt() * 0.5f64.sqrt();
        for apart_us in [50, 100, 1000, 2000] {
            let apart = f64::from(apart_us) * 1e-6;
            let differ = 2.0 * (TAU / 2.0 * 50.0 * apart).sin();
            // Half the mean square of the differences, whose own mean square is half the square of their most.
            let scatter = (differ * differ / 4.0).sqrt();
            let bits = |x: f64| (x * num::ONE as f64).round() as i64;
            let told = real(residue(bits(scatter), apart_us));
            assert!((told / due - 1.0).abs() < 0.02, "{apart}: {told} {due}");
        }
    }
}
