//! From the document's floating-point numbers to the core's checked configuration.

use fixed::types::{I32F32, I48F16};
use ohmsplit::config::{Check, Config, ConfigError, Drive, Judged, Limits, MAX_ELEMENTS, Timing};
use ohmsplit::units::{Measured, Microfarads, Ohms, Ratio, Seconds, Volts};

use super::{JudgedWord, LimitsPart, NetworkFile, TimingPart};
use crate::document::{FieldFault, in_range};

/// What the numbers of a capture are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Readings {
    /// Codes of the network's converters.
    Codes,
    /// Volts at the terminals; the core gets them as codes of one microvolt.
    Volts,
}

pub(super) fn volts(value: f64) -> Volts {
    Volts::new(I32F32::saturating_from_num(value))
}

pub(super) fn ohms(value: f64) -> Ohms {
    Ohms::new(I48F16::saturating_from_num(value))
}

pub(super) const fn ratio(ppm: i32) -> Ratio {
    Ratio::from_ppm(ppm)
}

/// Relative standard uncertainty of a limit of error in percent: t/√3.
pub(super) fn standard_uncertainty(percent: f64) -> Ratio {
    Ratio::new(I32F32::saturating_from_num(percent / 100.0 / 3f64.sqrt()))
}

/// The drive state that a word of a document or capture names.
#[must_use]
pub fn drive_of(word: &str) -> Option<Drive> {
    Drive::ALL.into_iter().find(|state| state.name() == word)
}

impl TimingPart {
    pub(super) fn check(&self) -> Result<(), FieldFault> {
        in_range("timing.block_ms", self.block_ms, 0.1..=10_000.0, "ms")?;
        in_range("timing.dwell_min_s", self.dwell_min_s, 0.0008..=2000.0, "s")?;
        in_range("timing.dwell_max_s", self.dwell_max_s, 0.0008..=2000.0, "s")?;
        for (path, lag) in [
            ("timing.reading_lag_us", self.reading_lag_us.unwrap_or(0.0)),
            (
                "timing.reading_lag_tolerance_us",
                self.reading_lag_tolerance_us,
            ),
        ] {
            in_range(path, lag, 0.0..=1.0e6, "us")?;
        }
        let skew = self.sampling_skew_us;
        in_range("timing.sampling_skew_us", skew, -1.0e6..=1.0e6, "us")?;
        let most = self.capacitance_max_uf;
        in_range("timing.capacitance_max_uF", most, 1.0e-6..=1000.0, "uF")?;
        let absorbed = self.absorption_percent;
        in_range("timing.absorption_percent", absorbed, 0.0..=25.0, "percent")?;
        self.rests()?;
        self.states().map(drop)
    }

    fn states(&self) -> Result<Vec<Drive>, FieldFault> {
        let fault = |problem: String| {
            FieldFault::new(
                "timing.cycle",
                problem,
                "two to four of \"rest\", \"raise\", \"lower\", \"check\"",
            )
        };
        if !(2..=4).contains(&self.cycle.len()) {
            return Err(fault(format!("{} drive states", self.cycle.len())));
        }
        self.cycle
            .iter()
            .map(|word| {
                drive_of(word).ok_or_else(|| fault(format!("\"{word}\" is not a drive state")))
            })
            .collect()
    }

    fn rests(&self) -> Result<Check, FieldFault> {
        times_of_check("timing.check", &self.check)
    }

    fn timing(&self) -> Result<Timing, FieldFault> {
        let micros = |seconds: f64| (seconds * 1e6).round() as u32;
        let mut timing = Timing::default();
        timing.block_us = micros(self.block_ms * 1e-3);
        timing.dwell_min_us = micros(self.dwell_min_s);
        timing.dwell_max_us = micros(self.dwell_max_s);
        let seconds = |micros: f64| Seconds::new(I32F32::saturating_from_num(micros * 1e-6));
        timing.reading_lag = self.reading_lag_us.map(|lag| Measured {
            value: seconds(lag),
            u: seconds(self.reading_lag_tolerance_us / 3f64.sqrt()),
        });
        timing.capacitance_max =
            Microfarads::new(I32F32::saturating_from_num(self.capacitance_max_uf));
        timing.sampling_skew = seconds(self.sampling_skew_us);
        timing.absorption =
            Ratio::new(I32F32::saturating_from_num(self.absorption_percent / 100.0));
        timing.check = self.rests()?;
        timing
            .with_cycle(&self.states()?)
            .ok_or_else(|| refused(ConfigError::CycleWithoutStimulus))
    }
}

/// When the measuring circuit is checked, from the word of a document.
pub(crate) fn times_of_check(path: &str, word: &str) -> Result<Check, FieldFault> {
    let every = || {
        let count = word.strip_prefix("every ")?.strip_suffix(" cycles")?;
        count.parse().ok().filter(|&count: &u8| count > 0)
    };
    match word {
        "never" => Ok(Check::Never),
        "at_start" => Ok(Check::AtStart),
        _ => every().map(Check::Every).ok_or_else(|| {
            FieldFault::new(
                path,
                format!("\"{word}\" says no time of a check"),
                "\"never\", \"at_start\", or \"every N cycles\" with N of 1 to 255",
            )
        }),
    }
}

