//! Sweeps: a scenario with some of its fields varied, tried many times.
//!
//! A plan names a scenario, axes over any of its fields, and fields drawn anew
//! for each trial. Trials are numbered cell by cell; each has a random stream of
//! its own. So the tables are the same to the byte whatever the number of
//! threads, however often the sweep was stopped, and whether it ran in one
//! piece or in shards that were merged.
//!
//! ```toml
//! format = "ohmsplit-plan-1"
//! name = "tolerances"
//! description = "..."                  # optional
//! scenario = "../scenarios/car.toml"   # relative to the plan
//! trials = 100                         # in each cell
//! seed = 1
//!
//! [set]                                # optional: other than in the scenario's file
//! duration_s = 10.0
//! "parts.draw" = true
//!
//! [[axis]]                             # every combination of the axes is a cell
//! field = "leak[0].resistance_ohm"
//! from = 1.0e4                         # or values = [1.0e4, 1.0e5]
//! to = 1.0e7
//! count = 4
//! spacing = "log"                      # or "linear", which is the default
//!
//! [[axis]]
//! field = "capacitance.positive_uF"
//! values = [0.1, 1.0]
//! also = [{ field = "capacitance.negative_uF", values = [0.1, 1.0] }]   # in step with it
//!
//! [[draw]]                             # anew for each trial
//! field = "leak[0].position"
//! law = "uniform"                      # low, high; log_uniform the same
//! low = 0.0                            # normal: mean, deviation; choice: values
//! high = 1.0
//! ```

mod axes;
mod cells;
mod fields;
mod miss;
mod picture;
mod plan;
mod store;
mod trial;

use std::num::NonZeroUsize;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicBool;

pub use plan::{FORMAT, Plan};

use crate::error::HostError;
use crate::ordered::in_order;
use crate::output::AtomicFile;
use crate::scenario::Scenario;
use crate::table::{self, Cell, Columns, Kind, refuse_to_replace};
pub(crate) use cells::quantile;
pub(crate) use miss::{DECEIVED, Miss};
pub(crate) use trial::{Recent, below, listed};

/// What is asked of the trials of a plan.
#[derive(Debug)]
pub struct Study {
    /// The word in the first line of its table.
    pub name: &'static str,
    /// What it writes: trials as CSV and as Parquet, then what `finish` makes of them.
    pub files: &'static [&'static str],
    /// Fields of the plan's scenarios that are taken out.
    pub without: &'static [&'static str],
    /// Columns after those of the varied fields.
    pub results: &'static [(&'static str, Kind)],
    /// Runs a scenario; the cells of `results`.
    pub trial: fn(&Scenario) -> Result<Vec<Cell>, HostError>,
    /// Writes the files after the first two.
    pub finish: fn(&Trials<'_>, &[PathBuf]) -> Result<(), HostError>,
}

/// All trials of a plan.
#[derive(Debug)]
pub struct Trials<'t> {
    /// What was asked of them.
    pub study: &'t Study,
    /// The plan.
    pub plan: &'t Plan,
    /// Names and kinds of their columns.
    pub columns: Columns,
    /// One row a trial.
    pub rows: Vec<Vec<Cell>>,
}

impl Trials<'_> {
    /// What they are of, as the tables say it.
    #[must_use]
    pub fn about(&self) -> String {
        store::describe(self.study, self.plan)
    }
}

/// Errors, coverage and times of the answers: one row a trial, one row a cell, the picture.
pub static SWEEP: Study = Study {
    name: "sweep",
    files: &[
        "trials.csv",
        "trials.parquet",
        "cells.csv",
        "cells.parquet",
        "sweep.svg",
    ],
    without: &[],
    results: &trial::RESULTS,
    trial: trial::run,
    finish: write_cells,
};

/// One of several equal parts of a sweep.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Shard {
    /// Which one, counted from 1.
    pub number: usize,
    /// Of how many.
    pub of: usize,
}

impl Shard {
    /// All of it.
    pub const WHOLE: Self = Self { number: 1, of: 1 };

    /// Its trials, of so many.
    #[must_use]
    pub fn trials(self, all: usize) -> Range<usize> {
        all * (self.number - 1) / self.of..all * self.number / self.of
    }
}

/// How a sweep is run.
#[derive(Debug, Clone, Copy)]
pub struct Run<'r> {
    /// Which part of it.
    pub shard: Shard,
    /// Goes on with what is in the folder.
    pub resume: bool,
    /// Trials worked on at the same time.
    pub threads: NonZeroUsize,
    /// Set to end early and keep what is done.
    pub stop: &'r AtomicBool,
}

/// Runs a study, or a part of one, into a folder. `on_trial` is told how many trials
/// were there when it began, and how many are done. True when all of it is done.
///
/// # Errors
/// When the folder has files of another sweep, or of this one and `resume` is not set; when values do not go
/// together; when a file cannot be written.
pub fn run(
    study: &Study,
    plan: &Plan,
    folder: &Path,
    how: Run<'_>,
    mut on_trial: impl FnMut(usize, usize),
) -> Result<bool, HostError> {
    let paths = paths(study, folder)?;
    if !(how.resume && paths[0].exists()) {
        refuse_to_replace(&paths, "sweep", true)?;
    }
    let trials = how.shard.trials(plan.all_trials());
    let done = {
        let (mut store, begun) = store::open(&paths[0], study, plan, &trials)?;
        let mut done = begun;
        in_order(
            trials.start + begun..trials.end,
            how.threads,
            how.stop,
            |number| row(study, plan, number),
            |row| {
                store.push(&table::line(&row))?;
                done += 1;
                on_trial(begun, done);
                Ok(())
            },
        )?;
        done
    };
    if done < trials.len() {
        return Ok(false);
    }
    if how.shard.of == 1 {
        finish(study, plan, &paths)?;
    }
    Ok(true)
}

