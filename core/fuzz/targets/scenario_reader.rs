//! Scenario documents; one that is accepted is also run for a few samples.
#![no_main]

use libfuzzer_sys::fuzz_target;
use ohmsplit::config::Drive;
use ohmsplit_host::document::Document;
use ohmsplit_host::network::{NetworkFile, Readings};
use ohmsplit_host::plant::Plant;
use ohmsplit_host::scenario::Scenario;

fuzz_target!(|data: &[u8]| {
    let Ok(text) = std::str::from_utf8(data) else {
        return;
    };
    let document = Document::embedded("fuzz.toml", text);
    if let Ok(network) = NetworkFile::parse(&document) {
        for readings in [Readings::Volts, Readings::Codes] {
            let _ = network.config(readings);
        }
    }
    let Ok(scenario) = Scenario::parse(&document) else {
        return;
    };
    if let Ok(mut plant) = Plant::new(&scenario.config, &scenario.world) {
        for drive in Drive::ALL {
            for _ in 0..20 {
                plant.step(drive);
            }
        }
    }
});
