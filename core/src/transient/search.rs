//! The search for the least squares: Gauss-Newton, damped (Levenberg,
//! Marquardt) where a full step fails.

use super::beliefs::Beliefs;
use super::decay::exp;
use super::normal::System;
use super::scaled::Scaled;
use super::solve::solution;
use super::theta::{CAPACITANCE, PARAMETERS, RATIO, Reference, TOTAL, Theta};
use crate::num::{self, ONE, mul};

/// Most walks through the record before the search is given up.
const PATIENCE: u32 = 40;
/// After so many it is worth asking whether hum keeps the search from its end.
pub(super) const DOUBTFUL: u32 = 12;

/// A point that was accepted, to fall back to.
#[derive(Debug, Clone)]
struct Accepted {
    theta: Theta,
    system: System,
    /// By how much the step from there was to lower the sum of squares.
    promised: Scaled,
}

/// What one conclusion came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Found {
    /// Advance, and walk again from the new point.
    Again,
    /// Converged.
    Least,
    /// No minimum found.
    Lost,
}

/// The search under way.
#[derive(Debug, Clone)]
pub(super) struct Search {
    pub(super) theta: Theta,
    /// It began at the minimum of an older record.
    minimum: bool,
    accepted: Option<Accepted>,
    damping: Scaled,
    /// Power of two by which the next failure raises the damping.
    raise: i32,
    pub(super) walks: u32,
    /// A step that the point is still to make.
    step: [Scaled; PARAMETERS],
    /// By how much that step lowers the sum of squares.
    pub(super) fall: Scaled,
    /// Noise variance that the residuals of the last walk show.
    noise: Scaled,
}

impl Search {
    pub(super) const fn new(theta: Theta) -> Self {
        Self {
            theta,
            minimum: false,
            accepted: None,
            damping: Scaled::ZERO,
            raise: 1,
            walks: 0,
            step: [Scaled::ZERO; PARAMETERS],
            fall: Scaled::ZERO,
            noise: Scaled::ZERO,
        }
    }

    /// Begins at a point, at the minimum of an older record or somewhere.
    pub(super) const fn begin(&mut self, theta: Theta, minimum: bool) {
        self.theta = theta;
        self.minimum = minimum;
        self.accepted = None;
        self.damping = Scaled::ZERO;
        self.raise = 1;
        self.walks = 0;
    }

    /// Adds the beliefs to the equations of a walk, given the rows that went
    /// into them. Returns what [`Bounds::hold`] does.
    #[inline(never)]
    pub(super) fn believe(
        &mut self,
        system: &mut System,
        used: u32,
        beliefs: &Beliefs,
        bounds: Bounds,
    ) -> Scaled {
        let freedom = freedom(used, DETERMINED);
        let least = beliefs.least_variance(freedom);
        self.noise = variance(system.squares(), freedom, least);
        beliefs.apply(system, &self.theta, self.noise);
        bounds.hold(system, &self.theta)
    }

    /// Finds the step to the minimum from the equations of a walk, beliefs
    /// included.
    #[inline(never)]
    pub(super) fn solve(&mut self, system: &System) {
        self.step = solution(system, Scaled::ZERO);
        self.fall = decrement(system, &self.step);
    }

    /// Judges a walk by its equations and their solution.
    #[inline(never)]
    pub(super) fn conclude(&mut self, system: &System, beliefs: &Beliefs) -> Found {
        self.walks = self.walks.saturating_add(1);
        if self.walks >= PATIENCE {
            return Found::Lost;
        }
        if let Some(old) = &self.accepted {
            let slack = beliefs.variance().shifted(-10);
            let gained = old.system.squares().minus(system.squares());
            if gained.plus(slack).negative() {
                return self.retreat();
            }
            self.trust(gained.over(old.promised));
        }
        if self.is_near() {
            return Found::Least;
        }
        self.accept(system);
        Found::Again
    }

    /// The step that was found leads to the minimum: it is a trifle, or it is
    /// short, and what the predictions bend on its way leaves a trifle.
    fn is_near(&self) -> bool {
        let trifle = self.noise.times(TRIFLE);
        if !self.minimum || !self.fall.less(self.noise.times(NEAR)) {
            return self.fall.less(trifle);
        }
        let [total, ratio, capacitance, .., lag] = self.step;
        let rate = num::ratio(self.theta.total, self.theta.capacitance);
        let bend = total
            .size()
            .max(capacitance.size())
            .max(ratio.size())
            .max(lag.times(Scaled::of(rate)).size())
            .shifted(1)
            .min(Scaled::ONE);
        self.fall.times(bend.square()).less(trifle)
    }

