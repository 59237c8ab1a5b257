//! Maximum likelihood by brute force, for tests: the textbook exponential,
//! dwell by dwell, and nothing of the bound's own motion.

use nalgebra::{DMatrix, DVector};

use super::Row;

/// When the samples are.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Timing {
    /// Sampling interval in seconds.
    pub(crate) step_s: f64,
    /// Samples in a dwell; two drive states take turns.
    pub(crate) dwell: usize,
}

/// v at the samples, at a steady pack voltage, for G, Gp, C and the start.
pub(crate) fn exponentials(
    unknowns: &[f64; 4],
    rows: &[Row; 2],
    pack_v: f64,
    timing: Timing,
    out: &mut [f64],
) {
    let [leak, positive, capacitance, start] = *unknowns;
    let mut v = start;
    for (dwell, samples) in out.chunks_mut(timing.dwell).enumerate() {
        let row = rows[dwell % 2];
        let total = leak + row.conductance;
        let rest = ((positive + row.to_positive) * pack_v + row.current) / total;
        let decay = (-total * timing.step_s / capacitance).exp();
        for slot in samples {
            v = rest + (v - rest) * decay;
            *slot = v;
        }
    }
}

/// The maximum of the likelihood of white noise, by four Gauss-Newton steps
/// with numerical derivatives from a start close by.
pub(crate) fn most_likely(
    from: [f64; 4],
    rows: &[Row; 2],
    pack_v: f64,
    timing: Timing,
    measured: &[f64],
) -> [f64; 4] {
    let mut at = from;
    let (mut base, mut moved) = (vec![0.0; measured.len()], vec![0.0; measured.len()]);
    for _ in 0..4 {
        exponentials(&at, rows, pack_v, timing, &mut base);
        let steps = [from[0] * 1e-5, from[0] * 1e-5, from[2] * 1e-5, 1e-4];
        let mut columns = DMatrix::zeros(measured.len(), 4);
        for (place, step) in steps.into_iter().enumerate() {
            let mut other = at;
            other[place] += step;
            exponentials(&other, rows, pack_v, timing, &mut moved);
            for n in 0..measured.len() {
                columns[(n, place)] = moved[n] - base[n];
            }
        }
        let left = DVector::from_fn(measured.len(), |n, _| measured[n] - base[n]);
        let change = columns.svd(true, true).solve(&left, 1e-14).expect("solved");
        for place in 0..4 {
            at[place] += change[place] * steps[place];
        }
    }
    at
}
