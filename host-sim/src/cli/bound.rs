//! `ohmsplit bound`

use super::End;
use super::args::{BoundArgs, ShowBound};
use super::show::say;
use crate::bound::{Mark, MarkLine, course, table};
use crate::error::{HostError, Place};
use crate::scenario::Scenario;

pub(super) fn run(args: &BoundArgs) -> Result<End, HostError> {
    let scenario = Scenario::read(&args.scenario)?;
    let name = args.scenario.display().to_string();
    let mut marks = course(&scenario).map_err(|error| error.in_file(&*name))?;
    if let Some(at) = args.at {
        marks = vec![mark_at(&marks, at, scenario.duration_s)?];
    }
    match args.show {
        ShowBound::Table => {
            say(&format!(
                "{}\n\n{}",
                scenario.name,
                table(&marks).trim_end()
            ))?;
        }
        ShowBound::Lines => {
            for mark in &marks {
                // Numbers and words only: there is always a JSON of it.
                say(&serde_json::json!(MarkLine::of(mark)).to_string())?;
            }
        }
    }
    Ok(End::Done)
}

/// The last mark at or before a time.
fn mark_at(marks: &[Mark], at: f64, duration_s: f64) -> Result<Mark, HostError> {
    let refused = |problem: String, expected: String| {
        HostError::input(problem)
            .at(Place::Field {
                path: "--at".to_owned(),
                position: None,
            })
            .expected(expected)
            .mend("give a time in seconds within the run, not before its first report")
    };
    if !(0.0..=duration_s).contains(&at) {
        return Err(refused(
            format!("{at} s is outside of the run"),
            format!("0 to {duration_s} s"),
        ));
    }
    let reached = marks.iter().rev().find(|mark| mark.time_s <= at);
    reached.copied().ok_or_else(|| {
        let expected = marks.first().map_or_else(
            || "a scenario long enough for a report".to_owned(),
            |mark| format!("at least {} s", mark.time_s),
        );
        refused(format!("there is no report up to {at} s"), expected)
    })
}
