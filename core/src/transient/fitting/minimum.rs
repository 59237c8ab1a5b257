//! A minimum that the search has found: is it believed, how sure is it, and
//! what are its figures?

use super::super::beliefs::{Beliefs, Revision};
use super::super::change::Test;
use super::super::covariance::Covariance;
use super::super::fit::{self, Converged, Fit};
use super::super::ground::Ground;
use super::super::normal::System;
use super::super::scaled::Scaled;
use super::super::search::{self, DETERMINED, Search, freedom};
use super::super::slips::{Covariances, Ripple, Slips, Waves};
use super::super::tally::Walked;
use super::super::theta::Theta;
use super::job::{Attempt, Completing, Job, Weighing};
use super::{Fitting, Outcome};
use crate::front::{FAR, bunch_places, residue};
use crate::num::{self, ONE, millionths};

/// Fewest sums over five blocks that are fitted.
const FEWEST_GROUPED: u32 = 16;
/// Entries without a suspicion that show that a circuit has come to rest.
const STILL: usize = 64;

/// What a column of a ripple does, if there is such a column. Apart, for the sake of the stack.
#[inline(never)]
fn sway(system: &System, waves: &Waves, column: usize) -> Completing {
    match Ripple::of(system, waves, column) {
        Some(ripple) => Completing::Sway(column, ripple),
        None => Completing::Test,
    }
}

/// How sure C is. Apart, for the sake of the stack.
#[inline(never)]
fn tell_capacitance(
    converged: &mut Converged,
    system: &mut System,
    search: &Search,
    beliefs: &Beliefs,
) {
    let held = search.start_weight(beliefs);
    converged.start_held = held;
    converged.covariance.add_capacitance(system, held);
}

/// What the zero of v does, and may have done. Apart, for the sake of the stack.
#[inline(never)]
fn slide(converged: &mut Converged, drift: &Covariances, beliefs: &Beliefs, theta: &Theta) {
    let noise = converged.noise();
    let seen = drift.seen_drift(beliefs, theta, noise);
    // One that is fitted is no slip.
    if !beliefs.are_free() {
        converged.slips.add_drift(drift, seen);
    }
    converged.drift_u = drift.u(noise);
    converged.drift_seen = seen.map_or(Scaled::ZERO, |[size, _]| size);
}

impl Fitting {
    /// Examines a minimum before it is believed.
    #[inline(never)]
    pub(super) fn examine(&mut self, ground: &Ground<'_>) -> Outcome {
        let Job::Weigh(_, walked, system, _) = &self.job else {
            return Outcome::Busy;
        };
        let walked = *walked;
        let squares = system.squares();
        // What is let free against a change stays so until they are compared.
        if self.revisions > 0 && self.rival.is_none() && !self.wants_grouping(&walked) {
            let freedom = freedom(walked.used, DETERMINED);
            let least = self.beliefs.least_variance(freedom);
            let noise = search::variance(squares, freedom, least);
            let least = self.search.least();
            match self.beliefs.revise(system, &least, noise) {
                Revision::Kept => {}
                Revision::Contradicted if self.attempt == Attempt::Free => {}
                Revision::Contradicted => {
                    self.attempt = Attempt::Free;
                    self.job = Job::Start;
                    return Outcome::Busy;
                }
                Revision::Restored => {
                    self.revisions = self.revisions.wrapping_sub(1);
                    self.search.restart();
                    return self.walk(ground);
                }
            }
        }
        if self.change_grouping(&walked) {
            self.search.restart();
            return self.walk(ground);
        }
        if self.given.grouped && walked.used < FEWEST_GROUPED {
            self.stop();
            return Outcome::Idle;
        }
        if walked.trailing > 0 {
            // The next entries will show whether the newest are to be believed.
            self.stop();
            return Outcome::Idle;
        }
        if let Job::Weigh(weighing, ..) = &mut self.job {
            *weighing = Weighing::Compare;
        }
        Outcome::Busy
    }

