//! Tables as Parquet. Every column may lack values.

use std::path::Path;
use std::sync::Arc;

use parquet::basic::{Compression, ConvertedType, LogicalType, Repetition, Type as Physical};
use parquet::data_type::{ByteArray, ByteArrayType, DoubleType, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::{SerializedFileWriter, SerializedRowGroupWriter};
use parquet::schema::types::Type;

use super::AtomicFile;
use crate::error::HostError;

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ColumnKind {
    /// Words.
    Text,
    /// Numbers with a unit in the name of the column.
    Number,
    /// Counts and codes.
    Whole,
}

/// Values of a column, as many as there are rows.
#[derive(Debug, Clone, PartialEq)]
pub enum Column {
    /// Of [`ColumnKind::Text`].
    Text(Vec<Option<String>>),
    /// Of [`ColumnKind::Number`].
    Number(Vec<Option<f64>>),
    /// Of [`ColumnKind::Whole`].
    Whole(Vec<Option<i64>>),
}

impl Column {
    /// A column without rows.
    #[must_use]
    pub const fn new(kind: ColumnKind) -> Self {
        match kind {
            ColumnKind::Text => Self::Text(Vec::new()),
            ColumnKind::Number => Self::Number(Vec::new()),
            ColumnKind::Whole => Self::Whole(Vec::new()),
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
    pub fn create(
        path: &Path,
        columns: &[(&str, ColumnKind)],
        comment: &str,
    ) -> Result<Self, HostError> {
        let name = path.display().to_string();
        let failed = |error: ParquetError| failed(&name, &error);
        let fields = columns
            .iter()
            .map(|&(name, kind)| field(name, kind).map(Arc::new))
            .collect::<Result<_, _>>()
            .map_err(failed)?;
        let schema = Type::group_type_builder("rows").with_fields(fields).build();
        let properties = WriterProperties::builder()
            .set_compression(Compression::SNAPPY)
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

fn field(name: &str, kind: ColumnKind) -> Result<Type, ParquetError> {
    let builder = match kind {
        ColumnKind::Text => Type::primitive_type_builder(name, Physical::BYTE_ARRAY)
            .with_converted_type(ConvertedType::UTF8)
            .with_logical_type(Some(LogicalType::String)),
        ColumnKind::Number => Type::primitive_type_builder(name, Physical::DOUBLE),
        ColumnKind::Whole => Type::primitive_type_builder(name, Physical::INT64),
    };
    builder.with_repetition(Repetition::OPTIONAL).build()
}

fn write_column(
    group: &mut SerializedRowGroupWriter<'_, AtomicFile>,
    column: &Column,
) -> Result<(), ParquetError> {
    fn levels<T>(values: &[Option<T>]) -> Vec<i16> {
        values.iter().map(|value| value.is_some().into()).collect()
    }
    let missing = || ParquetError::General("more columns than declared".to_owned());
    let mut writer = group.next_column()?.ok_or_else(missing)?;
    match column {
        Column::Text(values) => {
            let found: Vec<ByteArray> = values
                .iter()
                .flatten()
                .map(|text| text.as_str().into())
                .collect();
            let levels = levels(values);
            writer
                .typed::<ByteArrayType>()
                .write_batch(&found, Some(&levels), None)?;
        }
        Column::Number(values) => {
            let found: Vec<f64> = values.iter().flatten().copied().collect();
            let levels = levels(values);
            writer
                .typed::<DoubleType>()
                .write_batch(&found, Some(&levels), None)?;
        }
        Column::Whole(values) => {
            let found: Vec<i64> = values.iter().flatten().copied().collect();
            let levels = levels(values);
            writer
                .typed::<Int64Type>()
                .write_batch(&found, Some(&levels), None)?;
        }
    }
    writer.close()
}

fn failed(file: &str, error: &ParquetError) -> HostError {
    HostError::system(
        file,
        "cannot write",
        &std::io::Error::other(error.to_string()),
    )
}
