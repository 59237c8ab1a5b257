//! The pack's data sheet: what the designer knows and wants, as a TOML file.

mod check;

use ohmsplit::config::Check;
use serde::Deserialize;

use super::chain::Package;
use super::series::Series;
use crate::document::{Document, FieldFault};
use crate::error::HostError;
use crate::network::{DriveKind, FrontEndKind, LimitsPart, times_of_check};

/// The version of the data sheet that this program reads.
pub const FORMAT: &str = "ohmsplit-pack-1";

/// The example that comes with the program.
pub const EXAMPLE: &str = include_str!(concat!(
    env!("CARGO_MANIFEST_DIR"),
    "/../hil-fixtures/packs/car-400v.toml"
));

/// A checked data sheet.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sheet {
    /// [`FORMAT`].
    pub format: String,
    /// Short name of the pack.
    pub name: String,
    /// The battery.
    pub pack: Pack,
    /// Limits and what is judged.
    pub limits: LimitsPart,
    /// What the monitor must do.
    pub wanted: Wanted,
    /// Drives that may be proposed.
    pub drive: Drives,
    /// The converter and its input.
    pub converter: Converter,
    /// The resistors that chains are made of.
    pub resistor: Resistor,
}

/// The battery.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Pack {
    /// Lowest voltage at which the monitor must work, 5 to 2000 V.
    #[serde(rename = "voltage_min_V")]
    pub voltage_min_v: f64,
    /// Highest voltage, 5 to 2000 V.
    #[serde(rename = "voltage_max_V")]
    pub voltage_max_v: f64,
    /// Working voltage that ohms per volt refer to; the highest if left out.
    #[serde(rename = "working_voltage_V")]
    pub working_voltage_v: Option<f64>,
    /// Cells in series.
    pub cells_in_series: Option<u32>,
    /// Largest capacitance of both rails together to the chassis, 0.0001 to 1000 µF.
    #[serde(rename = "capacitance_max_uF")]
    pub capacitance_max_uf: f64,
}

/// What the monitor must do.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Wanted {
    /// 95 % half-width of the judged figure at the warning and the alarm limit, 0.1 to 50 %.
    pub accuracy_percent: f64,
    /// Time in which that is reached, 0.1 to 10,000 s.
    pub answer_within_s: f64,
    /// Most current that the monitor may push into the chassis, 0.001 to 100 mA.
    #[serde(rename = "current_max_mA")]
    pub current_max_ma: f64,
    /// Least that the monitor itself may load the isolation to, 1 to 100,000 Ω/V;
    /// the warning limit if left out.
    #[serde(rename = "burden_min_ohm_per_V")]
    pub burden_min_ohm_per_v: Option<f64>,
    /// Least that the chassis must move between the drive states at the alarm
    /// limit, 0.001 to 1000 V: against hum, ripple and drift, which do not average away.
    #[serde(default = "swing", rename = "swing_min_V")]
    pub swing_min_v: f64,
}

/// Common practice, no source.
const fn swing() -> f64 {
    1.0
}

/// Drives that may be proposed.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Drives {
    /// Kinds, as in a network document.
    pub kinds: Vec<DriveKind>,
    /// Amplitudes of sources that can be had, 0.1 to 1000 V.
    #[serde(default, rename = "source_V")]
    pub source_v: Vec<f64>,
    /// High level of a logic output whose low level is 0 V, 0.1 to 1000 V.
    #[serde(rename = "logic_V")]
    pub logic_v: Option<f64>,
    /// Limit of error of a source or level, 0 to 50 %.
    #[serde(default)]
    pub source_tolerance_percent: f64,
    /// When a check resistor, which is then proposed too, holds the drive against
    /// itself: `at_start`, `every N cycles` with N of 1 to 255, or `never`.
    #[serde(default = "now_and_then")]
    pub check: String,
}

fn now_and_then() -> String {
    "every 10 cycles".to_owned()
}

impl Drives {
    /// A check is wanted.
    #[must_use]
    pub fn checks(&self) -> bool {
        self.check_times().is_ok_and(|check| check != Check::Never)
    }

