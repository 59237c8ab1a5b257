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
use crate::table::{self, Cell, refuse_to_replace};

/// What a sweep writes: one row a trial, one row a cell, the picture.
pub const FILES: [&str; 5] = [
    "trials.csv",
    "trials.parquet",
    "cells.csv",
    "cells.parquet",
    "sweep.svg",
];

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

/// Runs a sweep, or a part of one, into a folder. `on_trial` is told how many trials
/// were there when it began, and how many are done. True when all of it is done.
///
/// # Errors
/// When the folder has files of another sweep, or of this one and `resume` is not set; when values do not go
/// together; when a file cannot be written.
pub fn run(
    plan: &Plan,
    folder: &Path,
    how: Run<'_>,
    mut on_trial: impl FnMut(usize, usize),
) -> Result<bool, HostError> {
    std::fs::create_dir_all(folder).map_err(|error| {
        HostError::system(folder.display().to_string(), "cannot be made", &error)
    })?;
    let paths = FILES.map(|name| folder.join(name));
    if !(how.resume && paths[0].exists()) {
        refuse_to_replace(&paths, "sweep", true)?;
    }
    let trials = how.shard.trials(plan.all_trials());
    let columns = trial::columns(plan);
    let (mut store, begun) = store::open(&paths[0], plan, &columns, &trials)?;
    let mut done = begun;
    let rest = trials.start + begun..trials.end;
    in_order(
        rest,
        how.threads,
        how.stop,
        |number| trial::run(plan, number),
        |row| {
            store.push(&table::line(&row))?;
            done += 1;
            on_trial(begun, done);
            Ok(())
        },
    )?;
    drop(store);
    if done < trials.len() {
        return Ok(false);
    }
    if how.shard.of == 1 {
        finish(plan, &paths)?;
    }
    Ok(true)
}

/// Merges the folders of all shards of a sweep into one.
///
/// # Errors
/// When a shard is missing, incomplete, given twice or of another sweep; when a file cannot be written.
pub fn merge(plan: &Plan, shards: &[PathBuf], folder: &Path) -> Result<(), HostError> {
    let columns = trial::columns(plan);
    let mut parts = shards
        .iter()
        .map(|shard| store::part(&shard.join(FILES[0]), plan, &columns))
        .collect::<Result<Vec<_>, _>>()?;
    parts.sort_by_key(|part| part.trials.start);
    let mut next = 0;
    for part in &parts {
        if part.trials.start != next {
            return Err(HostError::input(format!(
                "trials {next} to {} are in no shard, or in two",
                part.trials.start
            ))
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
    std::fs::create_dir_all(folder).map_err(|error| {
        HostError::system(folder.display().to_string(), "cannot be made", &error)
    })?;
    let paths = FILES.map(|name| folder.join(name));
    refuse_to_replace(&paths, "sweep", false)?;
    let lines: String = parts.iter().map(|part| part.lines.as_str()).collect();
    let text = store::header(plan, &columns, &(0..next)) + &lines;
    AtomicFile::write(&paths[0], &text)?;
    finish(plan, &paths)
}

/// Writes what follows from the table of all trials.
fn finish(plan: &Plan, paths: &[PathBuf; 5]) -> Result<(), HostError> {
    let columns = trial::columns(plan);
    let part = store::part(&paths[0], plan, &columns)?;
    let rows: Vec<Vec<Cell>> = part.rows(&columns)?;
    let about = store::describe(plan);
    table::write_parquet(&paths[1], &columns, &rows, &about)?;
    let of_cells = cells::columns(plan);
    let cells = cells::rows(plan, &columns, &rows);
    table::write_csv(&paths[2], &of_cells, &cells)?;
    table::write_parquet(&paths[3], &of_cells, &cells, &about)?;
    let drawn = picture::svg(plan, &of_cells, &cells, &columns, &rows).map_err(|error| {
        HostError::input(format!("the picture cannot be drawn: {error}"))
            .in_file(paths[4].display().to_string())
    })?;
    AtomicFile::write(&paths[4], &drawn)
}

#[cfg(test)]
mod tests;
