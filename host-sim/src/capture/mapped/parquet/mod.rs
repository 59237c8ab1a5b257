//! Parquet: columns by name, read page by page.

mod rows;
mod values;

use std::collections::BTreeSet;
use std::path::Path;
use std::sync::Arc;

use parquet::basic::{LogicalType, Type};
use parquet::errors::ParquetError;
use parquet::file::reader::{FileReader, SerializedFileReader};
use parquet::schema::types::ColumnDescriptor;

pub(super) use rows::Rows;
use rows::{Column, What};

use super::wish::{Role, Search, States, missing};
use super::{Lane, ROLES};
use crate::capture::units::{Units, no_column};
use crate::document::FieldFault;
use crate::error::HostError;

pub(super) const MAGIC: &[u8] = b"PAR1";
/// The time column when the table names none.
const TIME: &str = "time_s";

/// An opened file.
pub(in crate::capture) struct Table {
    pub(in crate::capture::mapped) name: String,
    file: Arc<SerializedFileReader<std::fs::File>>,
}

impl Table {
    pub(super) fn open(path: &Path) -> Result<Self, HostError> {
        let name = path.display().to_string();
        let file = std::fs::File::open(path)
            .map_err(|error| HostError::system(&*name, "cannot open", &error))?;
        let file = SerializedFileReader::new(file).map_err(|error| unreadable(&name, &error))?;
        Ok(Self {
            name,
            file: Arc::new(file),
        })
    }

    fn descriptors(&self) -> &[Arc<ColumnDescriptor>] {
        self.file
            .metadata()
            .file_metadata()
            .schema_descr()
            .columns()
    }

    pub(super) fn columns(&self) -> Vec<String> {
        let all = self.descriptors().iter();
        all.map(|column| column.path().string()).collect()
    }

    pub(super) fn lane(&self, search: &Search<'_>) -> Result<Lane, FieldFault> {
        Ok(Lane {
            carries: [true; ROLES],
            source: Box::new(self.rows(search, None)?),
        })
    }

    /// The rows, with the units that are wanted where they are of several.
    pub(super) fn rows(
        &self,
        search: &Search<'_>,
        units: Option<&Units>,
    ) -> Result<Rows, FieldFault> {
        let (time_name, scale, offset) = match &search.time {
            Some(source) => (source.channel.as_str(), source.scale, source.offset),
            None => (TIME, 1.0, 0.0),
        };
        let time = Column {
            place: self.find("channels.time", time_name, Some("numbers"), search)?,
            what: What::Time { scale, offset },
        };
        let mut columns = vec![time];
        for wish in &search.wishes {
            let kind = (wish.role != Role::Drive).then_some("numbers");
            columns.push(Column {
                place: self.find(&wish.path, &wish.source.channel, kind, search)?,
                what: What::Value(wish.clone()),
            });
        }
        if let Some(units) = units {
            columns.push(Column {
                place: self.find("channels", &units.column, None, search)?,
                what: What::Unit(units.clone()),
            });
        }
        Ok(Rows::new(self, search.states.clone(), columns))
    }

    /// All units that a column names.
    pub(super) fn units(&self, column: &str) -> Result<BTreeSet<String>, HostError> {
        let mut all = self.descriptors().iter();
        let place = all.position(|found| found.path().string() == column);
        let place = place
            .ok_or_else(|| no_column(Path::new(&self.name), column, &self.columns().join(", ")))?;
        let what = What::Unit(Units::new(column, Vec::new()));
        Rows::new(self, States::default(), vec![Column { place, what }]).all_names()
    }

    /// The place of a column that can be read.
    fn find(
        &self,
        path: &str,
        name: &str,
        kind: Option<&str>,
        search: &Search<'_>,
    ) -> Result<usize, FieldFault> {
        let all = self.descriptors();
        let place = all.iter().position(|column| column.path().string() == name);
        let place = place.ok_or_else(|| missing(path, name, search.file, &self.columns()))?;
        let column = &all[place];
        let numeric = !matches!(
            column.physical_type(),
            Type::BYTE_ARRAY | Type::FIXED_LEN_BYTE_ARRAY | Type::INT96
        );
        let refused = |what: &str| {
            let problem = format!("column {name} of {} holds {what}", search.file);
            Err(
                FieldFault::new(path, problem, kind.unwrap_or("numbers or texts")).mend(
                    "name another column, or write this one as whole or floating-point numbers",
                ),
            )
        };
        if column.max_rep_level() > 0 {
            return refused("lists");
        }
        if kind.is_some() && !numeric {
            return refused("no plain numbers");
        }
        if matches!(
            column.physical_type(),
            Type::INT96 | Type::FIXED_LEN_BYTE_ARRAY
        ) {
            return refused("neither numbers nor texts");
        }
        if matches!(column.logical_type_ref(), Some(LogicalType::Decimal { .. })) {
            return refused("decimals, which are not plain numbers");
        }
        Ok(place)
    }
}

fn unreadable(file: &str, error: &ParquetError) -> HostError {
    let problem = match error {
        ParquetError::General(text) | ParquetError::EOF(text) | ParquetError::NYI(text) => {
            text.clone()
        }
        other => other.to_string(),
    };
    if let Some((_, codec)) = problem.split_once("Disabled feature at compile time: ") {
        return HostError::input(format!("the columns are compressed with {codec}"))
            .in_file(file)
            .expected("no compression, snappy, gzip or zstd")
            .mend("write the file again with one of these");
    }
    HostError::input(format!("cannot be read as Parquet: {problem}"))
        .in_file(file)
        .expected("a whole Parquet file")
        .mend("copy the file again from where it was recorded")
}
