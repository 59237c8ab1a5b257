//! Stage 5, estimate to verdict: limits, hysteresis, confirmation.
//!
//! The interval, not the point, is held against the limits, so that a warning
//! comes while isolation is still at or above the limit (UN R100, Annex 6:
//! the warning must come with a test resistor that does not take isolation
//! below the required minimum).

use crate::config::{Judged, Limits};
use crate::num;
use crate::num::Saturating as _;
use crate::reason::Reason;
use crate::report::{Estimate, Interval, Kind, Verdict};
use crate::units::{Measured, Microsiemens, Ohms};

/// An interval whose ends differ by more than this factor is too wide to be
/// graded by its lower end while its upper end is healthy: ±15 %, the
/// uncertainty that IEC 61557-8 allows a response value (from memory, not
/// verified).
const WIDE_PERCENT: i64 = 135;

/// Standard uncertainties that leave no doubt: of a Gaussian, 6 in 10⁷ lie
/// beyond.
const SURE: i64 = 5;

/// How bad it is, in order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
enum Grade {
    #[default]
    Healthy,
    Warning,
    Alarm,
}

/// Judgement with its memory.
#[derive(Debug, Clone)]
pub(crate) struct Judge {
    verdict: Verdict,
    /// The last grade that was confirmed: what hysteresis refers to.
    confirmed: Grade,
    candidate: Grade,
    agreed: u8,
    /// The alarm stands until estimates confirm another grade.
    held: bool,
}

impl Default for Judge {
    fn default() -> Self {
        Self {
            verdict: Verdict::Undetermined(Reason::NotYetMeasured),
            confirmed: Grade::Healthy,
            candidate: Grade::Healthy,
            agreed: 0,
            held: false,
        }
    }
}

impl Judge {
    /// The verdict as it stands.
    pub(crate) const fn verdict(&self) -> Verdict {
        self.verdict
    }

    /// Takes the estimate of a cycle, or the reason why there is none.
    pub(crate) fn take(&mut self, limits: &Limits, estimate: &Result<Estimate, Reason>) -> Verdict {
        let grade = match estimate {
            Ok(estimate) => self.grade(limits, &judged_interval(limits.judged, estimate)),
            Err(reason) => Err(*reason),
        };
        match grade {
            Err(_) if self.held => self.agreed = 0,
            Err(reason) => {
                self.agreed = 0;
                self.verdict = Verdict::Undetermined(reason);
            }
            Ok(grade) => self.confirm(limits, grade),
        }
        self.verdict
    }

    /// Takes an estimate that grows sharper from fit to fit: it decides once its
    /// interval is narrow, or five standard uncertainties on either side leave
    /// no doubt. Until then what is known stands: the same record is judged
    /// over and over, and one fit in twenty is beyond its own 95 % interval.
    pub(crate) fn take_growing(&mut self, limits: &Limits, estimate: &Estimate) -> Verdict {
        match self.sure_grade(limits, estimate) {
            Some(grade) => self.confirm(limits, grade),
            None if matches!(self.verdict, Verdict::Undetermined(_)) => {
                self.verdict = Verdict::Undetermined(Reason::TooUncertain);
            }
            None => {}
        }
        self.verdict
    }

    /// Takes an estimate that the check has not confirmed: it may be a warning or an
    /// alarm, and takes no alarm back. Anything else waits for the check.
    pub(crate) fn take_unconfirmed(
        &mut self,
        limits: &Limits,
        estimate: &Estimate,
        reason: Reason,
    ) {
        let least = if self.verdict == Verdict::Alarm {
            Grade::Alarm
        } else {
            Grade::Warning
        };
        match self.sure_grade(limits, estimate) {
            Some(grade) if grade >= least => {
                self.confirm(limits, grade);
                if self.verdict == Verdict::Healthy {
                    self.verdict = Verdict::Undetermined(reason);
                }
            }
            _ => self.suspend(reason),
        }
    }

    /// The grade of a narrow interval, or of one whose both ends leave no doubt.
    fn sure_grade(&self, limits: &Limits, estimate: &Estimate) -> Option<Grade> {
        let interval = judged_interval(limits.judged, estimate);
        if !wide(&interval) {
            return Some(self.grade_of(limits, interval.low));
        }
        let sure = sure_interval(limits.judged, estimate);
        let [low, high] = [sure.low, sure.high].map(|ohms| self.grade_of(limits, ohms));
        (low == high).then_some(low)
    }

