//! One walk through the record at a point in parameter space: predictions,
//! residuals, normal equations, and what the residuals look like.

use super::borders::{Borders, CHANGES};
use super::ground::Ground;
use super::groups::Group;
use super::model::{Course, MEAN, Part, Prediction, WAVES, Walk, Wave};
use super::normal::{Normal, System, WIDE};
use super::pack::{Climb, Level, parts};
use super::record::{Entry, View};
use super::scaled::Scaled;
use super::span::{Forced, Lead, Span};
use super::spans::Spans;
use super::tally::{REJECT, Tally, Walked};
use super::theta::{DRIFT, Theta};
use crate::num::{self, ONE, millionths, mul};
use core::iter::once;

/// Groups of five blocks in a batch, for the slow part of the residuals.
const BATCH: u32 = 4;

/// What the walks of a fit take for given.
#[derive(Debug, Clone)]
pub(super) struct Given {
    /// Length of the record.
    pub(super) length_us: u32,
    /// Mean length of a dwell.
    pub(super) dwell_us: u32,
    /// Vb, where it stands still: then its noise is left out. Else that, as a variance,
    /// V² times weight.
    pub(super) level: Result<Level, Scaled>,
    /// The block right after a drive change is there.
    pub(super) onset: bool,
    /// A ripple is on the pack.
    pub(super) rippled: bool,
    /// Noise variance of the fit before, V² times weight; bounds residuals.
    pub(super) variance: Option<Scaled>,
    /// Rows are summed over five blocks, because of hum.
    pub(super) grouped: bool,
    /// When a drift of the reading is zero, in s from the start of the record.
    pub(super) epoch: i64,
}

impl Given {
    pub(super) const NOTHING: Self = Self {
        length_us: 0,
        dwell_us: 0,
        level: Err(Scaled::ZERO),
        onset: false,
        rippled: false,
        variance: None,
        grouped: false,
        epoch: 0,
    };

    /// Vb, where it stands still.
    fn pack(&self) -> Option<i64> {
        self.level.ok().map(|level| level.value)
    }
}

/// What the walk needs to know.
#[derive(Debug, Clone, Copy)]
pub(super) struct Setting<'a> {
    pub(super) ground: &'a Ground<'a>,
    pub(super) given: &'a Given,
    pub(super) theta: &'a Theta,
}

/// A walk under way.
#[derive(Debug, Clone)]
pub(super) struct Pass {
    at: usize,
    walk: Walk,
    /// Vb moves.
    climb: Climb,
    wave: Wave,
    /// How v goes with each of the changes that are looked for.
    courses: [Course; CHANGES],
    /// Of a trend through the record: by how much it grows in a second.
    slope: i64,
    /// Time since the epoch of the drift, s.
    elapsed: i64,
    spans: Spans,
    /// Sums over five blocks: of the residual, and of the rest of a row if rows
    /// are summed.
    five: Group<{ WIDE + 2 * CHANGES + WAVES }>,
    batch: (i64, u32, u32),
    /// What came of it.
    normal: Normal,
    single: Tally,
    /// Entries of the sum over five blocks that is not full yet.
    open: Tally,
    fives: Tally,
    batches: Tally,
    used: u32,
    rejected: u32,
    /// Newest entries rejected without a break, and for how long.
    trailing: u32,
    trailing_us: u32,
}

impl Pass {
    /// A walk of nothing, to begin in its place.
    pub(super) const NONE: Self = Self {
        at: 0,
        walk: Walk::new(&Theta::ZERO, 0),
        climb: Climb::new(0),
        wave: Wave::NONE,
        courses: [Course::NONE; CHANGES],
        slope: 0,
        elapsed: 0,
        spans: Spans::NONE,
        five: Group::NONE,
        batch: (0, 0, 0),
        normal: Normal::new(),
        single: Tally::NONE,
        open: Tally::NONE,
        fives: Tally::NONE,
        batches: Tally::NONE,
        used: 0,
        rejected: 0,
        trailing: 0,
        trailing_us: 0,
    };

    /// Begins at the start of the record.
    #[inline(never)]
    pub(super) fn begin(&mut self, setting: &Setting<'_>) {
        let record = setting.ground.record;
        let pack = record.get(0).map_or(0, |first| first.pack());
        self.walk = Walk::new(setting.theta, setting.given.pack().unwrap_or(pack));
        self.climb = Climb::new(pack);
        self.slope = num::ratio(ONE, millionths(setting.given.length_us));
        self.elapsed = setting.given.epoch.saturating_neg();
    }

