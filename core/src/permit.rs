//! May the contactors close? An explicit answer that is latched, with its
//! reason and age.
//!
//! * It begins withheld. Nothing but evidence grants it: reports that carry an
//!   estimate and a verdict that allows closing, from so many dwells in a row.
//! * Withdrawn at once by: an alarm, an undetermined verdict, a warning unless
//!   [`Rules::on_warning`], a change of the network, evidence that is older than
//!   [`Rules::age_max_s`], a clock that runs back, a reset.
//! * Given again after fresh evidence; after an alarm only once
//!   [`Permit::acknowledge`] was called as well. The alarm's latch outlives a
//!   reset, see [`Permit::restored`] and [`crate::journal`].
//!
//! So no data, old data and "cannot tell" are never a yes. The answer is about
//! isolation alone: other conditions for closing are the integrator's. It is no
//! proof that a circuit is safe to touch.
//!
//! Times are whole seconds of a clock that the integrator owns.

use crate::reason::Reason;
use crate::report::{Report, Verdict};

/// What it takes to be granted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Rules {
    /// Evidence older than this withdraws the permission, in seconds.
    pub age_max_s: u32,
    /// Dwells in a row whose reports must allow closing; none counts as one.
    pub dwells: u8,
    /// A warning allows closing: isolation is low but above the alarm limit.
    pub on_warning: bool,
}

impl Default for Rules {
    /// A minute, two dwells, not on a warning.
    fn default() -> Self {
        Self {
            age_max_s: 60,
            dwells: 2,
            on_warning: false,
        }
    }
}

/// Why closing is not permitted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Withheld {
    /// Nothing has been reported since the start.
    NothingKnown,
    /// The verdict is an alarm.
    Alarm,
    /// The verdict is a warning, and the rules do not allow closing on it.
    Warning,
    /// It cannot be judged.
    Undetermined(Reason),
    /// The newest evidence is too old.
    TooOld,
    /// The time went back: the age of the evidence is not known.
    ClockRanBack,
    /// Contactors have moved since the evidence.
    NetworkChanged,
    /// The monitor was reset; nothing has been measured since.
    Restarted,
    /// There is evidence, but an earlier alarm was not acknowledged.
    NotAcknowledged,
    /// An alarm was acknowledged; evidence since then is still missing.
    ToBeConfirmed,
}

impl Withheld {
    /// The stable code: what firmware stores and sends.
    #[must_use]
    pub const fn code(self) -> u8 {
        match self {
            Self::NothingKnown => 1,
            Self::Alarm => 2,
            Self::Warning => 3,
            Self::Undetermined(_) => 4,
            Self::TooOld => 5,
            Self::ClockRanBack => 6,
            Self::NetworkChanged => 7,
            Self::Restarted => 8,
            Self::NotAcknowledged => 9,
            Self::ToBeConfirmed => 10,
        }
    }

    /// The cause with a code; `reason` is that of an undetermined verdict.
    #[must_use]
    pub const fn from_code(code: u8, reason: Option<Reason>) -> Option<Self> {
        Some(match (code, reason) {
            (1, None) => Self::NothingKnown,
            (2, None) => Self::Alarm,
            (3, None) => Self::Warning,
            (4, Some(reason)) => Self::Undetermined(reason),
            (5, None) => Self::TooOld,
            (6, None) => Self::ClockRanBack,
            (7, None) => Self::NetworkChanged,
            (8, None) => Self::Restarted,
            (9, None) => Self::NotAcknowledged,
            (10, None) => Self::ToBeConfirmed,
            _ => return None,
        })
    }

    /// The name used in reports.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::NothingKnown => "nothing_known",
            Self::Alarm => "alarm",
            Self::Warning => "warning",
            Self::Undetermined(_) => "undetermined",
            Self::TooOld => "too_old",
            Self::ClockRanBack => "clock_ran_back",
            Self::NetworkChanged => "network_changed",
            Self::Restarted => "restarted",
            Self::NotAcknowledged => "not_acknowledged",
            Self::ToBeConfirmed => "to_be_confirmed",
        }
    }
}