    #[inline(never)]
    fn accept(&mut self, system: &System) {
        self.accepted = Some(Accepted {
            theta: self.theta,
            system: system.clone(),
            promised: Scaled::ZERO,
        });
    }

    /// The point is worse than the one before: a shorter step from there.
    fn retreat(&mut self) -> Found {
        self.damping = self.damping.max(LEAST_DAMPING).shifted(self.raise);
        self.raise = self.raise.saturating_add(1);
        if Scaled::int(1 << 20).less(self.damping) {
            return Found::Lost;
        }
        Found::Again
    }

    /// Less damping the better the step kept its promise (Nielsen's rule).
    fn trust(&mut self, kept: Scaled) {
        let excess = kept.shifted(1).minus(Scaled::ONE);
        let third = Scaled::new(5, -4);
        let factor = Scaled::ONE.minus(excess.square().times(excess)).max(third);
        self.damping = self.damping.times(factor.min(Scaled::int(2)));
        if self.damping.less(LEAST_DAMPING) {
            self.damping = Scaled::ZERO;
        }
        self.raise = 1;
    }

    /// How firmly v at the start was held in the last walk.
    pub(super) fn start_weight(&self, beliefs: &Beliefs) -> Scaled {
        beliefs.start_weight(self.noise)
    }

    /// Where the step that was found leads, as to drift and lag.
    pub(super) fn least(&self) -> Theta {
        let [.., drift, lag] = self.step;
        Theta {
            drift: self.theta.drift.saturating_add(drift.bits()),
            lag: self.theta.lag.saturating_add(lag.bits()),
            ..self.theta
        }
    }

    /// Makes the step that was found.
    #[inline(never)]
    pub(super) fn go(&mut self, bounds: Bounds) {
        self.theta = bounds.moved(&self.theta, &self.step);
    }

    /// Finds a step from the accepted point.
    #[inline(never)]
    pub(super) fn advance(&mut self) {
        let Some(here) = &mut self.accepted else {
            return;
        };
        let system = &here.system;
        let step = solution(system, self.damping);
        here.promised = step
            .iter()
            .enumerate()
            .fold(Scaled::ZERO, |sum, (row, by)| {
                let pull = system.at(row, row).times(self.damping).times(*by);
                sum.plus(by.times(pull.plus(system.side(row))))
            });
        self.theta = here.theta;
        self.step = step;
    }

    /// The next walk goes through a point that has been found.
    pub(super) const fn is_anew(&self) -> bool {
        self.accepted.is_none() && self.walks > 0
    }

    /// Starts anew from the present point.
    pub(super) fn restart(&mut self) {
        self.accepted = None;
        self.damping = Scaled::ZERO;
    }
}

/// A fall of the sum of squares that does not matter, in noise variances: within
/// a tenth of a standard deviation of the minimum in every direction.
const TRIFLE: Scaled = Scaled::new(5, -9);

/// A fall, in noise variances, that moves no prediction by as much as two
/// standard deviations of an entry: what was left out stays left out.
const NEAR: Scaled = Scaled::new(1, 1);

/// Below this share of the diagonal, damping is none. A slow circuit leaves
/// directions that have a millionth of the information of the best.
const LEAST_DAMPING: Scaled = Scaled::new(1, -20);

/// Parameters that a record usually determines.
pub(super) const DETERMINED: u32 = 6;

/// Degrees of freedom of so many rows.
pub(super) fn freedom(used: u32, parameters: u32) -> i64 {
    i64::from(used.saturating_sub(parameters).max(1))
}

/// Noise variance that the residuals show, V² times weight; not below `least`.
pub(super) fn variance(squares: Scaled, freedom: i64, least: Scaled) -> Scaled {
    squares.over(Scaled::int(freedom)).max(least)
}

/// How much the full step promises to lower the sum of squares.
pub(super) fn decrement(system: &System, step: &[Scaled; PARAMETERS]) -> Scaled {
    step.iter()
        .enumerate()
        .fold(Scaled::ZERO, |sum, (row, by)| {
            sum.plus_product(*by, system.side(row))
        })
}

