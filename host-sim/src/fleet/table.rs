//! The table as CSV, row by row, so that a run that was stopped can go on.

use std::path::PathBuf;

use super::row::{COLUMNS, Row};
use crate::error::HostError;
use crate::table::{Columns, Growing, growing_fault, heading, parse, refuse_to_replace};

/// What the table is, as its first line says it.
pub(super) fn comment() -> String {
    format!("ohmsplit {} fleet, version 2", env!("CARGO_PKG_VERSION"))
}

/// The columns of the table.
pub(super) fn columns() -> Columns {
    COLUMNS
        .iter()
        .map(|&(name, kind)| (name.to_owned(), kind))
        .collect()
}

/// Starts a table, or goes on with the one that is there; the rows in it, which
/// must be those of the first captures.
pub(super) fn open(
    files: &[PathBuf; 2],
    resume: bool,
    due: &[[&str; 2]],
) -> Result<(Growing, Vec<Row>), HostError> {
    let path = &files[0];
    if !(resume && path.exists()) {
        refuse_to_replace(files, "fleet", true)?;
    }
    let other = |line, problem: &str| {
        growing_fault(path, line, problem)
            .expected("the table of this fleet")
            .mend("resume with the same captures, or start anew with another --out")
    };
    let columns = columns();
    let read = |lines: &str| {
        let row = |(place, line): (usize, &str)| {
            let number = place as u64 + 3;
            let row = parse(line, &columns).map(Row::of_cells);
            let row = row.ok_or_else(|| other(number, "the row is not one of this table"))?;
            let due = due.get(place);
            if due != Some(&row.name()) {
                let of = row.name().join(", unit ");
                let due = due.map_or("no more rows".to_owned(), |name| name.join(", unit "));
                return Err(other(number, &format!("row {} is of {of}", place + 1)).expected(due));
            }
            Ok(row)
        };
        lines.lines().enumerate().map(row).collect()
    };
    let head = format!("# {}\n{}\n", comment(), heading(&columns));
    Growing::open(
        path,
        "these captures by this version of the program",
        &head,
        read,
        other,
    )
}