impl LimitsPart {
    pub(crate) fn check(&self) -> Result<(), FieldFault> {
        for (path, value) in [
            ("limits.alarm_ohm_per_V", self.alarm_ohm_per_v),
            ("limits.warning_ohm_per_V", self.warning_ohm_per_v),
        ] {
            in_range(path, value, 1.0..=1.0e6, "ohm/V")?;
            if value.fract() != 0.0 {
                let problem = format!("{value} is not a whole number");
                return Err(FieldFault::new(path, problem, "whole ohms per volt"));
            }
        }
        in_range(
            "limits.hysteresis_percent",
            self.hysteresis_percent,
            0.0..=100.0,
            "percent",
        )?;
        in_range(
            "limits.confirmations",
            f64::from(self.confirmations),
            1.0..=255.0,
            "",
        )?;
        Ok(())
    }

    fn limits(&self, working_voltage_v: f64) -> Limits {
        let judged = match self.judged {
            JudgedWord::WeakestRail => Judged::WeakestRail,
            JudgedWord::BothInParallel => Judged::BothInParallel,
        };
        Limits {
            // Whole and at most 10^6: checked.
            alarm_ohm_per_volt: self.alarm_ohm_per_v as u32,
            warning_ohm_per_volt: self.warning_ohm_per_v as u32,
            hysteresis: Ratio::new(I32F32::saturating_from_num(self.hysteresis_percent / 100.0)),
            confirmations: self.confirmations,
            ..Limits::new(volts(working_voltage_v), judged)
        }
    }
}

impl NetworkFile {
    /// What this monitor's readings are: codes when a converter is described,
    /// else microvolts.
    #[must_use]
    pub fn readings(&self) -> Readings {
        let channels = self.front_end.channels();
        if channels.iter().any(|part| part.converter_bits.is_some()) {
            Readings::Codes
        } else {
            Readings::Volts
        }
    }

    /// The core's configuration for a capture of these readings.
    ///
    /// # Errors
    /// The field because of which the core refuses it.
    pub fn config(&self, readings: Readings) -> Result<Config, FieldFault> {
        let mut parts = self.drive.elements()?;
        parts.extend(self.permanent.iter().map(super::FixedPart::permanent));
        Config::try_new(
            self.front_end.front_end(readings)?,
            &parts,
            self.timing.timing()?,
            self.limits.limits(self.pack.working_voltage_v),
        )
        .map_err(refused)
    }
}

const CHECK_STATE: (&str, &str, &str) = (
    "timing.cycle",
    "the cycle and the check resistor do not fit",
    "\"check\" in place of \"rest\" with a [drive.check_resistor], and only then",
);

/// The field that a refusal of the core is about.
fn refused(error: ConfigError) -> FieldFault {
    let (path, problem, expected) = match error {
        ConfigError::TooManyElements => {
            let most = format!("at most {MAX_ELEMENTS}, drive and measuring dividers included");
            return FieldFault::new("permanent", "too many parts on the chassis", most)
                .mend("replace permanent resistors to the same rail by one of equal conductance");
        }
        ConfigError::ResistanceNotPositive => {
            ("drive", "a resistance is not positive", "more than 0 ohm")
        }
        ConfigError::ChannelWithoutRange => (
            "front_end",
            "a converter spans no voltage",
            "1 to 32 bits and a full scale above 0 V",
        ),
        ConfigError::ChannelLimitsCrossed => (
            "front_end",
            "no valid code is left",
            "lowest_valid_code below highest_valid_code",
        ),
        ConfigError::BlockOutOfRange => (
            "timing.block_ms",
            "the averaging block is out of range",
            "0.1 to 10000 ms",
        ),
        ConfigError::DwellOutOfRange => (
            "timing.dwell_min_s",
            "the dwells do not fit the averaging block",
            "at least eight blocks of block_ms, and not above dwell_max_s",
        ),
        ConfigError::CycleWithoutStimulus => (
            "timing.cycle",
            "all drive states of the cycle push alike",
            "at least two states that differ",
        ),
        ConfigError::CapacitanceNotPositive => (
            "timing.capacitance_max_uF",
            "the capacitance is not positive",
            "more than 0 uF",
        ),
        ConfigError::WorkingVoltageNotPositive => (
            "pack.working_voltage_V",
            "the working voltage is not positive",
            "more than 0 V",
        ),
        ConfigError::LimitsCrossed => (
            "limits.alarm_ohm_per_V",
            "the alarm limit is above the warning limit",
            "at most warning_ohm_per_V",
        ),
        ConfigError::NegativeUncertainty => (
            "limits.hysteresis_percent",
            "a tolerance or the hysteresis is negative",
            "0 or more",
        ),
        ConfigError::SkewOutOfRange => ("timing.sampling_skew_us", "too large", "below block_ms"),
        ConfigError::CheckState => CHECK_STATE,
    };
    FieldFault::new(path, problem, expected)
}
