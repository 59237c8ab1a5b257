//! Scenarios: what happens to a battery and its monitor during a simulated run.
//!
//! A scenario file is TOML, format `ohmsplit-scenario-1`. Every field names its
//! unit, unknown fields are refused, and the monitor's own network is written
//! inline with the tables of a network file:
//!
//! ```toml
//! format = "ohmsplit-scenario-1"
//! name = "..."
//! description = "..."
//! seed = 1                    # all random draws follow from it
//! duration_s = 60.0
//! sample_rate_Hz = 1000.0
//! half_period_s = 2.0         # optional: fixed dwells instead of the core's sequencer
//!
//! [network.pack]              # the network document, inline
//! # ...
//!
//! [[leak]]                    # the whole leak from `from_s` on; entries replace one another
//! from_s = 0.0
//! resistance_ohm = 1.0e6      # with position, or positive_ohm and/or negative_ohm
//! position = 0.3              # 0 at the negative rail, 1 at the positive
//! ramp_s = 10.0               # optional: reached gradually, linear in conductance
//!
//! [capacitance]
//! positive_uF = 0.5
//! negative_uF = 0.5
//!
//! [pack_profile]              # optional; the parts add up
//! start_V = 400.0             # default: the working voltage
//! point = [{ time_s = 0.0, voltage_V = 400.0 }]             # linear between points
//! step = [{ time_s = 5.0, change_V = -12.0 }]
//! ramp = [{ from_s = 10.0, to_s = 20.0, change_V = 8.0 }]
//!
//! [disturbance]               # optional
//! noise_chassis_V = 0.02      # standard deviation of white noise in each reading
//! noise_pack_V = 0.05         # (a rail pair has noise_positive_V and noise_negative_V)
//! ripple_V = 2.0              # peak, on the pack; it also reaches the chassis
//! ripple_Hz = 8013.0          # any frequency: readings are point samples, so it aliases
//! hum_V = 3.0                 # peak, on the chassis
//! hum_Hz = 50.0
//!
//! [parts]                     # optional: what the real parts are off by
//! draw = true                 # draw from the declared tolerances, for what is not given below
//! amplitude_percent = 0.1     # drive source
//! positive_resistance_percent = 0.1   # drive resistor to the positive rail
//! negative_resistance_percent = 0.1   # drive resistor to the negative rail
//! check_resistance_percent = 0.1      # check resistor
//! permanent_percent = [0.0]   # one for each [[network.permanent]]
//! chassis = { gain_percent = 0.1, offset_V = 0.01, load_percent = 0.0 }
//! pack = { gain_percent = -0.1 }      # (a rail pair has positive and negative)
//!
//! [[fault]]                   # optional: what is wrong from a time on; see `Cause`
//! from_s = 20.0
//! until_s = 40.0              # optional
//! what = { kind = "switch_open", drive = "raise" }
//! ```

mod check;
mod fault;
mod parse;

pub use fault::{Cause, Driven, Fault, Which};
pub use parse::{FORMAT, Scenario};

use serde::Deserialize;

/// What the simulated plant is made of, apart from the monitor's own parts.
/// Resistances, voltages and times are as in the scenario file.
#[derive(Debug, Clone, PartialEq)]
pub struct World {
    /// All random draws follow from it.
    pub seed: u64,
    /// Sampling rate in hertz.
    pub sample_rate_hz: f64,
    /// The leak over time, in order of `from_s`; before the first entry there is none.
    pub leaks: Vec<Leak>,
    /// Capacitance between chassis and rails.
    pub capacitance: Capacitance,
    /// Pack voltage over time.
    pub pack_profile: PackProfile,
    /// Noise, ripple and hum.
    pub disturbance: Disturbance,
    /// What the real parts are off by.
    pub parts: PartErrors,
    /// What is wrong, and when.
    pub faults: Vec<Fault>,
}

impl Default for World {
    /// 1 kHz, no leak, no capacitance, nothing disturbed, seed 1.
    fn default() -> Self {
        Self {
            seed: 1,
            sample_rate_hz: 1000.0,
            leaks: Vec::new(),
            capacitance: Capacitance::default(),
            pack_profile: PackProfile::default(),
            disturbance: Disturbance::default(),
            parts: PartErrors::default(),
            faults: Vec::new(),
        }
    }
}

/// The whole leak from a time on: two resistances to the rails, or one
/// resistance from a place in the stack. Infinite for none; 0 Ω is taken as
/// 1 mΩ.
#[derive(Debug, Clone, Copy, PartialEq, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Leak {
    /// From when on, in seconds.
    pub from_s: f64,
    /// Rp, from the positive rail to the chassis.
    pub positive_ohm: Option<f64>,
    /// Rn, from the negative rail to the chassis.
    pub negative_ohm: Option<f64>,
    /// R of a leak from inside the stack.
    pub resistance_ohm: Option<f64>,
    /// Where it sits, 0 at the negative rail and 1 at the positive.
    pub position: Option<f64>,
    /// Reached gradually over this time, linear in conductance.
    pub ramp_s: Option<f64>,
}

impl Leak {
    /// A leak of one resistance at a position, from the start.
    #[must_use]
    pub fn at(resistance_ohm: f64, position: f64) -> Self {
        Self {
            resistance_ohm: Some(resistance_ohm),
            position: Some(position),
            ..Self::default()
        }
    }
}

