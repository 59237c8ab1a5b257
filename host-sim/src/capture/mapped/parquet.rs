//! Parquet: columns by name, read page by page.

use std::path::Path;
use std::sync::Arc;

use parquet::basic::{LogicalType, TimeUnit, Type};
use parquet::column::reader::{ColumnReader, ColumnReaderImpl};
use parquet::data_type::{ByteArray, DataType};
use parquet::errors::ParquetError;
use parquet::file::reader::{FileReader, SerializedFileReader};
use parquet::schema::types::ColumnDescriptor;

use super::can::{STATE_MEND, unknown_state};
use super::wish::{Role, Search, States, Wish, missing};
use super::{Batch, Lane, ROLES, Source, sample_error};
use crate::document::FieldFault;
use crate::error::HostError;

pub(super) const MAGIC: &[u8] = b"PAR1";
/// Rows decoded at a time.
const CHUNK: usize = 1 << 13;
/// The time column when the table names none.
const TIME: &str = "time_s";

/// An opened file.
pub(in crate::capture) struct Table {
    pub(super) name: String,
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
        Ok(Lane {
            carries: [true; ROLES],
            source: Box::new(Rows {
                name: self.name.clone(),
                file: Arc::clone(&self.file),
                states: search.states.clone(),
                columns,
                group: 0,
                open: Vec::new(),
                left: 0,
                before: 0,
                first_tick: None,
            }),
        })
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
                FieldFault::new(path, problem, kind.unwrap_or("numbers or texts"))
                    .mend("name another column"),
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

/// A column to read, and what for.
struct Column {
    place: usize,
    what: What,
}

enum What {
    Time { scale: f64, offset: f64 },
    Value(Wish),
}

struct Rows {
    name: String,
    file: Arc<SerializedFileReader<std::fs::File>>,
    states: States,
    columns: Vec<Column>,
    /// The row group that comes next.
    group: usize,
    open: Vec<ColumnReader>,
    /// Rows left in the open row group.
    left: usize,
    before: u64,
    /// A time stamp counts from the first row.
    first_tick: Option<i64>,
}

impl Rows {
    /// Opens row groups until there is a row; false at the end.
    fn open_group(&mut self) -> Result<bool, ParquetError> {
        while self.left == 0 {
            if self.group >= self.file.num_row_groups() {
                return Ok(false);
            }
            let group = self.file.get_row_group(self.group)?;
            self.group += 1;
            self.left = usize::try_from(group.metadata().num_rows()).unwrap_or(0);
            self.open = self
                .columns
                .iter()
                .map(|column| group.get_column_reader(column.place))
                .collect::<Result<_, _>>()?;
        }
        Ok(true)
    }

    /// The next values of a column as numbers.
    fn read(&mut self, index: usize, rows: usize) -> Result<Vec<f64>, Fault> {
        let column = &self.columns[index];
        let states = matches!(&column.what, What::Value(wish) if wish.role == Role::Drive)
            .then_some(&self.states);
        let number = |value: f64| match states {
            Some(states) => states
                .of_number(value)
                .ok_or_else(|| unknown_state(None, value)),
            None => Ok(value),
        };
        let descriptors = self.file.metadata().file_metadata().schema_descr();
        let descriptor = descriptors.column(column.place);
        let optional = descriptor.max_def_level();
        let ticks = match (&column.what, descriptor.logical_type_ref()) {
            (What::Time { .. }, Some(LogicalType::Timestamp(stamp))) => Some(tick_s(&stamp.unit)),
            _ => None,
        };
        let first = &mut self.first_tick;
        match &mut self.open[index] {
            ColumnReader::DoubleColumnReader(reader) => {
                values(reader, rows, optional, |&value| number(value))
            }
            ColumnReader::FloatColumnReader(reader) => {
                values(reader, rows, optional, |&value| number(value.into()))
            }
            ColumnReader::Int32ColumnReader(reader) => {
                values(reader, rows, optional, |&value| number(value.into()))
            }
            ColumnReader::BoolColumnReader(reader) => values(reader, rows, optional, |&value| {
                number(u8::from(value).into())
            }),
            ColumnReader::Int64ColumnReader(reader) => {
                values(reader, rows, optional, |&value| match ticks {
                    Some(tick_s) => {
                        let since = value.saturating_sub(*first.get_or_insert(value));
                        Ok(since as f64 * tick_s)
                    }
                    None => number(value as f64),
                })
            }
            ColumnReader::ByteArrayColumnReader(reader) => {
                values(reader, rows, optional, |text: &ByteArray| {
                    let text = text.as_utf8().unwrap_or("?");
                    let code = states.and_then(|states| states.of_text(text));
                    code.ok_or_else(|| unknown_state(Some(text), f64::NAN))
                })
            }
            _ => Err(Fault::Value(0, "a column of another type".to_owned())),
        }
    }

    fn told(&self, index: usize, fault: Fault) -> HostError {
        match fault {
            Fault::File(error) => unreadable(&self.name, &error),
            Fault::Value(place, problem) => {
                let channel = match &self.columns[index].what {
                    What::Time { .. } => TIME,
                    What::Value(wish) => &wish.source.channel,
                };
                let number = self.before + place as u64 + 1;
                sample_error(&self.name, channel, number, problem)
                    .expected(self.states.known())
                    .mend(STATE_MEND)
            }
        }
    }
}

impl Source for Rows {
    fn next_batch(&mut self) -> Result<Option<Batch>, HostError> {
        let more = self.open_group();
        if !more.map_err(|error| unreadable(&self.name, &error))? {
            return Ok(None);
        }
        let rows = self.left.min(CHUNK);
        let mut batch = Batch::default();
        for index in 0..self.columns.len() {
            let read = self.read(index, rows);
            let mut read = read.map_err(|fault| self.told(index, fault))?;
            if read.len() != rows {
                return Err(unreadable(
                    &self.name,
                    &ParquetError::General("columns of unequal length".to_owned()),
                ));
            }
            match &self.columns[index].what {
                What::Time { scale, offset } => {
                    read.iter_mut()
                        .for_each(|time| *time = *time * scale + offset);
                    batch.times = read;
                }
                What::Value(wish) => {
                    if wish.role != Role::Drive {
                        read.iter_mut()
                            .for_each(|value| *value = wish.scaled(*value));
                    }
                    batch.values[wish.role as usize] = read;
                }
            }
        }
        self.left -= rows;
        self.before += rows as u64;
        Ok(Some(batch))
    }
}

/// Why a column cannot be read on.
enum Fault {
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
const fn tick_s(unit: &TimeUnit) -> f64 {
    match unit {
        TimeUnit::MILLIS => 1e-3,
        TimeUnit::MICROS => 1e-6,
        TimeUnit::NANOS => 1e-9,
    }
}

fn unreadable(file: &str, error: &ParquetError) -> HostError {
    let problem = match error {
        ParquetError::General(text) | ParquetError::EOF(text) | ParquetError::NYI(text) => {
            text.clone()
        }
        other => other.to_string(),
    };
    HostError::input(format!("cannot be read as Parquet: {problem}"))
        .in_file(file)
        .expected("a whole Parquet file")
        .mend("copy the file again from where it was recorded")
}
