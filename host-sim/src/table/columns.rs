//! Columns as Parquet, compressed with Zstandard. Every column may lack values.

use std::path::Path;
use std::sync::Arc;

use parquet::basic::{
    Compression, ConvertedType, LogicalType, Repetition, Type as Physical, ZstdLevel,
};
use parquet::data_type::{BoolType, ByteArrayType, DataType, DoubleType, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::{SerializedFileWriter, SerializedRowGroupWriter};
use parquet::schema::types::Type;

use super::{Cell, Kind};
use crate::error::HostError;
use crate::output::AtomicFile;

/// Values of a column, as many as there are rows.
#[derive(Debug, Clone, PartialEq)]
pub enum Column {
    /// Of [`Kind::Whole`].
    Whole(Vec<Option<i64>>),
    /// Of [`Kind::Real`].
    Real(Vec<Option<f64>>),
    /// Of [`Kind::Text`].
    Text(Vec<Option<String>>),
    /// Of [`Kind::Flag`].
    Flag(Vec<Option<bool>>),
}

impl Column {
    /// The cells of a column. One of another kind counts as missing.
    pub(super) fn of<'c>(kind: Kind, cells: impl Iterator<Item = &'c Cell>) -> Self {
        macro_rules! all {
            ($kind:ident, $of:expr) => {
                Self::$kind(
                    cells
                        .map(|cell| match cell {
                            Cell::$kind(value) => Some($of(value)),
                            _ => None,
                        })
                        .collect(),
                )
            };
        }
        match kind {
            Kind::Whole => all!(Whole, |value: &i64| *value),
            Kind::Real => all!(Real, |value: &f64| *value),
            Kind::Text => all!(Text, String::clone),
            Kind::Flag => all!(Flag, |value: &bool| *value),
        }
    }
}

/// A Parquet file being written. It appears under its name when complete.
pub struct ColumnFile {
    name: String,
    writer: SerializedFileWriter<AtomicFile>,
}

impl ColumnFile {
    /// Starts a file with these columns; `comment` is kept in its metadata.
    ///
    /// # Errors
    /// When the folder cannot be written.
    pub fn create(path: &Path, columns: &[(&str, Kind)], comment: &str) -> Result<Self, HostError> {
        let name = path.display().to_string();
        let failed = |error: ParquetError| failed(&name, &error);
        let fields = columns
            .iter()
            .map(|&(name, kind)| field(name, kind).map(Arc::new))
            .collect::<Result<_, _>>()
            .map_err(failed)?;
        let schema = Type::group_type_builder("rows").with_fields(fields).build();
        let properties = WriterProperties::builder()
            .set_compression(Compression::ZSTD(ZstdLevel::default()))
            .set_created_by("ohmsplit".to_owned())
            .set_key_value_metadata(Some(vec![KeyValue::new(
                "comment".to_owned(),
                comment.to_owned(),
            )]))
            .build();
        let writer = SerializedFileWriter::new(
            AtomicFile::create(path)?,
            Arc::new(schema.map_err(failed)?),
            Arc::new(properties),
        );
        let writer = writer.map_err(failed)?;
        Ok(Self { name, writer })
    }

    /// Adds rows as a row group, with the columns in the order of the file's.
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn write(&mut self, columns: &[Column]) -> Result<(), HostError> {
        let name = &self.name;
        let mut write = || {
            let mut group = self.writer.next_row_group()?;
            for column in columns {
                write_column(&mut group, column)?;
            }
            group.close().map(drop)
        };
        write().map_err(|error| failed(name, &error))
    }

    /// Completes the file and gives it its name.
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn finish(self) -> Result<(), HostError> {
        let file = self.writer.into_inner();
        file.map_err(|error| failed(&self.name, &error))?.commit()
    }
}

fn field(name: &str, kind: Kind) -> Result<Type, ParquetError> {
    let builder = match kind {
        Kind::Whole => Type::primitive_type_builder(name, Physical::INT64),
        Kind::Real => Type::primitive_type_builder(name, Physical::DOUBLE),
        Kind::Text => Type::primitive_type_builder(name, Physical::BYTE_ARRAY)
            .with_converted_type(ConvertedType::UTF8)
            .with_logical_type(Some(LogicalType::String)),
        Kind::Flag => Type::primitive_type_builder(name, Physical::BOOLEAN),
    };
    builder.with_repetition(Repetition::OPTIONAL).build()
}

fn write_column(
    group: &mut SerializedRowGroupWriter<'_, AtomicFile>,
    column: &Column,
) -> Result<(), ParquetError> {
    match column {
        Column::Whole(values) => write_values::<Int64Type, _>(group, values, |value| *value),
        Column::Real(values) => write_values::<DoubleType, _>(group, values, |value| *value),
        Column::Text(values) => {
            write_values::<ByteArrayType, _>(group, values, |text: &String| text.as_str().into())
        }
        Column::Flag(values) => write_values::<BoolType, _>(group, values, |value| *value),
    }
}

fn write_values<T: DataType, V>(
    group: &mut SerializedRowGroupWriter<'_, AtomicFile>,
    values: &[Option<V>],
    of: impl Fn(&V) -> T::T,
) -> Result<(), ParquetError> {
    let missing = || ParquetError::General("more columns than declared".to_owned());
    let mut writer = group.next_column()?.ok_or_else(missing)?;
    let levels: Vec<i16> = values.iter().map(|value| value.is_some().into()).collect();
    let found: Vec<T::T> = values.iter().flatten().map(of).collect();
    writer
        .typed::<T>()
        .write_batch(&found, Some(&levels), None)?;
    writer.close()
}

fn failed(file: &str, error: &ParquetError) -> HostError {
    let doing = "cannot write";
    if let ParquetError::External(inner) = error
        && let Some(inner) = inner.downcast_ref::<std::io::Error>()
    {
        return HostError::system(file, doing, inner);
    }
    HostError::system(file, doing, &std::io::Error::other(error.to_string()))
}