    /// A change that explains the record better than a drift or lag of the
    /// reading is one.
    #[inline(never)]
    pub(super) fn compare(&mut self) -> Outcome {
        let Job::Weigh(weighing, _, system, _) = &mut self.job else {
            return Outcome::Busy;
        };
        let squares = system.squares();
        *weighing = Weighing::Measure;
        match self.rival.filter(|step| step.left.less(squares)) {
            Some(step) => self.changed(step),
            None => Outcome::Busy,
        }
    }

    /// Measures a minimum that is believed.
    #[inline(never)]
    pub(super) fn measure(&mut self, ground: &Ground<'_>) -> Outcome {
        let Job::Weigh(_, walked, system, by_capacitance) = &self.job else {
            return Outcome::Busy;
        };
        let freedom = freedom(walked.used, DETERMINED);
        let mut covariance = Covariance::new(system, freedom);
        covariance.let_go(*by_capacitance);
        self.converge(ground, covariance);
        Outcome::Busy
    }

    /// Apart from the covariance, which goes deep.
    #[inline(never)]
    fn converge(&mut self, ground: &Ground<'_>, covariance: Covariance) {
        let Job::Weigh(_, walked, system, _) = &self.job else {
            return;
        };
        let freedom = covariance.freedom;
        let least = self.beliefs.least_variance(freedom);
        let noise = search::variance(system.squares(), freedom, least);
        let block = ground.block_us();
        let blocks = self.given.length_us.checked_div(block).unwrap_or(0);
        let scatter = ground.noise.white();
        let ripple = self.given.rippled && !ground.noise.pack.less(scatter);
        let samples = ground.record.samples();
        let places = bunch_places(ground.config, samples);
        let apart = block.checked_div(samples >> places).filter(|_| !ripple);
        let hum = Scaled::of(residue(ONE, apart.unwrap_or(FAR))).square();
        let converged = Converged {
            covariance,
            fives: walked.fives,
            batches: walked.batches,
            scatter,
            step: ground.noise.floor,
            samples: i64::from(samples),
            hum: hum.shifted(0i32.wrapping_sub(places as i32)),
            blocks: i64::from(blocks),
            least,
            used: walked.used,
            rejected: walked.rejected,
            left_out: walked.left_out(self.given.variance),
            onset: self.given.onset && !self.beliefs.are_late(),
            span: millionths(self.given.length_us),
            dwell_us: self.given.dwell_us,
            // Hum passes the groups but not the single entries.
            single: walked.single.mean().max(noise),
            pack: ground.record.get(0).map_or(0, |first| first.pack()),
            pack_u: self.given.level.map_or(Scaled::ZERO, |level| level.u),
            drift_seen: Scaled::ZERO,
            drift_u: Scaled::ZERO,
            start_held: Scaled::ZERO,
            slips: Slips::NONE,
        };
        self.job = Job::Complete(Completing::Capacitance, converged, system.clone());
    }

    #[inline(never)]
    pub(super) fn complete(&mut self) -> Outcome {
        let Job::Complete(next, converged, system) = &mut self.job else {
            return Outcome::Busy;
        };
        let freedom = converged.covariance.freedom;
        *next = match next {
            Completing::Capacitance => {
                tell_capacitance(converged, system, &self.search, &self.beliefs);
                Completing::Coupling
            }
            Completing::Coupling => {
                let coupling = Covariances::of_coupling(system);
                let rows = Scaled::int(i64::from(converged.used));
                let jitter = self.given.level.err().unwrap_or_default().times(rows);
                converged.covariance.add_coupling(&coupling);
                converged.slips.add_jitter(&coupling, jitter);
                Completing::Drift
            }
            Completing::Drift => Completing::Slide(Covariances::of_drift(system)),
            Completing::Slide(drift) => {
                slide(converged, drift, &self.beliefs, &self.search.theta);
                Completing::Ripple(0)
            }
            Completing::Ripple(column) => sway(system, &self.borders.waves, *column),
            Completing::Sway(column, ripple) => {
                let (column, moving) = (*column, self.moving);
                let (least, blocks) = (converged.least, converged.blocks);
                let squares = system.squares();
                let slips = &mut converged.slips;
                let size = slips.add_ripple(ripple, squares, freedom, least, blocks, moving);
                // A column of which there is none where all states do the same.
                if column > 0 {
                    let pack = Scaled::of(converged.pack);
                    let ratio = Scaled::of(self.search.theta.ratio);
                    slips.add_offset(ripple, size, blocks, pack, ratio);
                }
                Completing::Ripple(column.wrapping_add(1))
            }
            Completing::Test => return Outcome::Busy,
        };
        Outcome::Busy
    }

