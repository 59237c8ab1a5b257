//! A capture of a whole fleet: a column says which unit each row is of. It is
//! read once for many units, and each has a merger or a last time of its own.

use std::cell::RefCell;
use std::collections::{BTreeSet, HashMap};
use std::path::Path;
use std::rc::Rc;

use super::Row;
use super::csv::CsvReader;
use crate::error::HostError;

/// The units that are read from a capture, and the column that names them.
#[derive(Debug, Clone)]
pub struct Units {
    /// The column.
    pub column: String,
    names: Vec<String>,
    places: HashMap<String, usize>,
}

impl Units {
    /// Units by their names in the column.
    #[must_use]
    pub fn new(column: &str, names: Vec<String>) -> Self {
        let places = names.iter().cloned().zip(0..).collect();
        Self {
            column: column.to_owned(),
            names,
            places,
        }
    }

    /// Their names.
    #[must_use]
    pub fn names(&self) -> &[String] {
        &self.names
    }

    /// The place of a unit among the names.
    pub(super) fn place_of(&self, name: &str) -> Option<usize> {
        self.places.get(name).copied()
    }
}

/// A row and the place of its unit; or the fault by which that unit, and no
/// other, ends.
pub type OfUnit = (usize, Result<Row, HostError>);

/// A CSV capture with such a column.
pub(super) struct CsvUnits {
    pub(super) reader: CsvReader,
    units: Units,
    /// Time of the last row of each unit.
    last_s: Vec<f64>,
}

impl CsvUnits {
    pub(super) fn new(reader: CsvReader, units: Units) -> Self {
        Self {
            last_s: vec![f64::NEG_INFINITY; units.names.len()],
            reader,
            units,
        }
    }

    pub(super) fn next_of_unit(&mut self) -> Result<Option<OfUnit>, HostError> {
        while self.reader.advance()? {
            let name = self.reader.unit();
            if let Some(place) = self.units.place_of(&name) {
                let row = self.reader.row_after(self.last_s[place]);
                if let Ok(row) = &row {
                    self.last_s[place] = row.time_s;
                }
                return Ok(Some((place, row)));
            }
        }
        Ok(None)
    }
}

/// All units of a CSV capture.
pub(super) fn in_csv(mut reader: CsvReader) -> Result<BTreeSet<String>, HostError> {
    let mut found = BTreeSet::new();
    while reader.advance()? {
        let name = reader.unit();
        if !found.contains(&*name) {
            found.insert(name.into_owned());
        }
    }
    Ok(found)
}

/// Something handed over from the table to the merger of a unit.
pub(super) type Slot<T> = Rc<RefCell<Option<T>>>;

/// The fault of a file that has no such column, or cannot have one.
pub(super) fn no_column(file: &Path, column: &str, has: &str) -> HostError {
    HostError::input(format!("has no column {column} with the units"))
        .in_file(file.display().to_string())
        .expected(has)
        .mend("correct --unit-column, or leave it out where each file is of one unit")
}
