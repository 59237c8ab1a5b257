//! The CSV file of a campaign: which table it is, and what its rows must be.

use std::path::Path;

use super::Plan;
use super::grid::Cell;
use super::rows::{Row, columns};
use crate::error::HostError;
use crate::table::{Growing, growing_fault};

/// How the first line begins.
const FORMAT: &str = "# ohmsplit-campaign-1 efficiency";

/// The lines above the rows: format and options, then the columns.
fn header(plan: &Plan) -> String {
    format!(
        "{FORMAT}, subject {}, grid {}, records {}, seed {}\n{}\n",
        plan.subject.name,
        plan.grid.name,
        plan.records,
        plan.seed,
        columns()
    )
}

/// The rows of a complete or unfinished table, each of one of `cells`.
pub(super) fn read(path: &Path, cells: &[Cell]) -> Result<Vec<Row>, HostError> {
    let fault = |line, problem: &str| {
        growing_fault(path, line, problem)
            .expected("the efficiency.csv of a campaign over the full grid")
            .mend("name a table that `ohmsplit campaign efficiency` has written")
    };
    let text = std::fs::read_to_string(path)
        .map_err(|error| HostError::system(path.display().to_string(), "cannot be read", &error))?;
    let mut lines = text.lines();
    let first = lines.next().unwrap_or_default();
    if !first.starts_with(FORMAT) || lines.next() != Some(columns().as_str()) {
        return Err(fault(1, "it is no table of a campaign's efficiency"));
    }
    let row = |(place, line): (usize, &str)| {
        let row = cells.iter().find_map(|cell| Row::parse(line, cell));
        row.ok_or_else(|| fault(place as u64 + 3, "the row is not of a cell of the grid"))
    };
    lines.enumerate().map(row).collect()
}

/// Opens the table; the rows that are already in it come along.
pub(super) fn open(path: &Path, plan: &Plan) -> Result<(Growing, Vec<Row>), HostError> {
    let other = |line, problem: &str| {
        growing_fault(path, line, problem)
            .expected("the table of a campaign with the same options")
            .mend("give the options it was begun with, or name another folder")
    };
    let read = |lines: &str| {
        let row = |(place, line): (usize, &str)| {
            let cell = plan.cells.get(place);
            cell.and_then(|cell| Row::parse(line, cell)).ok_or_else(|| {
                let problem = "the row is not that of the next cell of the grid";
                other(place as u64 + 3, problem)
            })
        };
        lines.lines().enumerate().map(row).collect()
    };
    Growing::open(path, "this campaign", &header(plan), read, other)
}

#[cfg(test)]
mod tests {
    use super::super::rows::tests::example;
    use super::*;
    use std::path::PathBuf;

    fn bench() -> (tempfile::TempDir, PathBuf, Plan) {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("t.csv");
        (folder, path, Plan::quick(4, 1))
    }

    /// The bytes of a table with so many rows.
    fn table(path: &Path, plan: &Plan, rows: usize) -> Vec<u8> {
        let (mut table, there) = open(path, plan).expect("a table");
        for cell in &plan.cells[there.len()..rows] {
            table.push(&example(*cell).line()).expect("written");
        }
        std::fs::read(path).expect("read")
    }

    #[test]
    fn a_table_cut_anywhere_goes_on_to_the_same_bytes() {
        let (_folder, path, plan) = bench();
        let whole = table(&path, &plan, 4);
        for cut in 0..=whole.len() {
            std::fs::write(&path, &whole[..cut]).expect("write");
            assert_eq!(table(&path, &plan, 4), whole, "{cut}");
        }
    }

    #[test]
    fn only_the_same_campaign_goes_on() {
        let (_folder, path, plan) = bench();
        let whole = table(&path, &plan, 3);
        let refused = |plan: &Plan| {
            let error = open(&path, plan).expect_err("refused");
            assert_eq!(std::fs::read(&path).expect("read"), whole);
            error.to_string()
        };
        let told = refused(&Plan::quick(4, 2));
        assert!(told.contains("line 1") && told.contains("seed 2"), "{told}");
        assert!(refused(&Plan::quick(5, 1)).contains("records 5"));
    }

    #[test]
    fn a_row_that_is_not_the_next_is_told_with_its_line() {
        let (_folder, path, plan) = bench();
        let text = String::from_utf8(table(&path, &plan, 3)).expect("text");
        let wrong = text.replacen(&example(plan.cells[1]).line(), "nonsense", 1);
        std::fs::write(&path, &wrong).expect("write");
        let error = open(&path, &plan).expect_err("refused").to_string();
        assert!(error.contains("line 4"), "{error}");
    }
}
