//! Figures of a run, kept as JSON to hold later versions against.

use std::collections::BTreeMap;
use std::path::Path;

use serde::{Deserialize, Serialize};

use crate::error::{HostError, Place};
use crate::output::{AtomicFile, Figures, Outcome, Resistance, kind_word, verdict_word};

/// The version of the document that this program reads and writes.
const FORMAT: &str = "ohmsplit-baseline-1";
/// Standard uncertainties in a 95 % interval.
const INTERVAL_U: f64 = 2.0 * 1.96;

/// A number and its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Figure {
    /// The value, in the unit of the figure's name.
    pub value: f64,
    /// Its standard uncertainty, where it has one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub u: Option<f64>,
}

/// What a capture came to.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Findings {
    /// Answer, verdict and the reasons of a refusal.
    pub words: BTreeMap<String, String>,
    /// Figures by name; names end in the unit.
    pub figures: BTreeMap<String, Figure>,
}

impl Findings {
    /// Of a run.
    #[must_use]
    pub fn of(outcome: &Outcome) -> Self {
        let mut words = BTreeMap::new();
        let mut say = |name: &str, word: &str| words.insert(name.to_owned(), word.to_owned());
        say("verdict", verdict_word(outcome.verdict()));
        let mut figures = BTreeMap::new();
        let mut add = |name: &str, value: Option<f64>, u: Option<f64>| {
            if let Some(value) = value.filter(|value| value.is_finite()) {
                let u = u.filter(|u| u.is_finite() && *u > 0.0);
                figures.insert(name.to_owned(), Figure { value, u });
            }
        };
        add("first_answer_s", outcome.first_s, None);
        match outcome.answer().map(Figures::of) {
            Ok(found) => {
                say("answer", kind_word(found.kind));
                let u = |of: &Resistance| of.high.map(|high| (high - of.low) / INTERVAL_U);
                add("isolation_ohm", found.isolation.value, u(&found.isolation));
                add("weakest_ohm", found.weakest.value, u(&found.weakest));
                let pair = |of: Option<[f64; 2]>| (of.map(|of| of[0]), of.map(|of| of[1]));
                let (x, x_u) = pair(found.position);
                add("position", x, x_u);
                let (farad, farad_u) = pair(found.capacitance_f);
                add("capacitance_F", farad, farad_u);
            }
            Err(reason) => {
                say("answer", "refused");
                say("answer_reason", reason.name());
            }
        }
        Self { words, figures }
    }

    /// Of a capture that cannot be used.
    #[must_use]
    pub fn unusable() -> Self {
        Self {
            words: BTreeMap::from([("answer".to_owned(), "unusable".to_owned())]),
            figures: BTreeMap::new(),
        }
    }
}

/// The findings of a folder.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Baseline {
    format: String,
    /// The version of the program that found them.
    pub version: String,
    /// By the name of the capture.
    pub captures: BTreeMap<String, Findings>,
}

impl Baseline {
    /// Of this version.
    #[must_use]
    pub fn new(captures: BTreeMap<String, Findings>) -> Self {
        Self {
            format: FORMAT.to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
            captures,
        }
    }

    /// Reads a file.
    ///
    /// # Errors
    /// When it cannot be read or is no such file.
    pub fn read(path: &Path) -> Result<Self, HostError> {
        let name = path.display().to_string();
        let text = std::fs::read_to_string(path)
            .map_err(|error| HostError::system(&*name, "cannot read", &error))?;
        let told = |problem: String| {
            HostError::input(problem)
                .in_file(&*name)
                .expected(format!("a file of the format {FORMAT}"))
                .mend("name a file that `ohmsplit regress --record` wrote")
        };
        let baseline: Self = serde_json::from_str(&text).map_err(|error| {
            told(error.to_string()).at(Place::Position {
                line: error.line(),
                column: error.column(),
            })
        })?;
        if baseline.format != FORMAT {
            return Err(told(format!("format is {}", baseline.format)));
        }
        Ok(baseline)
    }

    /// Writes a file, one figure a line.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn write(&self, path: &Path) -> Result<(), HostError> {
        let text = serde_json::to_string_pretty(self)
            .map_err(|error| HostError::input(error.to_string()))?;
        AtomicFile::write(path, &(text + "\n"))
    }
}
