//! Tables of any columns: as CSV, row by row, and as Parquet.

mod columns;
mod growing;

use std::path::Path;

pub use columns::{Column, ColumnFile};
pub(crate) use growing::{Growing, fault as growing_fault, refuse_to_replace};

use crate::error::HostError;
use crate::output::AtomicFile;

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Whole numbers.
    Whole,
    /// Numbers.
    Real,
    /// Words.
    Text,
    /// True or false.
    Flag,
}

/// A value of a table.
#[derive(Debug, Clone, PartialEq)]
pub enum Cell {
    /// Not known.
    None,
    /// A whole number.
    Whole(i64),
    /// A number.
    Real(f64),
    /// Words.
    Text(String),
    /// True or false.
    Flag(bool),
}

/// Names and kinds, in order.
pub type Columns = Vec<(String, Kind)>;

impl Cell {
    /// A number that may be missing.
    #[must_use]
    pub fn real(value: Option<f64>) -> Self {
        value.map_or(Self::None, Self::Real)
    }

    /// The number, if it is one.
    #[must_use]
    pub fn as_real(&self) -> Option<f64> {
        match self {
            Self::Real(value) => Some(*value),
            Self::Whole(value) => Some(*value as f64),
            Self::None | Self::Text(_) | Self::Flag(_) => None,
        }
    }

    /// The words, if it has any.
    #[must_use]
    pub fn as_text(&self) -> &str {
        match self {
            Self::Text(text) => text,
            _ => "",
        }
    }

    fn of(value: &str, kind: Kind) -> Option<Self> {
        if value.is_empty() {
            return Some(Self::None);
        }
        match kind {
            Kind::Whole => value.parse().ok().map(Self::Whole),
            Kind::Real => value.parse().ok().map(Self::Real),
            Kind::Text => Some(Self::Text(value.to_owned())),
            Kind::Flag => value.parse().ok().map(Self::Flag),
        }
    }

    fn written(&self) -> String {
        match self {
            Self::None => String::new(),
            Self::Whole(value) => value.to_string(),
            // The shortest text that reads back as the same number.
            Self::Real(value) => format!("{value:?}"),
            Self::Text(text) if text.contains([',', '"', '\r', '\n']) || text.starts_with('#') => {
                format!("\"{}\"", text.replace('"', "\"\""))
            }
            Self::Text(text) => text.clone(),
            Self::Flag(value) => value.to_string(),
        }
    }
}

/// The line of names.
#[must_use]
pub fn heading(columns: &Columns) -> String {
    let names: Vec<String> = columns
        .iter()
        .map(|(name, _)| Cell::Text(name.clone()).written())
        .collect();
    names.join(",")
}

/// A row as a line, without its end.
#[must_use]
pub fn line(row: &[Cell]) -> String {
    let fields: Vec<String> = row.iter().map(Cell::written).collect();
    fields.join(",")
}

/// A line as a row; none when it is not one of these columns.
#[must_use]
pub fn parse(line: &str, columns: &Columns) -> Option<Vec<Cell>> {
    let fields = split(line);
    (fields.len() == columns.len()).then_some(())?;
    fields
        .iter()
        .zip(columns)
        .map(|(field, (_, kind))| Cell::of(field, *kind))
        .collect()
}

/// The fields of a line; quotes as RFC 4180 has them.
fn split(line: &str) -> Vec<String> {
    let (mut fields, mut field, mut quoted) = (Vec::new(), String::new(), false);
    let mut letters = line.chars().peekable();
    while let Some(letter) = letters.next() {
        match letter {
            '"' if quoted && letters.peek() == Some(&'"') => {
                letters.next();
                field.push('"');
            }
            '"' => quoted = !quoted,
            ',' if !quoted => fields.push(std::mem::take(&mut field)),
            _ => field.push(letter),
        }
    }
    fields.push(field);
    fields
}

/// Writes rows as a CSV file.
///
/// # Errors
/// When it cannot be written.
pub fn write_csv(path: &Path, columns: &Columns, rows: &[Vec<Cell>]) -> Result<(), HostError> {
    let mut text = heading(columns) + "\n";
    for row in rows {
        text += &line(row);
        text.push('\n');
    }
    AtomicFile::write(path, &text)
}

/// Writes rows as a Parquet file; `comment` is kept in its metadata.
///
/// # Errors
/// When it cannot be written.
pub fn write_parquet(
    path: &Path,
    columns: &Columns,
    rows: &[Vec<Cell>],
    comment: &str,
) -> Result<(), HostError> {
    let names: Vec<(&str, Kind)> = columns
        .iter()
        .map(|(name, kind)| (name.as_str(), *kind))
        .collect();
    let mut file = ColumnFile::create(path, &names, comment)?;
    for rows in rows.chunks(GROUP) {
        let column = |(place, (_, kind)): (usize, &(String, Kind))| {
            Column::of(*kind, rows.iter().map(|row| &row[place]))
        };
        file.write(&columns.iter().enumerate().map(column).collect::<Vec<_>>())?;
    }
    file.finish()
}

/// Rows of one row group of a Parquet file.
pub(crate) const GROUP: usize = 1 << 16;

#[cfg(test)]
mod tests {
    use super::*;
    use parquet::file::reader::{FileReader, SerializedFileReader};
    use parquet::record::RowAccessor;

    fn columns() -> Columns {
        [
            ("n", Kind::Whole),
            ("r", Kind::Real),
            ("t", Kind::Text),
            ("f", Kind::Flag),
        ]
        .map(|(name, kind)| (name.to_owned(), kind))
        .to_vec()
    }

    fn rows() -> Vec<Vec<Cell>> {
        vec![
            vec![
                Cell::Whole(-3),
                Cell::Real(0.1 + 0.2),
                Cell::Text("a, \"b\"".to_owned()),
                Cell::Flag(true),
            ],
            vec![Cell::None, Cell::None, Cell::None, Cell::None],
            vec![
                Cell::Whole(7),
                Cell::Real(1e300),
                Cell::Text("c".to_owned()),
                Cell::Flag(false),
            ],
        ]
    }

    #[test]
    fn a_row_reads_back_from_its_line() {
        for row in rows() {
            assert_eq!(parse(&line(&row), &columns()), Some(row));
        }
        assert_eq!(parse("1,2", &columns()), None);
        assert_eq!(parse("x,1,a,true", &columns()), None);
    }

    #[test]
    fn parquet_holds_every_value_and_every_gap() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("t.parquet");
        write_parquet(&path, &columns(), &rows(), "").expect("written");
        let file = std::fs::File::open(&path).expect("a file");
        let reader = SerializedFileReader::new(file).expect("a Parquet file");
        let read: Vec<_> = reader
            .get_row_iter(None)
            .expect("rows")
            .map(|row| row.expect("a row"))
            .collect();
        assert_eq!(read.len(), 3);
        assert_eq!(read[0].get_long(0).ok(), Some(-3));
        assert_eq!(read[0].get_double(1).ok(), Some(0.1 + 0.2));
        assert_eq!(
            read[0].get_string(2).ok().map(String::as_str),
            Some("a, \"b\"")
        );
        assert!(read[1].get_long(0).is_err() && read[1].get_bool(3).is_err());
        assert_eq!(read[2].get_bool(3).ok(), Some(false));
    }
}
