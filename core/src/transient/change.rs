//! Has the circuit changed within the record?
//!
//! A score test at the point where the search converged: were G + gr and w
//! free to change within the record, by how much would the sum of squares fall?
//! The columns of a change are those of G + gr and w with the derivatives forced
//! only as the change takes its course, because v itself is continuous. One
//! solution of the normal equations with these two columns gives the fall, and
//! the change that would bring it about, without another search. The columns of
//! κ and λ, which are seldom worth anything, make room for them: to take these
//! two for known makes the test no sharper, only more careful.
//!
//! A change at once is looked for at the beginning of the newest half, quarter,
//! eighth and sixteenth; where it is certain, the older part is dropped. A
//! circuit that was seen to move is afterwards taken to move on: its figures are
//! those at the end of a trend through the record, with the uncertainty that a
//! trend entails, until a record of some length shows that it stands still.

use super::beliefs::Beliefs;
use super::fit::Covariance;
use super::normal::System;
use super::pass::{Pass, Setting, Shape};
use super::record::View;
use super::scaled::Scaled;
use super::search::{self, Bounds, decrement, freedom};
use super::solve::solution;
use super::theta::{COUPLING, LAG, PARAMETERS, Theta};
use crate::num;

/// Fewest entries that are tested against the rest, and most halvings.
const FEWEST: usize = 4;
const HALVINGS: u32 = 4;
/// Evidence of a change: chance brings as much once in 3·10⁵ tests.
const CHANGED: i64 = 25;
/// Evidence for a suspicion, that widens the intervals by the change suspected:
/// chance brings as much once in 400 tests.
const SUSPECT: i64 = 12;
/// Parameters of a circuit with a change.
const DETERMINED: u32 = search::DETERMINED + 2;

/// The test under way.
#[derive(Debug, Clone)]
pub(super) struct Test {
    shape: Shape,
    halvings: u32,
    newest: usize,
    probe: Probe,
    /// The most significant step so far.
    worst: Option<Step>,
    /// Largest suspected changes in ln(G + gr) and w, squared.
    pub(super) suspected: [Scaled; 2],
    pub(super) trend: Option<Trend>,
}

/// How far the test of one change has come.
#[derive(Debug, Clone)]
#[allow(
    clippy::large_enum_variant,
    reason = "one at a time, in place, without a heap"
)]
enum Probe {
    Begin,
    Walk(Pass),
    /// What is done next with the equations of the circuit with a change.
    Weigh(Next, Equations),
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Next {
    Solve,
    Judge,
    /// Those of a trend: how sure the step to it is, and where it leads.
    Measure,
    Complete,
    Follow,
}

#[derive(Debug, Clone)]
struct Equations {
    system: System,
    /// Their degrees of freedom.
    freedom: i64,
    /// Their solution.
    step: Change,
    covariance: Covariance,
}

/// The step to a circuit with a change.
type Change = [Scaled; PARAMETERS];

/// The circuit at the end of a trend.
#[derive(Debug, Clone)]
pub(super) struct Trend {
    pub(super) theta: Theta,
    pub(super) covariance: Covariance,
}

/// What a slice came to.
#[derive(Debug, Clone, Copy)]
pub(super) enum Tested {
    Busy,
    /// The record is of one piece, as far as it shows.
    Steady,
    /// Some of the newest entries are of another circuit.
    Changed(Step),
}

/// A change at once.
#[derive(Debug, Clone, Copy)]
pub(super) struct Step {
    /// So many of the newest entries are of another circuit.
    pub(super) newest: usize,
    evidence: i64,
    /// Sum of squares that it leaves.
    pub(super) left: Scaled,
}

impl Test {
    pub(super) const fn new(record: View<'_>) -> Self {
        Self {
            shape: Shape::Trend,
            halvings: 0,
            newest: record.len(),
            probe: Probe::Begin,
            worst: None,
            suspected: [Scaled::ZERO; 2],
            trend: None,
        }
    }

    /// One slice of work.
    #[inline(never)]
    pub(super) fn step(
        &mut self,
        setting: &Setting<'_>,
        theta: &Theta,
        beliefs: &Beliefs,
        bounds: Bounds,
    ) -> Tested {
        if self.halvings > HALVINGS || self.newest < FEWEST {
            return match self.worst {
                Some(step) => Tested::Changed(step),
                None => Tested::Steady,
            };
        }
        match &mut self.probe {
            Probe::Begin => self.begin(setting, theta),
            Probe::Walk(pass) if pass.is_over() => self.weigh(theta, beliefs, bounds),
            Probe::Walk(pass) => pass.step(setting, theta),
            Probe::Weigh(next @ Next::Solve, equations) => {
                equations.step = solution(&equations.system, Scaled::ZERO);
                *next = Next::Judge;
            }
            Probe::Weigh(Next::Judge, _) => self.judge(setting, beliefs),
            Probe::Weigh(next @ Next::Measure, equations) => {
                equations.measure();
                *next = Next::Complete;
            }
            Probe::Weigh(next @ Next::Complete, equations) => {
                equations.covariance.complete(&equations.system);
                *next = Next::Follow;
            }
            Probe::Weigh(Next::Follow, _) => self.follow(setting, theta, bounds),
        }
        Tested::Busy
    }

