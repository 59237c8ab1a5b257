//! The table of trials: grows by whole lines, and says of which sweep and which
//! trials it is, so that only the same goes on with it.

use std::fs::{File, OpenOptions};
use std::io::{ErrorKind, Write};
use std::ops::Range;
use std::path::{Path, PathBuf};

use super::plan::Plan;
use crate::error::{HostError, Place};
use crate::output;
use crate::table::{Cell, Columns, heading, line, parse};

/// An open table.
#[derive(Debug)]
pub(super) struct Store {
    path: PathBuf,
    file: File,
}

/// The lines above the rows.
pub(super) fn header(plan: &Plan, columns: &Columns, trials: &Range<usize>) -> String {
    format!(
        "{}{}..{}\n{}\n",
        title(plan),
        trials.start,
        trials.end,
        heading(columns)
    )
}

fn title(plan: &Plan) -> String {
    format!(
        "# ohmsplit-sweep-1 {}, plan {:016x}, trials ",
        plan.name.replace('\n', " "),
        plan.identity()
    )
}

impl Store {
    /// Opens the table of some trials; tells how many are in it. A last line that was cut short is cut off.
    pub(super) fn open(
        path: &Path,
        plan: &Plan,
        columns: &Columns,
        trials: &Range<usize>,
    ) -> Result<(Self, usize), HostError> {
        let name = path.display().to_string();
        let written = |error| HostError::system(&*name, "cannot be written", &error);
        let text = match std::fs::read_to_string(path) {
            Ok(text) => text,
            Err(error) if error.kind() == ErrorKind::NotFound => String::new(),
            Err(error) if error.kind() == ErrorKind::InvalidData => {
                return Err(other(&name, 1, "is not text"));
            }
            Err(error) => return Err(HostError::system(name, "cannot read", &error)),
        };
        let head = header(plan, columns, trials);
        let (rows, whole) = match text.strip_prefix(&head) {
            Some(body) => {
                let lines = &body[..body.rfind('\n').map_or(0, |end| end + 1)];
                check(&name, lines, columns, trials.start)?;
                (lines.lines().count(), head.len() + lines.len())
            }
            None if head.starts_with(&text) => (0, 0),
            None => {
                return Err(
                    other(&name, 1, "the table is not of this part of this sweep").expected(
                        format!(
                            "as its first line \"{}\"",
                            head.lines().next().unwrap_or_default()
                        ),
                    ),
                );
            }
        };
        let mut file = OpenOptions::new()
            .create(true)
            .append(true)
            .open(path)
            .map_err(written)?;
        file.set_len(whole as u64).map_err(written)?;
        if whole == 0 {
            file.write_all(head.as_bytes()).map_err(written)?;
        }
        Ok((
            Self {
                path: path.to_owned(),
                file,
            },
            rows,
        ))
    }

    /// Appends a row: one write, so that an end of the program in between leaves whole lines.
    pub(super) fn push(&mut self, row: &[Cell]) -> Result<(), HostError> {
        let text = line(row) + "\n";
        self.file.write_all(text.as_bytes()).map_err(|error| {
            HostError::system(self.path.display().to_string(), "cannot be written", &error)
        })
    }
}

/// A complete table of some trials.
#[derive(Debug)]
pub(super) struct Part {
    pub(super) name: String,
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
                    &self.name,
                    place as u64 + 3,
                    "the row is not one of this sweep",
                )
            })?);
        }
        Ok(rows)
    }
}

/// Reads a complete table.
pub(super) fn part(path: &Path, plan: &Plan, columns: &Columns) -> Result<Part, HostError> {
    let name = path.display().to_string();
    let text = std::fs::read_to_string(path)
        .map_err(|error| HostError::system(&*name, "cannot read", &error))?;
    let foreign = || {
        other(&name, 1, "the table is not of this sweep")
            .expected(format!("a first line that begins \"{}\"", title(plan)))
    };
    let range = text
        .strip_prefix(&title(plan))
        .and_then(|rest| rest.lines().next())
        .ok_or_else(foreign)?;
    let ends = range
        .split_once("..")
        .and_then(|(start, end)| Some(start.parse().ok()?..end.parse().ok()?));
    let trials: Range<usize> = ends.ok_or_else(foreign)?;
    let lines = text
        .strip_prefix(&header(plan, columns, &trials))
        .ok_or_else(foreign)?
        .to_owned();
    let there = lines.lines().count();
    if there != trials.len() || !lines.ends_with('\n') && !lines.is_empty() {
        return Err(other(&name, there as u64 + 2, "the table is not complete")
            .expected(format!("{} rows", trials.len()))
            .mend("run this part again with --resume"));
    }
    check(&name, &lines, columns, trials.start)?;
    Ok(Part {
        name,
        trials,
        lines,
    })
}

/// That the rows are those of the trials from one on.
fn check(name: &str, lines: &str, columns: &Columns, first: usize) -> Result<(), HostError> {
    for (place, text) in lines.lines().enumerate() {
        let number = Cell::Whole((first + place) as i64);
        if parse(text, columns).is_none_or(|row| row.get(1) != Some(&number)) {
            return Err(other(
                name,
                place as u64 + 3,
                "the row is not that of the next trial",
            ));
        }
    }
    Ok(())
}

/// Refuses to begin where there already is one of these files.
pub(super) fn refuse_to_replace(files: &[impl AsRef<Path>]) -> Result<(), HostError> {
    output::refuse_to_replace(files, "sweep", "trials")
}

fn other(name: &str, line: u64, problem: &str) -> HostError {
    HostError::input(problem)
        .in_file(name)
        .at(Place::Row { line, column: None })
        .expected("the table of trials of the same plan")
        .mend("give the plan it was begun with, unchanged, or name another folder")
}