/// The answer to "may the contactors close?".
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Answer {
    /// `Ok` is the only yes.
    pub permission: Result<(), Withheld>,
    /// Seconds since the newest evidence when granted, and since it was
    /// withheld for this cause when not.
    pub age_s: u32,
    /// An alarm waits to be acknowledged.
    pub latched: bool,
}

/// The permission with its memory. Feed it every [`Report`].
#[derive(Debug, Clone)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Permit {
    rules: Rules,
    permission: Result<(), Withheld>,
    /// The newest evidence when granted; since when withheld otherwise.
    since_s: u32,
    latched: bool,
    evidence: Option<Evidence>,
}

/// Reports in a row that allow closing.
#[derive(Debug, Clone, Copy)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Evidence {
    at_s: u32,
    /// The dwell that counted last.
    sequence: u32,
    dwells: u8,
}

impl Permit {
    /// Withheld: nothing is known.
    #[must_use]
    pub const fn new(rules: Rules) -> Self {
        Self {
            rules,
            permission: Err(Withheld::NothingKnown),
            since_s: 0,
            latched: false,
            evidence: None,
        }
    }

    /// Withheld after a reset at `now_s`. `latched`: an alarm before the reset
    /// has not been acknowledged, or it is not known whether there was one.
    #[must_use]
    pub const fn restored(rules: Rules, now_s: u32, latched: bool) -> Self {
        Self {
            rules,
            permission: Err(Withheld::Restarted),
            since_s: now_s,
            latched,
            evidence: None,
        }
    }

    /// Takes a report of the monitor.
    pub fn take(&mut self, now_s: u32, report: &Report) {
        self.expire(now_s);
        match report.verdict {
            Verdict::Alarm => {
                self.latched = true;
                self.withhold(now_s, Withheld::Alarm);
            }
            Verdict::Undetermined(reason) => self.withhold(now_s, Withheld::Undetermined(reason)),
            Verdict::Warning if !self.rules.on_warning => self.withhold(now_s, Withheld::Warning),
            // A verdict that merely still stands is no evidence.
            Verdict::Healthy | Verdict::Warning if report.estimate.is_err() => {}
            Verdict::Healthy | Verdict::Warning => self.count(now_s, report.sequence),
        }
    }

    /// The network changes: contactors are about to move, or have moved.
    pub fn network_changed(&mut self, now_s: u32) {
        self.withhold(now_s, Withheld::NetworkChanged);
    }

    /// Somebody answers for the alarm. Evidence from before does not count.
    pub fn acknowledge(&mut self, now_s: u32) {
        if core::mem::take(&mut self.latched) {
            self.withhold(now_s, Withheld::ToBeConfirmed);
        }
    }

    /// May the contactors close, now?
    #[must_use]
    pub fn ask(&mut self, now_s: u32) -> Answer {
        self.expire(now_s);
        Answer {
            permission: self.permission,
            age_s: now_s.saturating_sub(self.since_s),
            latched: self.latched,
        }
    }

    fn count(&mut self, now_s: u32, sequence: u32) {
        let dwells = match &self.evidence {
            None => 1,
            Some(known) if known.sequence == sequence => known.dwells,
            Some(known) => known.dwells.saturating_add(1),
        };
        self.evidence = Some(Evidence {
            at_s: now_s,
            sequence,
            dwells,
        });
        if dwells < self.rules.dwells {
            return;
        }
        if self.latched {
            self.become_withheld(now_s, Withheld::NotAcknowledged);
        } else {
            self.permission = Ok(());
            self.since_s = now_s;
        }
    }

    /// Evidence does not last.
    fn expire(&mut self, now_s: u32) {
        let Some(known) = &self.evidence else {
            return;
        };
        match now_s.checked_sub(known.at_s) {
            None => self.withhold(now_s, Withheld::ClockRanBack),
            Some(age) if age > self.rules.age_max_s => self.withhold(now_s, Withheld::TooOld),
            Some(_) => {}
        }
    }

    /// Withheld, and what counted before counts no more.
    fn withhold(&mut self, now_s: u32, cause: Withheld) {
        self.evidence = None;
        self.become_withheld(now_s, cause);
    }

    fn become_withheld(&mut self, now_s: u32, cause: Withheld) {
        if self.permission != Err(cause) {
            self.permission = Err(cause);
            self.since_s = now_s;
        }
    }
}

#[cfg(test)]
mod tests;
