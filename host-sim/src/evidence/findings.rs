//! Refusals and doubts: what the core said it could not tell, how often and when.

use maud::{Markup, html};

use super::record::{Record, Topic};
use crate::output::explain;

pub(super) fn section(record: &Record) -> Markup {
    let found: Vec<_> = record
        .findings
        .iter()
        .filter(|((topic, _), _)| *topic != Topic::Reading)
        .collect();
    let outcome = &record.outcome;
    html! {
        p {
            (outcome.dwells) " dwells, " (outcome.answered) " of them with an answer. A refusal is an answer too: "
            "it says what is missing, and it never counts as healthy."
        }
        @if found.is_empty() {
            p { "Nothing was refused, and no verdict was left open." }
        } @else {
            div class="scroll" {
                table {
                    caption { "What could not be told, by reason, in dwells" }
                    thead {
                        tr {
                            th scope="col" { "reason" }
                            th scope="col" { "code" }
                            th scope="col" { "what is missing" }
                            th scope="col" class="number" { "dwells" }
                            th scope="col" class="number" { "first" }
                            th scope="col" class="number" { "last" }
                            th scope="col" { "what it means" }
                        }
                    }
                    tbody {
                        @for ((topic, code), (reason, marks)) in found {
                            @let [first, last] = marks.span_s().unwrap_or_default();
                            tr {
                                th scope="row" { code { (reason.name()) } }
                                td { (code) }
                                td { (if *topic == Topic::Answer { "a figure" } else { "a verdict" }) }
                                td class="number" { (marks.count) }
                                td class="number" { (format!("{first:.2} s")) }
                                td class="number" { (format!("{last:.2} s")) }
                                td { (explain(*reason)) }
                            }
                        }
                    }
                }
            }
        }
    }
}
