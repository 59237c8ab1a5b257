//! The table of trials: says of which sweep and which trials it is, so that
//! only the same goes on with it, or is merged.

use std::ops::Range;
use std::path::{Path, PathBuf};

use super::plan::Plan;
use super::{Study, columns};
use crate::error::HostError;
use crate::table::{Cell, Columns, Growing, growing_fault, heading, parse};

/// The lines above the rows.
pub(super) fn header(study: &Study, plan: &Plan, trials: &Range<usize>) -> String {
    format!(
        "{}{}..{}\n{}\n",
        title(study, plan),
        trials.start,
        trials.end,
        heading(&columns(study, plan))
    )
}

fn title(study: &Study, plan: &Plan) -> String {
    format!("# {}, trials ", describe(study, plan))
}

fn format_of(study: &Study) -> String {
    format!("ohmsplit-{}-1 ", study.name)
}

/// What the tables of a study are of.
pub(super) fn describe(study: &Study, plan: &Plan) -> String {
    format!(
        "{}{}, plan {:016x}",
        format_of(study),
        plan.name.replace('\n', " "),
        plan.identity()
    )
}

/// Opens the table of some trials; tells how many are in it.
pub(super) fn open(
    path: &Path,
    study: &Study,
    plan: &Plan,
    trials: &Range<usize>,
) -> Result<(Growing, usize), HostError> {
    let count = |lines: &str| {
        check(path, lines, &columns(study, plan), trials.start)?;
        Ok(lines.lines().count())
    };
    let head = header(study, plan, trials);
    Growing::open(
        path,
        "this part of this sweep",
        &head,
        count,
        |line, problem| other(path, line, problem),
    )
}

/// A complete table of some trials.
#[derive(Debug)]
pub(super) struct Part {
    pub(super) path: PathBuf,
    pub(super) trials: Range<usize>,
    /// Its rows, as they stand in the file.
    pub(super) lines: String,
}

impl Part {
    pub(super) fn rows(&self, columns: &Columns) -> Result<Vec<Vec<Cell>>, HostError> {
        let mut rows = Vec::new();
        for (place, text) in self.lines.lines().enumerate() {
            let row = parse(text, columns);
            rows.push(row.ok_or_else(|| {
                other(
                    &self.path,
                    place as u64 + 3,
                    "the row is not one of this sweep",
                )
            })?);
        }
        Ok(rows)
    }
}

fn read(path: &Path) -> Result<String, HostError> {
    std::fs::read_to_string(path)
        .map_err(|error| HostError::system(path.display().to_string(), "cannot read", &error))
}

/// Of which of these studies a table is; the first when of none.
pub(super) fn study_of<'s>(path: &Path, studies: &[&'s Study]) -> Result<&'s Study, HostError> {
    let text = read(path)?;
    let named = |study: &&&Study| text.starts_with(&format!("# {}", format_of(study)));
    let study = studies.iter().find(named).or(studies.first());
    study
        .copied()
        .ok_or_else(|| other(path, 1, "the table is of no study"))
}

/// Reads a complete table.
pub(super) fn part(path: &Path, study: &Study, plan: &Plan) -> Result<Part, HostError> {
    let text = read(path)?;
    let foreign = || {
        other(path, 1, "the table is not of this sweep").expected(format!(
            "a first line that begins \"{}\"",
            title(study, plan)
        ))
    };
    let range = text
        .strip_prefix(&title(study, plan))
        .and_then(|rest| rest.lines().next())
        .ok_or_else(foreign)?;
    let ends = range
        .split_once("..")
        .and_then(|(start, end)| Some(start.parse().ok()?..end.parse().ok()?));
    let trials: Range<usize> = ends.ok_or_else(foreign)?;
    let lines = text
        .strip_prefix(&header(study, plan, &trials))
        .ok_or_else(foreign)?
        .to_owned();
    let there = lines.lines().count();
    if there != trials.len() || !lines.ends_with('\n') && !lines.is_empty() {
        return Err(other(path, there as u64 + 2, "the table is not complete")
            .expected(format!("{} rows", trials.len()))
            .mend("run this part again with --resume"));
    }
    check(path, &lines, &columns(study, plan), trials.start)?;
    Ok(Part {
        path: path.to_owned(),
        trials,
        lines,
    })
}

/// That the rows are those of the trials from one on.
fn check(path: &Path, lines: &str, columns: &Columns, first: usize) -> Result<(), HostError> {
    for (place, text) in lines.lines().enumerate() {
        let number = Cell::Whole((first + place) as i64);
        if parse(text, columns).is_none_or(|row| row.get(1) != Some(&number)) {
            return Err(other(
                path,
                place as u64 + 3,
                "the row is not that of the next trial",
            ));
        }
    }
    Ok(())
}

fn other(path: &Path, line: u64, problem: &str) -> HostError {
    growing_fault(path, line, problem)
        .expected("the table of trials of the same plan")
        .mend("give the plan it was begun with, unchanged, or name another folder")
}