    /// When it is wanted.
    ///
    /// # Errors
    /// The field, where its word says no time.
    pub fn check_times(&self) -> Result<Check, FieldFault> {
        times_of_check("drive.check", &self.check)
    }
}

/// The converter and its input. Both channels are alike.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Converter {
    /// Which voltages are measured.
    pub front_end: FrontEndKind,
    /// Resolution, 8 to 30 bits.
    pub bits: u8,
    /// Volts at the pin that all codes span, 0.1 to 100 V.
    #[serde(rename = "full_scale_V")]
    pub full_scale_v: f64,
    /// Readings of each channel a second, 50 to 100,000 Hz.
    #[serde(rename = "sample_rate_Hz")]
    pub sample_rate_hz: f64,
    /// Standard deviation of a reading, rounding not included, 0 to 1,000,000 codes.
    pub noise_codes: f64,
    /// Limit of error of converter and reference, 0 to 10 %.
    pub gain_tolerance_percent: f64,
    /// Limit of error of the offset at the pin, 0 to 1000 mV.
    #[serde(rename = "offset_tolerance_mV")]
    pub offset_tolerance_mv: f64,
    /// Largest leakage current of the pin, 0 to 100,000 nA.
    #[serde(rename = "input_leakage_nA")]
    pub input_leakage_na: f64,
    /// Limit of error of a whole channel's gain once it is calibrated, 0 to
    /// 10 %; otherwise that of divider and converter together.
    pub calibrated_gain_percent: Option<f64>,
    /// Averaging block, 0.1 to 10,000 ms: a whole number of mains periods.
    #[serde(default = "block")]
    pub block_ms: f64,
    /// White noise of v and Vb beyond the converter's, 0 to 1000 V.
    #[serde(default, rename = "noise_at_terminals_V")]
    pub noise_at_terminals_v: f64,
}

const fn block() -> f64 {
    20.0
}

/// The resistors that chains are made of.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Resistor {
    /// Series of IEC 60063.
    pub series: Series,
    /// Limit of error over life and temperature, 0.001 to 20 %.
    pub tolerance_percent: f64,
    /// Size; gives the three ratings below.
    pub package: Package,
    /// Rated voltage of one, instead of the package's, 1 to 100,000 V.
    #[serde(rename = "voltage_V")]
    pub voltage_v: Option<f64>,
    /// Rated power of one, instead of the package's, 0.001 to 1000 W.
    #[serde(rename = "power_W")]
    pub power_w: Option<f64>,
    /// Creepage along one, between its terminations, instead of the package's, 0.1 to 1000 mm.
    pub creepage_mm: Option<f64>,
    /// Part of the rated voltage that is used, 10 to 100 %.
    #[serde(default = "voltage_used")]
    pub voltage_used_percent: f64,
    /// Part of the rated power that is used, 10 to 100 %.
    #[serde(default = "power_used")]
    pub power_used_percent: f64,
    /// Largest resistance of one, 1 kΩ to 1 GΩ.
    #[serde(default = "largest")]
    pub largest_ohm: f64,
}

const fn voltage_used() -> f64 {
    80.0
}

const fn power_used() -> f64 {
    50.0
}

const fn largest() -> f64 {
    10.0e6
}

impl Sheet {
    /// Parses and checks a data sheet.
    ///
    /// # Errors
    /// One error that names file, line, field, what was expected and how to mend it.
    pub fn parse(document: &Document) -> Result<Self, HostError> {
        let sheet: Self = document.parse_as(FORMAT)?;
        sheet.check().map_err(|fault| document.locate(fault))?;
        Ok(sheet)
    }

    /// Working voltage that ohms per volt refer to.
    #[must_use]
    pub fn working_v(&self) -> f64 {
        self.pack
            .working_voltage_v
            .unwrap_or(self.pack.voltage_max_v)
    }

    /// Least burden in Ω/V.
    #[must_use]
    pub fn burden_min(&self) -> f64 {
        self.wanted
            .burden_min_ohm_per_v
            .unwrap_or(self.limits.warning_ohm_per_v)
    }

    /// Capacitance in farads.
    #[must_use]
    pub fn capacitance_f(&self) -> f64 {
        self.pack.capacitance_max_uf * 1e-6
    }
}
