//! The parameters of a circuit.

use crate::config::Row;
use crate::num::{self, mul};

/// Parameters.
pub(super) const PARAMETERS: usize = 7;
/// Places of the parameters in a system.
pub(super) const TOTAL: usize = 0;
pub(super) const RATIO: usize = 1;
pub(super) const CAPACITANCE: usize = 2;
pub(super) const COUPLING: usize = 3;
pub(super) const START: usize = 4;
pub(super) const DRIFT: usize = 5;
pub(super) const LAG: usize = 6;

/// A point in parameter space; `I32F32` in V, µS, µF and s.
#[derive(Debug, Clone, Copy)]
pub(super) struct Theta {
    /// G + gr.
    pub(super) total: i64,
    /// w.
    pub(super) ratio: i64,
    /// C.
    pub(super) capacitance: i64,
    /// κ.
    pub(super) coupling: i64,
    /// v at the start of the record.
    pub(super) start: i64,
    /// Drift of the v reading, V/s.
    pub(super) drift: i64,
    /// λ.
    pub(super) lag: i64,
}

impl Theta {
    pub(super) const ZERO: Self = Self {
        total: 0,
        ratio: 0,
        capacitance: 0,
        coupling: 0,
        start: 0,
        drift: 0,
        lag: 0,
    };

    /// Moves all of v by a voltage.
    pub(super) fn shift(&mut self, by: i64, pack: i64) {
        if by != 0 && pack != 0 {
            self.start = self.start.saturating_add(by);
            self.ratio = self.ratio.saturating_add(num::ratio(by, pack));
        }
    }
}

/// gr and pr.
#[derive(Debug, Clone, Copy)]
pub(super) struct Reference {
    pub(super) g: i64,
    pub(super) p: i64,
}

/// Gt of a drive state, kept positive.
pub(super) fn gt(theta: &Theta, reference: Reference, row: Row) -> i64 {
    theta
        .total
        .saturating_sub(reference.g)
        .saturating_add(row.g.to_bits())
        .max(theta.total >> 10)
        .max(1 << 16)
}

/// Gp.
pub(super) fn positive(theta: &Theta, reference: Reference) -> i64 {
    mul(theta.ratio, theta.total).saturating_sub(reference.p)
}
