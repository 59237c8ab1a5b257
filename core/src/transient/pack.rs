//! The pack voltage between its readings.

use super::model::Part;
use super::record::{Entry, View};
use super::scaled::Scaled;
use crate::num::{self, ONE, mul};

/// Vb must move by half a volt, and by four times what it moves on either
/// side, to count as a step.
const STEP: i64 = ONE / 2;
/// A climb of Vb within half an entry that counts: 1.5 V/s in blocks of 20 ms.
const CLIMB: i64 = ONE * 3 / 100;

/// How Vb went within an entry, from its mean and its neighbours'. Two parts
/// where it stepped: a step from b₀ to b₁ with the mean b came after the share
/// (b₁ − b)/(b₁ − b₀). Else one, climbing.
#[cfg_attr(not(target_pointer_width = "64"), inline(never))]
pub(super) fn parts(record: View<'_>, at: usize, entry: &Entry) -> [Option<Part>; 2] {
    let near = |at: Option<usize>| at.and_then(|at| record.get(at));
    let (before, after) = (near(at.checked_sub(1)), near(at.checked_add(1)));
    let here = entry.pack();
    if let (Some(before), Some(after)) = (before, after) {
        let pack = |at: Option<usize>, other: Entry| near(at).unwrap_or(other).pack();
        let earlier = pack(at.checked_sub(2), before);
        let later = pack(at.checked_add(2), after);
        if let Some(share) = step(earlier, before.pack(), here, after.pack(), later) {
            let part = |share, pack| {
                Some(Part {
                    share,
                    pack,
                    climb: 0,
                })
            };
            let rest = ONE.wrapping_sub(share);
            return [part(share, before.pack()), part(rest, after.pack())];
        }
    }
    let half = |other: Option<Entry>| {
        other.map(|other| {
            let both = entry.duration_us.saturating_add(other.duration_us);
            let share = num::ratio(i64::from(entry.duration_us), i64::from(both));
            mul(other.pack().saturating_sub(here), share)
        })
    };
    let (back, forth) = (half(before).map(i64::saturating_neg), half(after));
    let climb = match (back.or(forth), forth.or(back)) {
        (Some(back), Some(forth)) => climb(back, forth),
        _ => 0,
    };
    [
        Some(Part {
            share: ONE,
            pack: here,
            climb,
        }),
        None,
    ]
}

/// How far Vb has climbed since the record began, its steps left out: a ripple
/// makes none.
#[derive(Debug, Clone, Copy)]
pub(super) struct Climb {
    from: i64,
    /// It stepped within the entry before.
    stepped: bool,
}

impl Climb {
    pub(super) const fn new(from: i64) -> Self {
        Self {
            from,
            stepped: false,
        }
    }

    /// At an entry, of which the parts are known.
    #[inline(never)]
    pub(super) fn at(
        &mut self,
        record: View<'_>,
        at: usize,
        entry: &Entry,
        parts: &[Option<Part>; 2],
    ) -> i64 {
        let stepped = core::mem::replace(&mut self.stepped, false);
        if let [Some(first), Some(second)] = parts {
            let climbed = first.pack.saturating_sub(self.from);
            self.stepped = true;
            self.from = second.pack.saturating_sub(climbed);
            return climbed;
        }
        let near = |at: Option<usize>| at.and_then(|at| record.get(at));
        let here = entry.pack();
        if let Some(before) = near(at.checked_sub(1)).filter(|_| !stepped) {
            let before = before.pack();
            let pack = |at: Option<usize>, other: i64| near(at).map_or(other, |near| near.pack());
            let earlier = pack(at.checked_sub(2), before);
            let later = pack(at.checked_add(1), here);
            if stands_out(earlier, before, here, later) {
                let climbed = before.saturating_sub(self.from);
                self.from = here.saturating_sub(climbed);
            }
        }
        here.saturating_sub(self.from)
    }
}

/// A change of Vb stands out of those before and after it.
fn stands_out(earlier: i64, before: i64, after: i64, later: i64) -> bool {
    let apart = |a: i64, b: i64| a.saturating_sub(b).saturating_abs();
    let around = apart(before, earlier).saturating_add(apart(after, later));
    apart(after, before) >= around.saturating_mul(4).saturating_add(STEP)
}

/// Climb in half an entry from the climbs to either side: their mean, or the
/// smaller where they differ much, so that a step next door is not taken for a
/// slope here.
fn climb(back: i64, forth: i64) -> i64 {
    let (small, large) = if back.saturating_abs() < forth.saturating_abs() {
        (back, forth)
    } else {
        (forth, back)
    };
    let mean = back.saturating_add(forth) >> 1;
    let climb = if (small < 0) != (large < 0) {
        0
    } else if small.saturating_abs() < large.saturating_abs() >> 1 {
        small
    } else {
        mean
    };
    if climb.saturating_abs() < CLIMB {
        0
    } else {
        climb
    }
}

/// Share of the entry before a step of Vb inside it.
fn step(earlier: i64, before: i64, here: i64, after: i64, later: i64) -> Option<i64> {
    if !stands_out(earlier, before, after, later) {
        return None;
    }
    let share = num::ratio(after.saturating_sub(here), after.saturating_sub(before));
    (share > ONE / 50 && share < ONE - ONE / 50).then_some(share)
}

/// Vb of a record in which it stood still.
#[derive(Debug, Clone, Copy)]
pub(super) struct Level {
    pub(super) value: i64,
    /// Its standard uncertainty, from noise.
    pub(super) u: Scaled,
}

/// Entries that are looked at in one slice of work.
const AT_ONCE: usize = 8;

