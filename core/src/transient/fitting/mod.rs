//! The decisions on the way from a record to a fit: where to start, what to
//! think of a finished walk, and when the circuit has changed.
//!
//! ```text
//! warm start --contradicted--> cold start --no minimum, or a belief is wrong--> free start
//!      |                            |                                              |
//!      +----------------------------+-- minimum --> test for a change --> fit      +--> not found
//! ```

mod job;
mod minimum;
mod turns;

use super::beliefs::Beliefs;
use super::borders::Borders;
use super::change::Step;
use super::ground::Ground;
use super::noise::Noise;
use super::normal::System;
use super::pack::Survey;
use super::pass::{Given, Pass, Setting};
use super::record::View;
use super::scaled::Scaled;
use super::search::{Bounds, Search};
use super::start::{Start, Started};
use super::tally::Walked;
use super::theta::Theta;
use crate::num::{millionths, mul};
use job::{Attempt, Completing, Job, Weighing};

/// Fewest entries that are fitted, and of a circuit that was seen to change: a
/// few entries that straddle two circuits can pass for a third.
const FEWEST: usize = 10;
const FEWEST_MOVING: usize = 24;
/// Entries below which a record is short: it can tell neither a drift from the
/// relaxation of a slow circuit, nor that no circuit explains it.
pub(super) const LONG: usize = 40;

/// What one slice of work came to.
#[derive(Debug, Clone, Copy)]
pub(super) enum Outcome {
    /// More entries are wanted.
    Idle,
    Busy,
    /// [`Fitting::publish`] has the fit.
    Ready,
    NotFound,
    /// So many of the newest entries are of another circuit.
    Changed(usize),
}

/// The fit under way, and what the one before leaves to it.
#[derive(Debug, Clone)]
pub(super) struct Fitting {
    job: Job,
    attempt: Attempt,
    search: Search,
    /// What the changes that are looked for add to the equations of a walk.
    borders: Borders,
    beliefs: Beliefs,
    /// Changes of mind about hum, drift and lag that this fit may still make.
    revisions: u8,
    /// The noise variance is that of the fit before, if that one explained its record: the
    /// next may start there.
    given: Given,
    /// A change that may explain the record instead of a drift or lag.
    rival: Option<Step>,
    /// The circuit has been seen to change of late.
    moving: bool,
    /// Somebody watches every block, and finds nothing new.
    calm: bool,
    /// The fit before suspected a change.
    doubted: bool,
}

impl Fitting {
    pub(super) const fn new() -> Self {
        Self {
            job: Job::Idle,
            attempt: Attempt::Cold,
            search: Search::new(Theta::ZERO),
            borders: Borders::new(),
            beliefs: Beliefs::new(),
            revisions: 0,
            given: Given::NOTHING,
            rival: None,
            moving: false,
            calm: false,
            doubted: false,
        }
    }

    pub(super) const fn idle(&self) -> bool {
        matches!(self.job, Job::Idle)
    }

    /// Fewest entries that are fitted.
    pub(super) const fn fewest(&self) -> usize {
        if self.moving { FEWEST_MOVING } else { FEWEST }
    }

    /// Gives up the fit under way.
    pub(super) fn stop(&mut self) {
        self.job = Job::Idle;
    }

    /// Forgets the fit before and all that was learnt of drift and lag.
    pub(super) fn forget(&mut self) {
        self.stop();
        self.given.variance = None;
        self.given.grouped = false;
        self.beliefs.free(false);
    }

    pub(super) const fn theta(&self) -> &Theta {
        &self.search.theta
    }

    /// The record begins later than it did, where v was `start`.
    pub(super) const fn shorten(&mut self, by: i64, start: i64) {
        self.given.epoch = self.given.epoch.saturating_sub(by);
        self.search.theta.start = start;
    }

    /// Begins a fit, of a record of which somebody else thinks nothing new.
    #[inline(never)]
    pub(super) fn begin(&mut self, calm: bool) {
        self.calm = calm;
        self.job = Job::Survey(Survey::default());
    }

