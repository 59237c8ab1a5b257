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
        zero: Volts::ZERO,
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

/// An estimate that is the same but for its intervals.
fn within(weakest: Interval<Ohms>, isolation: Interval<Ohms>) -> Estimate {
    Estimate {
        weakest_interval: weakest,
        isolation_interval: isolation,
        ..estimate(1, 0)
    }
}

fn judged_twice(judge: &mut Judge, limits: &Limits, estimate: Estimate) -> Verdict {
    judge.take(limits, &Ok(estimate));
    judge.take(limits, &Ok(estimate))
}

#[test]
fn the_declared_resistance_is_judged() {
    let healthy = interval(900_000, 950_000);
    let warning = interval(100_000, 105_000);
    for (judged, due) in [
        (Judged::WeakestRail, Verdict::Healthy),
        (Judged::BothInParallel, Verdict::Warning),
    ] {
        let limits = Limits::new(Volts::from_int(400), judged);
        let mut judge = Judge::default();
        assert_eq!(
            judged_twice(&mut judge, &limits, within(healthy, warning)),
            due
        );
    }
    // A growing estimate: 24 µS a rail warn, both together alarm.
    for (judged, due) in [
        (Judged::WeakestRail, Verdict::Warning),
        (Judged::BothInParallel, Verdict::Alarm),
    ] {
        let limits = Limits::new(Volts::from_int(400), judged);
        let mut judge = Judge::default();
        judge.take_growing(&limits, &estimate(24, 0));
        assert_eq!(judge.take_growing(&limits, &estimate(24, 0)), due);
    }
}

#[test]
fn an_interval_is_wide_beyond_a_factor_of_1_35() {
    let judge = Judge::default();
    let graded = |high| judge.grade(&limits(), &interval(180_000, high));
    assert_eq!(graded(243_000), Ok(Grade::Warning));
    assert_eq!(graded(243_001), Err(Reason::TooUncertain));
}

#[test]
fn another_grade_begins_to_be_confirmed_anew() {
    let mut judge = Judge::default();
    let limits = limits();
    for grade in [Grade::Warning, Grade::Alarm, Grade::Warning, Grade::Alarm] {
        judge.confirm(&limits, grade);
        assert!(matches!(judge.verdict(), Verdict::Undetermined(_)));
    }
    judge.confirm(&limits, Grade::Alarm);
    assert_eq!(judge.verdict(), Verdict::Alarm);
    // What stood between takes back what counted before.
    judge.confirm(&limits, Grade::Healthy);
    judge.take(&limits, &Err(Reason::NotSettled));
    judge.confirm(&limits, Grade::Healthy);
    assert_eq!(judge.verdict(), Verdict::Undetermined(Reason::NotSettled));
    judge.confirm(&limits, Grade::Healthy);
    assert_eq!(judge.verdict(), Verdict::Healthy);
}

#[test]
fn a_pause_holds_an_alarm_and_nothing_else() {
    let limits = limits();
    let pause = Verdict::Undetermined(Reason::NotYetMeasured);
    for grade in [Grade::Healthy, Grade::Warning, Grade::Alarm] {
        let mut judge = Judge::default();
        judge.confirm(&limits, grade);
        judge.confirm(&limits, grade);
        judge.suspend(Reason::NotYetMeasured);
        let stands = if grade == Grade::Alarm {
            Verdict::Alarm
        } else {
            pause
        };
        assert_eq!(judge.verdict(), stands);
        // One agreeing estimate is not yet enough; no estimate takes nothing from the alarm.
        judge.confirm(&limits, Grade::Healthy);
        assert_eq!(judge.verdict(), stands);
        let verdict = judge.take(&limits, &Err(Reason::NotSettled));
        let due = if grade == Grade::Alarm {
            Verdict::Alarm
        } else {
            Verdict::Undetermined(Reason::NotSettled)
        };
        assert_eq!(verdict, due);
    }
}

