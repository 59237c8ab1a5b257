//! How far a fit has come.

use super::super::change::Test;
use super::super::fit::Converged;
use super::super::normal::System;
use super::super::pack::Survey;
use super::super::pass::Pass;
use super::super::scaled::Scaled;
use super::super::slips::{Covariances, Ripple};
use super::super::start::Start;
use super::super::tally::Walked;

/// Where the search for a fit starts, in the order of trying.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Attempt {
    /// From the fit before. Entries that contradict it are left out.
    Warm,
    /// From nothing. All entries count.
    Cold,
    /// From nothing, with drift and lag of the reading free.
    Free,
}

#[derive(Debug, Clone)]
#[allow(
    clippy::large_enum_variant,
    reason = "one job at a time, in place, without a heap"
)]
pub(super) enum Job {
    Idle,
    /// A search is to be started.
    Start,
    /// Before anything else, a look at the record.
    Survey(Survey),
    Scan(Start),
    Walk(Pass),
    /// A finished walk and its equations, and what they say of G + gr only because C is held.
    Weigh(Weighing, Walked, System, Scaled),
    /// The search looks for a step, and makes it; anew from there, if so.
    Advance {
        anew: bool,
    },
    Go {
        anew: bool,
    },
    /// The rest of the measure; then it is tested whether the minimum is that
    /// of one circuit.
    Complete(Completing, Converged, System),
    Test(Test, Converged),
}

/// How far a finished walk has come.
#[derive(Debug, Clone, Copy)]
pub(super) enum Weighing {
    /// The beliefs are added.
    Believe,
    /// The step to the minimum is found.
    Solve,
    /// The search decides whether it has ended.
    Judge,
    /// A minimum is examined before it is believed.
    Examine,
    /// One that is believed is held against a change of the circuit,
    Compare,
    /// and measured.
    Measure,
}

/// What is done next for the rest of the measure.
#[derive(Debug, Clone, Copy)]
pub(super) enum Completing {
    Capacitance,
    Coupling,
    /// What a drift of the reading may have done, by one and in all, and a ripple on the
    /// pack.
    Drift,
    Slide(Covariances),
    Ripple(usize),
    Sway(usize, Ripple),
    /// It is done.
    Test,
}
