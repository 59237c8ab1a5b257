//! Values of a column as numbers, whatever their type.

use std::borrow::Cow;

use parquet::basic::TimeUnit;
use parquet::column::reader::{ColumnReader, ColumnReaderImpl};
use parquet::data_type::{ByteArray, DataType};
use parquet::errors::ParquetError;

/// A value as it stands in a column.
pub(super) enum Datum<'d> {
    Number(f64),
    Whole(i64),
    Text(&'d str),
}

impl Datum<'_> {
    pub(super) fn number(&self) -> f64 {
        match self {
            Self::Number(value) => *value,
            Self::Whole(value) => *value as f64,
            Self::Text(_) => f64::NAN,
        }
    }

    /// The name of a unit.
    pub(super) fn name(&self) -> Cow<'_, str> {
        match self {
            Self::Number(value) => value.to_string().into(),
            Self::Whole(value) => value.to_string().into(),
            Self::Text(text) => (*text).into(),
        }
    }
}

/// The next values of a column as numbers, NaN where there is none.
pub(super) fn numbers(
    reader: &mut ColumnReader,
    rows: usize,
    optional: i16,
    mut of: impl FnMut(Datum<'_>) -> Result<f64, String>,
) -> Result<Vec<f64>, Fault> {
    match reader {
        ColumnReader::DoubleColumnReader(reader) => {
            values(reader, rows, optional, |&value| of(Datum::Number(value)))
        }
        ColumnReader::FloatColumnReader(reader) => values(reader, rows, optional, |&value| {
            of(Datum::Number(value.into()))
        }),
        ColumnReader::Int32ColumnReader(reader) => values(reader, rows, optional, |&value| {
            of(Datum::Whole(value.into()))
        }),
        ColumnReader::BoolColumnReader(reader) => values(reader, rows, optional, |&value| {
            of(Datum::Whole(value.into()))
        }),
        ColumnReader::Int64ColumnReader(reader) => {
            values(reader, rows, optional, |&value| of(Datum::Whole(value)))
        }
        ColumnReader::ByteArrayColumnReader(reader) => {
            values(reader, rows, optional, |text: &ByteArray| {
                of(Datum::Text(text.as_utf8().unwrap_or("?")))
            })
        }
        _ => Err(Fault::Value(0, "a column of another type".to_owned())),
    }
}

/// Passes over so many rows of a column.
pub(super) fn skip(reader: &mut ColumnReader, rows: usize) -> Result<usize, ParquetError> {
    match reader {
        ColumnReader::DoubleColumnReader(reader) => reader.skip_records(rows),
        ColumnReader::FloatColumnReader(reader) => reader.skip_records(rows),
        ColumnReader::Int32ColumnReader(reader) => reader.skip_records(rows),
        ColumnReader::BoolColumnReader(reader) => reader.skip_records(rows),
        ColumnReader::Int64ColumnReader(reader) => reader.skip_records(rows),
        ColumnReader::ByteArrayColumnReader(reader) => reader.skip_records(rows),
        _ => Ok(0),
    }
}

/// Why a column cannot be read on.
pub(super) enum Fault {
    File(ParquetError),
    /// The value at this place of the chunk.
    Value(usize, String),
}

/// So many rows of a column, NaN where there is no value.
fn values<T: DataType>(
    reader: &mut ColumnReaderImpl<T>,
    rows: usize,
    optional: i16,
    mut number: impl FnMut(&T::T) -> Result<f64, String>,
) -> Result<Vec<f64>, Fault> {
    let (mut levels, mut found) = (Vec::with_capacity(rows), Vec::with_capacity(rows));
    let mut read = 0;
    while read < rows {
        let levels = (optional > 0).then_some(&mut levels);
        let (records, ..) = reader
            .read_records(rows - read, levels, None, &mut found)
            .map_err(Fault::File)?;
        if records == 0 {
            break;
        }
        read += records;
    }
    let mut number =
        |place: usize, value: &T::T| number(value).map_err(|problem| Fault::Value(place, problem));
    if optional == 0 {
        return found
            .iter()
            .enumerate()
            .map(|(place, value)| number(place, value))
            .collect();
    }
    let mut found = found.iter();
    let at = |(place, &level): (usize, &i16)| match (level == optional).then(|| found.next()) {
        Some(Some(value)) => number(place, value),
        _ => Ok(f64::NAN),
    };
    levels.iter().enumerate().map(at).collect()
}

/// Seconds of one tick of a time stamp.
pub(super) const fn tick_s(unit: &TimeUnit) -> f64 {
    match unit {
        TimeUnit::MILLIS => 1e-3,
        TimeUnit::MICROS => 1e-6,
        TimeUnit::NANOS => 1e-9,
    }
}
