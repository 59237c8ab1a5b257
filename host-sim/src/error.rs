//! The one error of the host tool: where, what is wrong, what was expected, how to mend it.

use std::fmt;

/// Where in a file a problem lies.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Place {
    /// The file as a whole.
    Whole,
    /// A line and column, both counted from 1.
    Position {
        /// Line.
        line: usize,
        /// Column in characters.
        column: usize,
    },
    /// A field of a document, with its position when it is written there.
    Field {
        /// Path of the field, as in `front_end.chassis.converter_bits`.
        path: String,
        /// Line and column of its value, counted from 1.
        position: Option<(usize, usize)>,
    },
    /// A row of a table.
    Row {
        /// Line of the file, counted from 1, comments included.
        line: u64,
        /// Name of the column.
        column: Option<String>,
    },
    /// A sample of a channel in a measurement file.
    Sample {
        /// Number of the sample, counted from 1.
        number: u64,
        /// Name of the channel.
        channel: String,
    },
}

/// Whose fault a problem is; decides the exit code.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cause {
    /// What the user gave: a file's content, an argument.
    Input,
    /// The system: a file that cannot be read or written.
    System,
}

/// One problem, told so that the reader can mend it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct HostError(Box<Problem>);

/// What there is to say about a problem.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// Whose fault it is.
    pub cause: Cause,
    /// The file as the user named it.
    pub file: Option<String>,
    /// Where in the file.
    pub place: Place,
    /// What is wrong.
    pub problem: String,
    /// What was expected instead.
    pub expected: Option<String>,
    /// How to mend it.
    pub mend: Option<String>,
}

impl HostError {
    /// A problem with what the user gave.
    #[must_use]
    pub fn input(problem: impl Into<String>) -> Self {
        Self(Box::new(Problem {
            cause: Cause::Input,
            file: None,
            place: Place::Whole,
            problem: problem.into(),
            expected: None,
            mend: None,
        }))
    }

    /// A file that the system does not let us read or write.
    #[must_use]
    pub fn system(file: impl Into<String>, doing: &str, error: &std::io::Error) -> Self {
        use std::io::ErrorKind::{
            AlreadyExists, IsADirectory, NotADirectory, NotFound, PermissionDenied,
            ReadOnlyFilesystem, StorageFull,
        };
        let text = error.to_string();
        // Of a draft the name says nothing to the user.
        let text = text.split(" at path ").next().unwrap_or_default();
        let mut told = Self::input(format!("{doing}: {text}")).in_file(file);
        told.0.cause = Cause::System;
        match error.kind() {
            IsADirectory => {
                told.0.cause = Cause::Input;
                told.0.problem = "this is a folder".to_owned();
                told.expected("a file").mend("name a file in it")
            }
            NotFound | NotADirectory => {
                told.0.cause = Cause::Input;
                told.mend("check the name and the folder")
            }
            // Only a folder is ever asked to be new.
            AlreadyExists => {
                told.0.cause = Cause::Input;
                told.0.problem = "this is a file".to_owned();
                told.expected("a folder").mend("name another folder")
            }
            PermissionDenied => {
                told.mend("see who may use the file and its folder, or name another")
            }
            ReadOnlyFilesystem => told.mend("name a folder that can be written to"),
            StorageFull => told.mend("make room on the disk, or name a folder on another one"),
            _ => told,
        }
    }

    /// Names the file.
    #[must_use]
    pub fn in_file(mut self, file: impl Into<String>) -> Self {
        self.0.file = Some(file.into());
        self
    }

    /// Names the place.
    #[must_use]
    pub fn at(mut self, place: Place) -> Self {
        self.0.place = place;
        self
    }

    /// Says what was expected.
    #[must_use]
    pub fn expected(mut self, expected: impl Into<String>) -> Self {
        self.0.expected = Some(expected.into());
        self
    }

    /// Says how to mend it.
    #[must_use]
    pub fn mend(mut self, mend: impl Into<String>) -> Self {
        self.0.mend = Some(mend.into());
        self
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Whole => Ok(()),
            Self::Position { line, column } => write!(f, "line {line}, column {column}"),
            Self::Field { path, position } => {
                if let Some((line, column)) = position {
                    write!(f, "line {line}, column {column}, ")?;
                }
                write!(f, "field {path}")
            }
            Self::Sample { number, channel } => write!(f, "channel {channel}, sample {number}"),
            Self::Row { line, column } => {
                write!(f, "line {line}")?;
                match column {
                    Some(name) => write!(f, ", column {name}"),
                    None => Ok(()),
                }
            }
        }
    }
}

impl std::ops::Deref for HostError {
    type Target = Problem;

    fn deref(&self) -> &Problem {
        &self.0
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(file) = &self.file {
            write!(f, "{file}")?;
            let separator = if self.place == Place::Whole {
                ": "
            } else {
                ", "
            };
            write!(f, "{separator}")?;
        }
        if self.place != Place::Whole {
            write!(f, "{}: ", self.place)?;
        }
        write!(f, "{}", self.problem)?;
        if let Some(expected) = &self.expected {
            write!(f, "\n  expected: {expected}")?;
        }
        if let Some(mend) = &self.mend {
            write!(f, "\n  to mend:  {mend}")?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_error_says_where_what_and_how() {
        let error = HostError::input("\"fast\" is not a drive state")
            .in_file("run.csv")
            .at(Place::Row {
                line: 7,
                column: Some("drive".to_owned()),
            })
            .expected("rest, raise or lower")
            .mend("correct the word");
        assert_eq!(
            error.to_string(),
            "run.csv, line 7, column drive: \"fast\" is not a drive state\n  \
             expected: rest, raise or lower\n  to mend:  correct the word"
        );
    }
}