    /// On to a later and shorter part of the record.
    #[inline(never)]
    fn next(&mut self, setting: &Setting<'_>) {
        self.halvings = self.halvings.saturating_add(1);
        self.newest >>= 1;
        self.shape = Shape::Step(setting.record.len().saturating_sub(self.newest));
        self.probe = Probe::Begin;
    }

    #[inline(never)]
    fn begin(&mut self, setting: &Setting<'_>, theta: &Theta) {
        self.probe = Probe::Walk(Pass::NONE);
        if let Probe::Walk(pass) = &mut self.probe {
            pass.begin(setting, theta, self.shape);
        }
    }

    #[inline(never)]
    fn weigh(&mut self, theta: &Theta, beliefs: &Beliefs, bounds: Bounds) {
        if let Probe::Walk(pass) = &self.probe {
            let freedom = freedom(pass.used, DETERMINED);
            let mut system = System::NONE;
            write(&mut system, pass, freedom, theta, beliefs, bounds);
            // The equations take the place of the walk that they come from.
            self.make_room();
            if let Probe::Weigh(_, equations) = &mut self.probe {
                equations.system = system;
                equations.freedom = freedom;
            }
        }
    }

    #[inline(never)]
    fn make_room(&mut self) {
        self.probe = Probe::Weigh(Next::Solve, Equations::NONE);
    }

    #[inline(never)]
    fn follow(&mut self, setting: &Setting<'_>, theta: &Theta, bounds: Bounds) {
        if let Probe::Weigh(_, equations) = &self.probe {
            self.trend = Some(Trend {
                theta: bounds.moved(theta, &without_change(equations.step)),
                covariance: equations.covariance,
            });
        }
        self.next(setting);
    }

    /// How much a change explains.
    #[inline(never)]
    fn judge(&mut self, setting: &Setting<'_>, beliefs: &Beliefs) {
        let Probe::Weigh(next, equations) = &mut self.probe else {
            return;
        };
        let system = &mut equations.system;
        let (freedom, step) = (equations.freedom, &equations.step);
        let fall = decrement(system, step);
        // −2 ln of the probability that chance does as much, with the few
        // degrees of freedom of a short record allowed for. What falls below
        // the least noise that is believed is no evidence.
        let floor = beliefs.least_variance(freedom).times(Scaled::int(freedom));
        let left = system.squares().minus(fall).max(floor);
        let kept = left.over(system.squares()).min(Scaled::ONE);
        let evidence = num::times(num::neg_ln(kept.bits()), freedom);
        let beyond = |bound: i64| evidence > bound << 32;
        if beyond(SUSPECT) {
            let [_, _, _, total, _, _, ratio] = *step;
            let [most_total, most_ratio] = &mut self.suspected;
            *most_total = most_total.max(total.square());
            *most_ratio = most_ratio.max(ratio.square());
        }
        system.lower(fall);
        if self.shape == Shape::Trend {
            *next = Next::Measure;
            return;
        }
        if beyond(CHANGED) && self.worst.is_none_or(|worst| worst.evidence < evidence) {
            self.worst = Some(Step {
                newest: self.newest,
                evidence,
                left: system.squares(),
            });
        }
        self.next(setting);
    }

    /// Nothing suggests a change.
    pub(super) fn unsuspicious(&self) -> bool {
        let [by_total, by_ratio] = self.suspected;
        !by_total.positive() && !by_ratio.positive()
    }
}

impl Equations {
    const NONE: Self = Self {
        system: System::NONE,
        freedom: 0,
        step: [Scaled::ZERO; PARAMETERS],
        covariance: Covariance::NONE,
    };

    #[inline(never)]
    fn measure(&mut self) {
        self.covariance = Covariance::new(&self.system, self.freedom);
    }
}

/// Writes the equations of a circuit with a change.
#[inline(never)]
fn write(
    system: &mut System,
    pass: &Pass,
    freedom: i64,
    theta: &Theta,
    beliefs: &Beliefs,
    bounds: Bounds,
) {
    pass.normal.write(system);
    let least = beliefs.least_variance(freedom);
    let noise = search::variance(system.squares(), freedom, least);
    beliefs.apply_basics(system, theta, noise);
    bounds.hold(system, theta);
    for place in [COUPLING, LAG] {
        system.prior(place, Scaled::ZERO, beliefs.weight(Scaled::int(5)));
    }
}

fn without_change(step: [Scaled; PARAMETERS]) -> [Scaled; PARAMETERS] {
    let [total, ratio, capacitance, _, start, drift, _] = step;
    let none = Scaled::ZERO;
    [total, ratio, capacitance, none, start, drift, none]
}
