//! Many captures at once: found below a folder, replayed on all cores,
//! handed over in order.

use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicBool;

use crate::capture::{Reader, network_beside};
use crate::document::Document;
use crate::error::HostError;
use crate::network::NetworkFile;
use crate::ordered;
use crate::output::{LimitFigures, Outcome};
use crate::replay;

/// Endings of the files that can be captures.
const ENDINGS: [&str; 4] = [".csv", ".csv.gz", ".mf4", ".parquet"];
/// The network of all captures of a folder that have none beside them.
pub const SHARED_NETWORK: &str = "network.toml";

/// What a capture came to.
#[derive(Debug, Clone)]
pub struct Replayed {
    /// The end of it.
    pub outcome: Outcome,
    /// The limits that it was judged by.
    pub limits: LimitFigures,
    /// Cells in series, where the network says.
    pub cells_in_series: Option<u32>,
}

/// Runs a capture through the core to its end.
///
/// # Errors
/// When capture or network cannot be used.
pub fn replayed(capture: &Path, network: &Path) -> Result<Replayed, HostError> {
    let mut reader = Reader::open(capture)?;
    let document = Document::read(network).map_err(|error| {
        error
            .expected("the network file of the capture")
            .mend(format!(
                "write it beside the capture with the same stem, or as {SHARED_NETWORK} in a folder above"
            ))
    })?;
    let network = NetworkFile::parse(&document)?;
    let config = reader
        .bind(&network)
        .map_err(|fault| document.locate(fault))?;
    let mut outcome = Outcome::default();
    let (mut samples, mut end_s) = (0, 0.0);
    replay::run(
        &mut reader,
        &config,
        network.monitor,
        |row| {
            samples += 1;
            end_s = row.time_s;
        },
        |event| outcome.take(event),
    )?;
    (outcome.samples, outcome.end_s) = (samples, end_s);
    Ok(Replayed {
        outcome,
        limits: LimitFigures::of(&config),
        cells_in_series: network.pack.cells_in_series,
    })
}

/// All files below a folder whose name satisfies `wanted`, sorted by path.
/// Hidden files and folders are left out.
///
/// # Errors
/// When a folder cannot be read.
pub fn files_below(
    folder: &Path,
    wanted: impl Fn(&str) -> bool + Copy,
) -> Result<Vec<PathBuf>, HostError> {
    let failed = |error| HostError::system(folder.display().to_string(), "cannot read", &error);
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(failed)? {
        let entry = entry.map_err(failed)?;
        let path = entry.path();
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        if name.starts_with('.') {
            continue;
        }
        // Links to folders are not followed: they can go round in circles.
        if entry.file_type().map_err(failed)?.is_dir() {
            found.extend(files_below(&path, wanted)?);
        } else if wanted(&name) {
            found.push(path);
        }
    }
    found.sort();
    Ok(found)
}

/// Whether a file of this name can be a capture.
#[must_use]
pub fn may_be_capture(name: &str) -> bool {
    let name = name.to_ascii_lowercase();
    ENDINGS.iter().any(|ending| name.ends_with(ending))
}

/// The network of a capture: beside it, or shared in a folder above up to `root`.
#[must_use]
pub fn network_of(capture: &Path, root: &Path) -> PathBuf {
    let beside = network_beside(capture);
    if beside.exists() {
        return beside;
    }
    let folders = capture.ancestors().skip(1);
    let shared = folders
        .take_while(|folder| folder.starts_with(root))
        .map(|folder| folder.join(SHARED_NETWORK));
    shared
        .into_iter()
        .find(|path| path.exists())
        .unwrap_or(beside)
}

/// The path from a folder on, with `/` between its parts.
#[must_use]
pub fn name_below(folder: &Path, path: &Path) -> String {
    let below = path.strip_prefix(folder).unwrap_or(path);
    let parts = below.iter().map(|part| part.to_string_lossy());
    parts.collect::<Vec<_>>().join("/")
}

/// Does work on several threads; `take` gets the results in the order of the
/// items, each as soon as those before it are there.
///
/// # Errors
/// When `take` fails.
pub fn in_order<T: Sync, R: Send>(
    items: &[T],
    threads: Option<NonZeroUsize>,
    work: impl Fn(&T) -> R + Sync,
    mut take: impl FnMut(&T, R) -> Result<(), HostError>,
) -> Result<(), HostError> {
    static GO_ON: AtomicBool = AtomicBool::new(false);
    let all = || std::thread::available_parallelism().unwrap_or(NonZeroUsize::MIN);
    let mut taken = items.iter();
    ordered::in_order(
        0..items.len(),
        threads.unwrap_or_else(all),
        &GO_ON,
        |place| Ok(work(&items[place])),
        |result| taken.next().map_or(Ok(()), |item| take(item, result)),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn results_come_in_order_and_a_failure_stops_the_work() {
        let items: Vec<u64> = (0..200).collect();
        let slow_first = |&item: &u64| {
            std::thread::sleep(std::time::Duration::from_micros(200 - item));
            item * item
        };
        let mut seen = Vec::new();
        let take = |item: &u64, result| {
            assert_eq!(item * item, result);
            seen.push(*item);
            Ok(())
        };
        in_order(&items, NonZeroUsize::new(7), slow_first, take).expect("threads");
        assert_eq!(seen, items);
        let mut taken = 0;
        let failed = in_order(&items, NonZeroUsize::new(3), slow_first, |&item, _| {
            taken += 1;
            if item < 5 {
                Ok(())
            } else {
                Err(HostError::input("the disk is full"))
            }
        });
        assert!(failed.is_err() && taken == 6);
    }

    #[test]
    fn captures_are_told_by_their_ending() {
        for (name, is) in [
            ("a.csv", true),
            ("a.CSV.GZ", true),
            ("a.mf4", true),
            ("a.parquet", true),
            ("a.toml", false),
            ("a.gz", false),
        ] {
            assert_eq!(may_be_capture(name), is, "{name}");
        }
    }
}
