//! Captures in files whose channels have names of their own: ASAM MDF 4,
//! Parquet, and logs of CAN frames decoded through a DBC. The `[channels]`
//! table of the network document says which channel is what.
//!
//! Each kind of file yields lanes of updates in order of time; one merger
//! makes rows of them. Memory does not grow with the file.

mod background;
mod can;
mod frames;
mod mdf;
mod merge;
mod parquet;
mod split;
mod wish;

use std::collections::BTreeSet;
use std::ops::RangeInclusive;
use std::path::Path;

use ohmsplit::config::Drive;

use super::lines::Lines;
use super::units::{OfUnit, Units, no_column};
use super::{Layout, Row, fields};
use crate::document::FieldFault;
use crate::error::{HostError, Place};
use crate::network::{NetworkFile, Readings};
use merge::{Merge, Tick};
use split::Split;
use wish::{Role, Search};

/// So many first bytes tell what a file is.
pub(super) const MAGIC_LEN: u64 = 8;
/// The column by which a CSV file is a log of CAN frames.
pub(super) const FRAME_DATA: &str = frames::DATA;

const ROLES: usize = 3;

/// Updates of one lane, in order of time.
#[derive(Default)]
struct Batch {
    times: Vec<f64>,
    /// Values by role, NaN where this update has none; empty when the lane
    /// never has any. A drive state is its place in [`Drive::ALL`].
    values: [Vec<f64>; ROLES],
}

impl Batch {
    /// Adds an update.
    fn push(&mut self, time_s: f64, values: [f64; ROLES]) {
        self.times.push(time_s);
        for (column, value) in self.values.iter_mut().zip(values) {
            column.push(value);
        }
    }
}

/// Where updates come from.
trait Source {
    fn next_batch(&mut self) -> Result<Option<Batch>, HostError>;
}

/// A source and what it carries.
struct Lane {
    carries: [bool; ROLES],
    source: Box<dyn Source>,
}

/// A file that has been opened.
pub(super) enum File {
    Mdf(mdf::Measurement),
    Parquet(parquet::Table),
    Frames(frames::Log),
}

impl File {
    /// Opens what the first bytes show, or `None` when they show neither
    /// MDF nor Parquet.
    pub(super) fn by_magic(head: &[u8], path: &Path) -> Result<Option<Self>, HostError> {
        if mdf::is_mdf(head) {
            return mdf::Measurement::open(path).map(|file| Some(Self::Mdf(file)));
        }
        if head.starts_with(parquet::MAGIC) {
            return parquet::Table::open(path).map(|file| Some(Self::Parquet(file)));
        }
        Ok(None)
    }

    /// A log of CAN frames as CSV, whose header row was read last.
    pub(super) fn frames(name: &str, lines: Lines) -> Result<Self, HostError> {
        frames::Log::start(name, lines).map(Self::Frames)
    }

    /// All units that a column names.
    pub(super) fn units(&self, path: &Path, column: &str) -> Result<BTreeSet<String>, HostError> {
        match self {
            Self::Parquet(file) => file.units(column),
            Self::Mdf(_) | Self::Frames(_) => Err(no_column(
                path,
                column,
                "a CSV or Parquet file, whose rows name their unit",
            )),
        }
    }

    fn name(&self) -> &str {
        match self {
            Self::Mdf(file) => &file.name,
            Self::Parquet(file) => &file.name,
            Self::Frames(file) => &file.name,
        }
    }

    fn channels(&self) -> Vec<String> {
        match self {
            Self::Mdf(file) => file.channels(),
            Self::Parquet(file) => file.columns(),
            Self::Frames(_) => Vec::new(),
        }
    }

    fn lanes(&mut self, search: &Search<'_>) -> Result<Vec<Lane>, FieldFault> {
        match self {
            Self::Mdf(file) => file.lanes(search),
            Self::Parquet(file) => file.lane(search).map(|lane| vec![lane]),
            Self::Frames(file) => file.lane(search).map(|lane| vec![lane]),
        }
    }
}

/// An open capture whose channels are found by the network document.
pub(super) struct Mapped {
    file: File,
    pub(super) layout: Layout,
    /// Codes that each converter can give.
    pub(super) codes: [RangeInclusive<i64>; 2],
    /// Names of the channels by role, for messages.
    channels: [String; ROLES],
    merge: Option<Merge>,
    /// The units to read, where the file is of several.
    units: Option<Units>,
    split: Option<Split>,
    rows: u64,
}

impl Mapped {
    pub(super) fn of_units(file: File, units: Units) -> Self {
        Self {
            units: Some(units),
            ..Self::new(file)
        }
    }

    pub(super) fn new(file: File) -> Self {
        Self {
            file,
            units: None,
            split: None,
            layout: Layout::ALL[0],
            codes: [0..=0, 0..=0],
            channels: Default::default(),
            merge: None,
            rows: 0,
        }
    }