/// Bounds of G + gr (µS), C (µF) and w.
pub(super) const MOST_TOTAL: i64 = 60_000 * ONE;
pub(super) const MOST_CAPACITANCE: i64 = 400 * ONE;
/// Blocks over the shortest time constant.
pub(super) const FASTEST: i64 = 400;
pub(super) const RATIOS: (i64, i64) = (-ONE, 2 * ONE);

fn within(value: i64, (least, most): (i64, i64)) -> i64 {
    value.min(most).max(least)
}

/// How far a point may go.
#[derive(Debug, Clone, Copy)]
pub(super) struct Bounds {
    pub(super) reference: Reference,
    /// Lengths of a block and of the record, s.
    pub(super) block: i64,
    pub(super) length: i64,
}

/// New G + gr, w and C of a circuit that hardly begins to settle within the
/// record. Its voltage is linear in 1/C, (G + gr)/C and (Gp + pr)/C: a step in
/// these leads straight to the minimum, one in logarithms around a bend.
fn slow_move(from: &Theta, total: i64, ratio: i64, capacitance: i64) -> (i64, i64, i64) {
    let slower = ONE.saturating_sub(capacitance);
    let grown = slower.saturating_add(total);
    let part = mul(from.ratio, grown).saturating_add(ratio);
    (
        num::ratio(mul(from.total, grown), slower),
        num::ratio(part, grown),
        num::ratio(from.capacitance, slower),
    )
}

impl Bounds {
    /// C below which a circuit has settled before the first sample is taken.
    fn least(&self, total: i64) -> i64 {
        mul(total, num::ratio(self.block, FASTEST * ONE)).max(1 << 10)
    }

    /// Holds the parameters that the data pull beyond their bounds. Returns what they say of G + gr only because C is held at
    /// the most.
    pub(super) fn hold(&self, system: &mut System, theta: &Theta) -> Scaled {
        let mut by_capacitance = Scaled::ZERO;
        let total = (self.least_total(), MOST_TOTAL);
        let capacitance = (self.least(theta.total), MOST_CAPACITANCE);
        for (place, value, (least, most)) in [
            (TOTAL, theta.total, total),
            (RATIO, theta.ratio, RATIOS),
            (CAPACITANCE, theta.capacitance, capacitance),
        ] {
            let pull = system.side(place);
            if value <= least && !pull.positive() || value >= most && !pull.negative() {
                // A short has its time constant from the first samples alone: that is
                // no more of G than of C.
                let said = match place {
                    TOTAL => system.said_of(TOTAL, CAPACITANCE),
                    _ => system.at(place, place),
                };
                if place == CAPACITANCE && value >= most {
                    let all = system.at(TOTAL, TOTAL);
                    by_capacitance = all.minus(system.said_of(TOTAL, CAPACITANCE));
                }
                system.hold(place, said);
            }
        }
        by_capacitance
    }

    fn least_total(&self) -> i64 {
        num::ratio(self.reference.g, 50 * ONE).saturating_add(ONE / 1000)
    }

    /// A point moved by a step, or by as much of it as keeps to a factor of
    /// e^1.5 in G + gr and C and 0.7 in w; a quarter as much where the circuit
    /// is slower than the record is long.
    #[inline(never)]
    pub(super) fn moved(&self, from: &Theta, step: &[Scaled; PARAMETERS]) -> Theta {
        let slow = from.capacitance > mul(from.total, self.length);
        let most = Scaled::of(if slow { ONE * 3 / 8 } else { ONE * 3 / 2 });
        let [total, ratio, capacitance, ..] = *step;
        let reach = total
            .size()
            .max(capacitance.size())
            .max(ratio.size().shifted(1));
        let scale = if most.less(reach) {
            most.over(reach)
        } else {
            Scaled::ONE
        };
        let [total, ratio, capacitance, coupling, start, drift, lag] =
            step.map(|by| by.times(scale).bits());
        let (total, ratio, capacitance) = if slow {
            slow_move(from, total, ratio, capacitance)
        } else {
            (
                mul(from.total, exp(total)),
                from.ratio.saturating_add(ratio),
                mul(from.capacitance, exp(capacitance)),
            )
        };
        let total = total.min(MOST_TOTAL).max(self.least_total());
        let plus = |a: i64, b: i64| a.saturating_add(b);
        Theta {
            total,
            ratio: within(ratio, RATIOS),
            capacitance: capacitance.min(MOST_CAPACITANCE).max(self.least(total)),
            coupling: plus(from.coupling, coupling),
            start: plus(from.start, start),
            drift: plus(from.drift, drift),
            lag: plus(from.lag, lag),
        }
    }
}
