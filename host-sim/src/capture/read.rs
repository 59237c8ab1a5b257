//! One reader for every kind of capture file. What a file is shows in its
//! first bytes.

use std::collections::BTreeSet;
use std::fs::File;
use std::io::{Cursor, Read};
use std::path::Path;

use ohmsplit::config::Config;

use super::csv::CsvReader;
use super::foreign;
use super::lines::Lines;
use super::mapped::{self, Mapped};
use super::units::{self, CsvUnits, OfUnit, Units};
use super::{Layout, Row};
use crate::document::FieldFault;
use crate::error::HostError;
use crate::network::{NetworkFile, Readings};

enum Source {
    Csv(Box<CsvReader>),
    Mapped(Box<Mapped>),
    CsvUnits(Box<CsvUnits>),
}

/// An open capture.
pub struct Reader(Source);

impl Reader {
    /// Opens a capture: CSV, plain or gzip, Parquet, or ASAM MDF 4.
    ///
    /// # Errors
    /// When the file cannot be read or is no such file.
    pub fn open(path: &Path) -> Result<Self, HostError> {
        match opened(path)? {
            Opened::Mapped(file) => Ok(Self(Source::Mapped(Box::new(Mapped::new(file))))),
            Opened::Text(bytes) => Self::from_bytes(&path.display().to_string(), bytes),
        }
    }

    /// Opens a capture of many units, in CSV or Parquet, for some of them.
    ///
    /// # Errors
    /// As [`Reader::open`]; or when there is no such column.
    pub fn open_units(path: &Path, units: Units) -> Result<Self, HostError> {
        match opened(path)? {
            Opened::Mapped(file) => {
                let mapped = Mapped::of_units(file, units);
                Ok(Self(Source::Mapped(Box::new(mapped))))
            }
            Opened::Text(bytes) => {
                let reader = csv_with_units(path, bytes, &units.column)?;
                let reader = CsvUnits::new(reader, units);
                Ok(Self(Source::CsvUnits(Box::new(reader))))
            }
        }
    }

    /// Reads a CSV capture from any source of bytes; `name` is for messages.
    ///
    /// # Errors
    /// As [`Reader::open`].
    pub fn from_bytes(name: &str, bytes: impl Read + 'static) -> Result<Self, HostError> {
        let mut lines =
            Lines::new(bytes).map_err(|error| HostError::system(name, "cannot read", &error))?;
        let first = lines.advance();
        if matches!(first, Ok(true)) && lines.place_of(mapped::FRAME_DATA).is_some() {
            let file = mapped::File::frames(name, lines)?;
            return Ok(Self(Source::Mapped(Box::new(Mapped::new(file)))));
        }
        let reader = CsvReader::start(name, lines, first, None)?;
        Ok(Self(Source::Csv(Box::new(reader))))
    }

    /// What the readings are. For a file whose channels are mapped this is
    /// known once it is bound.
    #[must_use]
    pub fn layout(&self) -> Layout {
        match &self.0 {
            Source::Csv(reader) => reader.layout(),
            Source::CsvUnits(units) => units.reader.layout(),
            Source::Mapped(reader) => reader.layout,
        }
    }

    /// Rows read so far.
    #[must_use]
    pub fn rows(&self) -> u64 {
        match &self.0 {
            Source::Csv(reader) => reader.rows(),
            Source::CsvUnits(units) => units.reader.rows(),
            Source::Mapped(reader) => reader.rows(),
        }
    }

    /// The core's configuration for this capture, from the network document
    /// that describes it; from here on codes are held against its converters.
    ///
    /// # Errors
    /// The field of the document that does not fit the capture.
    pub fn bind(&mut self, network: &NetworkFile) -> Result<Config, FieldFault> {
        if let Source::Mapped(reader) = &mut self.0 {
            reader.bind(network)?;
        }
        let layout = self.layout();
        let front_end = &network.front_end;
        if front_end.kind != layout.kind {
            let [first, second] = layout.columns();
            let problem = format!(
                "the front end is {}, but the capture has {first} and {second}",
                front_end.kind.word(),
            );
            return Err(
                FieldFault::new("front_end.kind", problem, layout.kind.word())
                    .mend("name the network file that belongs to this capture"),
            );
        }
        let config = network.config(layout.readings)?;
        if layout.readings == Readings::Codes {
            let channels = front_end.channels();
            let codes = match &mut self.0 {
                Source::Csv(reader) => &mut reader.codes,
                Source::CsvUnits(units) => &mut units.reader.codes,
                Source::Mapped(reader) => &mut reader.codes,
            };
            for (place, name) in front_end.kind.channels().into_iter().enumerate() {
                let converter = channels[place].converter(&format!("front_end.{name}"))?;
                codes[place] = converter.codes();
            }
        }
        Ok(config)
    }

