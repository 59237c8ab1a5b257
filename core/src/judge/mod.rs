//! Stage 5, estimate to verdict: limits, hysteresis, confirmation.
//!
//! The interval, not the point, is held against the limits, so that a warning
//! comes while isolation is still at or above the limit (UN R100, Annex 6:
//! the warning must come with a test resistor that does not take isolation
//! below the required minimum).

use crate::config::{Judged, Limits};
use crate::num;
use crate::reason::Reason;
use crate::report::{Estimate, Interval, Verdict};
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
        let interval = judged_interval(limits.judged, estimate);
        let sure = sure_interval(limits.judged, estimate);
        let sure = [sure.low, sure.high].map(|ohms| self.grade_of(limits, ohms));
        if !wide(&interval) {
            self.confirm(limits, self.grade_of(limits, interval.low));
        } else if let [low, high] = sure
            && low == high
        {
            self.confirm(limits, low);
        } else if matches!(self.verdict, Verdict::Undetermined(_)) {
            self.verdict = Verdict::Undetermined(Reason::TooUncertain);
        }
        self.verdict
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
            resistance.to_bits() <= limit.saturating_add(above)
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
    let allowed = interval.low.to_bits().saturating_mul(WIDE_PERCENT);
    interval.high.to_bits().saturating_mul(100) > allowed
}

/// The judged resistance with five standard uncertainties on either side.
fn sure_interval(judged: Judged, estimate: &Estimate) -> Interval<Ohms> {
    let ends = |g: &Measured<Microsiemens>| {
        let span = Microsiemens::from_bits(g.u.to_bits().saturating_mul(SURE));
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
mod tests {
    use super::*;
    use crate::units::Volts;

    fn limits() -> Limits {
        Limits::new(Volts::from_int(400), Judged::WeakestRail)
    }

    fn interval(low: i32, high: i32) -> Interval<Ohms> {
        Interval {
            low: Ohms::from_int(low),
            high: Ohms::from_int(high),
        }
    }

    #[test]
    fn the_lower_end_of_the_interval_is_graded() {
        let judge = Judge::default();
        // 400 V: warning at 200 kΩ, alarm at 40 kΩ.
        for (low, high, grade) in [
            (200_001, 230_000, Grade::Healthy),
            (200_000, 230_000, Grade::Warning),
            (40_001, 45_000, Grade::Warning),
            (40_000, 45_000, Grade::Alarm),
            (0, 100, Grade::Alarm),
        ] {
            assert_eq!(
                judge.grade(&limits(), &interval(low, high)),
                Ok(grade),
                "{low}"
            );
        }
    }

    #[test]
    fn a_wide_interval_that_reaches_health_is_not_judged() {
        let judge = Judge::default();
        let grade = judge.grade(&limits(), &interval(150_000, 900_000));
        assert_eq!(grade, Err(Reason::TooUncertain));
        // All of it is below the warning limit: the worse end counts.
        assert_eq!(
            judge.grade(&limits(), &interval(30_000, 150_000)),
            Ok(Grade::Alarm)
        );
        // All of it is above.
        assert_eq!(
            judge.grade(&limits(), &interval(300_000, 90_000_000)),
            Ok(Grade::Healthy)
        );
    }

    #[test]
    fn a_verdict_needs_its_confirmations_and_leaves_through_hysteresis() {
        let mut judge = Judge::default();
        let limits = limits();
        judge.confirm(&limits, Grade::Warning);
        assert_eq!(
            judge.verdict(),
            Verdict::Undetermined(Reason::NotYetMeasured)
        );
        judge.confirm(&limits, Grade::Warning);
        assert_eq!(judge.verdict(), Verdict::Warning);
        // 210 kΩ is above 200 kΩ but not 10 % above it.
        assert_eq!(
            judge.grade(&limits, &interval(210_000, 220_000)),
            Ok(Grade::Warning)
        );
        assert_eq!(
            judge.grade(&limits, &interval(221_000, 240_000)),
            Ok(Grade::Healthy)
        );
    }

    /// An estimate of two equal leaks of `g` µS to the rails of 400 V, known to `u`.
    fn estimate(g: i32, u: i32) -> Estimate {
        use crate::config::{Channel, Config, Element, FrontEnd, Timing};
        use crate::units::Ratio;
        let channel = Channel::bipolar(24, Volts::from_int(4096));
        let front_end = FrontEnd::ChassisAndPack {
            chassis: channel,
            pack: channel,
        };
        let source = Element::source_to_negative(Volts::from_int(40), Ohms::from_int(1_000_000));
        let config = Config::try_new(front_end, &[source], Timing::default(), limits());
        let siemens = |value, u| Measured {
            value: Microsiemens::from_int(value),
            u: Microsiemens::from_int(u),
        };
        let found = crate::estimate::Found {
            conductance: siemens(2 * g, 2 * u),
            positive: siemens(g, u),
            negative: siemens(g, u),
            position_u: Ratio::ZERO,
            capacitance: None,
            dwell_us: 0,
        };
        let config = config.expect("a sound configuration");
        let mut early = crate::estimate::Early::new(found, Volts::from_int(400));
        while early.weigh(&config) {}
        early.answer().expect("an estimate")
    }

    #[test]
    fn a_growing_estimate_decides_when_it_is_narrow_or_beyond_doubt() {
        // The limits of 400 V are 5 and 25 µS.
        let verdict = |g: i32, u: i32| {
            let mut judge = Judge::default();
            for _ in 0..2 {
                judge.take_growing(&limits(), &estimate(g, u));
            }
            judge.verdict()
        };
        let open = Verdict::Undetermined(Reason::TooUncertain);
        for (g, u, due) in [
            // 60 ± 20: its 95 % interval is beyond the limit, but one in a
            // hundred such fits is that far off.
            (60, 20, open),
            (60, 6, Verdict::Alarm),
            (0, 4, open),
            (1, 0, Verdict::Healthy),
            // Narrow: the worse end counts, however near the limit.
            (24, 1, Verdict::Alarm),
            (20, 1, Verdict::Warning),
        ] {
            assert_eq!(verdict(g, u), due, "{g} ± {u}");
        }
    }

    #[test]
    fn a_sudden_alarm_is_held_until_estimates_confirm_another_grade() {
        let mut judge = Judge::default();
        judge.alarm();
        for reason in Reason::ALL {
            assert_eq!(judge.take(&limits(), &Err(reason)), Verdict::Alarm);
        }
        judge.take_growing(&limits(), &estimate(1, 0));
        assert_eq!(judge.verdict(), Verdict::Alarm);
        judge.take_growing(&limits(), &estimate(1, 0));
        assert_eq!(judge.verdict(), Verdict::Healthy);
        let verdict = judge.take(&limits(), &Err(Reason::NotSettled));
        assert_eq!(verdict, Verdict::Undetermined(Reason::NotSettled));
    }

    #[test]
    fn no_estimate_is_a_verdict_of_its_own_at_once() {
        let mut judge = Judge::default();
        judge.confirm(&limits(), Grade::Healthy);
        judge.confirm(&limits(), Grade::Healthy);
        let verdict = judge.take(&limits(), &Err(Reason::NotSettled));
        assert_eq!(verdict, Verdict::Undetermined(Reason::NotSettled));
    }
}
