//! Records as JSON lines. Names end in their unit.

use ohmsplit::Verdict;
use ohmsplit::journal::{Event, Figures, Judgement, Record};
use ohmsplit::permit::{Answer, Withheld};
use serde_json::{Map, Value, json};

use super::table::LN_R;
use crate::output::{basis_word, kind_word, verdict_word};

/// One record as an object.
#[must_use]
pub fn line(record: &Record) -> Value {
    let mut object = Map::new();
    object.insert("sequence".to_owned(), json!(record.sequence));
    object.insert("time_s".to_owned(), json!(record.at_s));
    let (event, fields) = match &record.event {
        Event::Started => ("start", json!({})),
        Event::Verdict(judgement) => ("verdict", of_judgement(judgement)),
        Event::Permission(answer) => ("permission", of_answer(answer)),
        Event::Sections(connected) => ("sections", json!({ "connected_bits": connected.bits() })),
        Event::TrendPoint(point) => (
            "trend_point",
            json!({
                "span": point.span,
                "resistance_ohm": (f64::from(point.ln_r) / LN_R).exp() * 1e6,
            }),
        ),
        Event::Unknown {
            version,
            kind,
            payload,
        } => (
            "unknown",
            json!({ "version": version, "kind": kind, "payload": payload }),
        ),
    };
    object.insert("event".to_owned(), json!(event));
    if let Value::Object(fields) = fields {
        object.extend(fields);
    }
    Value::Object(object)
}

fn of_judgement(judgement: &Judgement) -> Value {
    let reason = match judgement.verdict {
        Verdict::Undetermined(reason) => Some(reason.name()),
        Verdict::Healthy | Verdict::Warning | Verdict::Alarm => None,
    };
    let figures = judgement.figures.as_ref();
    let ohm = |of: fn(&Figures) -> u32| figures.map(of).filter(|&ohm| ohm != u32::MAX);
    json!({
        "verdict": verdict_word(judgement.verdict),
        "reason": reason,
        "basis": basis_word(judgement.basis),
        "estimate": figures.map(|figures| kind_word(figures.kind)),
        "isolation_ohm": ohm(|figures| figures.isolation_ohm),
        "weakest_ohm": ohm(|figures| figures.weakest_ohm),
        "position": figures.and_then(|figures| figures.position).map(|x| f64::from(x) / 1e4),
        "pack_V": figures.map(|figures| f64::from(figures.pack_decivolt) / 10.0),
    })
}

fn of_answer(answer: &Answer) -> Value {
    let cause = answer.permission.err();
    let reason = match cause {
        Some(Withheld::Undetermined(reason)) => Some(reason.name()),
        _ => None,
    };
    json!({
        "granted": answer.permission.is_ok(),
        "cause": cause.map(Withheld::name),
        "reason": reason,
        "latched": answer.latched,
        "age_s": answer.age_s,
    })
}
