//! Tables of any columns: as CSV, row by row, and as Parquet.

use std::io::Write;
use std::path::Path;
use std::sync::Arc;

use parquet::basic::{Compression, LogicalType, Repetition, Type as Physical};
use parquet::data_type::{BoolType, ByteArray, ByteArrayType, DoubleType, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::{SerializedFileWriter, SerializedRowGroupWriter};
use parquet::schema::types::Type;

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
            Self::Text(text) if text.contains([',', '"', '\n']) => {
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

/// Writes rows as a Parquet file: every column optional, compressed with Zstandard.
///
/// # Errors
/// When it cannot be written.
pub fn write_parquet(path: &Path, columns: &Columns, rows: &[Vec<Cell>]) -> Result<(), HostError> {
    let mut file = AtomicFile::create(path)?;
    let failed = |error: ParquetError| {
        HostError::input(format!("the table cannot be written as Parquet: {error}"))
            .in_file(path.display().to_string())
    };
    let bytes = encode(columns, rows).map_err(failed)?;
    file.write_all(&bytes).map_err(|error| {
        HostError::system(path.display().to_string(), "cannot be written", &error)
    })?;
    file.commit()
}

/// Rows of one row group.
const GROUP: usize = 100_000;

fn encode(columns: &Columns, rows: &[Vec<Cell>]) -> Result<Vec<u8>, ParquetError> {
    let fields = columns
        .iter()
        .map(|(name, kind)| field(name, *kind).map(Arc::new))
        .collect::<Result<_, _>>()?;
    let schema = Type::group_type_builder("table")
        .with_fields(fields)
        .build()?;
    let properties = WriterProperties::builder()
        .set_compression(Compression::ZSTD(parquet::basic::ZstdLevel::default()))
        .build();
    let mut bytes = Vec::new();
    let mut writer = SerializedFileWriter::new(&mut bytes, Arc::new(schema), Arc::new(properties))?;
    for rows in rows.chunks(GROUP) {
        let mut group = writer.next_row_group()?;
        for (place, (_, kind)) in columns.iter().enumerate() {
            write_column(&mut group, *kind, rows.iter().map(|row| &row[place]))?;
        }
        group.close()?;
    }
    writer.close()?;
    Ok(bytes)
}

fn field(name: &str, kind: Kind) -> Result<Type, ParquetError> {
    let (physical, logical) = match kind {
        Kind::Whole => (Physical::INT64, None),
        Kind::Real => (Physical::DOUBLE, None),
        Kind::Text => (Physical::BYTE_ARRAY, Some(LogicalType::String)),
        Kind::Flag => (Physical::BOOLEAN, None),
    };
    Type::primitive_type_builder(name, physical)
        .with_logical_type(logical)
        .with_repetition(Repetition::OPTIONAL)
        .build()
}

fn write_column<'r, W: Write + Send>(
    group: &mut SerializedRowGroupWriter<'_, W>,
    kind: Kind,
    cells: impl Iterator<Item = &'r Cell>,
) -> Result<(), ParquetError> {
    let cells: Vec<&Cell> = cells.collect();
    let there: Vec<i16> = cells
        .iter()
        .map(|cell| i16::from(**cell != Cell::None))
        .collect();
    let Some(mut column) = group.next_column()? else {
        return Ok(());
    };
    macro_rules! batch {
        ($type:ty, $pattern:pat => $value:expr) => {{
            let values: Vec<_> = cells
                .iter()
                .filter_map(|cell| match cell {
                    $pattern => Some($value),
                    _ => None,
                })
                .collect();
            column
                .typed::<$type>()
                .write_batch(&values, Some(&there), None)?
        }};
    }
    match kind {
        Kind::Whole => batch!(Int64Type, Cell::Whole(value) => *value),
        Kind::Real => batch!(DoubleType, Cell::Real(value) => *value),
        Kind::Text => batch!(ByteArrayType, Cell::Text(text) => ByteArray::from(text.as_str())),
        Kind::Flag => batch!(BoolType, Cell::Flag(value) => *value),
    };
    column.close()
}

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
        write_parquet(&path, &columns(), &rows()).expect("written");
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
