//! The check against what the monitor said.

use ohmsplit::Reason;

use super::compute::{Answer, Bounded, in_y};

/// Which resistance the monitor's figure is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Figure {
    /// min(Rp, Rn): the same as Ri.
    WeakestRail,
    /// Rp in parallel with Rn: for a symmetric leak half of Ri.
    BothInParallel,
}

/// What the monitor said.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Claim {
    /// Which resistance.
    pub figure: Figure,
    /// Its value and 95 % interval.
    pub resistance: Bounded,
}

/// How far both are apart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Comparison {
    /// What was compared.
    pub claim: Claim,
    /// Monitor less check in combined standard uncertainties.
    pub deviation: f64,
    /// At most two apart.
    pub agrees: bool,
    /// They disagree, but the monitor's figure fits the other definition.
    pub fits_other_figure: bool,
}

/// What came of holding the check against the monitor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Held {
    /// Against its figure.
    Against(Comparison),
    /// The monitor gives none, for this reason.
    NoFigure(Reason),
}

/// Compares in y = R || Ro, where both are nearly Gaussian; see [`super::compute()`].
#[must_use]
pub fn compare(answer: &Answer, claim: Claim, ro: f64) -> Comparison {
    let deviation = |own: &Bounded| {
        let (own, own_u) = in_y(ro, own);
        let (theirs, theirs_u) = in_y(ro, &claim.resistance);
        // Both may be exact: the smallest number that still divides.
        (theirs - own) / own_u.hypot(theirs_u).max(f64::MIN_POSITIVE)
    };
    let (own, other) = match claim.figure {
        Figure::WeakestRail => (&answer.weakest, &answer.parallel),
        Figure::BothInParallel => (&answer.parallel, &answer.weakest),
    };
    let agree = |z: f64| z.abs() <= 2.0;
    let z = deviation(own);
    Comparison {
        claim,
        deviation: z,
        agrees: agree(z),
        fits_other_figure: !agree(z) && agree(deviation(other)),
    }
}