/// What a record amounts to, found out in slices before it is fitted: its
/// length, the samples in it, and Vb where it stood still: the mean, when every
/// dwell and every entry agrees with it within four and five standard
/// deviations. These are of the noise by which samples scatter or, where that is
/// less, of that by which neighbours differ: a ripple scatters samples by volts,
/// leaves little in a block, and must not hide a slow movement. Where it leaves a
/// quarter of the variance or less, Vb is not said to stand still.
///
/// With an estimated Vb its noise no longer adds to that of v, which would
/// cost a factor of up to two in variance for a leak near the positive rail.
#[derive(Debug, Clone, Default)]
pub(super) struct Survey {
    at: usize,
    pub(super) length_us: u32,
    /// Drive changes, and one.
    dwells: u32,
    /// Samples, in sixteenths of a whole block.
    pub(super) weight: i64,
    /// Vb of the first entry, and the weighted sum of what the others add.
    base: i64,
    sum: i64,
    /// Vb and weight of the entry before.
    before: (i64, i64),
    /// Sum of squares by which neighbours differ, V² times weight, and how many do.
    apart: Scaled,
    pairs: i64,
    /// Mean Vb less `base`, once it is known.
    mean: Option<i64>,
    /// Weighted deviation from the mean within a dwell.
    dwell: (i64, i64),
    moves: bool,
    /// The block right after a drive change is there.
    pub(super) onset: bool,
    /// Samples scatter by more than neighbours differ.
    pub(super) rippled: bool,
}

impl Survey {
    /// One slice of work; true when there is more. `unit` is the noise variance
    /// of Vb in V² times weight as samples scatter, `least` what none is believed to
    /// be below.
    #[inline(never)]
    pub(super) fn step(&mut self, record: View<'_>, unit: Scaled, least: Scaled) -> bool {
        let Some(mean) = self.mean else {
            self.sum(record, unit);
            return true;
        };
        let apart = self.apart(least);
        // A ripple, behind which Vb goes where it will.
        self.rippled = apart.shifted(2).less(unit);
        self.moves |= self.rippled;
        let unit = unit.min(apart);
        for _ in 0..AT_ONCE {
            let Some(entry) = record.get(self.at).filter(|_| !self.moves) else {
                self.moves |= beyond(self.dwell, unit, 16);
                return false;
            };
            self.at = self.at.wrapping_add(1);
            self.judge(&entry, mean, unit);
        }
        true
    }

    fn sum(&mut self, record: View<'_>, unit: Scaled) {
        for _ in 0..AT_ONCE {
            let Some(entry) = record.get(self.at) else {
                self.mean = Some(num::ratio_shifted(self.sum, self.weight, 0));
                self.at = 0;
                return;
            };
            if self.at == 0 {
                self.base = entry.pack();
            }
            self.at = self.at.wrapping_add(1);
            let weight = i64::from(entry.weight);
            let error = entry.pack().saturating_sub(self.base);
            self.sum = self.sum.saturating_add(num::times(error, weight));
            self.compare(entry.pack(), weight, unit);
            self.weight = self.weight.saturating_add(weight);
            self.length_us = self.length_us.saturating_add(entry.duration_us);
            self.onset |= entry.first && self.dwells > 0 && weight > 0;
            self.dwells = self
                .dwells
                .saturating_add(u32::from(entry.first || self.dwells == 0));
        }
    }

    /// Holds an entry against the one before. A step counts as noise at its most.
    fn compare(&mut self, pack: i64, weight: i64, unit: Scaled) {
        if weight == 0 {
            return;
        }
        let (other, beside) = core::mem::replace(&mut self.before, (pack, weight));
        if beside > 0 {
            let both = Scaled::int(weight).times(Scaled::int(beside));
            let both = both.over(Scaled::int(weight.saturating_add(beside)));
            let apart = Scaled::of(pack.saturating_sub(other)).square().times(both);
            self.apart = self.apart.plus(apart.min(unit.shifted(2)));
            self.pairs = self.pairs.saturating_add(1);
        }
    }

    fn judge(&mut self, entry: &Entry, mean: i64, unit: Scaled) {
        if entry.first {
            self.moves |= beyond(self.dwell, unit, 16);
            self.dwell = (0, 0);
        }
        let weight = i64::from(entry.weight);
        let error = entry.pack().saturating_sub(self.base).saturating_sub(mean);
        let error = num::times(error, weight);
        self.moves |= beyond((error, weight), unit, 25);
        let (sum, total) = &mut self.dwell;
        *sum = sum.saturating_add(error);
        *total = total.saturating_add(weight);
    }

    /// Noise variance by which neighbours differ.
    fn apart(&self, least: Scaled) -> Scaled {
        self.apart.over(Scaled::int(self.pairs)).max(least)
    }

    /// Mean length of a dwell.
    pub(super) fn dwell_us(&self) -> u32 {
        self.length_us.checked_div(self.dwells).unwrap_or(0)
    }

    /// Vb where it stood still; where it moves, the noise variance that its readings
    /// bring along.
    pub(super) fn level(&self, unit: Scaled, least: Scaled) -> Result<Level, Scaled> {
        match self.mean {
            Some(mean) if !self.moves => Ok(Level {
                value: self.base.saturating_add(mean),
                u: unit.over(Scaled::int(self.weight)).root(),
            }),
            _ => Err(unit.min(self.apart(least))),
        }
    }
}

/// A weighted sum of deviations is beyond what noise makes: its variance is
/// that of one weight unit times its weight.
fn beyond((sum, weight): (i64, i64), unit: Scaled, sigmas: i64) -> bool {
    let bound = unit.times(Scaled::int(num::times(weight, sigmas)));
    bound.less(Scaled::of(sum).square())
}
