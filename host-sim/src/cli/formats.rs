//! `ohmsplit formats`: one page on every file that is read or written.

use super::End;
use super::show::say;
use crate::error::HostError;

/// The description of captures and network files is kept with the fixtures;
/// this is the part of it between two headings.
const FIXTURES: &str = include_str!(concat!(
    env!("CARGO_MANIFEST_DIR"),
    "/../hil-fixtures/README.md"
));
const FIRST: &str = "## The capture format, version 1";
const AFTER: &str = "## The captures";

/// Scenarios, JSON lines.
const OTHERS: &str = include_str!("formats.md");

/// The data sheet of a pack, and what a design leaves.
const DESIGN: &str = include_str!("formats_design.md");

/// The sheet of a check by hand.
const IN_SITU: &str = "\
## Sheets of the in-situ check, version 1

The readings of a check with voltmeter and resistor, for `ohmsplit in-situ`, which also writes them (`--save`).

```toml
";

pub(super) fn run() -> Result<End, HostError> {
    say(&format!("{}\n{}", captures(), OTHERS.trim_end()))?;
    say(&format!(
        "\n{}\n{}```",
        DESIGN.trim_end(),
        crate::design::sheet::EXAMPLE
    ))?;
    say(&format!("\n{IN_SITU}{}```", crate::insitu::EXAMPLE))?;
    Ok(End::Done)
}

fn captures() -> &'static str {
    let start = FIXTURES.find(FIRST).unwrap_or(0);
    let rest = &FIXTURES[start..];
    &rest[..rest.find(AFTER).unwrap_or(rest.len())]
}

#[cfg(test)]
mod tests {
    use ohmsplit::config::{Drive, Judged};
    use ohmsplit::{Basis, Findings, Reason, Report, Verdict};

    use super::*;
    use crate::bound::{Circuit, Mark, MarkLine};
    use crate::document::Document;
    use crate::output::ReportLine;
    use crate::rig::Event;
    use crate::scenario::Scenario;

    #[test]
    fn the_scenario_on_the_page_is_one() {
        let start = OTHERS.find("```toml\n").expect("an example") + 8;
        let end = start + OTHERS[start..].find("```").expect("its end");
        let document = Document::embedded("example", &OTHERS[start..end]);
        Scenario::parse(&document).expect("the example can be run");
    }

    #[test]
    fn the_expected_results_on_the_page_are_some() {
        let page = captures();
        let format = page
            .find("format = \"ohmsplit-expected-1\"")
            .expect("an example");
        let end = format + page[format..].find("```").expect("its end");
        let document = Document::embedded("example", &page[format..end]);
        crate::expected::Expected::parse(&document).expect("the example can be used");
    }

    #[test]
    fn the_sheet_of_the_in_situ_check_on_the_page_is_one() {
        let document = Document::embedded("example", crate::insitu::EXAMPLE);
        crate::insitu::Sheet::parse(&document).expect("the example can be computed");
    }

    #[test]
    fn every_field_of_the_json_lines_is_on_the_page() {
        let event = Event {
            time_s: 0.0,
            unfinished: false,
            report: Report {
                sequence: 0,
                drive: Drive::Rest,
                dwell_over: true,
                reading: Err(Reason::NotSettled),
                basis: Basis::Settled,
                estimate: Err(Reason::NotSettled),
                judged: Judged::WeakestRail,
                findings: Findings::NONE,
                verdict: Verdict::Healthy,
            },
        };
        let report = serde_json::to_value(ReportLine::of(&event)).expect("JSON");
        let mark = Mark {
            time_s: 1.0,
            since_s: 0.0,
            circuit: Circuit::default(),
            bound: None,
            achieved: Err(Reason::NotSettled),
        };
        let bound = serde_json::to_value(MarkLine::of(&mark)).expect("JSON");
        for line in [report, bound] {
            for name in line.as_object().expect("an object").keys() {
                assert!(OTHERS.contains(&format!("`{name}`")), "{name}");
            }
        }
    }

    #[test]
    fn the_page_holds_the_formats_and_no_list_of_fixtures() {
        let page = captures();
        for word in [
            "time_s",
            "chassis_code",
            "working_voltage_V",
            "ohmsplit-network-1",
        ] {
            assert!(page.contains(word), "{word}");
        }
        for word in ["[channels]", "drive_states", "data_hex", "stale_after_s"] {
            assert!(page.contains(word), "{word}");
        }
        assert!(page.starts_with(FIRST) && page.len() < FIXTURES.len() / 2);
    }
}
