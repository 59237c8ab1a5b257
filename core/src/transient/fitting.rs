//! The decisions on the way from a record to a fit: where to start, what to
//! think of a finished walk, and when the circuit has changed.
//!
//! ```text
//! warm start --contradicted--> cold start --no minimum, or a belief is wrong--> free start
//!      |                            |                                              |
//!      +----------------------------+-- minimum --> test for a change --> fit      +--> not found
//! ```

use super::Progress;
use super::beliefs::{Beliefs, Revision};
use super::change::{Step, Test, Tested};
use super::fit::{self, Converged};
use super::ground::Ground;
use super::noise::Noise;
use super::normal::System;
use super::pack;
use super::pass::{Pass, Setting, Shape};
use super::record::View;
use super::scaled::Scaled;
use super::search::{self, DETERMINED, Found, Search, freedom};
use super::start::{Start, Started};
use super::theta::Theta;
use crate::num::{millionths, mul};

/// Fewest entries that are fitted, and of a circuit that was seen to change: a
/// few entries that straddle two circuits can pass for a third.
const FEWEST: usize = 10;
const FEWEST_MOVING: usize = 24;
/// Fewest sums over five blocks that are fitted, and entries below which a
/// record is short: it can tell neither a drift from the relaxation of a slow
/// circuit, nor that no circuit explains it.
const FEWEST_GROUPED: u32 = 16;
pub(super) const LONG: usize = 40;
/// Entries without a suspicion that show that a circuit has come to rest.
const STILL: usize = 64;

/// Where the search for a fit starts, in the order of trying.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Attempt {
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
enum Job {
    Idle,
    Scan(Start),
    Walk(Pass),
    Test(Test, Converged),
}

/// What one slice of work came to.
#[derive(Debug, Clone, Copy)]
pub(super) enum Outcome {
    /// As far as the caller is concerned.
    Is(Progress),
    /// So many of the newest entries are of another circuit.
    Changed(usize),
}

const BUSY: Outcome = Outcome::Is(Progress::Busy);
/// The fit under way, and what the one before leaves to it.
#[derive(Debug, Clone)]
pub(super) struct Fitting {
    job: Job,
    attempt: Attempt,
    search: Search,
    beliefs: Beliefs,
    /// Rows are summed over five blocks, because of hum.
    grouped: bool,
    /// Changes of mind about hum, drift and lag that this fit may still make.
    revisions: u8,
    /// When a drift of the reading is zero, in s from the start of the record.
    epoch: i64,
    /// Vb of a record in which it stood still.
    level: Option<pack::Level>,
    /// Noise variance of the fit before, if that one explained its record: the
    /// next may start there.
    variance: Option<Scaled>,
    /// A change that may explain the record instead of a drift or lag.
    rival: Option<Step>,
    /// The circuit has been seen to change of late.
    moving: bool,
}

