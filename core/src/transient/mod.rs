//! Isolation from the transient: G, Gp and C long before v has settled.
//!
//! The settled estimator waits for v to stand still, five time constants for
//! each drive state. But every block of the transient already obeys the
//! circuit's equation, and v is continuous when the drive changes. So a
//! running record of block means is fitted with the exact solution of the
//! circuit: output-error least squares, solved by Gauss-Newton, started from a
//! scan of poles.
//!
//! # Why this method
//! The measure is the Cramér-Rao bound: no unbiased estimator has less variance.
//! Averages after a settling test, three-point extrapolation, separate
//! exponential fits for each half-period and autoregression lose a factor of 3
//! to many in standard deviation where τ exceeds a quarter of the half-period,
//! because they give away the continuity of v. Two methods attain the bound:
//! this one, and linear least squares on filtered signals. The latter was the
//! start of this one until it was measured: where the noise drowns the drive
//! (±3.3 V against 10 kΩ, 50 mV a sample) the noise of its regressors leads it
//! astray, and up to 230 of 300 records ended without a fit. The scan of poles
//! has v on the left-hand side only, and none ended so.
//!
//! Measured (8 s, half-periods of 1 s, 1 kHz, 50 mV on v and on Vb, 400 V, R
//! from 10 kΩ to 5 MΩ, C from 10 nF to 20 µF, sources of ±40 V and ±3.3 V and
//! switched resistors equal and unequal, x of 0.3 and 1; 200 records in each of
//! the 152 cells whose bound is below 10 % of R): mean squared error of G over
//! the bound 1.01 in the median, 1.28 at most; bias at most 0.2 standard
//! deviations; the 95 % interval holds in 95.1 % of the records; none without a
//! fit. Of 66,000 fits while a leak steps, halves or doubles within 5 to 100 s,
//! or comes and goes every 0.7 to 10 s, 66 miss the truth by more than three
//! half-widths of the interval, the worst by 16.
//!
//! # Limits
//! * A drift of the reading leaves its zero unknown: x is as uncertain as the
//!   drift in half a record makes it, be it noise, and with unequal switched resistors
//!   G is off by as much as an offset of that size makes it, which no record shows. Up to
//!   0.2 V/s is in the interval until the record tells it from a slow circuit. How far
//!   the zero went before the record is not known here ([`Fit::drift`]).
//! * A ripple on the pack whose alias is slow moves v and Vb in a ratio that no slow
//!   circuit has. The interval contains what it may have done to the figures, as far
//!   as the record tells: of 2560 records with 5 V at 8000.3 to 8001.3 Hz in samples of
//!   1 kHz, switched resistors and a pack that stands still, three miss by more than three
//!   half-widths (3.3 at most). With a pack that ramps as well, the two are not told apart.
//! * Times of samples that are off put the ends of blocks where they are not. How far blocks are from a whole number of
//!   samples tells by how much; what that blurs beyond noise is left out, and the rest counts as a lag that is not known
//!   and in C.
//! * A steady alias at the very frequency of the drive is not told at all.
//! * A circuit that moves faster than a record can show (an intermittent leak
//!   that comes and goes within a half-period) leads to
//!   [`Progress::Changed`] and [`Progress::NotFound`] and, now and then, to a
//!   fit that straddles two circuits.
//!
//! # Parts
//! * `record`, `pack`: block means, thinned with the age since the switch, and
//!   the pack voltage between them.
//! * `theta`, `model`: the parameters, and the prediction of a mean and its derivatives, exact for any τ.
//! * `span`, `spans`: the coefficients of the prediction.
//! * `start`, `pass`, `tally`, `search`: where to begin, one walk through the record, and
//!   which way to go from there.
//! * `beliefs`, `borders`, `change`: what is taken for granted, and whether the
//!   circuit is still the same.
//! * `fitting`: the decisions between them.
//! * `noise`, `normal`, `solve`, `scaled`, `groups`: arithmetic.
//! * `slips`: what a drift or a ripple on the pack would do to the figures.
//! * `covariance`, `fit`: figures and their uncertainty.