/// Capacitance from the chassis to each rail: Y-capacitors and parasitics.
#[derive(Debug, Clone, Copy, PartialEq, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Capacitance {
    /// To the positive rail, in microfarads.
    #[serde(rename = "positive_uF")]
    pub positive_uf: f64,
    /// To the negative rail, in microfarads.
    #[serde(rename = "negative_uF")]
    pub negative_uf: f64,
}

impl Capacitance {
    /// Cp and Cn in farads.
    pub(crate) fn farads(&self) -> [f64; 2] {
        [self.positive_uf * 1e-6, self.negative_uf * 1e-6]
    }
}

/// Pack voltage over time: a start value or points, plus steps and ramps.
#[derive(Debug, Clone, PartialEq, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct PackProfile {
    /// Voltage at the start; the working voltage when absent.
    #[serde(rename = "start_V")]
    pub start_v: Option<f64>,
    /// Linear between these, constant before the first and after the last;
    /// instead of `start_V`.
    pub point: Vec<PackPoint>,
    /// Sudden changes.
    pub step: Vec<PackStep>,
    /// Gradual changes.
    pub ramp: Vec<PackRamp>,
}

/// A corner of the pack voltage.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PackPoint {
    /// When, in seconds.
    pub time_s: f64,
    /// The voltage then.
    #[serde(rename = "voltage_V")]
    pub voltage_v: f64,
}

/// A sudden change of the pack voltage.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PackStep {
    /// When, in seconds.
    pub time_s: f64,
    /// By how much, in volts.
    #[serde(rename = "change_V")]
    pub change_v: f64,
}

/// A gradual change of the pack voltage.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PackRamp {
    /// Start, in seconds.
    pub from_s: f64,
    /// End, in seconds.
    pub to_s: f64,
    /// By how much, in volts.
    #[serde(rename = "change_V")]
    pub change_v: f64,
}

/// What rides on the readings and on the pack.
#[derive(Debug, Clone, Copy, PartialEq, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Disturbance {
    /// Standard deviation of white noise in each chassis reading, in volts.
    #[serde(rename = "noise_chassis_V")]
    pub noise_chassis_v: Option<f64>,
    /// The same of the pack reading.
    #[serde(rename = "noise_pack_V")]
    pub noise_pack_v: Option<f64>,
    /// The same of a rail pair's positive channel.
    #[serde(rename = "noise_positive_V")]
    pub noise_positive_v: Option<f64>,
    /// The same of a rail pair's negative channel.
    #[serde(rename = "noise_negative_V")]
    pub noise_negative_v: Option<f64>,
    /// Peak of a sinusoid on the pack voltage; the circuit passes it on to the chassis.
    #[serde(rename = "ripple_V")]
    pub ripple_v: f64,
    /// Its frequency. Readings are point samples: above half the sampling rate it aliases.
    #[serde(rename = "ripple_Hz")]
    pub ripple_hz: f64,
    /// Peak of a sinusoid on the chassis voltage, from a source so stiff that
    /// the circuit does not change it.
    #[serde(rename = "hum_V")]
    pub hum_v: f64,
    /// Its frequency.
    #[serde(rename = "hum_Hz")]
    pub hum_hz: f64,
}

impl Disturbance {
    /// Standard deviations of the noise of the two channels.
    pub(crate) fn noise(&self, rail_pair: bool) -> [f64; 2] {
        let pair = if rail_pair {
            [self.noise_positive_v, self.noise_negative_v]
        } else {
            [self.noise_chassis_v, self.noise_pack_v]
        };
        pair.map(Option::unwrap_or_default)
    }
}

/// What the real parts are off by, against what the network declares.
#[derive(Debug, Clone, PartialEq, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct PartErrors {
    /// Draw every error that is not given from the declared tolerances, evenly within the limits.
    pub draw: bool,
    /// Drive source.
    pub amplitude_percent: Option<f64>,
    /// Drive resistor to the positive rail.
    pub positive_resistance_percent: Option<f64>,
    /// Drive resistor to the negative rail.
    pub negative_resistance_percent: Option<f64>,
    /// Check resistor.
    pub check_resistance_percent: Option<f64>,
    /// Permanent parts, in the order of the network.
    pub permanent_percent: Vec<f64>,
    /// Channel from the chassis to the negative rail.
    pub chassis: Option<ChannelErrors>,
    /// Pack channel.
    pub pack: Option<ChannelErrors>,
    /// A rail pair's channel from the positive rail to the chassis.
    pub positive: Option<ChannelErrors>,
    /// A rail pair's channel from the chassis to the negative rail.
    pub negative: Option<ChannelErrors>,
}

/// What a measuring channel is off by.
#[derive(Debug, Clone, Copy, PartialEq, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ChannelErrors {
    /// Divider ratio, reference and converter together: readings are larger by this.
    pub gain_percent: Option<f64>,
    /// Readings are larger by this, in volts at the terminals.
    #[serde(rename = "offset_V")]
    pub offset_v: Option<f64>,
    /// The divider's total resistance is larger by this.
    pub load_percent: f64,
}

#[cfg(test)]
mod tests;