    /// Finds out what the record amounts to, and begins a search of it.
    #[inline(never)]
    fn survey(&mut self, ground: &Ground<'_>) -> Outcome {
        let Job::Survey(survey) = &mut self.job else {
            return Outcome::Idle;
        };
        let least = Noise::least_of_pack(ground.config);
        if survey.step(ground.record, ground.noise.pack, least) {
            return Outcome::Busy;
        }
        let declared = ground.config.timing().reading_lag;
        let tick = ground.record.tick_seconds();
        self.beliefs.observe(
            declared,
            ground.noise,
            tick,
            ground.record.jitter_seconds(),
            survey,
        );
        self.given.level = survey.level(ground.noise.pack, least);
        self.given.onset = survey.onset;
        self.given.rippled = survey.rippled;
        self.given.length_us = survey.length_us;
        self.given.dwell_us = survey.dwell_us();
        self.settle_epoch(millionths(self.given.length_us) >> 1, ground.record);
        self.revisions = 3;
        self.rival = None;
        self.attempt = if self.given.variance.is_some() {
            Attempt::Warm
        } else {
            Attempt::Cold
        };
        self.start(ground)
    }

    /// Puts the zero of the drift into the middle of the record: all readings
    /// before and after move by as much.
    fn settle_epoch(&mut self, middle: i64, record: View<'_>) {
        let later = middle.saturating_sub(self.given.epoch);
        let shift = mul(self.search.theta.drift, later);
        let pack = record.get(0).map_or(0, |first| first.pack());
        self.search.theta.shift(shift, pack);
        self.given.epoch = middle;
    }

    #[inline(never)]
    fn start(&mut self, ground: &Ground<'_>) -> Outcome {
        if self.attempt == Attempt::Warm {
            self.search.begin(self.search.theta, true);
            return self.walk(ground);
        }
        self.given.variance = None;
        self.beliefs.free(self.attempt == Attempt::Free);
        let block_us = ground.block_us();
        self.job = Job::Scan(Start::none());
        if let Job::Scan(start) = &mut self.job {
            start.begin(ground.record, self.given.length_us, block_us, &self.beliefs);
        }
        Outcome::Busy
    }

    #[inline(never)]
    fn walk(&mut self, ground: &Ground<'_>) -> Outcome {
        self.job = Job::Walk(Pass::NONE);
        self.borders.clear();
        let setting = Setting {
            ground,
            given: &self.given,
            theta: &self.search.theta,
        };
        if let Job::Walk(pass) = &mut self.job {
            pass.begin(&setting);
        }
        Outcome::Busy
    }

    /// Walks the record once, for nothing but the count of instructions.
    #[cfg(feature = "yardstick")]
    pub(super) fn walk_once(&self, ground: &Ground<'_>) -> Walked {
        let setting = Setting {
            ground,
            given: &self.given,
            theta: &self.search.theta,
        };
        let mut pass = Pass::NONE;
        pass.begin(&setting);
        while !pass.is_over(ground.record) {
            pass.step(&setting, None);
        }
        pass.walked()
    }

    /// One slice of work.
    pub(super) fn step(&mut self, ground: &Ground<'_>) -> Outcome {
        match &mut self.job {
            Job::Idle => Outcome::Idle,
            Job::Start => self.start(ground),
            Job::Survey(_) => self.survey(ground),
            Job::Scan(_) => self.scan(ground),
            Job::Walk(_) => self.go_on(ground),
            Job::Test(..) => self.test_on(ground),
            Job::Weigh(Weighing::Believe | Weighing::Solve | Weighing::Judge, ..) => {
                self.search_on(ground)
            }
            Job::Advance { .. } | Job::Go { .. } => self.move_on(ground),
            Job::Weigh(Weighing::Examine, ..) => self.examine(ground),
            Job::Weigh(Weighing::Compare, ..) => self.compare(),
            Job::Weigh(Weighing::Measure, ..) => self.measure(ground),
            Job::Complete(Completing::Test, ..) => {
                self.add_lateness(ground);
                self.test(ground)
            }
            Job::Complete(..) => self.complete(),
        }
    }

