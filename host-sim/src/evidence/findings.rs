//! Refusals and doubts: what the core said it could not tell, how often and when.

use maud::{Markup, html};

use super::record::{Record, Topic};
use super::table::{cell, table};
use crate::output::explain;

pub(super) fn section(record: &Record) -> Markup {
    let rows: Vec<_> = record
        .findings
        .iter()
        .filter(|((topic, _), _)| *topic != Topic::Reading)
        .map(|((topic, code), (reason, marks))| {
            let [first, last] = marks.span_s().unwrap_or_default();
            let missing = match topic {
                Topic::Verdict => "a verdict",
                Topic::Answer | Topic::Reading => "a figure",
            };
            vec![
                html! { code { (reason.name()) } },
                cell(code),
                cell(missing),
                cell(marks.count),
                cell(format!("{first:.2} s")),
                cell(format!("{last:.2} s")),
                cell(explain(*reason)),
            ]
        })
        .collect();
    let heads = [
        ("reason", false),
        ("code", false),
        ("what is missing", false),
        ("dwells", true),
        ("first", true),
        ("last", true),
        ("what it means", false),
    ];
    let outcome = &record.outcome;
    html! {
        p {
            (outcome.dwells) " dwells, " (outcome.answered) " of them with an answer. A refusal is an answer too: "
            "it says what is missing, and it never counts as healthy."
        }
        @if rows.is_empty() {
            p { "Nothing was refused, and no verdict was left open." }
        } @else {
            (table(Some(cell("What could not be told, by reason, in dwells")), &heads, &rows))
        }
    }
}