    /// The next row, or `None` at the end.
    ///
    /// # Errors
    /// With its place, when the row is malformed, or when the capture has no row at all.
    #[inline]
    pub fn next_row(&mut self) -> Result<Option<Row>, HostError> {
        match &mut self.0 {
            Source::Csv(reader) => reader.next_row(),
            Source::Mapped(reader) => reader.next_row(),
            Source::CsvUnits(units) => units.reader.next_row(),
        }
    }

    /// The next row of a unit, of a reader that was opened for units; `None` at the end. The rows of a unit come
    /// in their order, those of different units in any.
    ///
    /// # Errors
    /// When the file cannot be read on.
    pub fn next_of_unit(&mut self) -> Result<Option<OfUnit>, HostError> {
        match &mut self.0 {
            Source::Csv(_) => Ok(None),
            Source::Mapped(reader) => reader.next_of_unit(),
            Source::CsvUnits(units) => units.next_of_unit(),
        }
    }

    fn name(&self) -> &str {
        match &self.0 {
            Source::Csv(reader) => reader.name(),
            Source::Mapped(reader) => reader.name(),
            Source::CsvUnits(units) => units.reader.name(),
        }
    }

    /// A unit has rows, but none that is whole.
    #[cold]
    pub(crate) fn no_row_of_unit(&self) -> HostError {
        HostError::input("no row of this unit at which all its readings are known")
            .in_file(self.name())
            .expected("drive state and both readings of the unit")
            .mend("record the unit again, or leave its rows out")
    }

    /// No averaging block can hold two rows that are `closest_s` apart.
    #[cold]
    pub(crate) fn too_sparse(&self, closest_s: f64, block_s: f64) -> HostError {
        HostError::input(format!(
            "column time_s: no two rows are closer than {closest_s} s, which is longer than an averaging block"
        ))
        .in_file(self.name())
        .expected(format!("times in seconds, and samples in every block of {block_s} s"))
        .mend("if the times are in milliseconds or microseconds, convert them; else record faster")
    }
}

/// A file whose kind is known.
enum Opened {
    Mapped(mapped::File),
    Text(Box<dyn Read>),
}

fn opened(path: &Path) -> Result<Opened, HostError> {
    let name = path.display().to_string();
    let cannot = |error| HostError::system(&*name, "cannot open", &error);
    let mut file = File::open(path).map_err(cannot)?;
    let mut head = Vec::new();
    file.by_ref()
        .take(mapped::MAGIC_LEN)
        .read_to_end(&mut head)
        .map_err(cannot)?;
    Ok(match mapped::File::by_magic(&head, path)? {
        Some(file) => Opened::Mapped(file),
        // A pipe cannot be read twice: what was read goes before the rest.
        None => {
            foreign::refuse(&name, &head)?;
            Opened::Text(Box::new(Cursor::new(head).chain(file)))
        }
    })
}

fn csv_with_units(path: &Path, bytes: Box<dyn Read>, column: &str) -> Result<CsvReader, HostError> {
    let name = path.display().to_string();
    let mut lines =
        Lines::new(bytes).map_err(|error| HostError::system(&*name, "cannot read", &error))?;
    let first = lines.advance();
    CsvReader::start(&name, lines, first, Some(column))
}

/// All units that a column of a capture names, in order.
///
/// # Errors
/// When the file cannot be read, or has no such column.
pub fn units_of(path: &Path, column: &str) -> Result<BTreeSet<String>, HostError> {
    match opened(path)? {
        Opened::Mapped(file) => file.units(path, column),
        Opened::Text(bytes) => units::in_csv(csv_with_units(path, bytes, column)?),
    }
}
