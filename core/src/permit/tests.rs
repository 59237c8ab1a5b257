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

#[test]
fn evidence_lasts_to_the_second_and_age_is_told_since_the_cause() {
    let mut permit = Permit::new(Rules::default());
    fed(&mut permit, 10, &[HEALTHY, HEALTHY]);
    assert_eq!(permit.ask(71).permission, Ok(()));
    assert_eq!(permit.ask(72).permission, Err(Withheld::TooOld));
    // The same cause again does not begin anew.
    fed(&mut permit, 80, &[Verdict::Alarm; 5]);
    assert_eq!(permit.ask(90).age_s, 10);
    permit.network_changed(92);
    assert_eq!(permit.ask(95).age_s, 3);
    assert_eq!(Permit::restored(Rules::default(), 5, false).ask(9).age_s, 4);
}

#[test]
fn a_warning_allows_closing_where_the_rules_say_so() {
    for (on_warning, due) in [(true, Ok(())), (false, Err(Withheld::Warning))] {
        let mut permit = Permit::new(Rules {
            on_warning,
            ..Rules::default()
        });
        fed(&mut permit, 0, &[HEALTHY, Verdict::Warning]);
        assert_eq!(permit.ask(1).permission, due);
    }
}

#[test]
fn a_verdict_that_merely_stands_is_no_evidence_and_takes_none_away() {
    let mut permit = Permit::new(Rules::default());
    let standing = |sequence| report(sequence, HEALTHY, Err(Reason::NotSettled));
    for at_s in 0..5 {
        permit.take(at_s, &standing(at_s));
        assert_eq!(permit.ask(at_s).permission, Err(Withheld::NothingKnown));
    }
    fed(&mut permit, 5, &[HEALTHY]);
    permit.take(6, &standing(6));
    fed(&mut permit, 7, &[HEALTHY]);
    assert_eq!(permit.ask(7).permission, Ok(()));
}

#[test]
fn it_takes_as_many_dwells_as_the_rules_say() {
    for dwells in 1..5u8 {
        let mut permit = Permit::new(Rules {
            dwells,
            ..Rules::default()
        });
        for at in 1..=u32::from(dwells) {
            assert!(permit.ask(at).permission.is_err());
            fed(&mut permit, at, &[HEALTHY]);
        }
        assert_eq!(permit.ask(u32::from(dwells)).permission, Ok(()));
    }
}

/// What firmware stores and prints: a change breaks what was stored.
#[test]
fn codes_and_names_are_these() {
    let undetermined = Withheld::Undetermined(Reason::NotSettled);
    for (code, cause, name) in [
        (1, Withheld::NothingKnown, "nothing_known"),
        (2, Withheld::Alarm, "alarm"),
        (3, Withheld::Warning, "warning"),
        (4, undetermined, "undetermined"),
        (5, Withheld::TooOld, "too_old"),
        (6, Withheld::ClockRanBack, "clock_ran_back"),
        (7, Withheld::NetworkChanged, "network_changed"),
        (8, Withheld::Restarted, "restarted"),
        (9, Withheld::NotAcknowledged, "not_acknowledged"),
        (10, Withheld::ToBeConfirmed, "to_be_confirmed"),
    ] {
        let reason = (cause == undetermined).then_some(Reason::NotSettled);
        assert_eq!((cause.code(), cause.name()), (code, name));
        assert_eq!(Withheld::from_code(code, reason), Some(cause));
    }
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