    /// Adds what times that are off have done to C. Apart from the test that follows, which takes much room.
    #[inline(never)]
    pub(super) fn add_lateness(&mut self, ground: &Ground<'_>) {
        if let Job::Complete(_, converged, _) = &mut self.job {
            let dwells = num::ratio(converged.span, millionths(converged.dwell_us));
            let (late, theta) = (ground.record.jitter_seconds(), &self.search.theta);
            converged.slips.add_lateness(late, theta, dwells);
        }
    }

    /// Begins the test for a change.
    #[inline(never)]
    pub(super) fn test(&mut self, ground: &Ground<'_>) -> Outcome {
        let Job::Complete(_, converged, system) = &mut self.job else {
            return Outcome::Busy;
        };
        // The test leaves out what the walk left out, and what is believed of
        // parameters that it takes for known.
        let believed = self.beliefs.squares_of_coupling_and_lag(&self.search.theta);
        system.lower(converged.left_out.plus(believed));
        let (used, fall) = (converged.used, self.search.fall);
        let test = Test::new(system.clone(), fall, used, ground.record.len());
        self.job = Job::Test(test, converged.clone());
        Outcome::Busy
    }

    /// Rows are to be summed over five blocks when hum has come, and no longer
    /// when it has gone: that is news.
    fn wants_grouping(&self, walked: &Walked) -> bool {
        let (single, fives) = (walked.single.mean(), walked.fives.mean());
        let wanted = if self.given.grouped {
            !single.less(fives.shifted(1))
        } else {
            walked.fives.count >= 8 && fives.shifted(3).less(single)
        };
        wanted != self.given.grouped && self.revisions > 0
    }

    /// True when the grouping changed.
    pub(super) fn change_grouping(&mut self, walked: &Walked) -> bool {
        let changes = self.wants_grouping(walked);
        if changes {
            self.given.grouped = !self.given.grouped;
            self.revisions = self.revisions.wrapping_sub(1);
        }
        changes
    }

    /// The figures of the fit that is ready; `None` where no passive circuit
    /// has them.
    #[inline(never)]
    pub(in super::super) fn publish(&mut self, ground: &Ground<'_>) -> Option<Fit> {
        let Job::Test(test, converged) = &mut self.job else {
            return None;
        };
        self.moving &= ground.record.len() < STILL || !test.unsuspicious();
        // From a poor minimum, or one that a drive change may yet refute, the next fit starts from nothing.
        let starts = converged.quiet() && self.given.onset;
        self.given.variance = starts.then_some(converged.single);
        let mut theta = &self.search.theta;
        if let Some(trend) = test.trend.as_ref().filter(|_| self.moving) {
            theta = &trend.theta;
            converged.follow(trend.covariance);
        }
        let cycle = ground.config.timing().cycle().iter();
        let network = ground.config.network();
        let conductances = cycle.map(|&drive| network.row(drive).g.to_bits());
        let longest = fit::longest(theta, ground.reference, conductances);
        let fit = converged.fit(theta, ground.reference, test.suspected, longest);
        self.stop();
        if fit.is_none() {
            self.forget();
        }
        fit
    }
}