    /// The file, as the user named it.
    pub(super) fn name(&self) -> &str {
        self.file.name()
    }

    pub(super) const fn rows(&self) -> u64 {
        self.rows
    }

    /// Finds the channels.
    ///
    /// # Errors
    /// The field of the document whose channel is not there or does not suit.
    pub(super) fn bind(&mut self, network: &NetworkFile) -> Result<(), FieldFault> {
        let name = self.file.name().to_owned();
        let search = Search::new(network, &name, &self.file.channels())?;
        self.layout = search.layout;
        self.channels = search.channels();
        let stale_s = search.stale_s();
        if let (Some(units), File::Parquet(table)) = (&self.units, &self.file) {
            self.split = Some(Split::new(table, &search, units)?);
            return Ok(());
        }
        let lanes = self.file.lanes(&search)?;
        self.merge = Some(Merge::new(name, lanes, stale_s, &self.channels));
        Ok(())
    }

    pub(super) fn next_of_unit(&mut self) -> Result<Option<OfUnit>, HostError> {
        let Some(split) = &mut self.split else {
            return Ok(None);
        };
        let next = split.next_tick()?;
        Ok(next.map(|(unit, tick)| (unit, tick.and_then(|tick| self.row(&tick)))))
    }

    #[inline]
    pub(super) fn next_row(&mut self) -> Result<Option<Row>, HostError> {
        let Some(merge) = &mut self.merge else {
            return Err(self.no_rows("the channels have not been found yet"));
        };
        let Some(tick) = merge.next_tick()? else {
            return if self.rows > 0 {
                Ok(None)
            } else {
                let without = merge.without_value().join(", ");
                Err(self.no_rows(&if without.is_empty() {
                    "no moment at which all channels have a value".to_owned()
                } else {
                    format!(
                        "no moment at which all channels have a value: none ever comes of {without}"
                    )
                }))
            };
        };
        self.rows += 1;
        self.row(&tick).map(Some)
    }

    #[inline]
    fn row(&self, tick: &Tick) -> Result<Row, HostError> {
        let mut codes = [0; 2];
        for (place, role) in [Role::First, Role::Second].into_iter().enumerate() {
            let value = tick.values[role as usize];
            let code = match self.layout.readings {
                Readings::Volts => fields::volts_code(value),
                Readings::Codes => fields::whole_code(value, &self.codes[place]),
            };
            codes[place] = code.ok_or_else(|| self.bad_reading(tick, place, value))?;
        }
        if !fields::time_in_range(tick.time_s) {
            return Err(self
                .sample_error(tick, Role::First, format!("the time {} s", tick.time_s))
                .expected("at most 1e9 s")
                .mend(
                    "correct channels.time: the channel, or the seconds of one count (of a duration in \
                     nanoseconds time = { channel = \"...\", scale = 1e-9 })",
                ));
        }
        Ok(Row {
            time_s: tick.time_s,
            drive: drive_of_code(tick.values[Role::Drive as usize]),
            codes,
        })
    }

    #[cold]
    fn no_rows(&self, problem: &str) -> HostError {
        HostError::input(problem)
            .in_file(self.file.name())
            .expected("samples of all channels at the same time")
            .mend("record again, or correct the [channels] table of the network document")
    }

    #[cold]
    fn bad_reading(&self, tick: &Tick, place: usize, value: f64) -> HostError {
        let role = [Role::First, Role::Second][place];
        let error = self.sample_error(tick, role, format!("{value} is out of range"));
        match self.layout.readings {
            Readings::Volts => error
                .expected(format!("-{0} to {0} V", fields::VOLTS_MAX))
                .mend("correct scale and offset of the channel in the [channels] table"),
            Readings::Codes => {
                let codes = &self.codes[place];
                error
                    .expected(format!("whole codes, {} to {}", codes.start(), codes.end()))
                    .mend("correct the channel in the [channels] table, or converter_bits")
            }
        }
    }

    fn sample_error(&self, tick: &Tick, role: Role, problem: String) -> HostError {
        sample_error(
            self.file.name(),
            &self.channels[role as usize],
            tick.number,
            problem,
        )
    }
}

fn sample_error(file: &str, channel: &str, number: u64, problem: String) -> HostError {
    HostError::input(problem).in_file(file).at(Place::Sample {
        number,
        channel: channel.to_owned(),
    })
}

/// A drive state among values that are numbers.
fn code_of_drive(drive: Drive) -> f64 {
    Drive::ALL
        .iter()
        .position(|&other| other == drive)
        .map_or(f64::NAN, |place| place as f64)
}

fn drive_of_code(code: f64) -> Drive {
    Drive::ALL
        .get(code as usize)
        .copied()
        .unwrap_or(Drive::Rest)
}

#[cfg(test)]
mod tests;
