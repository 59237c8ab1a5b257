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
mod tests {
    use super::*;
    use crate::test_reports::{open, report};
    use proptest::prelude::*;

    const HEALTHY: Verdict = Verdict::Healthy;

    fn fed(permit: &mut Permit, from_s: u32, verdicts: &[Verdict]) {
        for (place, &verdict) in (0u32..).zip(verdicts) {
            permit.take(from_s + place, &report(from_s + place, verdict, Ok(open())));
        }
    }

    #[test]
    fn nothing_known_is_no() {
        let mut permit = Permit::new(Rules::default());
        assert_eq!(permit.ask(0).permission, Err(Withheld::NothingKnown));
        assert_eq!(permit.ask(u32::MAX).permission, Err(Withheld::NothingKnown));
    }

    #[test]
    fn two_healthy_dwells_grant_it_and_age_takes_it_back() {
        let mut permit = Permit::new(Rules::default());
        fed(&mut permit, 10, &[HEALTHY]);
        // The same dwell reported again is no second one.
        permit.take(11, &report(10, HEALTHY, Ok(open())));
        assert!(permit.ask(11).permission.is_err());
        fed(&mut permit, 12, &[HEALTHY]);
        assert_eq!(permit.ask(40).permission, Ok(()));
        assert_eq!(permit.ask(40).age_s, 28);
        assert_eq!(permit.ask(73).permission, Err(Withheld::TooOld));
        // Latched: asking for an earlier time does not bring it back.
        assert_eq!(permit.ask(60).permission, Err(Withheld::TooOld));
        fed(&mut permit, 80, &[HEALTHY]);
        assert!(permit.ask(80).permission.is_err());
        fed(&mut permit, 81, &[HEALTHY]);
        assert_eq!(permit.ask(81).permission, Ok(()));
    }

    #[test]
    fn an_alarm_is_latched_until_acknowledged_and_measured_again() {
        let mut permit = Permit::new(Rules::default());
        fed(&mut permit, 1, &[HEALTHY, HEALTHY, Verdict::Alarm]);
        assert_eq!(permit.ask(3).permission, Err(Withheld::Alarm));
        fed(&mut permit, 4, &[HEALTHY; 5]);
        assert_eq!(permit.ask(8).permission, Err(Withheld::NotAcknowledged));
        permit.acknowledge(9);
        assert_eq!(permit.ask(9).permission, Err(Withheld::ToBeConfirmed));
        fed(&mut permit, 10, &[HEALTHY, HEALTHY]);
        assert_eq!(permit.ask(11).permission, Ok(()));
    }

    #[test]
    fn a_reset_withdraws_it_and_keeps_the_latch() {
        let mut permit = Permit::restored(Rules::default(), 5, true);
        assert_eq!(permit.ask(5).permission, Err(Withheld::Restarted));
        fed(&mut permit, 6, &[HEALTHY; 4]);
        assert_eq!(permit.ask(10).permission, Err(Withheld::NotAcknowledged));
    }

    #[test]
    fn every_cause_withdraws_it() {
        let reason = Reason::Saturated;
        let granted = || {
            let mut permit = Permit::new(Rules::default());
            fed(&mut permit, 100, &[HEALTHY; 3]);
            assert_eq!(permit.ask(102).permission, Ok(()));
            permit
        };
        let mut permit = granted();
        fed(&mut permit, 103, &[Verdict::Undetermined(reason)]);
        assert_eq!(
            permit.ask(103).permission,
            Err(Withheld::Undetermined(reason))
        );
        let mut permit = granted();
        fed(&mut permit, 103, &[Verdict::Warning]);
        assert_eq!(permit.ask(103).permission, Err(Withheld::Warning));
        let mut permit = granted();
        permit.network_changed(103);
        assert_eq!(permit.ask(103).permission, Err(Withheld::NetworkChanged));
        let mut permit = granted();
        assert_eq!(permit.ask(50).permission, Err(Withheld::ClockRanBack));
    }

    #[test]
    fn codes_are_told_back() {
        for code in 0..=u8::MAX {
            for reason in core::iter::once(None).chain(Reason::ALL.map(Some)) {
                if let Some(cause) = Withheld::from_code(code, reason) {
                    assert_eq!(cause.code(), code);
                    assert_eq!(matches!(cause, Withheld::Undetermined(_)), reason.is_some());
                }
            }
        }
        assert!((1..=10).all(|code| {
            let reason = (code == 4).then_some(Reason::NotSettled);
            Withheld::from_code(code, reason).is_some()
        }));
    }

    #[derive(Debug, Clone, Copy)]
    enum Event {
        Report(Verdict, bool),
        Ask,
        Change,
        Acknowledge,
    }

    fn event() -> impl Strategy<Value = Event> {
        let verdict = prop_oneof![
            6 => Just(Verdict::Healthy),
            1 => Just(Verdict::Warning),
            1 => Just(Verdict::Alarm),
            1 => Just(Verdict::Undetermined(Reason::NotSettled)),
        ];
        prop_oneof![
            12 => (verdict, prop::bool::weighted(0.9)).prop_map(|(v, e)| Event::Report(v, e)),
            3 => Just(Event::Ask),
            1 => Just(Event::Change),
            1 => Just(Event::Acknowledge),
        ]
    }

    proptest! {
        /// Whatever happens, a yes means: the newest two estimates are healthy
        /// and recent, with nothing between or after them that forbids it, and
        /// no alarm has gone unacknowledged.
        #[test]
        fn a_yes_always_rests_on_fresh_evidence(
            events in prop::collection::vec((event(), prop_oneof![4 => 0u32..20, 1 => 20u32..120]), 1..80)
        ) {
            let mut permit = Permit::new(Rules::default());
            let (mut now, mut alarm, mut sequence) = (0u32, false, 0);
            // Times of allowing reports since whatever forbade it last.
            let mut allowed = std::vec::Vec::new();
            for (event, pause) in events {
                now += pause;
                match event {
                    Event::Report(verdict, with_estimate) => {
                        sequence += 1;
                        let estimate = if with_estimate { Ok(open()) } else { Err(Reason::NotSettled) };
                        permit.take(now, &report(sequence, verdict, estimate));
                        alarm |= verdict == Verdict::Alarm;
                        match verdict {
                            Verdict::Healthy if with_estimate => allowed.push(now),
                            Verdict::Healthy => {}
                            _ => allowed.clear(),
                        }
                    }
                    Event::Ask => {}
                    Event::Change => {
                        permit.network_changed(now);
                        allowed.clear();
                    }
                    Event::Acknowledge => {
                        permit.acknowledge(now);
                        if alarm {
                            allowed.clear();
                        }
                        alarm = false;
                    }
                }
                let recent = |pair: &[u32]| pair.iter().all(|&at| now - at <= 120);
                let due = !alarm
                    && allowed.len() >= 2
                    && allowed.last().is_some_and(|&at| now - at <= 60)
                    && recent(&allowed[allowed.len() - 2..]);
                if permit.ask(now).permission.is_ok() {
                    prop_assert!(due, "granted at {now}: {allowed:?}, alarm {alarm}");
                }
                prop_assert_eq!(permit.ask(now).latched, alarm);
            }
        }
    }
}
