//! One walk through the record at a point in parameter space: predictions,
//! residuals, normal equations, and what the residuals look like.

use super::groups::Group;
use super::model::{Course, MEAN, Part, Prediction, Walk};
use super::normal::{Normal, System, WIDE};
use super::pack::parts;
use super::record::{Entry, View};
use super::scaled::Scaled;
use super::spans::Spans;
use super::theta::{COUPLING, DRIFT, LAG, Reference, Theta, quotient};
use crate::config::Network;
use crate::num::{ONE, millionths, mul, times};

/// Entries taken in one slice of work, if they are plain: one that wants new
/// coefficients, or in which Vb moves, has a slice of its own.
const SLICE: usize = 2;
/// Residuals beyond six standard deviations are left out.
const REJECT: i64 = 36;
/// Groups of five blocks in a batch, for the slow part of the residuals.
const BATCH: u32 = 4;

/// What the walk needs to know.
#[derive(Debug, Clone, Copy)]
pub(super) struct Setting<'a> {
    pub(super) record: View<'a>,
    pub(super) network: &'a Network,
    pub(super) reference: Reference,
    pub(super) block_us: u32,
    /// Length of the record.
    pub(super) length_us: u32,
    /// Vb, where it stands still: then its noise is left out.
    pub(super) pack: Option<i64>,
    /// Noise variance of the fit before, V² times weight; bounds residuals.
    pub(super) variance: Option<Scaled>,
    /// Rows are summed over five blocks.
    pub(super) grouped: bool,
    /// When a drift of the reading is zero, in s from the start of the record.
    pub(super) epoch: i64,
}

/// Sums of squares of the residuals over spans of different length. White
/// noise gives the same mean square for each; hum is large in `single` only,
/// a misfit in `batch`.
#[derive(Debug, Clone, Copy)]
pub(super) struct Tally {
    pub(super) sum: Scaled,
    pub(super) count: u32,
}

impl Tally {
    const NONE: Self = Self {
        sum: Scaled::ZERO,
        count: 0,
    };

    fn add(&mut self, sum: i64, weight: u32) {
        // (Σ w·r)²/Σw.
        let square = Scaled::of(sum)
            .square()
            .over(Scaled::int(i64::from(weight)));
        self.sum = self.sum.plus(square);
        self.count = self.count.saturating_add(1);
    }

    pub(super) fn mean(&self) -> Scaled {
        self.sum.over(Scaled::int(i64::from(self.count)))
    }
}

/// What came of a walk.
#[derive(Debug, Clone, Copy)]
pub(super) struct Walked {
    pub(super) single: Tally,
    pub(super) fives: Tally,
    pub(super) batches: Tally,
    /// Rows in the normal equations.
    pub(super) used: u32,
    pub(super) rejected: u32,
    /// Newest entries rejected without a break.
    pub(super) trailing: u32,
}

/// How G + gr and w change within the record.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Shape {
    Constant,
    /// At an entry, at once.
    Step(usize),
    /// Evenly, by as much in the length of the record; not at its end.
    Trend,
}

/// A walk under way.
#[derive(Debug, Clone)]
pub(super) struct Pass {
    at: usize,
    end: usize,
    walk: Walk,
    shape: Shape,
    course: Course,
    /// Length of the record, s.
    length: i64,
    /// Time since the epoch of the drift, s.
    elapsed: i64,
    tick: i64,
    spans: Spans,
    rows: Group<WIDE>,
    five: Group<1>,
    batch: (i64, u32, u32),
    /// What came of it.
    pub(super) normal: Normal,
    single: Tally,
    fives: Tally,
    batches: Tally,
    /// Rows in the normal equations.
    pub(super) used: u32,
    rejected: u32,
    /// Newest entries rejected without a break, and for how long.
    trailing: u32,
    trailing_us: u32,
}

