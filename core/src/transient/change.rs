//! Has the circuit changed within the record?
//!
//! A score test at the point where the search converged: were G + gr and w
//! free to change within the record, by how much would the sum of squares fall?
//! The columns of a change are those of G + gr and w with the derivatives forced
//! only as the change takes its course, because v itself is continuous. Every
//! walk gathers what they add to the equations of the circuit (`borders`), so
//! that one solution of these with two more columns gives the fall, and
//! the change that would bring it about, without another walk. The columns of
//! κ and λ, which are seldom worth anything, make room for them: to take these
//! two for known makes the test no sharper, only more careful.
//!
//! A change at once is looked for at the beginning of the newest half, quarter,
//! eighth and sixteenth; where it is certain, the older part is dropped. A
//! circuit that was seen to move is afterwards taken to move on: its figures are
//! those at the end of a trend through the record, with the uncertainty that a
//! trend entails, until a record of some length shows that it stands still.

use super::beliefs::Beliefs;
use super::borders::{Borders, CHANGES};
use super::covariance::Covariance;
use super::fit::Converged;
use super::normal::System;
use super::scaled::Scaled;
use super::search::{self, Bounds, decrement, freedom};
use super::solve::solution;
use super::theta::{COUPLING, LAG, PARAMETERS, Theta};
use crate::num;

/// Fewest entries that are tested against the rest.
const FEWEST: usize = 4;
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
    /// The change in question: a trend first.
    change: usize,
    newest: usize,
    /// The equations of the circuit without a change.
    circuit: System,
    /// What their own solution takes off the sum of squares, taken off already.
    fall: Scaled,
    freedom: i64,
    next: Next,
    equations: Equations,
    /// The most significant step so far.
    worst: Option<Step>,
    /// Largest suspected changes in ln(G + gr) and w, squared.
    pub(super) suspected: [Scaled; 2],
    pub(super) trend: Option<Trend>,
}

/// What is done next with the equations of the circuit with a change.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Next {
    Write,
    Solve,
    Judge,
    /// Those of a trend: how sure the step to it is, and where it leads.
    Measure,
    Capacitance,
    Follow,
}

#[derive(Debug, Clone)]
struct Equations {
    system: System,
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
    /// With 16 fraction bits.
    evidence: i32,
    /// Sum of squares that it leaves.
    pub(super) left: Scaled,
}

impl Test {
    /// Of a circuit with these equations, in which `used` rows are.
    pub(super) fn new(circuit: System, fall: Scaled, used: u32, entries: usize) -> Self {
        Self {
            change: 0,
            newest: entries,
            circuit,
            fall,
            freedom: freedom(used, DETERMINED),
            next: Next::Write,
            equations: Equations::NONE,
            worst: None,
            suspected: [Scaled::ZERO; 2],
            trend: None,
        }
    }

    /// One slice of work.
    #[inline(never)]
    pub(super) fn step(
        &mut self,
        borders: &Borders,
        theta: &Theta,
        beliefs: &Beliefs,
        bounds: Bounds,
        converged: &Converged,
    ) -> Tested {
        if self.change >= CHANGES || self.newest < FEWEST {
            return match self.worst {
                Some(step) => Tested::Changed(step),
                None => Tested::Steady,
            };
        }
        match self.next {
            Next::Write => self.write(borders, theta, beliefs, bounds),
            Next::Solve => {
                self.equations.step = solution(&self.equations.system, Scaled::ZERO);
                self.next = Next::Judge;
            }
            Next::Judge => self.judge(beliefs, converged.residue()),
            Next::Measure => {
                self.equations.covariance = Covariance::new(&self.equations.system, self.freedom);
                self.next = Next::Capacitance;
            }
            Next::Capacitance => {
                let Equations {
                    system, covariance, ..
                } = &mut self.equations;
                covariance.add_capacitance(system, converged.start_held);
                self.next = Next::Follow;
            }
            Next::Follow => self.follow(theta, bounds),
        }
        Tested::Busy
    }

    /// On to a later and shorter part of the record.
    fn next(&mut self) {
        self.change = self.change.saturating_add(1);
        self.newest >>= 1;
        self.next = Next::Write;
    }

    /// Writes the equations of a circuit with a change.
    #[inline(never)]
    fn write(&mut self, borders: &Borders, theta: &Theta, beliefs: &Beliefs, bounds: Bounds) {
        let system = &mut self.equations.system;
        system.clone_from(&self.circuit);
        borders.write(self.change, system);
        // What was held is held against the new columns, too.
        let _ = bounds.hold(system, theta);
        for place in [COUPLING, LAG] {
            system.prior(place, Scaled::ZERO, beliefs.weight(Scaled::int(5)));
        }
        self.next = Next::Solve;
    }

    #[inline(never)]
    fn follow(&mut self, theta: &Theta, bounds: Bounds) {
        self.trend = Some(Trend {
            theta: bounds.moved(theta, &without_change(self.equations.step)),
            covariance: self.equations.covariance,
        });
        self.next();
    }

    /// How much a change explains, where the noise leaves such a variance that
    /// does not average out.
    #[inline(never)]
    fn judge(&mut self, beliefs: &Beliefs, residue: Scaled) {
        let Equations { system, step, .. } = &mut self.equations;
        let freedom = self.freedom;
        let fall = decrement(system, step).minus(self.fall);
        // −2 ln of the probability that chance does as much, with the few
        // degrees of freedom of a short record allowed for. What falls below
        // the least noise that is believed is no evidence.
        let floor = beliefs.least_variance(freedom).times(Scaled::int(freedom));
        let slow = residue.times(Scaled::int(freedom));
        let (before, floor) = (system.squares().max(floor).plus(slow), floor.plus(slow));
        let kept = before.minus(fall).max(floor).over(before);
        let kept = kept.min(Scaled::ONE);
        let evidence = num::times(num::neg_ln(kept.bits()), freedom);
        let beyond = |bound: i64| evidence > bound << 32;
        let certain = beyond(CHANGED);
        if beyond(SUSPECT) {
            let [_, _, _, total, _, _, ratio] = *step;
            let [most_total, most_ratio] = &mut self.suspected;
            *most_total = most_total.max(total.square());
            *most_ratio = most_ratio.max(ratio.square());
        }
        system.lower(fall);
        if self.change == 0 {
            self.next = Next::Measure;
            return;
        }
        let evidence = i32::try_from(evidence >> 16).unwrap_or(i32::MAX);
        let most = self.worst.is_none_or(|worst| worst.evidence < evidence);
        if certain && most {
            self.worst = Some(Step {
                newest: self.newest,
                evidence,
                left: system.squares(),
            });
        }
        self.next();
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
        step: [Scaled::ZERO; PARAMETERS],
        covariance: Covariance::NONE,
    };
}

fn without_change(step: [Scaled; PARAMETERS]) -> [Scaled; PARAMETERS] {
    let [total, ratio, capacitance, _, start, drift, _] = step;
    let none = Scaled::ZERO;
    [total, ratio, capacitance, none, start, drift, none]
}
