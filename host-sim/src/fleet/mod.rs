//! A fleet's captures: one row a capture, whatever becomes of it.
//!
//! Rows are written in the order of the names, one at a time, so that a run
//! that was stopped can go on, and the same captures give the same bytes
//! whatever the number of threads.

mod row;
mod table;

use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

pub use row::{COLUMNS, Row};
use table::Table;

use crate::bulk;
use crate::error::HostError;
use crate::output::{ColumnFile, ColumnKind};

/// What a run writes: the table as CSV, then the same as Parquet.
pub const FILES: [&str; 2] = ["fleet.csv", "fleet.parquet"];

/// What is to be done.
#[derive(Debug, Clone)]
pub struct Plan {
    /// The captures are below it.
    pub folder: PathBuf,
    /// Where the tables go.
    pub out: PathBuf,
    /// The network of all captures; else that of each.
    pub network: Option<PathBuf>,
    /// Go on where a run was stopped.
    pub resume: bool,
    /// Captures in work at a time; by default as many as there are processors.
    pub threads: Option<NonZeroUsize>,
}

/// How far a run is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Progress {
    /// Rows that were there when it began.
    pub begun: usize,
    /// Rows now.
    pub done: usize,
    /// Captures in all.
    pub all: usize,
}

/// A table that rows are being written to. While it is locked no row is
/// half-written: whoever ends the program holds the lock.
#[derive(Clone)]
pub struct Open {
    table: Arc<Mutex<Table>>,
    captures: Arc<[PathBuf]>,
    begun: usize,
}

impl Open {
    /// Finds the captures and opens the table.
    ///
    /// # Errors
    /// When there is no capture, or a table that is not of these captures.
    pub fn new(plan: &Plan) -> Result<Self, HostError> {
        let [csv, parquet] = FILES.map(|name| plan.out.join(name));
        let own = |path: &PathBuf| *path != csv && *path != parquet;
        let found = bulk::files_below(&plan.folder, bulk::may_be_capture)?;
        let captures: Vec<PathBuf> = found.into_iter().filter(own).collect();
        if captures.is_empty() {
            return Err(HostError::input("there is no capture in this folder")
                .in_file(plan.folder.display().to_string())
                .expected(
                    "files ending in .csv, .csv.gz, .mf4 or .parquet, in folders of any depth",
                )
                .mend("name another folder"));
        }
        std::fs::create_dir_all(&plan.out).map_err(|error| {
            HostError::system(plan.out.display().to_string(), "cannot be made", &error)
        })?;
        let names = captures
            .iter()
            .map(|path| bulk::name_below(&plan.folder, path));
        let table = Table::open(&csv, plan.resume, &names.collect::<Vec<_>>())?;
        Ok(Self {
            begun: table.rows(),
            table: Arc::new(Mutex::new(table)),
            captures: captures.into(),
        })
    }

    /// Keeps the table from being written to while `then` runs: so that the
    /// program can end without half a row.
    pub fn while_quiet(&self, then: impl FnOnce(usize)) {
        let table = self.table.lock();
        then(table.map_or(0, |table| table.rows()));
    }

    /// Replays what has no row yet, and writes the Parquet table at the end.
    /// Returns the number of captures that could not be used.
    ///
    /// # Errors
    /// When a table cannot be written.
    pub fn run(&self, plan: &Plan, mut on_row: impl FnMut(Progress)) -> Result<usize, HostError> {
        let mut progress = Progress {
            begun: self.begun,
            done: self.begun,
            all: self.captures.len(),
        };
        let work = |capture: &PathBuf| {
            let network = plan
                .network
                .clone()
                .unwrap_or_else(|| bulk::network_of(capture, &plan.folder));
            Row::new(
                &bulk::name_below(&plan.folder, capture),
                bulk::replayed(capture, &network),
            )
        };
        bulk::in_order(
            &self.captures[self.begun..],
            plan.threads,
            work,
            |_, row| {
                let lock = self.table.lock();
                let mut table = lock.map_err(|_| HostError::input("a row could not be written"))?;
                table.push(&row)?;
                progress.done += 1;
                on_row(progress);
                Ok(())
            },
        )?;
        self.finish(plan)
    }

    fn finish(&self, plan: &Plan) -> Result<usize, HostError> {
        let [csv, parquet] = FILES.map(|name| plan.out.join(name));
        let rows = table::read(&csv)?;
        let columns: Vec<(&str, ColumnKind)> = COLUMNS.to_vec();
        let mut file = ColumnFile::create(&parquet, &columns, &table::comment())?;
        file.write(&row::columns(&rows))?;
        file.finish()?;
        Ok(rows.iter().filter(|row| row.failed()).count())
    }
}

/// The unit that a capture is of: the value of the last folder `KEY=VALUE`,
/// as data sets partitioned by a column have, else the name of the file
/// without its ending.
fn unit_of(name: &str) -> String {
    let path = Path::new(name);
    let folders = path.parent().into_iter().flat_map(Path::iter);
    let partition = folders
        .filter_map(|folder| folder.to_str()?.split_once('='))
        .next_back();
    if let Some((_, value)) = partition {
        return value.to_owned();
    }
    let file = path.file_name().unwrap_or_default().to_string_lossy();
    file.split('.').next().unwrap_or_default().to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_unit_is_the_partition_or_the_file() {
        for (name, unit) in [
            ("a/vehicle=17/day=3/part-0.parquet", "3"),
            ("vehicle=17/part-0.parquet", "17"),
            ("a/b/unit-9.csv.gz", "unit-9"),
            ("key=value.csv", "key=value"),
        ] {
            assert_eq!(unit_of(name), unit, "{name}");
        }
    }
}
