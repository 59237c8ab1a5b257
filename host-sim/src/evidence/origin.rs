//! Where the report comes from, and how it is made again.

use maud::{Markup, html};

use super::Evidence;
use super::inputs::{COMMIT, VERSION};

pub(super) fn section(evidence: &Evidence<'_>) -> Markup {
    let provenance = evidence.provenance;
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
        div class="scroll" {
            table {
                caption { "Files that were read" }
                thead {
                    tr {
                        th scope="col" { "what" }
                        th scope="col" { "file" }
                        th scope="col" class="number" { "bytes" }
                        th scope="col" { "SHA-256" }
                    }
                }
                tbody {
                    @for input in &provenance.inputs {
                        tr {
                            th scope="row" { (input.role) }
                            td { (input.name) }
                            td class="number" { (input.bytes) }
                            td { code class="hash" { (input.sha256) } }
                        }
                    }
                }
            }
        }
        p class="note" {
            "The same files, command and software give this report again, byte for byte: it holds no time of its making."
        }
    }
}
