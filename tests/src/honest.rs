//! What an estimate must satisfy whatever the circumstances: it is right
//! within its stated uncertainty.

use ohmsplit::{Estimate, Kind};

use crate::bench::Figures;
use crate::bounds::{HONEST, UNEXPLAINED};
use crate::reference::{Circuit, State};

/// What of an estimate is confidently wrong about this circuit, if anything.
#[must_use]
pub fn wrong(estimate: &Estimate, circuit: &Circuit) -> Option<String> {
    let figures = Figures::from(estimate);
    let leak = &circuit.leak;
    let truth = leak.conductance();
    let [low, high] = figures.isolation_interval;
    let holds = match estimate.kind {
        Kind::Figure => off(&figures, circuit, truth) <= HONEST.allowed,
        Kind::Short => leak.isolation() < 1.5 * high,
        Kind::Open => leak.isolation() > low / 1.5,
    };
    (!holds || !position_holds(&figures, leak.position())).then(|| {
        format!(
            "{:?} {figures:?}, truth {truth:e} S, {leak:?}",
            estimate.kind
        )
    })
}

/// Distance from `truth` in standard uncertainties, less what is free. What is
/// measured is the swing, so the error is normal in 1/(G + g): a low
/// resistance has a skew interval.
#[must_use]
pub fn off(figures: &Figures, circuit: &Circuit, truth: f64) -> f64 {
    let load = (circuit.row(State::Raise).g + circuit.row(State::Lower).g) / 2.0;
    let [g, u] = figures.conductance;
    let (got, want) = (1.0 / (g + load), 1.0 / (truth + load));
    ((got - want) / (u * got * got)).abs() - UNEXPLAINED.allowed * truth / u
}

/// A quotient of two uncertain conductances is near normal only when its
/// divisor is well known; where it is not, nothing is asked of x.
fn position_holds(figures: &Figures, truth: f64) -> bool {
    let [g, u] = figures.conductance;
    figures.position.is_none_or(|[x, u_x]| {
        u >= 0.05 * g || (x - truth).abs() <= HONEST.allowed * u_x + UNEXPLAINED.allowed
    })
}