impl Pass {
    /// A walk of nothing, to begin in its place.
    pub(super) const NONE: Self = Self {
        at: 0,
        end: 0,
        walk: Walk::new(&Theta::ZERO, 0),
        shape: Shape::Constant,
        course: Course { by: [0; 2] },
        length: 0,
        elapsed: 0,
        tick: 0,
        spans: Spans::NONE,
        rows: Group::new(0),
        five: Group::new(0),
        batch: (0, 0, 0),
        normal: Normal::new(),
        single: Tally::NONE,
        fives: Tally::NONE,
        batches: Tally::NONE,
        used: 0,
        rejected: 0,
        trailing: 0,
        trailing_us: 0,
    };

    /// Begins at the start of the record. The columns of a change take the
    /// places of those of κ and λ.
    #[inline(never)]
    pub(super) fn begin(&mut self, setting: &Setting<'_>, theta: &Theta, shape: Shape) {
        let record = setting.record;
        let pack = record.get(0).map_or(0, |first| first.pack());
        self.end = record.len();
        self.walk = Walk::new(theta, setting.pack.unwrap_or(pack));
        self.shape = shape;
        self.length = millionths(setting.length_us);
        self.elapsed = setting.epoch.saturating_neg();
        self.tick = record.tick_seconds();
        self.rows = Group::new(setting.block_us);
        self.five = Group::new(setting.block_us);
    }

    pub(super) const fn is_over(&self) -> bool {
        self.at >= self.end
    }

    /// One slice of work.
    pub(super) fn step(&mut self, setting: &Setting<'_>, theta: &Theta) {
        let mut plain = true;
        for place in 0..SLICE {
            if let Some(entry) = setting.record.get(self.at) {
                plain &= self.is_plain(setting, &entry);
                if place > 0 && !plain {
                    return;
                }
                self.take(setting, theta, &entry);
            }
            self.at = self.at.wrapping_add(1);
            if self.is_over() {
                self.close_batch();
            }
            if self.is_over() || !plain {
                return;
            }
        }
    }

    fn is_plain(&self, setting: &Setting<'_>, entry: &Entry) -> bool {
        let single = setting.pack.is_some() && self.shape == Shape::Constant;
        single && self.spans.place(entry.drive, entry.duration_us).is_some()
    }

    /// What came of the walk besides its equations.
    pub(super) const fn walked(&self) -> Walked {
        Walked {
            single: self.single,
            fives: self.fives,
            batches: self.batches,
            used: self.used,
            rejected: self.rejected,
            trailing: self.trailing,
        }
    }

    /// Writes the normal equations; residuals left out count at the bound.
    pub(super) fn write(&self, setting: &Setting<'_>, system: &mut System) {
        self.normal.write(system);
        if let Some(variance) = setting.variance {
            let bound = variance.times(Scaled::int(REJECT));
            let squares = bound.times(Scaled::int(i64::from(self.rejected)));
            system.add(WIDE - 1, WIDE - 1, squares);
        }
    }

    /// The circuit that bounds the residuals is refuted: a quarter of all
    /// entries lie beyond the bound, or the newest three and 16 blocks do.
    pub(super) fn refuted(&self, block_us: u32) -> bool {
        let many = self.rejected.saturating_mul(4) > self.single.count;
        let long = self.trailing_us >= block_us.saturating_mul(16);
        many || long && self.trailing >= 3
    }

    #[inline(never)]
    fn take(&mut self, setting: &Setting<'_>, theta: &Theta, entry: &Entry) {
        let mut prediction = Prediction::default();
        self.predict(setting, theta, entry, &mut prediction);
        if entry.first {
            self.rows.reset();
            self.five.reset();
            self.close_batch();
        }
        if entry.weight == 0 {
            return;
        }
        let row = &mut prediction.row;
        let [.., residual] = &mut *row;
        *residual = entry.chassis().saturating_sub(*residual);
        let residual = *residual;
        if self.reject(setting, residual, entry) {
            return;
        }
        let weight = u32::from(entry.weight);
        self.tally(residual, weight, entry.duration_us);
        if setting.grouped {
            self.gather(row, weight, entry.duration_us);
        } else {
            self.used = self.used.saturating_add(1);
            self.normal.add(row, weight);
        }
    }