#[test]
fn a_confirmed_alarm_that_was_sudden_stays_held() {
    let mut judge = Judge::default();
    judge.alarm();
    judge.confirm(&limits(), Grade::Alarm);
    judge.confirm(&limits(), Grade::Alarm);
    let verdict = judge.take(&limits(), &Err(Reason::NotSettled));
    assert_eq!(verdict, Verdict::Alarm);
}

#[test]
fn a_growing_estimate_in_doubt_leaves_what_is_known() {
    let mut judge = Judge::default();
    judged_twice(
        &mut judge,
        &limits(),
        within(interval(900_000, 950_000), interval(1, 1)),
    );
    judge.take_growing(&limits(), &estimate(60, 20));
    assert_eq!(judge.verdict(), Verdict::Healthy);
}

/// 400 V: warning at 200 kΩ, alarm at 40 kΩ. `estimate` has a leak to either rail.
#[test]
fn what_the_check_has_not_confirmed_may_only_be_bad_news() {
    let limits = limits();
    let (reason, other) = (Reason::CircuitChanged, Reason::NotYetMeasured);
    let (healthy, warning, alarm) = (estimate(1, 0), estimate(10, 0), estimate(50, 0));
    let mut judge = Judge::default();
    for _ in 0..2 {
        judge.take_growing(&limits, &healthy);
    }
    assert_eq!(judge.verdict(), Verdict::Healthy);
    judge.take_unconfirmed(&limits, &healthy, reason);
    assert_eq!(judge.verdict(), Verdict::Undetermined(reason));
    // As many confirmations as ever, and healthy no longer meanwhile.
    judge.take_growing(&limits, &healthy);
    judge.take_growing(&limits, &healthy);
    judge.take_unconfirmed(&limits, &warning, other);
    assert_eq!(judge.verdict(), Verdict::Undetermined(other));
    judge.take_unconfirmed(&limits, &warning, other);
    assert_eq!(judge.verdict(), Verdict::Warning);
    judge.take_unconfirmed(&limits, &alarm, other);
    assert_eq!(judge.verdict(), Verdict::Warning);
    judge.take_unconfirmed(&limits, &alarm, other);
    assert_eq!(judge.verdict(), Verdict::Alarm);
    // Nothing unconfirmed takes an alarm back.
    for better in [&warning, &healthy, &warning, &healthy] {
        judge.take_unconfirmed(&limits, better, reason);
        assert_eq!(judge.verdict(), Verdict::Alarm);
    }
    judge.take_growing(&limits, &healthy);
    judge.take_growing(&limits, &healthy);
    assert_eq!(judge.verdict(), Verdict::Healthy);
}

/// Its worse end is an alarm, its better end no more than a warning.
#[test]
fn a_wide_interval_that_is_not_confirmed_is_no_warning_yet() {
    let limits = limits();
    let mut judge = Judge::default();
    for _ in 0..3 {
        judge.take_unconfirmed(&limits, &estimate(20, 3), Reason::NotYetMeasured);
    }
    let waits = Verdict::Undetermined(Reason::NotYetMeasured);
    assert_eq!(judge.verdict(), waits);
}

/// Of a hard short only an upper bound of R is known, at two standard uncertainties: at five it is 5/2 of that.
#[test]
fn a_hard_short_decides_where_five_halves_of_its_bound_do() {
    let limits = limits();
    for (bound, due) in [(15_999, Some(Grade::Alarm)), (16_001, None)] {
        let mut short = estimate(50_000, 1);
        short.kind = Kind::Short;
        short.weakest_interval = interval(0, bound);
        short.conductance.u = Microsiemens::MAX;
        short.positive_conductance.u = Microsiemens::MAX;
        short.negative_conductance.u = Microsiemens::MAX;
        let judge = Judge::default();
        assert_eq!(judge.sure_grade(&limits, &short), due, "{bound}");
        // A figure that is as unsure decides nothing.
        short.kind = Kind::Figure;
        assert_eq!(judge.sure_grade(&limits, &short), None, "{bound}");
    }
}
