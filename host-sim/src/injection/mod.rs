//! Fault injection: faults of the measuring circuit in many runs of a plan, and
//! whether the monitor tells them, is harmed by them, or is not.
//!
//! A plan is that of a sweep, whose scenarios have one fault each and a leak
//! that does not change. What a run comes to:
//!
//! | outcome | when |
//! |---|---|
//! | detected | a finding, or a refusal that withholds the verdict, at latest three drive periods after the fault; and nothing deceives later |
//! | missed | something deceives later than three drive periods after the fault, with no finding: an interval of G misses the truth by more than three half-widths, a verdict is wrong, or healthy stands and nothing has been measured anew for three periods |
//! | safe | neither: what is reported is right |
//! | withheld | no verdict was given before the fault, so that none could be withheld |
//! | short | the run ended within three drive periods |
//!
//! Before the fault, and in healthy runs all along, every figure that is told
//! with an interval is held against the truth: G, Gp, Gn, R, that of the weaker
//! rail, x and C. After it, G alone.
//!
//! A verdict is wrong when it is healthy with the judged figure below the
//! warning limit by a fiftieth, a warning with it below the alarm limit by a
//! fiftieth, a warning with it above twice the warning limit, or an alarm with
//! it above the warning limit. A wide interval that lies below the limits
//! altogether is judged by its worse end, hence the room on the safe side.
//!
//! Another monitor's resistor is a leak as well as none: figures with and
//! without it are right. A leak that rectifies may be found to be anything
//! between its two resistances; the verdict must be that of the smaller one.

mod assess;
mod course;
mod page;
mod share;
mod table;

use ohmsplit::Verdict;

use crate::error::HostError;
use crate::output::verdict_word;
use crate::scenario::{Cause, Scenario};
use crate::simulate;
use crate::sweep::Study;
use crate::table::{Cell, Kind};
use assess::Assessment;
use course::Course;

/// Drive periods within which a fault must be told.
pub const PERIODS_MAX: f64 = 3.0;

const RESULTS: [(&str, Kind); 18] = [
    ("seed", Kind::Whole),
    ("drive", Kind::Text),
    ("fault", Kind::Text),
    ("fault_s", Kind::Real),
    ("true_isolation_ohm", Kind::Real),
    ("true_weakest_ohm", Kind::Real),
    ("true_verdict", Kind::Text),
    ("before", Kind::Text),
    ("before_by", Kind::Text),
    ("outcome", Kind::Text),
    ("told_by", Kind::Text),
    ("latency_periods", Kind::Real),
    ("wrong_by", Kind::Text),
    ("miss_before_half_widths", Kind::Real),
    ("miss_after_half_widths", Kind::Real),
    ("verdict", Kind::Text),
    ("verdict_reason", Kind::Text),
    ("deceived", Kind::Flag),
];

/// Faults as the plan has them.
pub static FAULTS: Study = Study {
    name: "faults",
    files: &[
        "trials.csv",
        "trials.parquet",
        "faults.csv",
        "faults.parquet",
        "faults.md",
        "deceived",
    ],
    without: &[],
    results: &RESULTS,
    trial,
    finish: table::finish,
};

/// The same runs without their faults.
pub static HEALTHY: Study = Study {
    name: "healthy",
    files: &[
        "trials.csv",
        "trials.parquet",
        "healthy.csv",
        "healthy.parquet",
        "healthy.md",
        "deceived",
    ],
    without: &["fault"],
    results: &RESULTS,
    trial,
    finish: table::finish,
};

fn trial(scenario: &Scenario) -> Result<Vec<Cell>, HostError> {
    let truths = simulate::truth(scenario);
    let course = Course::record(scenario)?;
    let assessment = Assessment::of(scenario, &truths, &course);
    let fault = course.fault.map(|fault| fault.what);
    let text = |word: &str| Cell::Text(word.to_owned());
    let optional = |word: Option<&str>| word.map_or(Cell::None, text);
    let finite = |ohm: f64| Cell::real(ohm.is_finite().then_some(ohm));
    let leak = truths.last().map(|truth| truth.leak).unwrap_or_default();
    let mut row = vec![
        Cell::Whole(i64::try_from(scenario.world.seed).unwrap_or(i64::MAX)),
        text(scenario.network.drive.kind.word()),
        Cell::Text(fault.map_or_else(|| "none".to_owned(), |cause| label(&cause))),
        Cell::real(course.fault.map(|fault| fault.from_s)),
        finite(leak.isolation_ohm()),
        finite(leak.weakest_ohm()),
        optional(truths.last().map(|truth| verdict_word(truth.verdict))),
    ];
    row.extend(assessment.before_cells());
    row.extend(assessment.after_cells());
    row.extend([
        text(verdict_word(course.verdict())),
        match course.verdict() {
            Verdict::Undetermined(reason) => text(reason.name()),
            _ => Cell::None,
        },
        Cell::Flag(assessment.deceived()),
    ]);
    Ok(row)
}

/// A fault in words: its kind, then its fields.
fn label(cause: &Cause) -> String {
    let Ok(toml::Value::Table(mut fields)) = toml::Value::try_from(cause) else {
        return String::new();
    };
    let kind = fields.remove("kind");
    let mut words = vec![kind.as_ref().map(word).unwrap_or_default()];
    words.extend(
        fields
            .iter()
            .map(|(name, value)| format!("{name} {}", word(value))),
    );
    words.join(", ")
}

fn word(value: &toml::Value) -> String {
    match value {
        toml::Value::String(text) => text.clone(),
        toml::Value::Float(number) => number.to_string(),
        other => other.to_string(),
    }
}

#[cfg(test)]
mod tests;