    /// Adds a row to the sum over five blocks.
    #[inline(never)]
    fn gather(&mut self, row: &[i64; WIDE], weight: u32, duration_us: u32) {
        if let Some((row, weight)) = self.rows.add(row, weight, duration_us) {
            self.used = self.used.saturating_add(1);
            self.normal.add(&row, weight);
        }
    }

    #[inline(never)]
    fn reject(&mut self, setting: &Setting<'_>, residual: i64, entry: &Entry) -> bool {
        let beyond = setting.variance.is_some_and(|variance| {
            let square = Scaled::of(residual).square();
            variance
                .times(Scaled::int(REJECT))
                .less(square.times(Scaled::int(i64::from(entry.weight))))
        });
        if beyond {
            self.rejected = self.rejected.saturating_add(1);
            self.trailing = self.trailing.saturating_add(1);
            self.trailing_us = self.trailing_us.saturating_add(entry.duration_us);
        } else {
            self.trailing = 0;
            self.trailing_us = 0;
        }
        beyond
    }

    #[inline(never)]
    fn tally(&mut self, residual: i64, weight: u32, duration_us: u32) {
        let weighted = times(residual, i64::from(weight));
        self.single.add(weighted, weight);
        let Some(([mean], weight)) = self.five.add(&[residual], weight, duration_us) else {
            return;
        };
        let weighted = times(mean, i64::from(weight));
        self.fives.add(weighted, weight);
        let (sum, total, count) = &mut self.batch;
        *sum = sum.saturating_add(weighted);
        *total = total.saturating_add(weight);
        *count = count.saturating_add(1);
        if *count >= BATCH {
            self.close_batch();
        }
    }

    fn close_batch(&mut self) {
        let (sum, weight, count) = self.batch;
        if count > 1 {
            self.batches.add(sum, weight);
        }
        self.batch = (0, 0, 0);
    }

    #[inline(never)]
    fn predict(
        &mut self,
        setting: &Setting<'_>,
        theta: &Theta,
        entry: &Entry,
        out: &mut Prediction,
    ) {
        match setting.pack {
            Some(pack) => self.go(setting, theta, entry, &Part::still(pack), out),
            None => {
                for part in parts(setting.record, self.at, entry).iter().flatten() {
                    self.go(setting, theta, entry, part, out);
                }
            }
        }
        let duration = millionths(entry.duration_us);
        let middle = self.elapsed.saturating_add(duration >> 1);
        self.elapsed = self.elapsed.saturating_add(duration);
        out.put(DRIFT, middle);
        out.add(MEAN, mul(theta.drift, middle));
    }

    /// Goes through a part of an entry.
    #[inline(never)]
    fn go(
        &mut self,
        setting: &Setting<'_>,
        theta: &Theta,
        entry: &Entry,
        part: &Part,
        out: &mut Prediction,
    ) {
        let duration = if part.share == ONE {
            entry.duration_us
        } else {
            mul(i64::from(entry.duration_us), part.share) as u32
        };
        let when = self.when(setting, entry);
        let drive = entry.drive;
        let span = self.spans.get(setting, theta, drive, duration, self.tick);
        let Some(span) = span else {
            return;
        };
        if self.shape == Shape::Constant {
            self.walk.pass(span, theta, part, out);
            return;
        }
        let [by_total, by_ratio] = self.course.pass(&self.walk, span, theta, part, when);
        let [_, _, _, of_total, _, _, of_ratio, _] = out.row;
        self.walk.pass(span, theta, part, out);
        out.put(COUPLING, of_total.saturating_add(by_total));
        out.put(LAG, of_ratio.saturating_add(by_ratio));
    }

    /// Share of the change that has come by the middle of an entry.
    fn when(&self, setting: &Setting<'_>, entry: &Entry) -> i64 {
        match self.shape {
            Shape::Constant => 0,
            Shape::Step(since) if self.at < since => 0,
            Shape::Step(_) => ONE,
            Shape::Trend => {
                let begin = self.elapsed.saturating_add(setting.epoch);
                let middle = begin.saturating_add(millionths(entry.duration_us) >> 1);
                quotient(middle.saturating_sub(self.length), self.length)
            }
        }
    }
}