#[cfg(test)]
mod agreement;
mod beliefs;
#[cfg(test)]
mod beliefs_tests;
mod borders;
#[cfg(test)]
mod capacitance_tests;
mod change;
#[cfg(test)]
mod converged_tests;
mod covariance;
mod entry;
mod eviction;
#[cfg(test)]
mod figures_tests;
mod fit;
mod fitting;
mod ground;
mod groups;
mod model;
#[cfg(test)]
mod model_tests;
mod noise;
mod normal;
mod pack;
#[cfg(test)]
mod pack_tests;
mod pass;
mod period;
#[cfg(test)]
pub(crate) mod plant;
mod record;
#[cfg(test)]
mod record_tests;
mod scaled;
mod search;
#[cfg(test)]
mod search_tests;
mod slips;
mod solve;
mod span;
mod spans;
mod start;
mod tally;
#[cfg(test)]
mod tests;
mod theta;

pub use fit::Fit;

use crate::config::Config;
use crate::decay;
use crate::front::Block;
use crate::num::ONE;
use fitting::{Fitting, LONG, Outcome};
use ground::Ground;
use noise::Noise;
use record::{Pushed, Record, View};
use theta::Reference;

/// What one slice of work came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[must_use]
#[allow(
    clippy::large_enum_variant,
    reason = "returned by value, without a heap"
)]
pub enum Progress {
    /// Nothing to do until more blocks have come.
    Idle,
    /// More work is waiting.
    Busy,
    /// A fit of the record.
    Fitted(Fit),
    /// The newest blocks contradict the circuit that explained the older ones:
    /// it has changed. The older ones are forgotten.
    Changed,
    /// No circuit explains the record. The older half of a long one is forgotten.
    NotFound,
}

/// Entries before a drive change and since, that a fit wants, and those since that outlast a
/// moment of 0.15 s in blocks of 20 ms.
const BEFORE: usize = 3;
const SINCE: usize = 4;
const MOMENT: usize = 8;

/// What one slice of work came to, the figures left aside.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Work {
    Idle,
    Busy,
    /// [`Transient::fit`] has a fit.
    Ready,
    Changed,
    NotFound,
}

/// The transient estimator, owned by the background task.
#[derive(Debug, Clone)]
pub struct Transient<'c> {
    config: &'c Config,
    reference: Reference,
    record: Record,
    noise: Noise,
    fitting: Fitting,
    /// Entries that the fit under way is of, and those closed since.
    seen: usize,
    fresh: usize,
    /// Entries still to be given up.
    surplus: u8,
    /// Somebody watches every block and finds nothing new.
    calm: bool,
    /// The drive has changed since a fit began that had an end.
    owed: bool,
    /// The fit under way knows little of what came after a drive change.
    early: bool,
}

impl<'c> Transient<'c> {
    /// An estimator that has seen nothing.
    #[must_use]
    pub fn new(config: &'c Config) -> Self {
        let cycle = config.timing().cycle();
        let count = cycle.len().max(1) as i64;
        let mean = |of: fn(&crate::config::Row) -> i64| {
            let sum = cycle.iter().fold(0i64, |sum, &drive| {
                sum.saturating_add(of(&config.network().row(drive)))
            });
            sum.checked_div(count).unwrap_or(0)
        };
        Self {
            config,
            reference: Reference {
                g: mean(|row| row.g.to_bits()),
                p: mean(|row| row.p.to_bits()),
            },
            record: Record::new(config.timing().block_us),
            noise: Noise::new(config),
            fitting: Fitting::new(),
            seen: 0,
            fresh: 0,
            surplus: 0,
            calm: false,
            owed: false,
            early: false,
        }
    }

    /// Forgets the record but not the noise: for when another part of the
    /// system knows that the circuit has changed.
    pub fn restart(&mut self) {
        self.record.clear();
        self.fitting.forget();
        self.fresh = 0;
        self.surplus = 0;
    }

    /// Whether somebody watches every block, and finds that the circuit is as it
    /// was fitted: then fits are seldom, one for each dwell and for each eighth of
    /// the record, because they would say the same again. Else there is one for
    /// each thirty-second.
    pub const fn keep_calm(&mut self, calm: bool) {
        self.calm = calm;
    }

    /// Enough is new for another fit.
    const fn is_due(&self) -> bool {
        let share = if self.calm && !self.owed { 3 } else { 5 };
        self.fresh > self.record.len() >> share
    }

