//! The regression bench: a folder of captures held against their expected
//! results and against the figures of an earlier version.

mod baseline;
mod compare;

use std::collections::BTreeMap;
use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};

pub use baseline::{Baseline, Figure, Findings};
pub use compare::{Move, moves};

use crate::bulk::{self, Replayed};
use crate::document::Document;
use crate::error::HostError;
use crate::expected::{self, Expected};

/// A capture and what it must yield.
#[derive(Debug, Clone)]
pub struct Case {
    /// The capture, from the folder on.
    pub name: String,
    path: PathBuf,
    network: PathBuf,
    /// Its expected results, where there are any.
    pub expected: Option<Expected>,
}

/// What a case came to.
#[derive(Debug, Clone)]
pub struct Checked {
    /// Its figures, or the error of the capture.
    pub findings: Findings,
    /// What is not as expected.
    pub differences: Vec<String>,
}

/// All cases of a folder: every capture that has a network file beside it,
/// and every one that a document of expected results names.
///
/// # Errors
/// When the folder or such a document cannot be used, or there is no case.
pub fn cases(folder: &Path) -> Result<Vec<Case>, HostError> {
    let mut expected = BTreeMap::new();
    for path in bulk::files_below(folder, |name| name.ends_with(".toml"))? {
        let document = Document::read(&path)?;
        if !document.mentions(expected::FORMAT) {
            continue;
        }
        let found = Expected::parse(&document)?;
        let capture = folder.join(&found.capture);
        if expected.insert(capture, found).is_some() {
            return Err(
                HostError::input("there are expected results of this capture already")
                    .in_file(path.display().to_string())
                    .expected("one document of expected results for a capture")
                    .mend("remove one of them"),
            );
        }
    }
    let captures = bulk::files_below(folder, bulk::may_be_capture)?;
    let mut all: Vec<PathBuf> = captures
        .into_iter()
        .filter(|path| bulk::network_of(path, folder).exists())
        .chain(expected.keys().cloned())
        .collect();
    all.sort();
    all.dedup();
    if all.is_empty() {
        return Err(HostError::input("there is no capture in this folder")
            .in_file(folder.display().to_string())
            .expected("captures with their network files, and documents of expected results")
            .mend("name another folder; `ohmsplit formats` describes the files"));
    }
    let case = |path: PathBuf| Case {
        name: bulk::name_below(folder, &path),
        network: bulk::network_of(&path, folder),
        expected: expected.remove(&path),
        path,
    };
    Ok(all.into_iter().map(case).collect())
}

/// Runs all cases, several at a time; `on_case` gets them in order.
///
/// # Errors
/// When no thread can be had.
pub fn run(
    cases: &[Case],
    threads: Option<NonZeroUsize>,
    mut on_case: impl FnMut(&Case, Checked),
) -> Result<(), HostError> {
    let work = |case: &Case| bulk::replayed(&case.path, &case.network);
    bulk::in_order(cases, threads, work, |case, result| {
        on_case(case, checked(case, result));
        Ok(())
    })
}

fn checked(case: &Case, result: Result<Replayed, HostError>) -> Checked {
    match result {
        Ok(replayed) => Checked {
            findings: Findings::of(&replayed.outcome),
            differences: case
                .expected
                .as_ref()
                .map_or_else(Vec::new, |expected| expected.differences(&replayed.outcome)),
        },
        Err(error) => Checked {
            differences: vec![error.to_string().replace('\n', ";")],
            findings: Findings::unusable(),
        },
    }
}