    /// Weighs the equations of a walk.
    #[inline(never)]
    fn search_on(&mut self, ground: &Ground<'_>) -> Outcome {
        let Job::Weigh(weighing, walked, system, by_capacitance) = &mut self.job else {
            return Outcome::Busy;
        };
        *weighing = match weighing {
            Weighing::Believe => {
                let (beliefs, bounds) = (&self.beliefs, bounds(ground, self.given.length_us));
                *by_capacitance = self.search.believe(system, walked.used, beliefs, bounds);
                Weighing::Solve
            }
            Weighing::Solve => {
                self.search.solve(system);
                Weighing::Judge
            }
            _ => {
                let found = self.search.conclude(system, &self.beliefs);
                return self.found(ground, found);
            }
        };
        Outcome::Busy
    }

    /// Makes the step that the search has found.
    #[inline(never)]
    fn move_on(&mut self, ground: &Ground<'_>) -> Outcome {
        match self.job {
            Job::Advance { anew } => {
                self.search.advance();
                self.job = Job::Go { anew };
                Outcome::Busy
            }
            Job::Go { anew } => {
                self.search.go(bounds(ground, self.given.length_us));
                if anew {
                    self.search.restart();
                }
                self.walk(ground)
            }
            _ => Outcome::Busy,
        }
    }

    /// Goes on with the scan of poles.
    #[inline(never)]
    fn scan(&mut self, ground: &Ground<'_>) -> Outcome {
        let Job::Scan(start) = &mut self.job else {
            return Outcome::Busy;
        };
        let network = ground.config.network();
        match start.step(ground.record, network, ground.reference) {
            Started::Busy => Outcome::Busy,
            Started::At(theta) => {
                let lag = self.beliefs.lag.value.to_bits();
                self.search.begin(Theta { lag, ..theta }, false);
                self.walk(ground)
            }
            Started::Nowhere => self.not_found(),
        }
    }

    /// Goes on with a walk through the record.
    #[inline(never)]
    fn go_on(&mut self, ground: &Ground<'_>) -> Outcome {
        let setting = Setting {
            ground,
            given: &self.given,
            theta: &self.search.theta,
        };
        let Job::Walk(pass) = &mut self.job else {
            return Outcome::Busy;
        };
        if !pass.is_over(ground.record) {
            // A search from afar asks for no change on its way.
            let near = self.attempt == Attempt::Warm || self.search.is_anew();
            let borders = near.then_some(&mut self.borders);
            pass.step(&setting, borders);
            return Outcome::Busy;
        }
        if pass.refuted(ground.block_us()) {
            return self.next_attempt(ground);
        }
        self.weigh()
    }

    /// Goes on with the test for a change.
    #[inline(never)]
    fn test_on(&mut self, ground: &Ground<'_>) -> Outcome {
        let bounds = bounds(ground, self.given.length_us);
        let Job::Test(test, converged) = &mut self.job else {
            return Outcome::Busy;
        };
        let theta = &self.search.theta;
        let tested = test.step(&self.borders, theta, &self.beliefs, bounds, converged);
        self.tested(ground, tested, bounds)
    }

    /// A walk is over: its equations are weighed.
    #[inline(never)]
    fn weigh(&mut self) -> Outcome {
        if let Job::Walk(pass) = &self.job {
            let mut equations = System::NONE;
            pass.write(self.given.variance, &mut equations);
            // The equations take the place of the walk that they come from.
            self.make_room(pass.walked());
            if let Job::Weigh(_, _, system, _) = &mut self.job {
                *system = equations;
            }
        }
        Outcome::Busy
    }

    #[inline(never)]
    fn make_room(&mut self, walked: Walked) {
        self.job = Job::Weigh(Weighing::Believe, walked, System::NONE, Scaled::ZERO);
    }
}

/// What a search keeps to in a record so long.
const fn bounds(ground: &Ground<'_>, length_us: u32) -> Bounds {
    Bounds {
        reference: ground.reference,
        block: millionths(ground.block_us()),
        length: millionths(length_us),
    }
}
