//! What is known to be true of a run.

/// The true leak from a time on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TruePoint {
    /// From when on, in seconds.
    pub from_s: f64,
    /// min(Rp, Rn), in ohms; infinite without a leak.
    pub weakest_ohm: f64,
    /// Rp ‖ Rn, in ohms.
    pub isolation_ohm: f64,
    /// x.
    pub position: Option<f64>,
}
