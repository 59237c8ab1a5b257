//! From evidence to a verified leak, in two stages.

use super::circuit::Circuit;
use super::record::{ROWS, Record};
use super::row::{Equation, ODD_BITS};
use super::scan::Best;

/// Evidence of a suspicion: 5 standard deviations, squared, Q8.
pub(super) const SUSPECT: i64 = 25 << ODD_BITS;
/// Evidence of a verified leak: 6.5, rounded down.
const VERIFY: i64 = 42 << ODD_BITS;
/// Evidence of a circuit that has changed: 7.
const CHANGED: i64 = 49 << ODD_BITS;
/// Worst misfit per equation of a leak that is believed, Q8.
const MISFIT: i64 = 6 << ODD_BITS;
/// Blocks in a row that must agree before a suspicion.
const AGREE: u8 = 2;
/// Blocks in a row that must agree before an alarm.
const CONFIRM: u8 = 2;
/// Blocks that [`waits`] has, at least.
const FRESH: u8 = 2;
/// The same where a reading that errs for a while does what a leak would: where v shows but that it is held, and in a
/// circuit that settles fast.
const LASTING: u8 = 6;
/// Three time constants, in blocks, Q16, of such a circuit: three quarters of one.
const FAST: i64 = 3 << 14;
/// Blocks where there is no hurry: the alarm stands already, or a rail leaks less than was known. And how odd the newest
/// equation is then, Q8, with what the known circuit leaves unexplained: two standard deviations.
const UNHURRIED: u8 = 15;
const SHOWS: i64 = 4 << ODD_BITS;
/// Blocks without evidence that end a suspicion.
const CALM: u8 = 5;
/// Most drive changes asked for in one suspicion.
const CHANGES: u8 = 3;
/// A drive change tells nothing in time where a leak at the limit needs this
/// many blocks to settle (three time constants).
const SLOW: u8 = 40;
/// Where it needs more blocks than this, a drive change is not put off until then.
const PATIENCE: u8 = 7;

/// How far the watch has come, in this order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Stage {
    /// The circuit is not known yet, or its record is too short.
    #[default]
    Unprepared,
    /// The record does not follow the known circuit quietly enough to judge.
    Restless,
    /// Nothing new leaks.
    Watching,
    /// Something has changed; it may be a leak beyond the limit.
    Suspected,
    /// A leak beyond the alarm limit. Stays until [`Watch::know`](super::Watch::know).
    Verified,
}

/// The two stages.
#[derive(Debug, Clone, Default)]
pub(super) struct State {
    verified: bool,
    /// Blocks since the suspicion.
    suspected: Option<u8>,
    /// Equations of the window that raised it.
    anchor: u8,
    /// Blocks in a row that call for the next stage, and that call it off.
    run: u8,
    calm: u8,
    /// Drive changes asked for, and blocks since the last.
    changes: u8,
    since_change: u8,
    /// The last suspicion lasted too long for what the record can tell: a
    /// changed circuit alone raises none until it is known.
    tired: bool,
}

impl State {
    pub(super) const fn suspects(&self) -> bool {
        self.suspected.is_some() || self.verified
    }

    /// Equations since the leak began, as the suspicion has it.
    pub(super) fn window(&self) -> Option<usize> {
        let since = self.suspected?;
        Some(usize::from(since.saturating_add(self.anchor)).saturating_add(1))
    }

    pub(super) const fn is_verified(&self) -> bool {
        self.verified
    }

    pub(super) fn stage(&self, record: &Record) -> Stage {
        if self.verified {
            Stage::Verified
        } else if self.suspected.is_some() {
            Stage::Suspected
        } else if !record.is_full() {
            Stage::Unprepared
        } else if !record.is_quiet() {
            Stage::Restless
        } else {
            Stage::Watching
        }
    }

    /// Takes the evidence of a block; true when the drive should change.
    pub(super) fn take(
        &mut self,
        best: &Best,
        excess: bool,
        record: &Record,
        circuit: &Circuit,
    ) -> bool {
        let settling = circuit.settling;
        let changed = excess || best.change > CHANGED;
        let clear = best.evidence > SUSPECT;
        self.since_change = if record.drive_changed() {
            0
        } else {
            self.since_change.saturating_add(1)
        };
        let Some(since) = self.suspected.map(|since| since.saturating_add(1)) else {
            let quiet = record.is_full() && record.is_quiet();
            let raised = clear || changed && !self.tired;
            count(&mut self.run, quiet && raised);
            if self.run >= AGREE {
                self.suspect(best);
                return best.evidence <= VERIFY && self.wants_change(0, settling);
            }
            if quiet && !changed {
                self.changes = 0;
                self.tired = false;
            }
            return false;
        };
        self.suspected = Some(since);
        let believed = best.misfit < MISFIT && best.credible;
        let hurried = !best.lessens(circuit) && !circuit.is_alarming();
        // Where there is no hurry, it is still to be seen.
        let shows = |row: Equation| i64::from(row.odd) > SHOWS;
        let seen = hurried || record.newest().is_some_and(shows);
        let waited = since >= waits(best, circuit, hurried);
        let certain = best.evidence > VERIFY && believed && seen && waited;
        // A block that cannot be judged speaks neither for nor against.
        if record.newest().is_some_and(|row| row.usable()) {
            count(&mut self.run, certain);
            count(&mut self.calm, !clear && !changed);
        }
        if self.run >= CONFIRM {
            self.verified = true;
        } else if self.calm >= CALM || usize::from(since) > ROWS {
            self.tired = self.calm < CALM;
            self.suspected = None;
            self.run = 0;
        }
        !self.verified && best.evidence <= VERIFY && self.wants_change(since, settling)
    }

    fn suspect(&mut self, best: &Best) {
        self.suspected = Some(0);
        self.run = 0;
        self.calm = 0;
        self.anchor = u8::try_from(best.window).unwrap_or(u8::MAX).max(4);
    }

    /// A drive change helps once a leak at the limit would have settled; `settling` is three of its time constants, in
    /// blocks, Q16.
    fn wants_change(&mut self, since: u8, settling: i64) -> bool {
        let blocks = |n: u8| i64::from(n) << 16;
        let slow = settling >= blocks(SLOW);
        let settling = settling.min(blocks(PATIENCE));
        let early = blocks(since.saturating_add(2)) < settling;
        let soon = blocks(self.since_change) < settling.saturating_add(blocks(2));
        if slow || early || soon || self.changes >= CHANGES {
            return false;
        }
        self.changes = self.changes.saturating_add(1);
        self.since_change = 0;
        true
    }
}

/// Blocks after the suspicion before the first that counts for an alarm.
const fn waits(best: &Best, circuit: &Circuit, hurried: bool) -> u8 {
    if !hurried {
        UNHURRIED
    } else if best.pinned || circuit.settling < FAST {
        LASTING
    } else {
        FRESH
    }
}

fn count(run: &mut u8, agrees: bool) {
    *run = if agrees { run.saturating_add(1) } else { 0 };
}
