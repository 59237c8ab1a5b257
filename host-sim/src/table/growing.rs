//! A table that grows by whole lines, and says above them of what it is: so
//! work that was stopped goes on, and only with its own table.

use std::fs::{File, OpenOptions};
use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};

use crate::error::{HostError, Place};

/// An open table.
#[derive(Debug)]
pub(crate) struct Growing {
    path: PathBuf,
    file: File,
}

impl Growing {
    /// Opens a table `of` something that has the lines of `head` above its rows, or begins it; tells what `check` makes of
    /// the lines that are in it. A last line that was cut short is cut off.
    ///
    /// # Errors
    /// When it is another table, whose fault `foreign` tells from the number of the line and the problem; that of `check`.
    pub(crate) fn open<R>(
        path: &Path,
        of: &str,
        head: &str,
        check: impl FnOnce(&str) -> Result<R, HostError>,
        foreign: impl Fn(u64, &str) -> HostError,
    ) -> Result<(Self, R), HostError> {
        let name = path.display().to_string();
        let written = |error| HostError::system(&*name, "cannot be written", &error);
        let text = match std::fs::read(path) {
            Ok(bytes) => String::from_utf8(bytes).map_err(|_| foreign(1, "is not text"))?,
            Err(error) if error.kind() == ErrorKind::NotFound => String::new(),
            Err(error) => return Err(HostError::system(name, "cannot read", &error)),
        };
        let (lines, whole) = match text.strip_prefix(head) {
            Some(body) => {
                let lines = &body[..body.rfind('\n').map_or(0, |end| end + 1)];
                (lines, head.len() + lines.len())
            }
            None if head.starts_with(&text) => ("", 0),
            None => {
                let due = head.trim_end().replace('\n', "\", then \"");
                return Err(foreign(1, &format!("the table is not of {of}"))
                    .expected(format!("as its first lines \"{due}\"")));
            }
        };
        let checked = check(lines)?;
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
        Ok((Self { path, file }, checked))
    }

    /// Appends a line: one write, so that an end of the program in between leaves whole lines.
    ///
    /// # Errors
    /// When it cannot be written.
    pub(crate) fn push(&mut self, line: &str) -> Result<(), HostError> {
        let text = format!("{line}\n");
        self.file.write_all(text.as_bytes()).map_err(|error| {
            HostError::system(self.path.display().to_string(), "cannot be written", &error)
        })
    }
}

/// The fault of a table that grows, at one of its lines.
pub(crate) fn fault(path: &Path, line: u64, problem: &str) -> HostError {
    HostError::input(problem)
        .in_file(path.display().to_string())
        .at(Place::Row { line, column: None })
}

/// Refuses to begin work of a `kind` where one of its files is already. The first of them is the one that grows: where
/// it is there and the work can go on with it, the advice says how.
pub(crate) fn refuse_to_replace(
    files: &[impl AsRef<Path>],
    kind: &str,
    resumes: bool,
) -> Result<(), HostError> {
    let mut paths = files.iter().map(AsRef::as_ref);
    let Some(file) = paths.find(|file| file.exists()) else {
        return Ok(());
    };
    let grows = files.first().is_some_and(|first| first.as_ref().exists());
    let or = if resumes && grows {
        "add --resume to go on with what is in it"
    } else {
        "move what is in this one away"
    };
    Err(HostError::input("is there already")
        .in_file(file.display().to_string())
        .expected(format!("a folder without the files of a {kind}"))
        .mend(format!("name another folder, or {or}")))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_advice_is_to_resume_only_where_that_is_possible() {
        let folder = tempfile::tempdir().expect("a folder");
        let files = ["t.csv", "t.svg"].map(|name| folder.path().join(name));
        let told = |resumes| {
            let error = refuse_to_replace(&files, "sweep", resumes).expect_err("refused");
            error.to_string()
        };
        assert_eq!(refuse_to_replace(&files, "sweep", true), Ok(()));
        std::fs::write(&files[1], "").expect("write");
        assert!(told(true).contains("t.svg") && !told(true).contains("--resume"));
        std::fs::write(&files[0], "").expect("write");
        assert!(told(true).contains("t.csv") && told(true).contains("add --resume"));
        assert!(!told(false).contains("--resume"), "{}", told(false));
    }

    #[test]
    fn a_table_of_something_else_is_left_as_it_is() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("t.csv");
        let open = |head: &str| {
            let count = |lines: &str| Ok(lines.lines().count());
            Growing::open(&path, "this", head, count, |line, problem| {
                fault(&path, line, problem)
            })
        };
        let (mut table, rows) = open("# a\nx\n").expect("a table");
        assert_eq!(rows, 0);
        table.push("1").expect("written");
        assert_eq!(open("# a\nx\n").expect("the same").1, 1);
        let told = open("# b\nx\n").expect_err("another").to_string();
        assert!(
            told.contains("line 1") && told.contains("# b\", then \"x\""),
            "{told}"
        );
        assert_eq!(std::fs::read_to_string(&path).expect("read"), "# a\nx\n1\n");
    }
}
