//! The car that tests share: 400 V, a source of ±40 V behind 1 MΩ to the negative rail.

use ohmsplit::config::Config;

use crate::document::Document;
use crate::network::{NetworkFile, Readings};

/// Its network, given volts.
const NETWORK: &str = r#"format = "ohmsplit-network-1"
[pack]
working_voltage_V = 400.0
[drive]
kind = "source_to_negative"
amplitude_V = 40.0
series_resistance_ohm = 1.0e6
[front_end]
kind = "chassis_and_pack"
"#;

/// The car as a scenario: 1 MΩ from three tenths up the stack, 0.2 µF, for 20 s at 1 kHz.
pub(crate) const SCENARIO: &str = r#"format = "ohmsplit-scenario-1"
name = "car"
description = ""
seed = 3
duration_s = 20.0
sample_rate_Hz = 1000.0
[network.pack]
working_voltage_V = 400.0
[network.drive]
kind = "source_to_negative"
amplitude_V = 40.0
series_resistance_ohm = 1.0e6
[network.front_end]
kind = "chassis_and_pack"
[[leak]]
from_s = 0.0
resistance_ohm = 1.0e6
position = 0.3
[capacitance]
positive_uF = 0.1
negative_uF = 0.1
"#;

/// The scenario with parts of its text replaced, each of which must be there.
pub(crate) fn scenario_with(replaced: &[(&str, &str)]) -> String {
    replaced
        .iter()
        .fold(SCENARIO.to_owned(), |text, (from, to)| {
            assert!(text.contains(from), "{from}");
            text.replacen(from, to, 1)
        })
}

/// The core's configuration of the network.
pub(crate) fn config() -> Config {
    let network = NetworkFile::parse(&Document::embedded("car", NETWORK)).expect("a network");
    network.config(Readings::Volts).expect("a configuration")
}
