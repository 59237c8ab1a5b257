//! The files of `hil-fixtures`.

use std::fs;
use std::path::{Path, PathBuf};

use serde::Deserialize;
use serde::de::DeserializeOwned;

/// The folder of fixtures.
#[must_use]
pub fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../hil-fixtures")
}

/// Stems of the files in a subfolder that have this ending, sorted.
///
/// # Panics
/// When the folder cannot be read.
#[must_use]
pub fn stems(subfolder: &str, ending: &str) -> Vec<String> {
    let path = folder().join(subfolder);
    let entries = fs::read_dir(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let mut stems: Vec<String> = entries
        .map(|entry| {
            entry
                .expect("an entry")
                .file_name()
                .into_string()
                .expect("UTF-8")
        })
        .filter_map(|name| name.strip_suffix(ending).map(str::to_owned))
        .collect();
    stems.sort();
    stems
}

/// Stems of all captures, plain and gzip.
#[must_use]
pub fn captures() -> Vec<String> {
    let mut all = stems("captures", ".csv");
    all.extend(stems("captures", ".csv.gz"));
    all.sort();
    all
}

/// The file of a capture.
#[must_use]
pub fn capture(stem: &str) -> PathBuf {
    let plain = folder().join(format!("captures/{stem}.csv"));
    if plain.exists() {
        plain
    } else {
        plain.with_extension("csv.gz")
    }
}

/// A TOML document of a subfolder.
///
/// # Panics
/// When it cannot be read.
#[must_use]
pub fn document<T: DeserializeOwned>(subfolder: &str, stem: &str) -> T {
    let path = folder().join(format!("{subfolder}/{stem}.toml"));
    let case = path.display();
    let text = fs::read_to_string(&path).unwrap_or_else(|error| panic!("{case}: {error}"));
    toml::from_str(&text).unwrap_or_else(|error| panic!("{case}: {error}"))
}

/// What a capture must yield.
#[derive(Debug, Clone, Deserialize)]
pub struct Expected {
    /// The capture, relative to the folder.
    pub capture: String,
    /// Where the truth comes from.
    pub source: String,
    /// The leak at the end of the capture.
    pub truth: Truth,
    /// The answer that is due.
    pub expect: Answer,
}

/// The leak alone; what is infinite is left out.
#[derive(Debug, Clone, Copy, Deserialize)]
pub struct Truth {
    /// Rp in parallel with Rn.
    pub isolation_ohm: Option<f64>,
    /// x.
    pub position: Option<f64>,
    /// Rp.
    pub positive_ohm: Option<f64>,
    /// Rn.
    pub negative_ohm: Option<f64>,
    /// Cp + Cn.
    #[serde(rename = "capacitance_uF")]
    pub capacitance_uf: f64,
}

/// The answer that is due.
#[derive(Debug, Clone, Deserialize)]
pub struct Answer {
    /// figure, short, open or refused.
    pub answer: String,
    /// Allowed error of the isolation resistance.
    pub within_percent: Option<f64>,
    /// Allowed error of x.
    pub position_within: Option<f64>,
    /// Name of the reason of a refusal.
    pub reason: Option<String>,
    /// healthy, warning, alarm or undetermined.
    pub verdict: String,
}
