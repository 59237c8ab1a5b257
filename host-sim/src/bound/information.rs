//! The Fisher information of a record, and what its inverse says.

use nalgebra::{Cholesky, SMatrix};

use super::motion::{Circuit, PACK, Row, SLOPE, State, Step, UNKNOWNS};

/// White noise of each sample, standard deviations in volts.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Noise {
    /// In the reading of v.
    pub chassis_v: f64,
    /// In the reading of Vb, when Vb may be anything at every sample; 0 when
    /// it is known. To first order it adds κ times itself to v.
    pub pack_v: f64,
}

/// Smallest standard deviations that an unbiased method can have.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Deviations {
    /// Of G, in siemens.
    pub leak: f64,
    /// Of Gp, in siemens.
    pub positive: f64,
    /// Of Gn = G - Gp, in siemens.
    pub negative: f64,
    /// Of C, in farads; infinite when transients pass between two samples.
    pub capacitance: f64,
    /// Of x = Gp/G; none without a leak.
    pub position: Option<f64>,
    /// Of κ, when it is unknown.
    pub coupling: Option<f64>,
}

/// A record under way: give it the drive row and Vb of each sample.
#[derive(Debug, Clone)]
pub struct Bound {
    circuit: Circuit,
    rows: Vec<Row>,
    scale: f64,
    step_s: f64,
    /// The step in each drive state, made when first needed.
    steps: Vec<Option<Step>>,
    state: State,
    /// Σ s sᵀ, in V² per scaled unknown.
    sum: SMatrix<f64, UNKNOWNS, UNKNOWNS>,
}

impl Bound {
    /// A record that begins with the chassis at `chassis_v` and the pack at
    /// `pack_v`, sampled every `step_s` seconds from one interval later on;
    /// `rows` are the drive states.
    #[must_use]
    pub fn new(circuit: Circuit, rows: &[Row], step_s: f64, [chassis_v, pack_v]: [f64; 2]) -> Self {
        Self {
            circuit,
            rows: rows.to_vec(),
            scale: circuit.scale(rows),
            step_s,
            steps: vec![None; rows.len()],
            state: circuit.start(chassis_v, pack_v),
            sum: SMatrix::zeros(),
        }
    }

    /// Goes on to the next sample: the drive state (a place among the rows) in
    /// force since the last, Vb straight in between. Returns v as it truly is.
    ///
    /// # Panics
    /// When there is no such row.
    pub fn push(&mut self, row: usize, pack_v: f64) -> f64 {
        let step = self.steps[row]
            .get_or_insert_with(|| self.circuit.over(self.step_s, &self.rows[row], self.scale));
        self.state[SLOPE] = (pack_v - self.state[PACK]) / self.step_s;
        self.state = *step * self.state;
        // Exact, so that rounding does not add up over a long record.
        self.state[PACK] = pack_v;
        let s = Circuit::sensitivities(&self.state);
        self.sum.ger(1.0, &s, &s, 1.0);
        self.circuit.chassis(&self.state)
    }

    /// Derivatives of v at the last sample by G, Gp, C (SI units), the start
    /// voltage and κ.
    #[must_use]
    pub fn derivatives(&self) -> [f64; UNKNOWNS] {
        let s = Circuit::sensitivities(&self.state);
        let units = self.units();
        std::array::from_fn(|n| s[n] / units[n])
    }

    /// The unit of each scaled unknown.
    fn units(&self) -> [f64; UNKNOWNS] {
        [self.scale, self.scale, self.circuit.capacitance, 1.0, 1.0]
    }

    /// The bound of the record so far, κ taken as known; `None` while the
    /// samples do not determine every unknown.
    #[must_use]
    pub fn deviations(&self, noise: Noise) -> Option<Deviations> {
        self.with_unknowns::<4>(noise)
    }

    /// The same with κ unknown. It shows only where the pack voltage moves.
    #[must_use]
    pub fn deviations_with_coupling(&self, noise: Noise) -> Option<Deviations> {
        self.with_unknowns::<5>(noise)
    }

    fn with_unknowns<const N: usize>(&self, noise: Noise) -> Option<Deviations> {
        let kept = SMatrix::<f64, N, N>::from_fn(|r, c| self.sum[(r, c)]);
        let covariance = inverse(&kept)?;
        let variance = noise.chassis_v.powi(2) + (self.circuit.coupling * noise.pack_v).powi(2);
        let units = self.units();
        let of = |weights: &[f64]| {
            let w = |n: usize| weights.get(n).copied().unwrap_or(0.0);
            let used = || (0..N).filter(|&n| w(n) != 0.0);
            let terms = used().flat_map(|r| used().map(move |c| (r, c)));
            let sum: f64 = terms.map(|(r, c)| w(r) * covariance[(r, c)] * w(c)).sum();
            (variance * sum).sqrt()
        };
        let x = self.circuit.positive / self.circuit.leak;
        Some(Deviations {
            leak: of(&[1.0]) * units[0],
            positive: of(&[0.0, 1.0]) * units[1],
            negative: of(&[1.0, -1.0]) * self.scale,
            capacitance: of(&[0.0, 0.0, 1.0]) * units[2],
            position: (self.circuit.leak > 0.0)
                .then(|| of(&[-x, 1.0]) * self.scale / self.circuit.leak),
            coupling: (N == UNKNOWNS).then(|| of(&[0.0, 0.0, 0.0, 0.0, 1.0])),
        })
    }
}

/// Smallest pivot of the unknowns' correlation matrix for which the inverse
/// still holds three digits in double precision.
const PIVOT_MIN: f64 = 1e-12;

/// Part of the largest derivative below which one is rounding: it counts as
/// none, which hides a standard deviation of millions of times the others'.
const TRACE_MIN: f64 = 1e-9;

/// The inverse of an information matrix, brought to unit diagonal first, so
/// that only how alike the unknowns act decides; `None` when two act alike, or
/// when G or Gp leave no trace. C and the start may: a circuit faster than the
/// sampling never shows them, and has infinite variances there.
fn inverse<const N: usize>(information: &SMatrix<f64, N, N>) -> Option<SMatrix<f64, N, N>> {
    let size = information.diagonal().map(f64::sqrt);
    let least = TRACE_MIN * size.max();
    let size = size.map(|one| if one < least { 0.0 } else { one });
    if !size.iter().all(|one| one.is_finite()) || size[0] == 0.0 || size[1] == 0.0 {
        return None;
    }
    let unit = SMatrix::<f64, N, N>::from_fn(|r, c| match size[r] * size[c] {
        0.0 => f64::from(u8::from(r == c)),
        both => information[(r, c)] / both,
    });
    let factor = Cholesky::new(unit)?;
    let pivot = factor.l_dirty().diagonal().min();
    if pivot * pivot < PIVOT_MIN {
        return None;
    }
    let inverse = factor.inverse();
    Some(SMatrix::from_fn(|r, c| match size[r] * size[c] {
        0.0 if r == c => f64::INFINITY,
        0.0 => 0.0,
        both => inverse[(r, c)] / both,
    }))
}