    /// Walks the record once at the circuit fitted last, for nothing but the
    /// count of instructions; how many entries were used and left out, how many
    /// sums over five blocks and batches of these there are.
    #[cfg(feature = "yardstick")]
    pub fn walk_once(&self) -> [u32; 4] {
        let ground = Ground {
            config: self.config,
            reference: self.reference,
            noise: &self.noise,
            record: View::new(&self.record, self.record.len()),
        };
        let walked = self.fitting.walk_once(&ground);
        let [fives, batches] = [walked.fives, walked.batches].map(|tally| tally.count);
        [walked.used, walked.rejected, fives, batches]
    }

    /// Nothing follows for now: what has been taken is fitted to its end.
    pub fn finish(&mut self) {
        self.record.close();
        self.fresh = self.record.len();
    }

    /// Takes a block mean. Call [`Transient::step`] until it is idle, or as
    /// often as there is time: a fit under way is not disturbed.
    #[inline(never)]
    pub fn push(&mut self, block: &Block) {
        self.noise.listen(block);
        self.owed |= block.flags.first_in_dwell;
        self.make_room();
        let [_, resolution] = self.config.front_end().resolution();
        let quiet = block
            .pack_scatter
            .to_bits()
            .saturating_mul(8)
            .saturating_add(resolution.to_bits().saturating_mul(2))
            .saturating_add(ONE / 50);
        match self.record.push(block, quiet) {
            Pushed::Gathered => {}
            Pushed::Closed => self.fresh = self.fresh.saturating_add(1),
            Pushed::Broken => {
                self.fitting.forget();
                self.fresh = 0;
                self.surplus = 0;
            }
        }
    }

    /// One slice of work: a few entries of the record, or one solution of the
    /// normal equations.
    pub fn step(&mut self) -> Progress {
        match self.work() {
            Work::Idle => Progress::Idle,
            Work::Busy => Progress::Busy,
            Work::Ready => match self.fit() {
                Some(fit) => Progress::Fitted(fit),
                None => Progress::NotFound,
            },
            Work::Changed => Progress::Changed,
            Work::NotFound => Progress::NotFound,
        }
    }

    /// [`Transient::step`], but for the figures of a fit.
    #[inline(never)]
    pub(crate) fn work(&mut self) -> Work {
        if self.surplus > 0 {
            self.evict();
            return Work::Busy;
        }
        if self.fitting.idle() {
            if !self.is_due() || !self.ready() {
                return Work::Idle;
            }
            self.fresh = 0;
            self.owed = false;
            self.seen = self.record.len();
            self.fitting.begin(self.calm);
        }
        let ground = Ground {
            config: self.config,
            reference: self.reference,
            noise: &self.noise,
            record: View::new(&self.record, self.seen),
        };
        match self.fitting.step(&ground) {
            Outcome::Idle => {
                self.owed = true;
                Work::Idle
            }
            Outcome::Busy => Work::Busy,
            Outcome::Ready => Work::Ready,
            Outcome::NotFound => self.not_found(),
            Outcome::Changed(newest) => {
                self.keep(newest);
                Work::Changed
            }
        }
    }

    /// The fit that is ready; `None` where no passive circuit has its figures.
    #[inline(never)]
    pub(crate) fn fit(&mut self) -> Option<Fit> {
        let ground = Ground {
            config: self.config,
            reference: self.reference,
            noise: &self.noise,
            record: View::new(&self.record, self.seen),
        };
        let fit = self.fitting.publish(&ground);
        if fit.is_none() {
            self.not_found();
        }
        fit
    }

    /// A short record wants more; a long one has come to hold too much.
    fn not_found(&mut self) -> Work {
        if self.seen >= LONG {
            self.keep(self.seen >> 1);
        }
        Work::NotFound
    }

    /// A drive change lies far enough back to say something, and far enough
    /// from the beginning to know from where v set out. Gaps say nothing.
    #[inline(never)]
    fn ready(&mut self) -> bool {
        let [read, since] = self.record.read(BEFORE);
        self.early = since < MOMENT;
        read >= self.fitting.fewest() && since >= SINCE
    }

    /// For the fit that is ready it lies back so little that readings which err for a moment may
    /// be all that there is since.
    pub(crate) const fn is_early(&self) -> bool {
        self.early
    }
}
