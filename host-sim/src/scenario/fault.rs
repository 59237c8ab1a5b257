//! Faults of the measuring circuit, and what else disturbs it from a time on.

use std::ops::RangeInclusive;

use ohmsplit::config::{Config, Drive};
use serde::{Deserialize, Serialize};

use super::check::CAPACITANCES_UF;
use crate::document::{FieldFault, in_range};
use crate::plant::parts::{Role, roles};

/// A fault and when it is there.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Fault {
    /// From when on, in seconds.
    pub from_s: f64,
    /// Until when; to the end when absent.
    pub until_s: Option<f64>,
    /// What is wrong.
    pub what: Cause,
}

impl Fault {
    /// A fault from a time to the end.
    #[must_use]
    pub const fn from(from_s: f64, what: Cause) -> Self {
        Self {
            from_s,
            until_s: None,
            what,
        }
    }

    pub(crate) fn is_there(&self, time_s: f64) -> bool {
        self.from_s <= time_s && self.until_s.is_none_or(|until| time_s < until)
    }
}

/// A state in which a switch of the monitor is closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Driven {
    /// Towards the positive rail.
    Raise,
    /// Towards the negative rail.
    Lower,
    /// The check resistor connected.
    Check,
}

impl Driven {
    /// The core's word for it.
    #[must_use]
    pub const fn state(self) -> Drive {
        match self {
            Self::Raise => Drive::Raise,
            Self::Lower => Drive::Lower,
            Self::Check => Drive::Check,
        }
    }
}

/// A measuring channel, in the order of the codes: chassis and pack, or
/// positive and negative.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Which {
    /// Chassis, or the positive rail.
    First,
    /// Pack, or the negative rail.
    Second,
}

/// What is wrong.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize, Serialize)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum Cause {
    /// What the drive should do in a state it does not: as at rest.
    SwitchOpen {
        /// The state.
        drive: Driven,
    },
    /// What the drive does in a state it does always.
    SwitchClosed {
        /// The state.
        drive: Driven,
    },
    /// The drive resistor of a state is off by this much; where one resistor
    /// serves both states, in both.
    DriveDrift {
        /// The state.
        drive: Driven,
        /// In percent of the declared resistance.
        change_percent: f64,
    },
    /// The sources are off by this much.
    SourceDrift {
        /// In percent of the declared voltage.
        change_percent: f64,
    },
    /// All drive resistors are open.
    DriveOpen,
    /// The sources stay at zero, what is switched stays open.
    StimulusMissing,
    /// Raise does what lower should, and the other way round.
    PolarityReversed,
    /// The line to a divider is open: it reads nothing and loads nothing.
    SenseOpen {
        /// The channel.
        channel: Which,
    },
    /// The line is shorted behind the divider's top: it reads nothing.
    SenseShorted {
        /// The channel.
        channel: Which,
    },
    /// The converter repeats its last code.
    ConverterStuck {
        /// The channel.
        channel: Which,
    },
    /// The converter stays at its upper end.
    ConverterSaturated {
        /// The channel.
        channel: Which,
    },
    /// The channel reads more by this.
    Offset {
        /// The channel.
        channel: Which,
        /// In volts at the terminals.
        #[serde(rename = "offset_V")]
        offset_v: f64,
    },
    /// A bit of the code is always zero.
    DeadBit {
        /// The channel.
        channel: Which,
        /// Its place, 0 for the least.
        bit: u8,
    },
    /// The reference of a converter is off: readings are larger by this.
    ReferenceDrift {
        /// The channel.
        channel: Which,
        /// In percent.
        change_percent: f64,
    },
    /// The clock of the time stamps is fast by this.
    TimeBase {
        /// In percent.
        change_percent: f64,
    },
    /// More white noise on both channels.
    Noise {
        /// Its standard deviation in volts.
        #[serde(rename = "noise_V")]
        noise_v: f64,
    },
    /// The capacitance is larger by this, half to each rail.
    Capacitance {
        /// In microfarads.
        #[serde(rename = "more_uF")]
        more_uf: f64,
    },
    /// A resistance that depends on polarity: the leak conducts only this share
    /// while the chassis is below the place in the stack where it sits.
    LeakRectifies {
        /// In percent.
        reverse_percent: f64,
    },
    /// Another monitor: a square wave between ±U through a resistor to the
    /// negative rail.
    OtherMonitor {
        /// U in volts.
        #[serde(rename = "amplitude_V")]
        amplitude_v: f64,
        /// The resistor in ohms.
        series_ohm: f64,
        /// A whole period in seconds.
        period_s: f64,
    },
}

