//! The pack's data sheet: what the designer knows and wants, as a TOML file.

use std::ops::RangeInclusive;

use serde::Deserialize;

use super::chain::Package;
use super::series::Series;
use crate::document::{Document, FieldFault, in_range};
use crate::error::HostError;
use crate::network::{DriveKind, FrontEndKind, LimitsPart};

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

/// The line by which a document says what it is.
#[derive(Deserialize)]
struct Header {
    format: Option<String>,
}

impl Sheet {
    /// Parses and checks a data sheet.
    ///
    /// # Errors
    /// One error that names file, line, field, what was expected and how to mend it.
    pub fn parse(document: &Document) -> Result<Self, HostError> {
        let found = document.parse::<Header>()?.format;
        if found.as_deref() != Some(FORMAT) {
            let is = found.as_deref().unwrap_or("missing");
            let fault = FieldFault::new("format", format!("format is {is}"), FORMAT).mend(format!(
                "write format = \"{FORMAT}\" at the top of a pack's data sheet; \
                 `ohmsplit design` without a file prints one to begin with"
            ));
            return Err(document.locate(fault));
        }
        let sheet: Self = document.parse()?;
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

    fn check(&self) -> Result<(), FieldFault> {
        for (path, value, range, unit) in self.ranges() {
            if let Some(value) = value {
                in_range(path, value, range, unit)?;
            }
        }
        self.limits.check()?;
        let [alarm, warning] = [self.limits.alarm_ohm_per_v, self.limits.warning_ohm_per_v];
        if alarm > warning {
            return Err(FieldFault::new(
                "limits.alarm_ohm_per_V",
                format!("the alarm limit, {alarm}, is above the warning limit, {warning}"),
                "at most limits.warning_ohm_per_V",
            ));
        }
        self.check_voltages()?;
        self.check_drives()
    }

    #[expect(clippy::too_many_lines, reason = "a table, one field an entry")]
    fn ranges(&self) -> Vec<(&'static str, Option<f64>, RangeInclusive<f64>, &'static str)> {
        let (pack, wanted) = (&self.pack, &self.wanted);
        let (converter, resistor) = (&self.converter, &self.resistor);
        vec![
            (
                "pack.voltage_min_V",
                Some(pack.voltage_min_v),
                5.0..=2000.0,
                "V",
            ),
            (
                "pack.voltage_max_V",
                Some(pack.voltage_max_v),
                5.0..=2000.0,
                "V",
            ),
            (
                "pack.working_voltage_V",
                pack.working_voltage_v,
                5.0..=2000.0,
                "V",
            ),
            (
                "pack.cells_in_series",
                pack.cells_in_series.map(f64::from),
                1.0..=10_000.0,
                "",
            ),
            (
                "pack.capacitance_max_uF",
                Some(pack.capacitance_max_uf),
                1e-4..=1000.0,
                "uF (microfarads; 1000 nF are 1 uF)",
            ),
            (
                "wanted.accuracy_percent",
                Some(wanted.accuracy_percent),
                0.1..=50.0,
                "percent",
            ),
            (
                "wanted.answer_within_s",
                Some(wanted.answer_within_s),
                0.1..=10_000.0,
                "s",
            ),
            (
                "wanted.current_max_mA",
                Some(wanted.current_max_ma),
                0.001..=100.0,
                "mA",
            ),
            (
                "wanted.burden_min_ohm_per_V",
                wanted.burden_min_ohm_per_v,
                1.0..=1e5,
                "ohm/V",
            ),
            (
                "wanted.swing_min_V",
                Some(wanted.swing_min_v),
                0.001..=1000.0,
                "V",
            ),
            ("drive.logic_V", self.drive.logic_v, 0.1..=1000.0, "V"),
            (
                "drive.source_tolerance_percent",
                Some(self.drive.source_tolerance_percent),
                0.0..=50.0,
                "percent",
            ),
            (
                "converter.bits",
                Some(f64::from(converter.bits)),
                8.0..=30.0,
                "bits",
            ),
            (
                "converter.full_scale_V",
                Some(converter.full_scale_v),
                0.1..=100.0,
                "V",
            ),
            (
                "converter.sample_rate_Hz",
                Some(converter.sample_rate_hz),
                50.0..=1e5,
                "Hz",
            ),
            (
                "converter.noise_codes",
                Some(converter.noise_codes),
                0.0..=1e6,
                "codes",
            ),
            (
                "converter.gain_tolerance_percent",
                Some(converter.gain_tolerance_percent),
                0.0..=10.0,
                "percent",
            ),
            (
                "converter.offset_tolerance_mV",
                Some(converter.offset_tolerance_mv),
                0.0..=1000.0,
                "mV",
            ),
            (
                "converter.input_leakage_nA",
                Some(converter.input_leakage_na),
                0.0..=1e5,
                "nA",
            ),
            (
                "converter.calibrated_gain_percent",
                converter.calibrated_gain_percent,
                0.0..=10.0,
                "percent",
            ),
            (
                "converter.block_ms",
                Some(converter.block_ms),
                0.1..=10_000.0,
                "ms",
            ),
            (
                "converter.noise_at_terminals_V",
                Some(converter.noise_at_terminals_v),
                0.0..=1000.0,
                "V",
            ),
            (
                "resistor.tolerance_percent",
                Some(resistor.tolerance_percent),
                0.001..=20.0,
                "percent",
            ),
            ("resistor.voltage_V", resistor.voltage_v, 1.0..=1e5, "V"),
            ("resistor.power_W", resistor.power_w, 0.001..=1000.0, "W"),
            (
                "resistor.creepage_mm",
                resistor.creepage_mm,
                0.1..=1000.0,
                "mm",
            ),
            (
                "resistor.voltage_used_percent",
                Some(resistor.voltage_used_percent),
                10.0..=100.0,
                "percent",
            ),
            (
                "resistor.power_used_percent",
                Some(resistor.power_used_percent),
                10.0..=100.0,
                "percent",
            ),
            (
                "resistor.largest_ohm",
                Some(resistor.largest_ohm),
                1e3..=1e9,
                "ohm",
            ),
        ]
    }

    fn check_voltages(&self) -> Result<(), FieldFault> {
        let pack = &self.pack;
        let [low, high] = [pack.voltage_min_v, pack.voltage_max_v];
        if low > high {
            return Err(FieldFault::new(
                "pack.voltage_min_V",
                format!("the lowest voltage, {low} V, is above the highest, {high} V"),
                "at most pack.voltage_max_V",
            )
            .mend("exchange the two, or correct one"));
        }
        if self.working_v() > high {
            return Err(FieldFault::new(
                "pack.working_voltage_V",
                format!("{} V is above voltage_max_V, {high} V", self.working_v()),
                "at most pack.voltage_max_V",
            ));
        }
        let blocks = self.converter.block_ms * 1e-3 * self.converter.sample_rate_hz;
        if blocks < 1.0 {
            return Err(FieldFault::new(
                "converter.block_ms",
                format!("a block of {} ms holds no reading", self.converter.block_ms),
                format!(
                    "at least {} ms, one reading",
                    1e3 / self.converter.sample_rate_hz
                ),
            ));
        }
        Ok(())
    }

    /// A kind without what it is made of is refused.
    fn check_drives(&self) -> Result<(), FieldFault> {
        let drive = &self.drive;
        if drive.kinds.is_empty() {
            return Err(FieldFault::new(
                "drive.kinds",
                "no kind of drive is permitted",
                "one or more of \"switched_resistors\", \"source_to_negative\", \
                 \"source_to_both_rails\", \"logic_source\"",
            ));
        }
        for (place, &volts) in drive.source_v.iter().enumerate() {
            in_range(
                &format!("drive.source_V[{place}]"),
                volts,
                0.1..=1000.0,
                "V",
            )?;
        }
        for (place, kind) in drive.kinds.iter().enumerate() {
            let (lacks, field) = match kind {
                DriveKind::SwitchedResistors => (false, ""),
                DriveKind::LogicSource => (drive.logic_v.is_none(), "logic_V"),
                DriveKind::SourceToNegative | DriveKind::SourceToBothRails => {
                    (drive.source_v.is_empty(), "source_V")
                }
            };
            if lacks {
                return Err(FieldFault::new(
                    &format!("drive.kinds[{place}]"),
                    format!("{} needs a voltage, and {field} is missing", kind.word()),
                    format!("{field} in the [drive] table"),
                )
                .mend(format!("add {field}, or take the kind out of the list")));
            }
        }
        Ok(())
    }
}
