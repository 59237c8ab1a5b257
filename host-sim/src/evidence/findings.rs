//! Refusals and doubts: what the core said it could not tell, how often and
//! when; and what its self-diagnosis found.

use maud::{Markup, html};
use ohmsplit::Finding;

use super::record::{Record, Topic};
use super::table::{cell, table};
use crate::output::{explain, explain_finding};

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
        (diagnosed(record))
    }
}

/// What the self-diagnosis found, from when on, and whether it stands.
fn diagnosed(record: &Record) -> Markup {
    let outcome = &record.outcome;
    if outcome.found.is_empty() {
        return html! { p { "The self-diagnosis found nothing wrong with the measuring circuit." } };
    }
    let rows: Vec<_> = Finding::ALL
        .into_iter()
        .filter_map(|finding| {
            let first_s = outcome.found.get(finding.name())?;
            let stands = if outcome.findings().contains(finding) {
                "yes"
            } else {
                "no"
            };
            Some(vec![
                html! { code { (finding.name()) } },
                cell(finding.code()),
                cell(format!("{first_s:.2} s")),
                cell(stands),
                cell(explain_finding(finding)),
            ])
        })
        .collect();
    let heads = [
        ("finding", false),
        ("code", false),
        ("first", true),
        ("at the end", false),
        ("what it means", false),
    ];
    table(Some(cell("What the self-diagnosis found")), &heads, &rows)
}
