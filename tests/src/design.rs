//! The monitor under test, built from the same numbers as the reference.

use fixed::types::{I32F32, I48F16};
use ohmsplit::config::{
    self, Channel, Config, ConfigError, Divider, Element, FrontEnd, Judged, Landing, Limits, Timing,
};
use ohmsplit::units::{Measured, Microfarads, Ohms, Ratio, Seconds, Volts};

use crate::reference::{Drive, State};

/// Volts of the core.
#[must_use]
pub fn volts(value: f64) -> Volts {
    Volts::new(I32F32::from_num(value))
}

/// Ohms of the core.
#[must_use]
pub fn ohms(value: f64) -> Ohms {
    Ohms::new(I48F16::from_num(value))
}

/// The core's name of a drive state.
#[must_use]
pub const fn core_state(state: State) -> config::Drive {
    match state {
        State::Rest => config::Drive::Rest,
        State::Raise => config::Drive::Raise,
        State::Lower => config::Drive::Lower,
    }
}

/// The reference's name of a drive state.
#[must_use]
pub const fn state_of(drive: config::Drive) -> State {
    match drive {
        // The reference has no check resistor.
        config::Drive::Rest | config::Drive::Check => State::Rest,
        config::Drive::Raise => State::Raise,
        config::Drive::Lower => State::Lower,
    }
}

/// Which voltages are measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Front {
    /// Chassis to negative rail, and the pack.
    ChassisAndPack,
    /// Each rail to chassis.
    RailPair,
}

/// A monitor: what [`Config`] needs, in floating point.
#[derive(Debug, Clone, PartialEq)]
pub struct Design {
    /// The drive.
    pub drive: Drive,
    /// Working voltage.
    pub working_voltage: f64,
    /// Converter bits.
    pub bits: u8,
    /// Volts at the terminals that all codes span.
    pub span: f64,
    /// Code at zero volts.
    pub zero_code: i32,
    /// What is measured.
    pub front: Front,
    /// Total resistance of each channel's divider; `None` for ideal meters.
    pub divider: Option<f64>,
    /// Bleeds to the positive and to the negative rail, in ohms.
    pub bleeds: [Option<f64>; 2],
    /// Averaging block in microseconds.
    pub block_us: u32,
    /// Shortest dwell in microseconds.
    pub dwell_min_us: u32,
    /// Longest dwell in microseconds.
    pub dwell_max_us: u32,
    /// Largest capacitance that the design expects, in microfarads.
    pub capacitance_max_uf: f64,
    /// Largest time between the readings of the channels, in seconds.
    pub sampling_skew: f64,
    /// Share of the capacitance that the insulation absorbs slowly.
    pub absorption: f64,
    /// Lag of the readings in seconds; `None` when unknown.
    pub reading_lag: Option<f64>,
    /// Order of drive states.
    pub cycle: Vec<State>,
    /// The check at rest.
    pub check: config::Check,
    /// What is judged.
    pub judged: Judged,
}

impl Design {
    /// Ideal meters on a pack of this voltage, whose range leaves a tenth
    /// beyond the largest voltage; it reaches as far below zero where the
    /// drive can push the chassis there. The core's default timing.
    #[must_use]
    pub fn new(drive: Drive, working_voltage: f64, bits: u8) -> Self {
        let (span, zero_code) = match drive {
            Drive::SourceToNegative { amplitude, .. }
            | Drive::SourceToBothRails { amplitude, .. } => {
                (2.2 * (working_voltage + amplitude), 1 << (bits - 1))
            }
            Drive::SwitchedResistors { .. } | Drive::LogicSource { .. } => {
                let spare = 1 << (bits - 4);
                (1.2 * working_voltage, spare)
            }
        };
        Self {
            drive,
            working_voltage,
            bits,
            span,
            zero_code,
            front: Front::ChassisAndPack,
            divider: None,
            bleeds: [None; 2],
            block_us: 20_000,
            dwell_min_us: 500_000,
            dwell_max_us: 60_000_000,
            capacitance_max_uf: 50.0,
            sampling_skew: 0.0,
            absorption: 0.0,
            reading_lag: Some(0.0),
            cycle: vec![State::Raise, State::Lower],
            check: config::Check::default(),
            judged: Judged::WeakestRail,
        }
    }

    /// Everything that stays on the chassis, in siemens to P and to N.
    #[must_use]
    pub fn permanent(&self) -> [f64; 2] {
        let [to_positive, to_negative] = self.bleeds.map(|ohm| ohm.map_or(0.0, f64::recip));
        let load = self.divider.map_or(0.0, f64::recip);
        match self.front {
            Front::ChassisAndPack => [to_positive, to_negative + load],
            Front::RailPair => [to_positive + load, to_negative + load],
        }
    }

