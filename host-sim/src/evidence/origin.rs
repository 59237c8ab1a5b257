//! Where the report comes from, and how it is made again.

use maud::{Markup, html};

use super::Evidence;
use super::inputs::{COMMIT, VERSION};
use super::table::{cell, table};

pub(super) fn section(evidence: &Evidence<'_>) -> Markup {
    let provenance = evidence.provenance;
    let inputs = provenance.inputs.iter();
    let rows: Vec<_> = inputs
        .map(|input| {
            let hash = html! { code class="hash" { (input.sha256) } };
            vec![cell(input.role), cell(&input.name), cell(input.bytes), hash]
        })
        .collect();
    let heads = [
        ("what", false),
        ("file", false),
        ("bytes", true),
        ("SHA-256", false),
    ];
    html! {
        dl {
            dt { "Software" }
            dd { "ohmsplit " (VERSION) ", commit " (COMMIT.unwrap_or("not stated at build time")) }
            dt { "Made again by" }
            dd { code class="block" { (provenance.command) } }
            dt { "Seed" }
            dd {
                @match provenance.seed {
                    Some(seed) => { (seed) ": all random draws of the simulation follow from it." },
                    None => "none: nothing was drawn, the capture was recorded.",
                }
            }
            @if let Some(date) = &provenance.date {
                dt { "Date, as given" }
                dd { (date) }
            }
        }
        (table(Some(cell("Files that were read")), &heads, &rows))
        p class="note" {
            "The same files, command and software give this report again, byte for byte: it holds no time of its making."
        }
    }
}
