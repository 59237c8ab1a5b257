//! Captures: samples read and written row by row, whatever the file.
//!
//! A capture holds a time, a drive state and two readings a row, as volts at
//! the terminals or as raw converter codes. Either way a [`Row`] carries the
//! codes that the core takes: a capture in volts has codes of one microvolt.

mod csv;
mod fields;
mod foreign;
pub(crate) mod lines;
mod mapped;
mod read;
mod units;
mod write;

use std::path::{Path, PathBuf};

use ohmsplit::config::Drive;

pub use read::{Reader, units_of};
pub use units::{OfUnit, Units};
pub use write::Writer;

use crate::network::{FrontEndKind, Readings};

/// One sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Row {
    /// Seconds; strictly increasing within a capture.
    pub time_s: f64,
    /// Drive state in force since the row before.
    pub drive: Drive,
    /// Codes in the order of the front end's channels.
    pub codes: [i32; 2],
}

/// What the two readings of each row are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Layout {
    /// Which voltages.
    pub kind: FrontEndKind,
    /// Volts or codes.
    pub readings: Readings,
}

impl Layout {
    /// All four layouts.
    pub const ALL: [Self; 4] = [
        Self::new(FrontEndKind::ChassisAndPack, Readings::Volts),
        Self::new(FrontEndKind::ChassisAndPack, Readings::Codes),
        Self::new(FrontEndKind::RailPair, Readings::Volts),
        Self::new(FrontEndKind::RailPair, Readings::Codes),
    ];

    /// A layout.
    #[must_use]
    pub const fn new(kind: FrontEndKind, readings: Readings) -> Self {
        Self { kind, readings }
    }

    /// Names of the two columns.
    #[must_use]
    pub const fn columns(self) -> [&'static str; 2] {
        match (self.kind, self.readings) {
            (FrontEndKind::ChassisAndPack, Readings::Volts) => ["chassis_V", "pack_V"],
            (FrontEndKind::ChassisAndPack, Readings::Codes) => ["chassis_code", "pack_code"],
            (FrontEndKind::RailPair, Readings::Volts) => ["positive_V", "negative_V"],
            (FrontEndKind::RailPair, Readings::Codes) => ["positive_code", "negative_code"],
        }
    }
}

/// The network file that belongs to a capture: same folder and stem.
#[must_use]
pub fn network_beside(capture: &Path) -> PathBuf {
    let is = |path: &Path, wanted: &str| {
        path.extension()
            .is_some_and(|found| found.eq_ignore_ascii_case(wanted))
    };
    let mut stem = capture.to_path_buf();
    if is(&stem, "gz") {
        stem.set_extension("");
    }
    stem.with_extension("toml")
}

#[cfg(test)]
mod tests;
