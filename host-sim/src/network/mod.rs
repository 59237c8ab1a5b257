//! The network document: the monitor's own circuit, its converters, timing
//! and limits, as a TOML file beside a capture or inside a scenario.
//!
//! Field names end in their unit. Tolerances are limits of error in percent;
//! the core gets the standard uncertainty t/√3 of a rectangular distribution.

mod channel;
mod channels;
mod circuit;
mod config;

use std::path::Path;

use serde::{Deserialize, Serialize};

pub use channel::{ChannelPart, Converter, FrontEndKind, FrontEndPart};
pub use channels::{ChannelsPart, SourcePart};
pub use circuit::{DriveKind, DrivePart, FixedPart, Rail};
pub(crate) use config::times_of_check;
pub use config::{Readings, drive_of};

use crate::document::{Document, FieldFault, in_range};
use crate::error::HostError;
use crate::rig::MonitorKind;

/// The version of the network document that this program reads.
pub const FORMAT: &str = "ohmsplit-network-1";

/// A network document.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct NetworkFile {
    /// [`FORMAT`]; may be left out inside a scenario.
    pub format: Option<String>,
    /// Short name.
    #[serde(default)]
    pub name: String,
    /// What it is about.
    #[serde(default)]
    pub description: String,
    /// Which of the core's monitors runs.
    #[serde(default)]
    pub monitor: MonitorKind,
    /// The battery.
    pub pack: PackPart,
    /// The perturbation.
    pub drive: DrivePart,
    /// Dividers and bleeds that stay connected to the chassis.
    #[serde(default)]
    pub permanent: Vec<FixedPart>,
    /// The measuring channels.
    pub front_end: FrontEndPart,
    /// Which channel of a measurement file holds what.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub channels: Option<ChannelsPart>,
    /// Timing of the measurement.
    #[serde(default)]
    pub timing: TimingPart,
    /// Limits and what is judged.
    #[serde(default)]
    pub limits: LimitsPart,
}

/// The battery.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct PackPart {
    /// Working voltage that limits in ohms per volt refer to, 1 to 2000 V.
    #[serde(rename = "working_voltage_V")]
    pub working_voltage_v: f64,
    /// Cells in series, to name the cell at which a leak sits.
    pub cells_in_series: Option<u32>,
}

/// Timing of the measurement; defaults are the core's.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields, default)]
pub struct TimingPart {
    /// Averaging block, 0.1 to 10,000 ms.
    pub block_ms: f64,
    /// Shortest dwell in a drive state; at least eight blocks.
    pub dwell_min_s: f64,
    /// Longest dwell in a drive state, at most 2000 s.
    pub dwell_max_s: f64,
    /// How far a reading lags behind the circuit (input filter, averaging
    /// converter, late switches), 0 to 1,000,000 µs. Not known when left out
    /// beside a capture; zero in a simulation.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reading_lag_us: Option<f64>,
    /// Limit of error of the lag, 0 to 1,000,000 µs.
    pub reading_lag_tolerance_us: f64,
    /// How much later the second channel is read than the first, negative when
    /// before; less than a block.
    pub sampling_skew_us: f64,
    /// Largest capacitance the design expects, 0.000001 to 1000 µF.
    #[serde(rename = "capacitance_max_uF")]
    pub capacitance_max_uf: f64,
    /// Largest share of the capacitance that the insulation takes up slowly
    /// (dielectric absorption), 0 to 25 %; 0 is an ideal dielectric.
    pub absorption_percent: f64,
    /// When a dwell at rest, or with the check resistor, between drive cycles
    /// checks the measuring circuit:
    /// never, at_start, or "every N cycles" with N of 1 to 255, which includes
    /// the start.
    pub check: String,
    /// Order of drive states: two to four of rest, raise, lower, check.
    pub cycle: Vec<String>,
}

impl Default for TimingPart {
    fn default() -> Self {
        Self {
            block_ms: 20.0,
            dwell_min_s: 0.5,
            dwell_max_s: 60.0,
            reading_lag_us: None,
            reading_lag_tolerance_us: 2.0,
            sampling_skew_us: 0.0,
            capacitance_max_uf: 50.0,
            absorption_percent: 0.0,
            check: "never".to_owned(),
            cycle: vec!["raise".to_owned(), "lower".to_owned()],
        }
    }
}

/// Which figure is held against the limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum JudgedWord {
    /// min(Rp, Rn).
    WeakestRail,
    /// Rp ‖ Rn.
    BothInParallel,
}

/// Limits and how stubborn the verdict is.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields, default)]
pub struct LimitsPart {
    /// The figure that is judged.
    pub judged: JudgedWord,
    /// Alarm at or below, whole Ω/V.
    #[serde(rename = "alarm_ohm_per_V")]
    pub alarm_ohm_per_v: f64,
    /// Warning at or below, whole Ω/V.
    #[serde(rename = "warning_ohm_per_V")]
    pub warning_ohm_per_v: f64,
    /// How much higher a limit counts on the way up, 0 to 100 %.
    pub hysteresis_percent: f64,
    /// Consecutive estimates that must agree, 1 to 255.
    pub confirmations: u8,
}

impl Default for LimitsPart {
    fn default() -> Self {
        Self {
            judged: JudgedWord::WeakestRail,
            alarm_ohm_per_v: 100.0,
            warning_ohm_per_v: 500.0,
            hysteresis_percent: 10.0,
            confirmations: 2,
        }
    }
}

impl NetworkFile {
    /// Reads and checks a network file.
    ///
    /// # Errors
    /// One error that names file, line, field, what was expected and how to mend it.
    pub fn read(path: &Path) -> Result<Self, HostError> {
        Self::parse(&Document::read(path)?)
    }

    /// Parses and checks a network document.
    ///
    /// # Errors
    /// As [`NetworkFile::read`].
    pub fn parse(document: &Document) -> Result<Self, HostError> {
        let mut network: Self = document.parse_as(FORMAT)?;
        network.check().map_err(|fault| document.locate(fault))?;
        if let Some(channels) = &mut network.channels {
            channels.resolve(document.name());
        }
        Ok(network)
    }

    /// The document as a file of its own.
    #[must_use]
    pub fn standalone(mut self) -> Self {
        self.format = Some(FORMAT.to_owned());
        self
    }

    /// Checks every value's range and that the parts fit each other.
    ///
    /// # Errors
    /// The first field at fault.
    pub fn check(&self) -> Result<(), FieldFault> {
        in_range(
            "pack.working_voltage_V",
            self.pack.working_voltage_v,
            1.0..=2000.0,
            "V",
        )?;
        if let Some(cells) = self.pack.cells_in_series {
            in_range("pack.cells_in_series", f64::from(cells), 1.0..=10_000.0, "")?;
        }
        self.drive.check()?;
        for (place, part) in self.permanent.iter().enumerate() {
            part.check(&format!("permanent[{place}]"))?;
        }
        self.front_end.check()?;
        if let Some(channels) = &self.channels {
            channels.check()?;
        }
        self.timing.check()?;
        self.limits.check()?;
        // The core has the last word on how the parts fit.
        self.config(Readings::Volts).map(drop)
    }
}

#[cfg(test)]
mod tests;