/// Merges the folders of all shards of one of these studies into one; tells which it was.
///
/// # Errors
/// When a shard is missing, incomplete, given twice or of another sweep; when a file cannot be written.
pub fn merge<'s>(
    studies: &[&'s Study],
    plan: &Plan,
    shards: &[PathBuf],
    folder: &Path,
) -> Result<&'s Study, HostError> {
    let table = |shard: &PathBuf| shard.join(SWEEP.files[0]);
    let first = shards.first().map(table).unwrap_or_default();
    let study = store::study_of(&first, studies)?;
    let mut parts = shards
        .iter()
        .map(|shard| store::part(&table(shard), study, plan))
        .collect::<Result<Vec<_>, _>>()?;
    parts.sort_by_key(|part| part.trials.start);
    let mut next = 0;
    for part in &parts {
        if part.trials.start != next {
            let (start, end) = (part.trials.start, part.trials.end);
            return Err(HostError::input(if start < next {
                format!(
                    "trials {start} to {} are in another shard too",
                    end.min(next) - 1
                )
            } else {
                format!("trials {next} to {} are in no shard", start - 1)
            })
            .in_file(part.path.display().to_string())
            .expected("all shards of one sweep, each once")
            .mend("name the folders of all shards 1/N to N/N"));
        }
        next = part.trials.end;
    }
    if next != plan.all_trials() {
        return Err(
            HostError::input(format!("trials from {next} on are in no shard"))
                .expected(format!("all {} trials of the plan", plan.all_trials()))
                .mend("name the folders of all shards 1/N to N/N"),
        );
    }
    let paths = paths(study, folder)?;
    refuse_to_replace(&paths, "sweep", false)?;
    let lines: String = parts.iter().map(|part| part.lines.as_str()).collect();
    let text = store::header(study, plan, &(0..next)) + &lines;
    AtomicFile::write(&paths[0], &text)?;
    finish(study, plan, &paths)?;
    Ok(study)
}

/// The files of a study in a folder, which is made.
fn paths(study: &Study, folder: &Path) -> Result<Vec<PathBuf>, HostError> {
    std::fs::create_dir_all(folder).map_err(|error| {
        HostError::system(folder.display().to_string(), "cannot be made", &error)
    })?;
    Ok(study.files.iter().map(|name| folder.join(name)).collect())
}

/// Columns of a study's table of trials.
fn columns(study: &Study, plan: &Plan) -> Columns {
    let whole = ["cell", "trial"].map(|name| (name.to_owned(), Kind::Whole));
    let (fields, _) = plan.fields();
    let results = study
        .results
        .iter()
        .map(|(name, kind)| ((*name).to_owned(), *kind));
    whole
        .into_iter()
        .chain(fields.into_iter().map(|field| (field, Kind::Text)))
        .chain(results)
        .collect()
}

/// One trial as a row.
fn row(study: &Study, plan: &Plan, number: usize) -> Result<Vec<Cell>, HostError> {
    let (document, values) = plan.document(number, study.without)?;
    let scenario = plan::scenario(&document)?;
    let cell = number / plan.trials as usize;
    let mut row = vec![Cell::Whole(cell as i64), Cell::Whole(number as i64)];
    row.extend(values.iter().map(|value| Cell::Text(trial::word(value))));
    row.extend((study.trial)(&scenario)?);
    Ok(row)
}

/// Writes what follows from the table of all trials.
fn finish(study: &Study, plan: &Plan, paths: &[PathBuf]) -> Result<(), HostError> {
    let columns = columns(study, plan);
    let part = store::part(&paths[0], study, plan)?;
    let rows: Vec<Vec<Cell>> = part.rows(&columns)?;
    table::write_parquet(&paths[1], &columns, &rows, &store::describe(study, plan))?;
    let trials = Trials {
        study,
        plan,
        columns,
        rows,
    };
    (study.finish)(&trials, &paths[2..])
}

/// One row a cell, and the picture.
fn write_cells(trials: &Trials<'_>, paths: &[PathBuf]) -> Result<(), HostError> {
    let Trials {
        plan,
        columns,
        rows,
        ..
    } = trials;
    let of_cells = cells::columns(plan);
    let cells = cells::rows(plan, columns, rows);
    table::write_csv(&paths[0], &of_cells, &cells)?;
    table::write_parquet(&paths[1], &of_cells, &cells, &trials.about())?;
    let drawn = picture::svg(plan, &of_cells, &cells, columns, rows).map_err(|error| {
        HostError::input(format!("the picture cannot be drawn: {error}"))
            .in_file(paths[2].display().to_string())
    })?;
    AtomicFile::write(&paths[2], &drawn)
}

#[cfg(test)]
mod tests;
