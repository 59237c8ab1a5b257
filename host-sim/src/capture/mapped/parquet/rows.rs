//! The rows of a table, some at a time.

use std::collections::BTreeSet;
use std::sync::Arc;

use parquet::basic::LogicalType;
use parquet::column::reader::ColumnReader;
use parquet::errors::ParquetError;
use parquet::file::reader::{FileReader, SerializedFileReader};

use super::super::can::{STATE_MEND, unknown_state};
use super::super::wish::{Role, States, Wish};
use super::super::{Batch, Source, sample_error};
use super::values::{Datum, Fault, numbers, skip, tick_s};
use super::{TIME, Table, unreadable};
use crate::capture::units::Units;
use crate::error::HostError;

/// Rows decoded at a time.
const CHUNK: usize = 1 << 13;

/// A column to read, and what for.
pub(super) struct Column {
    pub(super) place: usize,
    pub(super) what: What,
}

pub(super) enum What {
    Time { scale: f64, offset: f64 },
    Value(Wish),
    Unit(Units),
}

/// Of a unit that is not wanted.
const UNWANTED: f64 = -1.0;

/// Rows, and the place of the unit of each among the units that are wanted.
pub(in crate::capture::mapped) type OfUnits = (Batch, Vec<Option<usize>>);

pub(in crate::capture::mapped) struct Rows {
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
    pub(super) fn new(table: &Table, states: States, columns: Vec<Column>) -> Self {
        Self {
            name: table.name.clone(),
            file: Arc::clone(&table.file),
            states,
            columns,
            group: 0,
            open: Vec::new(),
            left: 0,
            before: 0,
            first_tick: None,
        }
    }

    /// How many rows come next; none at the end.
    fn next_count(&mut self) -> Result<Option<usize>, HostError> {
        let more = self.open_group();
        let more = more.map_err(|error| unreadable(&self.name, &error))?;
        Ok(more.then(|| self.left.min(CHUNK)))
    }

    /// So many rows have been read.
    fn pass(&mut self, rows: usize) {
        self.left -= rows;
        self.before += rows as u64;
    }

    /// All names in the only column.
    pub(super) fn all_names(&mut self) -> Result<BTreeSet<String>, HostError> {
        let mut found = BTreeSet::new();
        while let Some(count) = self.next_count()? {
            let read = self.names(count, &mut found);
            read.map_err(|fault| self.told(0, fault))?;
            self.pass(count);
        }
        Ok(found)
    }

    /// Adds the names in the next rows of the first column. A row without one is of the unit without a name.
    fn names(&mut self, rows: usize, found: &mut BTreeSet<String>) -> Result<(), Fault> {
        let optional = self.optional(0);
        let mut last = String::new();
        let read = numbers(&mut self.open[0], rows, optional, |datum| {
            let name = datum.name();
            if found.is_empty() || *name != last {
                last = name.into_owned();
                found.insert(last.clone());
            }
            Ok(0.0)
        })?;
        if read.iter().any(|there| there.is_nan()) {
            found.insert(String::new());
        }
        Ok(())
    }

    /// The level of a value that is there.
    fn optional(&self, index: usize) -> i16 {
        let schema = self.file.metadata().file_metadata().schema_descr();
        schema.column(self.columns[index].place).max_def_level()
    }

    /// Rows that have one of the wanted units, each with the place of its unit. Where no row
    /// of a stretch has one, its other columns are passed over.
    pub(in crate::capture::mapped) fn next_of_units(
        &mut self,
    ) -> Result<Option<OfUnits>, HostError> {
        let unit = self.columns.len() - 1;
        while let Some(rows) = self.next_count()? {
            let read = self.read(unit, rows);
            let places = read.map_err(|fault| self.told(unit, fault))?;
            let unnamed = match &self.columns[unit].what {
                What::Unit(units) => units.place_of(""),
                _ => None,
            };
            let place = |&code: &f64| match code {
                code if code.is_nan() => unnamed,
                code if code < 0.0 => None,
                code => Some(code as usize),
            };
            let places: Vec<Option<usize>> = places.iter().map(place).collect();
            if places.iter().any(Option::is_some) {
                return Ok(Some((self.batch(rows)?, places)));
            }
            for open in &mut self.open[..unit] {
                skip(open, rows).map_err(|error| unreadable(&self.name, &error))?;
            }
            self.pass(rows);
        }
        Ok(None)
    }

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
        let optional = self.optional(index);
        let column = &self.columns[index];
        let open = &mut self.open[index];
        match &column.what {
            What::Time { .. } => {
                let schema = self.file.metadata().file_metadata().schema_descr();
                let ticks = match schema.column(column.place).logical_type_ref() {
                    Some(LogicalType::Timestamp(stamp)) => Some(tick_s(&stamp.unit)),
                    _ => None,
                };
                let first = &mut self.first_tick;
                numbers(open, rows, optional, |datum| match (datum, ticks) {
                    (Datum::Whole(value), Some(tick_s)) => {
                        let since = value.saturating_sub(*first.get_or_insert(value));
                        Ok(since as f64 * tick_s)
                    }
                    (datum, _) => Ok(datum.number()),
                })
            }
            What::Value(wish) if wish.role == Role::Drive => {
                let states = &self.states;
                numbers(open, rows, optional, |datum| match datum {
                    Datum::Text(text) => states
                        .of_text(text)
                        .ok_or_else(|| unknown_state(Some(text), f64::NAN)),
                    number => {
                        let value = number.number();
                        let code = states.of_number(value);
                        code.ok_or_else(|| unknown_state(None, value))
                    }
                })
            }
            What::Value(_) => numbers(open, rows, optional, |datum| Ok(datum.number())),
            What::Unit(units) => numbers(open, rows, optional, |datum| {
                let place = units.place_of(&datum.name());
                Ok(place.map_or(UNWANTED, |place| place as f64))
            }),
        }
    }

    fn told(&self, index: usize, fault: Fault) -> HostError {
        match fault {
            Fault::File(error) => unreadable(&self.name, &error),
            Fault::Value(place, problem) => {
                let channel = match &self.columns[index].what {
                    What::Time { .. } => TIME,
                    What::Value(wish) => &wish.source.channel,
                    What::Unit(units) => &units.column,
                };
                let number = self.before + place as u64 + 1;
                sample_error(&self.name, channel, number, problem)
                    .expected(self.states.known())
                    .mend(STATE_MEND)
            }
        }
    }
}

impl Rows {
    /// So many rows of all columns but that of the units.
    fn batch(&mut self, rows: usize) -> Result<Batch, HostError> {
        let mut batch = Batch::default();
        for index in 0..self.columns.len() {
            if matches!(self.columns[index].what, What::Unit(_)) {
                continue;
            }
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
                What::Unit(_) => {}
            }
        }
        self.pass(rows);
        Ok(batch)
    }
}

impl Source for Rows {
    fn next_batch(&mut self) -> Result<Option<Batch>, HostError> {
        let Some(rows) = self.next_count()? else {
            return Ok(None);
        };
        self.batch(rows).map(Some)
    }
}
