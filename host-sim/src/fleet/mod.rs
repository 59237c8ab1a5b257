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

use crate::bulk;
use crate::capture::{Units, units_of};
use crate::error::HostError;
use crate::table::{Growing, line, write_parquet};

/// What a run writes: the table as CSV, then the same as Parquet.
pub const FILES: [&str; 2] = ["fleet.csv", "fleet.parquet"];

/// What is to be done.
#[derive(Debug, Clone)]
pub struct Plan {
    /// The captures are below it; or it is the one capture.
    pub captures: PathBuf,
    /// The column of each capture that says which unit a row is of.
    pub unit_column: Option<String>,
    /// Where the tables go.
    pub out: PathBuf,
    /// The network of all captures; else that of each.
    pub network: Option<PathBuf>,
    /// Go on where a run was stopped.
    pub resume: bool,
    /// Captures in work at a time; by default as many as there are processors.
    pub threads: Option<NonZeroUsize>,
}

impl Plan {
    /// The folder that names of captures start from.
    fn root(&self) -> &Path {
        if self.captures.is_dir() {
            &self.captures
        } else {
            self.captures.parent().unwrap_or(Path::new(""))
        }
    }

    fn network_of(&self, capture: &Path) -> PathBuf {
        let own = || bulk::network_of(capture, self.root());
        self.network.clone().unwrap_or_else(own)
    }
}

/// What gives one row.
#[derive(Debug, Clone)]
struct Item {
    capture: PathBuf,
    /// The capture and the unit, as the row names them.
    name: [String; 2],
    /// The unit as the capture has it, which is one of several in it.
    unit: Option<String>,
}

/// Most units of a capture that are worked on in one reading of it: each has a core of its own in memory, some 20 kB.
const AT_ONCE: usize = 256;

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
    /// With the rows in it.
    table: Arc<Mutex<(Growing, usize)>>,
    items: Arc<[Item]>,
    begun: usize,
}

impl Open {
    /// Finds the captures and their units, and opens the table.
    ///
    /// # Errors
    /// When there is no capture, or a table that is not of these captures.
    pub fn new(plan: &Plan) -> Result<Self, HostError> {
        let files = FILES.map(|name| plan.out.join(name));
        let items = items(plan, &files)?;
        std::fs::create_dir_all(&plan.out).map_err(|error| {
            HostError::system(plan.out.display().to_string(), "cannot be made", &error)
        })?;
        let names = items
            .iter()
            .map(|item| item.name.each_ref().map(|name| name.as_str()));
        let names: Vec<[&str; 2]> = names.collect();
        let (table, rows) = table::open(&files, plan.resume, &names)?;
        Ok(Self {
            begun: rows.len(),
            table: Arc::new(Mutex::new((table, rows.len()))),
            items: items.into(),
        })
    }

    /// Keeps the table from being written to while `then` runs: so that the
    /// program can end without half a row.
    pub fn while_quiet(&self, then: impl FnOnce(usize)) {
        let table = self.table.lock();
        then(table.map_or(0, |table| table.1));
    }

    /// Replays what has no row yet, and writes the Parquet table at the end.
    /// Returns the number of rows without a result.
    ///
    /// # Errors
    /// When a table cannot be written.
    pub fn run(&self, plan: &Plan, mut on_row: impl FnMut(Progress)) -> Result<usize, HostError> {
        let mut progress = Progress {
            begun: self.begun,
            done: self.begun,
            all: self.items.len(),
        };
        // Units of one capture are read together.
        let due = self.items[self.begun..]
            .chunk_by(|a, b| a.unit.is_some() && b.unit.is_some() && a.capture == b.capture);
        let threads = bulk::threads(plan.threads);
        let share = |items: &[Item]| items.len().div_ceil(threads.get()).clamp(1, AT_ONCE);
        let due: Vec<&[Item]> = due.flat_map(|items| items.chunks(share(items))).collect();
        bulk::in_order(
            &due,
            Some(threads),
            |items| rows(plan, items),
            |_, rows| {
                let lock = self.table.lock();
                let mut table = lock.map_err(|_| HostError::input("a row could not be written"))?;
                for row in rows {
                    table.0.push(&line(row.cells()))?;
                    table.1 += 1;
                    progress.done += 1;
                    on_row(progress);
                }
                Ok(())
            },
        )?;
        self.finish(plan)
    }

    fn finish(&self, plan: &Plan) -> Result<usize, HostError> {
        let files = FILES.map(|name| plan.out.join(name));
        let names = self.items.iter();
        let names = names.map(|item| item.name.each_ref().map(|name| name.as_str()));
        let (_, rows) = table::open(&files, true, &names.collect::<Vec<_>>())?;
        let cells: Vec<_> = rows.iter().map(|row| row.cells().to_vec()).collect();
        write_parquet(&files[1], &table::columns(), &cells, &table::comment())?;
        Ok(rows.iter().filter(|row| row.failed()).count())
    }
}

/// What gives a row each, in their order.
fn items(plan: &Plan, own: &[PathBuf]) -> Result<Vec<Item>, HostError> {
    let captures = if plan.captures.is_dir() {
        bulk::files_below(&plan.captures, bulk::may_be_capture)?
    } else {
        vec![plan.captures.clone()]
    };
    let mut items = Vec::new();
    for capture in captures.into_iter().filter(|path| !own.contains(path)) {
        let name = bulk::name_below(plan.root(), &capture);
        let units = plan.unit_column.as_deref();
        match units.map(|column| units_of(&capture, column)) {
            Some(Ok(units)) => items.extend(units.into_iter().map(|unit| Item {
                capture: capture.clone(),
                // A row is a line.
                name: [name.clone(), unit.replace(['\n', '\r'], " ")],
                unit: Some(unit),
            })),
            // A capture whose units cannot be told is a row that says why.
            None | Some(Err(_)) => items.push(Item {
                name: [name.clone(), unit_of(&name)],
                capture,
                unit: None,
            }),
        }
    }
    if items.is_empty() {
        return Err(HostError::input("there is no capture in this folder")
            .in_file(plan.captures.display().to_string())
            .expected("files ending in .csv, .csv.gz, .mf4 or .parquet, in folders of any depth")
            .mend("name another folder"));
    }
    Ok(items)
}

/// The rows of items that are of one capture.
fn rows(plan: &Plan, items: &[Item]) -> Vec<Row> {
    let Some(first) = items.first() else {
        return Vec::new();
    };
    let network = plan.network_of(&first.capture);
    let results = match plan.unit_column.as_deref() {
        Some(column) if first.unit.is_some() => {
            let units = items.iter().filter_map(|item| item.unit.clone()).collect();
            bulk::replayed_units(&first.capture, &network, Units::new(column, units))
        }
        Some(column) => vec![
            units_of(&first.capture, column)
                .and_then(|_| Err(HostError::input("changed while it was read"))),
        ],
        None => vec![bulk::replayed(&first.capture, &network)],
    };
    let names = items
        .iter()
        .map(|item| item.name.each_ref().map(|name| name.as_str()));
    names
        .zip(results)
        .map(|(name, result)| Row::new(name, result))
        .collect()
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
