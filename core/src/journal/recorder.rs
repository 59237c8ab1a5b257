//! What is worth a record.

use super::record::{Event, Judgement};
use crate::permit::{Answer, Withheld};
use crate::report::{Report, Verdict};

/// Decides which reports and answers are recorded: changes, and what got better
/// or merely different at most once in a stated time, so that a flickering
/// verdict does not wear out the memory.
#[derive(Debug, Clone)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Recorder {
    gap_s: u32,
    verdict: Kept<Verdict>,
    permission: Kept<Result<(), Withheld>>,
    latched: Option<bool>,
}

/// What was recorded last.
#[derive(Debug, Clone, Copy)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Kept<T> {
    last: Option<(T, u32)>,
}

impl<T: Copy + PartialEq> Kept<T> {
    /// Whether a change is to be recorded now; one that is held back comes with
    /// the next call after the gap, if it still stands.
    fn due(&mut self, now_s: u32, new: T, urgent: bool, gap_s: u32) -> bool {
        let due = match &self.last {
            None => true,
            Some((old, _)) if *old == new => false,
            // A clock that went back holds nothing up.
            Some((_, at_s)) => urgent || now_s.checked_sub(*at_s).is_none_or(|gap| gap >= gap_s),
        };
        if due {
            self.last = Some((new, now_s));
        }
        due
    }
}

impl Recorder {
    /// Nothing is recorded yet. `gap_s`: seconds between records of a kind that are not urgent.
    #[must_use]
    pub const fn new(gap_s: u32) -> Self {
        Self {
            gap_s,
            verdict: Kept { last: None },
            permission: Kept { last: None },
            latched: None,
        }
    }

    /// The event to record for a report: at once when the verdict is worse
    /// than the one recorded last.
    pub fn report(&mut self, now_s: u32, report: &Report) -> Option<Event> {
        let worse = |last: &(Verdict, u32)| badness(report.verdict) > badness(last.0);
        let urgent = self.verdict.last.as_ref().is_none_or(worse);
        self.verdict
            .due(now_s, report.verdict, urgent, self.gap_s)
            .then(|| Event::Verdict(Judgement::of(report)))
    }

    /// The event to record for an answer of [`crate::permit::Permit::ask`]: at
    /// once when the alarm's latch changes, since a reset must not forget it,
    /// or when a permission is withdrawn.
    pub fn permission(&mut self, now_s: u32, answer: &Answer) -> Option<Event> {
        let latch = self.latched != Some(answer.latched);
        let withdrawn =
            matches!(self.permission.last, Some((Ok(()), _))) && answer.permission.is_err();
        let due = self
            .permission
            .due(now_s, answer.permission, latch || withdrawn, self.gap_s);
        if latch {
            self.permission.last = Some((answer.permission, now_s));
        }
        (due || latch).then(|| {
            self.latched = Some(answer.latched);
            Event::Permission(*answer)
        })
    }
}

const fn badness(verdict: Verdict) -> u8 {
    match verdict {
        Verdict::Healthy => 0,
        Verdict::Undetermined(_) => 1,
        Verdict::Warning => 2,
        Verdict::Alarm => 3,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Reason;
    use crate::permit::{Permit, Rules};
    use crate::test_reports::{open, report};

    #[test]
    fn a_flickering_verdict_writes_at_most_twice_in_the_gap() {
        let mut recorder = Recorder::new(60);
        let records = (0..6000).filter(|&now| {
            let verdict = if now % 2 == 0 {
                Verdict::Healthy
            } else {
                Verdict::Alarm
            };
            recorder
                .report(now, &report(now, verdict, Ok(open())))
                .is_some()
        });
        let count = records.count();
        assert!((150..=201).contains(&count), "{count}");
    }

    #[test]
    fn what_gets_worse_is_recorded_at_once_and_what_gets_better_is_not_lost() {
        let mut recorder = Recorder::new(60);
        let mut at = |now, verdict| {
            let event = recorder.report(now, &report(now, verdict, Err(Reason::NotSettled)));
            event.is_some()
        };
        let unknown = Verdict::Undetermined(Reason::NotYetMeasured);
        assert!(at(0, unknown));
        assert!(!at(1, Verdict::Healthy));
        assert!(at(2, Verdict::Alarm));
        assert!(!at(3, Verdict::Healthy));
        assert!(at(62, Verdict::Healthy));
        assert!(!at(63, Verdict::Healthy));
    }

    #[test]
    fn the_latch_is_recorded_whatever_the_gap() {
        let mut recorder = Recorder::new(1000);
        let mut permit = Permit::new(Rules::default());
        assert!(recorder.permission(0, &permit.ask(0)).is_some());
        permit.take(1, &report(1, Verdict::Alarm, Ok(open())));
        assert!(recorder.permission(1, &permit.ask(1)).is_some());
        assert!(recorder.permission(2, &permit.ask(2)).is_none());
        permit.acknowledge(3);
        assert!(recorder.permission(3, &permit.ask(3)).is_some());
    }
}
