//! Scenario files.

use std::path::Path;

use ohmsplit::config::Config;
use serde::Deserialize;

use super::{Capacitance, Disturbance, Fault, Leak, PackProfile, PartErrors, World};
use crate::document::{Document, FieldFault, in_range};
use crate::error::HostError;
use crate::network::NetworkFile;

/// The version of the scenario document that this program reads.
pub const FORMAT: &str = "ohmsplit-scenario-1";

/// A checked scenario.
#[derive(Debug, Clone, PartialEq)]
pub struct Scenario {
    /// Short name.
    pub name: String,
    /// What one should see.
    pub description: String,
    /// Length of the run in seconds.
    pub duration_s: f64,
    /// Fixed dwells of this length instead of the core's sequencer, in seconds.
    pub half_period_s: Option<f64>,
    /// The monitor as its designer describes it.
    pub network: NetworkFile,
    /// The same for the core.
    pub config: Config,
    /// What the monitor is connected to.
    pub world: World,
}

/// The document as written.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
struct ScenarioFile {
    /// Held against [`FORMAT`] before all else.
    #[serde(rename = "format")]
    _format: String,
    name: String,
    description: String,
    seed: u64,
    duration_s: f64,
    #[serde(rename = "sample_rate_Hz")]
    sample_rate_hz: f64,
    half_period_s: Option<f64>,
    network: NetworkFile,
    #[serde(default)]
    leak: Vec<Leak>,
    #[serde(default)]
    capacitance: Capacitance,
    #[serde(default)]
    pack_profile: PackProfile,
    #[serde(default)]
    disturbance: Disturbance,
    #[serde(default)]
    parts: PartErrors,
    #[serde(default)]
    fault: Vec<Fault>,
}

impl Scenario {
    /// Reads and checks a scenario file.
    ///
    /// # Errors
    /// One error that names file, line, field, what was expected and how to mend it.
    pub fn read(path: &Path) -> Result<Self, HostError> {
        Self::parse(&Document::read(path)?)
    }

    /// Parses and checks a scenario document.
    ///
    /// # Errors
    /// As [`Scenario::read`].
    pub fn parse(document: &Document) -> Result<Self, HostError> {
        let file: ScenarioFile = document.parse_as(FORMAT)?;
        file.scenario().map_err(|fault| document.locate(fault))
    }

    /// What would begin only after the end of the run, and does nothing: each field with its time in seconds.
    /// That may be meant, where a long scenario was cut short.
    #[must_use]
    pub fn beyond_the_end(&self) -> Vec<(String, f64)> {
        let World {
            leaks,
            faults,
            pack_profile,
            ..
        } = &self.world;
        let leaks = leaks.iter().map(|leak| leak.from_s).enumerate();
        let faults = faults.iter().map(|fault| fault.from_s).enumerate();
        let steps = pack_profile.step.iter().map(|step| step.time_s).enumerate();
        let ramps = pack_profile.ramp.iter().map(|ramp| ramp.from_s).enumerate();
        leaks
            .map(|(place, from)| (format!("leak[{place}].from_s"), from))
            .chain(faults.map(|(place, from)| (format!("fault[{place}].from_s"), from)))
            .chain(steps.map(|(place, at)| (format!("pack_profile.step[{place}].time_s"), at)))
            .chain(ramps.map(|(place, from)| (format!("pack_profile.ramp[{place}].from_s"), from)))
            .filter(|&(_, from)| from >= self.duration_s)
            .collect()
    }

    /// Number of samples in the run.
    #[must_use]
    pub fn samples(&self) -> u64 {
        (self.duration_s * self.world.sample_rate_hz).round() as u64
    }
}

impl ScenarioFile {
    fn scenario(mut self) -> Result<Scenario, FieldFault> {
        let under = |fault: FieldFault| fault.under("network");
        self.network.check().map_err(under)?;
        // The plant's converters sample in an instant, its switches obey at once.
        self.network.timing.reading_lag_us.get_or_insert(0.0);
        let config = self
            .network
            .config(self.network.readings())
            .map_err(under)?;
        in_range("duration_s", self.duration_s, 1e-6..=3.2e7, "s")?;
        let scenario = Scenario {
            name: self.name,
            description: self.description,
            duration_s: self.duration_s,
            half_period_s: self.half_period_s,
            network: self.network,
            world: World {
                seed: self.seed,
                sample_rate_hz: self.sample_rate_hz,
                leaks: self.leak,
                capacitance: self.capacitance,
                pack_profile: self.pack_profile,
                disturbance: self.disturbance,
                parts: self.parts,
                faults: self.fault,
            },
            config,
        };
        scenario.world.check(&scenario.config)?;
        if let Some(half) = scenario.half_period_s {
            let period = 1.0 / scenario.world.sample_rate_hz;
            in_range("half_period_s", half, period..=scenario.duration_s, "s")?;
        }
        Ok(scenario)
    }
}
