//! The table as CSV, row by row, so that a run that was stopped can go on.

use std::fs::{File, OpenOptions};
use std::io::Write;
use std::path::Path;

use super::row::{COLUMNS, Row};
use crate::capture::lines::Lines;
use crate::error::{HostError, Place};

/// A table that rows are added to.
pub(super) struct Table {
    name: String,
    file: File,
    rows: usize,
}

/// What the table is, as its first line says it.
pub(super) fn comment() -> String {
    format!("ohmsplit {} fleet, version 1", env!("CARGO_PKG_VERSION"))
}

fn header() -> String {
    let names: Vec<&str> = COLUMNS.iter().map(|(name, _)| *name).collect();
    format!("# {}\n{}\n", comment(), names.join(","))
}

impl Table {
    /// Starts a table, or goes on with the one that is there; half a row at
    /// its end is dropped.
    pub(super) fn open(path: &Path, resume: bool, captures: &[String]) -> Result<Self, HostError> {
        let name = path.display().to_string();
        if path.exists() && !resume {
            return Err(HostError::input("is there already")
                .in_file(name)
                .expected("a folder without the table of another run")
                .mend("choose another folder with --out, or go on with --resume"));
        }
        let failed = |error| HostError::system(&*name, "cannot be written", &error);
        let mut rows = 0;
        let mut there = header().len() as u64;
        if path.exists() {
            let text = std::fs::read(path).map_err(failed)?;
            let whole = text
                .iter()
                .rposition(|&byte| byte == b'\n')
                .map_or(0, |end| end + 1);
            if whole >= header().len() {
                rows = check(path, captures)?;
                there = whole as u64;
            }
        }
        let mut file = OpenOptions::new()
            .create(true)
            .append(true)
            .open(path)
            .map_err(failed)?;
        if rows == 0 {
            file.set_len(0).map_err(failed)?;
            file.write_all(header().as_bytes()).map_err(failed)?;
        } else {
            file.set_len(there).map_err(failed)?;
        }
        Ok(Self { name, file, rows })
    }

    pub(super) const fn rows(&self) -> usize {
        self.rows
    }

    pub(super) fn push(&mut self, row: &Row) -> Result<(), HostError> {
        self.file
            .write_all(row.line().as_bytes())
            .map_err(|error| HostError::system(&*self.name, "cannot be written", &error))?;
        self.rows += 1;
        Ok(())
    }
}

/// How many rows a table has, which must be of the first captures.
fn check(path: &Path, captures: &[String]) -> Result<usize, HostError> {
    let rows = read(path)?;
    for (place, row) in rows.iter().enumerate() {
        if captures.get(place).map(String::as_str) != Some(row.name()) {
            let due = captures.get(place).map_or("no more rows", |name| name);
            return Err(HostError::input(format!("row {} is of {}", place + 1, row.name()))
                .in_file(path.display().to_string())
                .expected(due)
                .mend("resume with the same folder and the same captures in it, or start anew with another --out"));
        }
    }
    Ok(rows.len())
}

/// All whole rows of a table.
pub(super) fn read(path: &Path) -> Result<Vec<Row>, HostError> {
    let name = path.display().to_string();
    let failed = |error| HostError::system(&*name, "cannot be read", &error);
    let text = std::fs::read(path).map_err(failed)?;
    let whole = text
        .iter()
        .rposition(|&byte| byte == b'\n')
        .map_or(0, |end| end + 1);
    let told = |line: u64| {
        HostError::input("is no table of this version of the program")
            .in_file(&*name)
            .at(Place::Row { line, column: None })
            .expected(header().trim_end().replace('\n', ", then "))
            .mend("start anew with another --out")
    };
    if !text.starts_with(header().as_bytes()) {
        return Err(told(1));
    }
    let body = std::io::Cursor::new(text[header().len()..whole].to_vec());
    let mut lines = Lines::new(body).map_err(failed)?;
    let mut rows = Vec::new();
    loop {
        match lines.advance() {
            Ok(true) => {}
            Ok(false) => return Ok(rows),
            Err(bad) => return Err(bad.told(&name, lines.number() + 2)),
        }
        let field = |place| String::from_utf8_lossy(lines.field(place)).into_owned();
        let fields = (0..lines.len()).map(field).collect();
        rows.push(Row::of_fields(fields).ok_or_else(|| told(lines.number() + 2))?);
    }
}