impl Fault {
    pub(super) fn check(&self, path: &str, config: &Config) -> Result<(), FieldFault> {
        if !roles(config).contains(&Role::Drive) {
            return Err(FieldFault::new(path, "the monitor has no drive", "a drive"));
        }
        let seconds = |field: &str, value: f64, least: f64| {
            let path = format!("{path}.{field}");
            in_range(&path, value, least..=super::check::LONGEST_S, "s")
        };
        seconds("from_s", self.from_s, 0.0)?;
        if let Some(until) = self.until_s {
            seconds("until_s", until, self.from_s)?;
        }
        let of_check = matches!(
            self.what,
            Cause::SwitchOpen {
                drive: Driven::Check
            } | Cause::SwitchClosed {
                drive: Driven::Check
            } | Cause::DriveDrift {
                drive: Driven::Check,
                ..
            }
        );
        if of_check && !config.network().has_check_resistor() {
            return Err(FieldFault::new(
                &format!("{path}.what.drive"),
                "the monitor has no check resistor",
                "raise or lower, or a [network.drive.check_resistor]",
            ));
        }
        for (field, value, range, unit) in self.what.values() {
            in_range(&format!("{path}.what.{field}"), value, range, unit)?;
        }
        Ok(())
    }
}

/// A field, its value, what it may be, and its unit.
type Value = (&'static str, f64, RangeInclusive<f64>, &'static str);

impl Cause {
    /// Its figures with what they may be.
    fn values(&self) -> Vec<Value> {
        let percent = |value, least, most| vec![("change_percent", value, least..=most, "percent")];
        match *self {
            // A part may be off by anything that leaves it a part.
            Self::DriveDrift { change_percent, .. } | Self::SourceDrift { change_percent } => {
                percent(change_percent, -90.0, 1000.0)
            }
            Self::ReferenceDrift { change_percent, .. } | Self::TimeBase { change_percent } => {
                percent(change_percent, -90.0, 900.0)
            }
            Self::Offset { offset_v, .. } => vec![("offset_V", offset_v, -1e5..=1e5, "V")],
            Self::DeadBit { bit, .. } => vec![("bit", f64::from(bit), 0.0..=30.0, "")],
            Self::Noise { noise_v } => vec![("noise_V", noise_v, 0.0..=1e5, "V")],
            Self::Capacitance { more_uf } => vec![("more_uF", more_uf, CAPACITANCES_UF, "uF")],
            Self::LeakRectifies { reverse_percent } => {
                vec![("reverse_percent", reverse_percent, 0.0..=100.0, "percent")]
            }
            Self::OtherMonitor {
                amplitude_v,
                series_ohm,
                period_s,
            } => vec![
                ("amplitude_V", amplitude_v, 0.0..=1e5, "V"),
                ("series_ohm", series_ohm, 1.0..=1e12, "ohm"),
                ("period_s", period_s, 1e-3..=1e6, "s"),
            ],
            Self::SwitchOpen { .. }
            | Self::SwitchClosed { .. }
            | Self::DriveOpen
            | Self::StimulusMissing
            | Self::PolarityReversed
            | Self::SenseOpen { .. }
            | Self::SenseShorted { .. }
            | Self::ConverterStuck { .. }
            | Self::ConverterSaturated { .. } => Vec::new(),
        }
    }
}