impl Fitting {
    pub(super) const fn new() -> Self {
        Self {
            job: Job::Idle,
            attempt: Attempt::Cold,
            search: Search::new(Theta::ZERO),
            beliefs: Beliefs::new(),
            grouped: false,
            revisions: 0,
            epoch: 0,
            level: None,
            variance: None,
            rival: None,
            moving: false,
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
        self.variance = None;
        self.grouped = false;
        self.beliefs.free(false);
    }

    pub(super) const fn theta(&self) -> &Theta {
        &self.search.theta
    }

    /// The record begins later than it did, where v was `start`.
    pub(super) const fn shorten(&mut self, by: i64, start: i64) {
        self.epoch = self.epoch.saturating_sub(by);
        self.search.theta.start = start;
    }

    /// Begins a fit.
    pub(super) fn begin(&mut self, ground: &Ground<'_>, noise: &Noise) -> Progress {
        let extent = ground.record.extent(ground.block_us());
        let declared = ground.config.timing().reading_lag;
        self.beliefs.observe(declared, noise, &extent);
        self.level = pack::level(ground.record, noise.pack);
        self.settle_epoch(extent.length >> 1, ground.record);
        self.revisions = 3;
        self.rival = None;
        self.attempt = if self.variance.is_some() {
            Attempt::Warm
        } else {
            Attempt::Cold
        };
        self.start(ground)
    }

    /// Puts the zero of the drift into the middle of the record: all readings
    /// before and after move by as much.
    fn settle_epoch(&mut self, middle: i64, record: View<'_>) {
        let later = middle.saturating_sub(self.epoch);
        let shift = mul(self.search.theta.drift, later);
        let pack = record.get(0).map_or(0, |first| first.pack());
        self.search.theta.shift(shift, pack);
        self.epoch = middle;
    }

    fn start(&mut self, ground: &Ground<'_>) -> Progress {
        if self.attempt == Attempt::Warm {
            self.search = Search::new(self.search.theta);
            return self.walk(ground);
        }
        self.variance = None;
        self.beliefs.free(self.attempt == Attempt::Free);
        self.job = Job::Scan(Start::new(ground.record, ground.block_us(), &self.beliefs));
        Progress::Busy
    }

    fn walk(&mut self, ground: &Ground<'_>) -> Progress {
        let pass = Pass::new(&self.setting(ground), &self.search.theta, Shape::Constant);
        self.job = Job::Walk(pass);
        Progress::Busy
    }

    fn setting<'a>(&self, ground: &Ground<'a>) -> Setting<'a> {
        Setting {
            record: ground.record,
            network: ground.config.network(),
            reference: ground.reference,
            block_us: ground.block_us(),
            pack: self.level.map(|level| level.value),
            variance: self.variance,
            grouped: self.grouped,
            epoch: self.epoch,
        }
    }

    /// One slice of work.
    pub(super) fn step(&mut self, ground: &Ground<'_>) -> Outcome {
        let setting = self.setting(ground);
        let theta = self.search.theta;
        match &mut self.job {
            Job::Idle => Outcome::Is(Progress::Idle),
            Job::Scan(start) => {
                match start.step(ground.record, setting.network, ground.reference) {
                    Started::Busy => BUSY,
                    Started::At(theta) => {
                        let lag = self.beliefs.lag.value.to_bits();
                        self.search = Search::new(Theta { lag, ..theta });
                        Outcome::Is(self.walk(ground))
                    }
                    Started::Nowhere => self.not_found(),
                }
            }
            Job::Walk(pass) => {
                if pass.step(&setting, &theta) {
                    self.conclude(ground)
                } else {
                    BUSY
                }
            }
            Job::Test(test, _) => {
                match test.step(&setting, &theta, &self.beliefs, ground.bounds()) {
                    Tested::Busy => BUSY,
                    Tested::Steady => self.publish(ground),
                    // So short a record of a circuit at rest may well be misread.
                    Tested::Changed(_) if !self.moving && ground.record.len() < LONG => {
                        self.stop();
                        Outcome::Is(Progress::Idle)
                    }
                    Tested::Changed(step) if self.beliefs.are_free() || self.moving => {
                        self.changed(step)
                    }
                    Tested::Changed(step) => {
                        self.rival = Some(step);
                        self.attempt = Attempt::Free;
                        Outcome::Is(self.start(ground))
                    }
                }
            }
        }
    }

    /// Judges a finished walk.
    fn conclude(&mut self, ground: &Ground<'_>) -> Outcome {
        let Job::Walk(pass) = core::mem::replace(&mut self.job, Job::Idle) else {
            return Outcome::Is(Progress::Idle);
        };
        if pass.refuted(ground.block_us()) {
            return self.next_attempt(ground);
        }
        let system = pass.system(&self.setting(ground));
        let bounds = ground.bounds();
        let found = self
            .search
            .conclude(system, pass.used, &self.beliefs, bounds);
        match found {
            Found::Again
                if self.search.walks == search::DOUBTFUL && self.change_grouping(&pass) =>
            {
                Outcome::Is(self.walk(ground))
            }
            Found::Again => Outcome::Is(self.walk(ground)),
            Found::Lost => self.next_attempt(ground),
            Found::Least(system) => self.examine(ground, &pass, system),
        }
    }

    /// Where a search that failed begins anew.
    fn next_attempt(&mut self, ground: &Ground<'_>) -> Outcome {
        self.attempt = match self.attempt {
            Attempt::Warm => Attempt::Cold,
            Attempt::Cold if ground.record.len() >= LONG => Attempt::Free,
            Attempt::Cold => return self.not_found(),
            Attempt::Free => {
                return match self.rival {
                    Some(step) => self.changed(step),
                    None => self.not_found(),
                };
            }
        };
        Outcome::Is(self.start(ground))
    }

    fn changed(&mut self, step: Step) -> Outcome {
        self.forget();
        self.moving = true;
        Outcome::Changed(step.newest)
    }

    fn not_found(&mut self) -> Outcome {
        self.forget();
        Outcome::Is(Progress::NotFound)
    }

    /// Examines a minimum before it is believed.
    fn examine(&mut self, ground: &Ground<'_>, pass: &Pass, system: System) -> Outcome {
        if self.change_grouping(pass) {
            return Outcome::Is(self.walk(ground));
        }
        let freedom = freedom(pass.used, DETERMINED);
        let least = self.beliefs.least_variance(freedom);
        let noise = search::variance(&system, freedom, least);
        if self.revisions > 0 {
            match self.beliefs.revise(&system, &self.search.theta, noise) {
                Revision::Kept => {}
                Revision::Contradicted if self.attempt == Attempt::Free => {}
                Revision::Contradicted => {
                    self.attempt = Attempt::Free;
                    return Outcome::Is(self.start(ground));
                }
                Revision::Restored => {
                    self.revisions = self.revisions.wrapping_sub(1);
                    self.search.restart();
                    return Outcome::Is(self.walk(ground));
                }
            }
        }
        if self.grouped && pass.used < FEWEST_GROUPED {
            return Outcome::Is(Progress::Idle);
        }
        if pass.trailing > 0 {
            // The next entries will show whether the newest are to be believed.
            return Outcome::Is(Progress::Idle);
        }
        if let Some(step) = self.rival.filter(|step| step.left.less(system.squares())) {
            return self.changed(step);
        }
        let test = Test::new(&self.setting(ground), &self.search.theta);
        let converged = Converged {
            system,
            batches: pass.batches,
            freedom,
            least,
            used: pass.used,
            rejected: pass.rejected,
            span: millionths(ground.record.length_us()),
            // Hum passes the groups but not the single entries.
            single: pass.single.mean().max(noise),
            pack: ground.record.get(0).map_or(0, |first| first.pack()),
            pack_u: self.level.map_or(Scaled::ZERO, |level| level.u),
            coupling: None,
        };
        self.job = Job::Test(test, converged);
        BUSY
    }

    /// Sums rows over five blocks when hum has come, and no longer when it has
    /// gone; true when that changed.
    fn change_grouping(&mut self, pass: &Pass) -> bool {
        let (single, fives) = (pass.single.mean(), pass.fives.mean());
        let wanted = if self.grouped {
            !single.less(fives.shifted(1))
        } else {
            pass.fives.count >= 8 && fives.shifted(3).less(single)
        };
        if wanted == self.grouped || self.revisions == 0 {
            return false;
        }
        self.grouped = wanted;
        self.revisions = self.revisions.wrapping_sub(1);
        self.search.restart();
        true
    }

    fn publish(&mut self, ground: &Ground<'_>) -> Outcome {
        let Job::Test(test, mut converged) = core::mem::replace(&mut self.job, Job::Idle) else {
            return Outcome::Is(Progress::Idle);
        };
        self.moving &= ground.record.len() < STILL || !test.unsuspicious();
        // From a poor minimum, the next fit starts from nothing.
        self.variance = converged.quiet().then_some(converged.single);
        let mut theta = self.search.theta;
        if let Some(trend) = test.trend.filter(|_| self.moving) {
            theta = trend.theta;
            converged.follow(trend.system, trend.freedom);
        }
        let cycle = ground.config.timing().cycle().iter();
        let network = ground.config.network();
        let conductances = cycle.map(|&drive| network.row(drive).g.to_bits());
        let longest = fit::longest(&theta, ground.reference, conductances);
        match converged.fit(&theta, ground.reference, test.suspected, longest) {
            Some(fit) => Outcome::Is(Progress::Fitted(fit)),
            None => self.not_found(),
        }
    }
}
