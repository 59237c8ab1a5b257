//! What the stages after the report say, as C gets it: permission, sections, trend, event records.

use ohmsplit::journal::{History, Judgement};
use ohmsplit::permit::{Answer, Withheld};
use ohmsplit::sections::Share;
use ohmsplit::trend::Course;
use ohmsplit::units::{Ratio, Seconds};
use ohmsplit::{Interval, Reason};

use crate::report::{
    NO_RESISTANCE, NONE, basis, femtosiemens, in_parts, kind, measured, micro, nano, optional,
    resistance, verdict, why,
};
use crate::types::*;

/// The answer as C gets it.
pub(crate) fn answer(answer: &Answer) -> ohmsplit_answer_t {
    let reason = match answer.permission {
        Err(Withheld::Undetermined(reason)) => Some(reason),
        _ => None,
    };
    ohmsplit_answer_t {
        granted: i32::from(answer.permission.is_ok()),
        cause: answer.permission.map_or_else(
            |cause| i32::from(cause.code()),
            |()| ohmsplit_withheld_t::OHMSPLIT_WITHHELD_NONE as i32,
        ),
        reason: why(reason),
        latched: i32::from(answer.latched),
        age_second: answer.age_s,
    }
}

/// What sections leak, as C gets it.
pub(crate) fn share(share: Result<Share, Reason>) -> ohmsplit_share_t {
    let mut out = ohmsplit_share_t {
        kind: ohmsplit_kind_t::OHMSPLIT_KIND_NONE as i32,
        reason: why(share.err()),
        apart_second: 0,
        reserved: 0,
        conductance_femtosiemens: NONE,
        positive_femtosiemens: NONE,
        negative_femtosiemens: NONE,
        isolation: NO_RESISTANCE,
        position_ppm: NONE,
    };
    if let Ok(share) = share {
        out.kind = kind(share.kind);
        out.apart_second = share.apart_s;
        out.conductance_femtosiemens = measured(share.conductance, femtosiemens);
        out.positive_femtosiemens = measured(share.positive_conductance, femtosiemens);
        out.negative_femtosiemens = measured(share.negative_conductance, femtosiemens);
        out.isolation = resistance(share.isolation, share.isolation_interval);
        out.position_ppm = optional(share.position, |x: Ratio| micro(x.get()));
    }
    out
}

/// How isolation develops, as C gets it.
pub(crate) fn course(course: Course, points: usize) -> ohmsplit_course_t {
    use ohmsplit_course_kind_t::*;
    let (kind, slope, reach) = match course {
        Course::TooFewSpans => (OHMSPLIT_COURSE_TOO_FEW_SPANS, None, None),
        Course::NoTrend(slope) => (OHMSPLIT_COURSE_NO_TREND, Some(slope), None),
        Course::Rising(slope) => (OHMSPLIT_COURSE_RISING, Some(slope), None),
        Course::Falling(slope, reach) => (OHMSPLIT_COURSE_FALLING, Some(slope), Some(reach)),
    };
    ohmsplit_course_t {
        kind: kind as i32,
        points: points as u32,
        slope_ppb_per_day: bounded(slope, |part: Ratio| nano(part.get())),
        reach_second: bounded(reach, |t: Seconds| in_parts(t.get(), 1)),
    }
}

fn bounded<T>(from: Option<(T, Interval<T>)>, unit: impl Fn(T) -> i64) -> ohmsplit_bounded_t {
    let [value, low, high] = from.map_or([OHMSPLIT_ABSENT; 3], |(value, interval)| {
        [value, interval.low, interval.high].map(unit)
    });
    ohmsplit_bounded_t { value, low, high }
}

/// What the records tell, as C gets it.
pub(crate) fn history(history: &History) -> ohmsplit_history_t {
    let (permission_at_second, permission) = history.permission.unwrap_or((
        0,
        Answer {
            permission: Err(Withheld::NothingKnown),
            age_s: 0,
            latched: false,
        },
    ));
    let (connected_at_second, connected) = history.connected.unwrap_or_default();
    ohmsplit_history_t {
        latched: i32::from(history.latched()),
        connected_known: i32::from(history.connected.is_some()),
        connected_at_second,
        connected: u32::from(connected.bits()),
        verdict: judgement(history.verdict),
        alarm: judgement(history.alarm),
        permission_known: i32::from(history.permission.is_some()),
        permission_at_second,
        permission: answer(&permission),
    }
}

fn judgement(from: Option<(u32, Judgement)>) -> ohmsplit_judgement_t {
    let Some((at_second, judgement)) = from else {
        return ohmsplit_judgement_t::default();
    };
    let (verdict, verdict_reason) = verdict(judgement.verdict);
    let mut out = ohmsplit_judgement_t {
        known: 1,
        at_second,
        verdict: verdict as i32,
        verdict_reason,
        basis: basis(judgement.basis),
        position_ppm: -1,
        ..ohmsplit_judgement_t::default()
    };
    if let Some(figures) = &judgement.figures {
        out.kind = kind(figures.kind);
        out.isolation_ohm = figures.isolation_ohm;
        out.weakest_ohm = figures.weakest_ohm;
        out.position_ppm = figures
            .position
            .map_or(-1, |parts| i32::from(parts).saturating_mul(100));
        out.pack_decivolt = u32::from(figures.pack_decivolt);
    }
    out
}
