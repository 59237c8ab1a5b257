//! The CSV file of a campaign: grows by whole lines, and says from which
//! options it came, so that only the same campaign goes on with it.

use std::fs::{File, OpenOptions};
use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};

use super::Plan;
use super::rows::{Row, columns};
use crate::error::{HostError, Place};
use crate::output;

/// An open table.
#[derive(Debug)]
pub(super) struct Store {
    path: PathBuf,
    file: File,
}

/// The lines above the rows: format and options, then the columns.
fn header(plan: &Plan) -> String {
    format!(
        "# ohmsplit-campaign-1 efficiency, subject {}, grid {}, records {}, seed {}\n{}\n",
        plan.subject.name,
        plan.grid.name,
        plan.records,
        plan.seed,
        columns()
    )
}

impl Store {
    /// Opens the table; the rows that are already in it come along. A last
    /// line that was cut short is cut off.
    pub(super) fn open(path: &Path, plan: &Plan) -> Result<(Self, Vec<Row>), HostError> {
        let name = path.display().to_string();
        let written = |error| HostError::system(&*name, "cannot be written", &error);
        let text = match std::fs::read(path) {
            Ok(bytes) => String::from_utf8(bytes).map_err(|_| other(&name, 1, "is not text"))?,
            Err(error) if error.kind() == ErrorKind::NotFound => String::new(),
            Err(error) => return Err(HostError::system(name, "cannot read", &error)),
        };
        let head = header(plan);
        let (rows, whole) = if head.starts_with(&text) && text.len() < head.len() {
            (Vec::new(), 0)
        } else {
            read_rows(&name, &text, &head, plan)?
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
        let path = path.to_owned();
        Ok((Self { path, file }, rows))
    }

    /// Appends a row: one write, so that an end of the program in between
    /// leaves whole lines.
    pub(super) fn push(&mut self, row: &Row) -> Result<(), HostError> {
        let line = row.line() + "\n";
        self.file.write_all(line.as_bytes()).map_err(|error| {
            HostError::system(self.path.display().to_string(), "cannot be written", &error)
        })
    }
}

/// The rows of a table, and how many bytes of whole lines it has.
fn read_rows(
    name: &str,
    text: &str,
    head: &str,
    plan: &Plan,
) -> Result<(Vec<Row>, usize), HostError> {
    let Some(body) = text.strip_prefix(head) else {
        return Err(
            other(name, 1, "the table is not of this campaign").expected(format!(
                "as its first lines \"{}\" and the columns of this version",
                head.lines().next().unwrap_or_default()
            )),
        );
    };
    let whole = &body[..body.rfind('\n').map_or(0, |end| end + 1)];
    let mut rows = Vec::new();
    for (place, line) in whole.lines().enumerate() {
        let row = plan
            .cells
            .get(place)
            .and_then(|cell| Row::parse(line, cell));
        let number = place as u64 + 3;
        rows.push(row.ok_or_else(|| {
            other(
                name,
                number,
                "the row is not that of the next cell of the grid",
            )
        })?);
    }
    Ok((rows, head.len() + whole.len()))
}

/// Refuses to begin where there already is one of these files.
pub(super) fn refuse_to_replace(files: &[impl AsRef<Path>]) -> Result<(), HostError> {
    output::refuse_to_replace(files, "campaign", "table")
}

fn other(name: &str, line: u64, problem: &str) -> HostError {
    HostError::input(problem)
        .in_file(name)
        .at(Place::Row { line, column: None })
        .expected("the table of a campaign with the same options")
        .mend("give the options it was begun with, or name another folder")
}

#[cfg(test)]
mod tests {
    use super::super::rows::tests::example;
    use super::*;

    fn bench() -> (tempfile::TempDir, PathBuf, Plan) {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("t.csv");
        (folder, path, Plan::quick(4, 1))
    }

    /// The bytes of a table with so many rows.
    fn table(path: &Path, plan: &Plan, rows: usize) -> Vec<u8> {
        let (mut store, there) = Store::open(path, plan).expect("a table");
        for cell in &plan.cells[there.len()..rows] {
            store.push(&example(*cell)).expect("written");
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
    fn only_the_same_campaign_goes_on_and_nothing_is_written_over() {
        let (_folder, path, plan) = bench();
        let whole = table(&path, &plan, 3);
        let refused = |plan: &Plan| {
            let error = Store::open(&path, plan).expect_err("refused");
            assert_eq!(std::fs::read(&path).expect("read"), whole);
            error.to_string()
        };
        let told = refused(&Plan::quick(4, 2));
        assert!(told.contains("line 1") && told.contains("seed 2"), "{told}");
        assert!(refused(&Plan::quick(5, 1)).contains("records 5"));
        let told = refuse_to_replace(&[&path])
            .expect_err("refused")
            .to_string();
        assert!(
            told.contains("t.csv") && told.contains("--resume"),
            "{told}"
        );
        let free = path.with_extension("md");
        assert_eq!(refuse_to_replace(&[&free]), Ok(()));
    }

    #[test]
    fn a_row_that_is_not_the_next_is_told_with_its_line() {
        let (_folder, path, plan) = bench();
        let text = String::from_utf8(table(&path, &plan, 3)).expect("text");
        let wrong = text.replacen(&example(plan.cells[1]).line(), "nonsense", 1);
        std::fs::write(&path, &wrong).expect("write");
        let error = Store::open(&path, &plan).expect_err("refused").to_string();
        assert!(error.contains("line 4"), "{error}");
    }
}