    /// The core's configuration.
    ///
    /// # Errors
    /// What the core says against it.
    pub fn try_config(&self) -> Result<Config, ConfigError> {
        let mut channel = Channel::bipolar(self.bits, volts(self.span));
        channel.zero_code = self.zero_code;
        channel.divider = self.divider.map(|ohm| Divider {
            top: ohms(0.99 * ohm),
            bottom: ohms(0.01 * ohm),
        });
        let front_end = match self.front {
            Front::ChassisAndPack => FrontEnd::ChassisAndPack {
                chassis: channel,
                pack: channel,
            },
            Front::RailPair => FrontEnd::RailPair {
                positive: channel,
                negative: channel,
            },
        };
        Config::try_new(front_end, &self.parts(), self.timing(), self.limits())
    }

    /// The core's configuration.
    ///
    /// # Panics
    /// When the core refuses it.
    #[must_use]
    pub fn config(&self) -> Config {
        self.try_config().expect("a design that the core accepts")
    }

    /// The drive and the bleeds as parts.
    #[must_use]
    pub fn parts(&self) -> Vec<Element> {
        let mut parts = drive_parts(&self.drive);
        let rails = [Landing::Positive, Landing::Negative];
        for (bleed, rail) in self.bleeds.into_iter().zip(rails) {
            parts.extend(bleed.map(|ohm| Element::permanent(ohms(ohm), rail)));
        }
        parts
    }

    fn timing(&self) -> Timing {
        let cycle: Vec<_> = self.cycle.iter().map(|&state| core_state(state)).collect();
        let mut timing = Timing::default()
            .with_cycle(&cycle)
            .expect("a cycle that fits");
        timing.block_us = self.block_us;
        timing.dwell_min_us = self.dwell_min_us;
        timing.dwell_max_us = self.dwell_max_us;
        timing.reading_lag = self.reading_lag.map(|lag| Measured {
            value: Seconds::new(I32F32::from_num(lag)),
            u: Seconds::new(I32F32::from_num(1e-6)),
        });
        timing.sampling_skew = Seconds::new(I32F32::from_num(self.sampling_skew));
        timing.check = self.check;
        timing.absorption = Ratio::new(I32F32::from_num(self.absorption));
        timing.capacitance_max = Microfarads::new(I32F32::from_num(self.capacitance_max_uf));
        timing
    }

    fn limits(&self) -> Limits {
        Limits::new(volts(self.working_voltage), self.judged)
    }
}

/// The parts of a drive. Every kind of the reference has its constructor in
/// the core.
#[must_use]
pub fn drive_parts(drive: &Drive) -> Vec<Element> {
    match *drive {
        Drive::SourceToNegative { amplitude, series } => {
            vec![Element::source_to_negative(volts(amplitude), ohms(series))]
        }
        Drive::SourceToBothRails { amplitude, series } => {
            vec![Element::source_to_both_rails(
                volts(amplitude),
                ohms(series),
            )]
        }
        Drive::SwitchedResistors { positive, negative } => vec![
            Element::switched_to_positive(ohms(positive)),
            Element::switched_to_negative(ohms(negative)),
        ],
        Drive::LogicSource { low, high, series } => {
            vec![Element::logic_source(volts(low), volts(high), ohms(series))]
        }
    }
}

/// One drive of each kind, resistors from IEC 60063.
#[must_use]
pub fn drives() -> [Drive; 4] {
    [
        Drive::SourceToNegative {
            amplitude: 50.0,
            series: 510e3,
        },
        Drive::SourceToBothRails {
            amplitude: 50.0,
            series: 1.1e6,
        },
        Drive::SwitchedResistors {
            positive: 1e6,
            negative: 470e3,
        },
        Drive::LogicSource {
            low: 0.0,
            high: 3.3,
            series: 330e3,
        },
    ]
}

/// The drives that the promises of the swift monitor are made for: ±40 V
/// through 1 MΩ, and switched resistors, equal and unequal.
#[must_use]
pub const fn swift_drives() -> [Drive; 3] {
    [
        Drive::SourceToNegative {
            amplitude: 40.0,
            series: 1e6,
        },
        Drive::SwitchedResistors {
            positive: 1e6,
            negative: 1e6,
        },
        Drive::SwitchedResistors {
            positive: 1e6,
            negative: 0.47e6,
        },
    ]
}