    pub(super) const fn is_over(&self, record: View<'_>) -> bool {
        self.at >= record.len()
    }

    /// One slice of work: an entry.
    pub(super) fn step(&mut self, setting: &Setting<'_>, borders: Option<&mut Borders>) {
        if let Some(entry) = setting.ground.record.get(self.at) {
            let parts = match setting.given.pack() {
                Some(pack) => [Some(Part::still(pack)), None],
                None => parts(setting.ground.record, self.at, &entry),
            };
            // These go deep: before a row takes room on the stack.
            for part in parts.iter().flatten() {
                let duration = part.of(entry.duration_us);
                self.spans.know(setting, entry.drive, duration);
            }
            self.take(setting, &entry, &parts, borders);
        }
        self.at = self.at.wrapping_add(1);
        if self.is_over(setting.ground.record) {
            self.close_batch();
        }
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
    pub(super) fn write(&self, variance: Option<Scaled>, system: &mut System) {
        self.normal.write(system);
        let squares = self.walked().left_out(variance);
        system.add(WIDE - 1, WIDE - 1, squares);
    }

    /// The circuit that bounds the residuals is refuted: a quarter of all
    /// entries lie beyond the bound, or the newest three and 16 blocks do.
    pub(super) fn refuted(&self, block_us: u32) -> bool {
        let count = self.single.count.saturating_add(self.open.count);
        let many = self.rejected.saturating_mul(4) > count;
        let long = self.trailing_us >= block_us.saturating_mul(16);
        many || long && self.trailing >= 3
    }

    #[cfg_attr(not(target_pointer_width = "64"), inline(never))]
    fn take(
        &mut self,
        setting: &Setting<'_>,
        entry: &Entry,
        parts: &[Option<Part>; 2],
        borders: Option<&mut Borders>,
    ) {
        let mut prediction = Prediction::default();
        let asked = if borders.is_some() { CHANGES } else { 0 };
        let changes = self.begun(setting.ground.record.len()).min(asked);
        self.predict(setting, entry, parts, changes, &mut prediction);
        self.enter(setting, entry, &mut prediction, borders);
    }

    /// Enters an entry by its residual. Apart from the prediction, which goes deep.
    #[cfg_attr(not(target_pointer_width = "64"), inline(never))]
    fn enter(
        &mut self,
        setting: &Setting<'_>,
        entry: &Entry,
        prediction: &mut Prediction,
        borders: Option<&mut Borders>,
    ) {
        if entry.first {
            self.five.reset();
            self.open = Tally::NONE;
            self.close_batch();
        }
        if entry.weight == 0 {
            return;
        }
        let [.., residual] = &mut prediction.row;
        *residual = entry.chassis().saturating_sub(*residual);
        let residual = *residual;
        let weight = u32::from(entry.weight);
        let square = Scaled::of(residual)
            .square()
            .times(Scaled::int(i64::from(weight)));
        if self.reject(setting, square, entry.duration_us) {
            return;
        }
        self.open.put(square);
        if setting.given.grouped {
            self.gather(setting, entry, prediction, borders);
            return;
        }
        let (duration, block) = (entry.duration_us, setting.ground.block_us());
        if self.five.add(once(&residual), weight, duration, block) {
            self.tally();
            self.five.reset();
        }
        self.put(setting, prediction, weight, borders);
    }

    /// Adds a row to the equations. The entry is still to be counted.
    fn put(
        &mut self,
        setting: &Setting<'_>,
        prediction: &Prediction,
        weight: u32,
        borders: Option<&mut Borders>,
    ) {
        self.used = self.used.saturating_add(1);
        let Prediction {
            row,
            changes,
            rippled,
        } = prediction;
        self.normal.add(row, weight);
        if let Some(borders) = borders {
            borders.waves.add(row, rippled, self.wave.climbed, weight);
            let begun = self.begun(setting.ground.record.len());
            borders.add(&self.normal, row, changes, begun, weight);
        }
    }

    /// Adds a row to the sum over five blocks. Where that is full the mean takes the
    /// place of the row.
    #[cfg_attr(not(target_pointer_width = "64"), inline(never))]
    fn gather(
        &mut self,
        setting: &Setting<'_>,
        entry: &Entry,
        prediction: &mut Prediction,
        borders: Option<&mut Borders>,
    ) {
        let (weight, duration) = (u32::from(entry.weight), entry.duration_us);
        let Prediction {
            row,
            changes,
            rippled,
        } = &mut *prediction;
        let [columns @ .., residual] = row;
        let others = changes.as_flattened().iter().chain(&*rippled);
        let all = once(&*residual).chain(columns.iter()).chain(others);
        if !self
            .five
            .add(all, weight, duration, setting.ground.block_us())
        {
            return;
        }
        self.tally();
        self.five.average();
        let others = changes.as_flattened_mut().iter_mut().chain(rippled);
        let all = once(residual).chain(columns.iter_mut()).chain(others);
        for (to, from) in all.zip(&self.five.sums) {
            *to = *from;
        }
        let weight = self.five.weight;
        self.five.reset();
        self.put(setting, prediction, weight, borders);
    }

    #[cfg_attr(not(target_pointer_width = "64"), inline(never))]
    fn reject(&mut self, setting: &Setting<'_>, square: Scaled, duration_us: u32) -> bool {
        let beyond = setting
            .given
            .variance
            .is_some_and(|variance| variance.times(Scaled::int(REJECT)).less(square));
        if beyond {
            self.rejected = self.rejected.saturating_add(1);
            self.trailing = self.trailing.saturating_add(1);
            self.trailing_us = self.trailing_us.saturating_add(duration_us);
        } else {
            self.trailing = 0;
            self.trailing_us = 0;
        }
        beyond
    }

    /// Takes the weighted sum of residuals over five blocks.
    #[cfg_attr(not(target_pointer_width = "64"), inline(never))]
    fn tally(&mut self) {
        let open = core::mem::replace(&mut self.open, Tally::NONE);
        self.single.take(open);
        let ([weighted, ..], weight) = (self.five.sums, self.five.weight);
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

    #[cfg_attr(not(target_pointer_width = "64"), inline(never))]
    fn predict(
        &mut self,
        setting: &Setting<'_>,
        entry: &Entry,
        parts: &[Option<Part>; 2],
        changes: usize,
        out: &mut Prediction,
    ) {
        let moves = setting.given.level.is_err();
        if moves {
            self.wave.climbed = self.climb.at(setting.ground.record, self.at, entry, parts);
        }
        let when = if changes > 0 {
            self.trend(setting, entry)
        } else {
            ONE
        };
        for part in parts.iter().flatten() {
            let duration = part.of(entry.duration_us);
            let Some(span) = self.spans.known(entry.drive, duration) else {
                continue;
            };
            if moves {
                self.wave.pass(span, setting.theta, part, &mut out.rippled);
            }
            let lead = Lead::of(span, setting.theta, part.climb);
            let forced = self.walk.pass(span, setting.theta, part, &lead, out);
            if changes > 0 {
                let columns = out.changes.iter_mut().take(changes);
                follow(&mut self.courses, span, part, &forced, when, columns);
            }
        }
        let duration = millionths(entry.duration_us);
        let middle = self.elapsed.saturating_add(duration >> 1);
        self.elapsed = self.elapsed.saturating_add(duration);
        out.put(DRIFT, middle);
        out.add(MEAN, mul(setting.theta.drift, middle));
    }

    /// Changes under way: the first is a trend, the others come at the beginning
    /// of the newest half, quarter and so on.
    fn begun(&self, entries: usize) -> usize {
        let has_begun = |change: &usize| self.at >= entries.wrapping_sub(entries >> change);
        (0..CHANGES).take_while(has_begun).count()
    }

    /// How far a trend has come by the middle of an entry: not at its end.
    fn trend(&self, setting: &Setting<'_>, entry: &Entry) -> i64 {
        let begin = self.elapsed.saturating_add(setting.given.epoch);
        let middle = begin.saturating_add(millionths(entry.duration_us) >> 1);
        mul(middle, self.slope).saturating_sub(ONE)
    }
}

/// Goes through a part of an entry with the changes that are looked for; `when` is how
/// far the first, a trend, has come.
#[cfg_attr(not(target_pointer_width = "64"), inline(never))]
fn follow<'c>(
    courses: &mut [Course; CHANGES],
    span: &Span,
    part: &Part,
    forced: &[Forced; 2],
    when: i64,
    columns: impl Iterator<Item = &'c mut [i64; 2]>,
) {
    let mut come = when;
    for (course, columns) in courses.iter_mut().zip(columns) {
        course.pass(span, part, forced, come, columns);
        come = ONE;
    }
}