    /// A sudden leak has been verified. The alarm stands until estimates
    /// confirm another grade: that the new circuit cannot be measured yet does
    /// not take it back.
    pub(crate) const fn alarm(&mut self) -> Verdict {
        self.confirmed = Grade::Alarm;
        self.candidate = Grade::Alarm;
        self.agreed = 0;
        self.held = true;
        self.verdict = Verdict::Alarm;
        self.verdict
    }

    /// Nothing is measured for a while: an alarm is held, and everything else
    /// has to be confirmed anew.
    pub(crate) fn suspend(&mut self, reason: Reason) {
        self.agreed = 0;
        if self.verdict == Verdict::Alarm {
            self.held = true;
        } else {
            self.verdict = Verdict::Undetermined(reason);
        }
    }

    fn confirm(&mut self, limits: &Limits, grade: Grade) {
        self.agreed = if grade == self.candidate {
            self.agreed.saturating_add(1)
        } else {
            1
        };
        self.candidate = grade;
        if self.agreed >= limits.confirmations {
            self.confirmed = grade;
            self.held &= grade == Grade::Alarm;
            self.verdict = match grade {
                Grade::Healthy => Verdict::Healthy,
                Grade::Warning => Verdict::Warning,
                Grade::Alarm => Verdict::Alarm,
            };
        }
    }

    fn grade(&self, limits: &Limits, interval: &Interval<Ohms>) -> Result<Grade, Reason> {
        let low = self.grade_of(limits, interval.low);
        let high = self.grade_of(limits, interval.high);
        if wide(interval) && low != Grade::Healthy && high == Grade::Healthy {
            return Err(Reason::TooUncertain);
        }
        Ok(low)
    }

    fn grade_of(&self, limits: &Limits, resistance: Ohms) -> Grade {
        let reached = |ohm_per_volt: u32, grade: Grade| {
            let limit = limits.resistance(ohm_per_volt).to_bits();
            let above = if self.confirmed >= grade {
                num::mul(limit, limits.hysteresis.to_bits())
            } else {
                0
            };
            resistance.to_bits() <= limit.plus(above)
        };
        if reached(limits.alarm_ohm_per_volt, Grade::Alarm) {
            Grade::Alarm
        } else if reached(limits.warning_ohm_per_volt, Grade::Warning) {
            Grade::Warning
        } else {
            Grade::Healthy
        }
    }
}

const fn wide(interval: &Interval<Ohms>) -> bool {
    let allowed = num::times(interval.low.to_bits(), WIDE_PERCENT);
    num::times(interval.high.to_bits(), 100) > allowed
}

/// The judged resistance with five standard uncertainties on either side. A hard short
/// has no upper bound in G, and an interval of two that is even in 1/(G + g): five reach
/// to less than 5/2 of its R.
fn sure_interval(judged: Judged, estimate: &Estimate) -> Interval<Ohms> {
    if estimate.kind == Kind::Short && estimate.conductance.u == Microsiemens::MAX {
        let Interval { high, .. } = judged_interval(judged, estimate);
        let high = high.to_bits().times(SURE) >> 1;
        return Interval {
            low: Ohms::ZERO,
            high: Ohms::from_bits(high),
        };
    }
    let ends = |g: &Measured<Microsiemens>| {
        let span = Microsiemens::from_bits(g.u.to_bits().times(SURE));
        let low = g.value.saturating_sub(span).max(Microsiemens::ZERO);
        (low, g.value.saturating_add(span))
    };
    let (low, high) = match judged {
        Judged::BothInParallel => ends(&estimate.conductance),
        Judged::WeakestRail => {
            let positive = ends(&estimate.positive_conductance);
            let negative = ends(&estimate.negative_conductance);
            (positive.0.max(negative.0), positive.1.max(negative.1))
        }
    };
    Interval {
        low: Ohms::of(high),
        high: Ohms::of(low),
    }
}

const fn judged_interval(judged: Judged, estimate: &Estimate) -> Interval<Ohms> {
    match judged {
        Judged::WeakestRail => estimate.weakest_interval,
        Judged::BothInParallel => estimate.isolation_interval,
    }
}

#[cfg(test)]
mod tests;
