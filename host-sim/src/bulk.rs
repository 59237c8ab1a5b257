//! Many captures at once: found below a folder, replayed on all cores,
//! handed over in order.

use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicBool;

use ohmsplit::config::Config;

use crate::capture::{Reader, Row, Units, network_beside};
use crate::document::Document;
use crate::error::HostError;
use crate::network::NetworkFile;
use crate::ordered;
use crate::output::{LimitFigures, Outcome};
use crate::replay::{self, Feed};
use crate::rig::MonitorKind;

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
    let (network, config) = bound(&mut reader, network)?;
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

/// The network of a reader, and the configuration that both give.
fn bound(reader: &mut Reader, network: &Path) -> Result<(NetworkFile, Config), HostError> {
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
    Ok((network, config))
}

/// Runs some units of one capture through the core, each through one of its own.
/// Times count from the first row of the unit. A result a unit, in their order.
#[must_use]
pub fn replayed_units(
    capture: &Path,
    network: &Path,
    units: Units,
) -> Vec<Result<Replayed, HostError>> {
    let count = units.names().len();
    all_units(capture, network, units)
        // What ends the file ends every unit in it.
        .unwrap_or_else(|error| vec![Err(error); count])
}

fn all_units(
    capture: &Path,
    network: &Path,
    units: Units,
) -> Result<Vec<Result<Replayed, HostError>>, HostError> {
    let count = units.names().len();
    let mut reader = Reader::open_units(capture, units)?;
    let (network, config) = bound(&mut reader, network)?;
    let mut runs: Vec<UnitRun<'_>> = (0..count)
        .map(|_| UnitRun::new(&config, network.monitor))
        .collect();
    while let Some((place, row)) = reader.next_of_unit()? {
        runs[place].take(row);
    }
    let ended = |run: UnitRun<'_>| {
        Ok(Replayed {
            outcome: run.end(&reader)?,
            limits: LimitFigures::of(&config),
            cells_in_series: network.pack.cells_in_series,
        })
    };
    Ok(runs.into_iter().map(ended).collect())
}

/// One unit on its way through the core.
struct UnitRun<'c> {
    feed: Feed<'c>,
    outcome: Outcome,
    first_s: Option<f64>,
    fault: Option<HostError>,
}

impl<'c> UnitRun<'c> {
    fn new(config: &'c Config, kind: MonitorKind) -> Self {
        Self {
            feed: Feed::new(config, kind),
            outcome: Outcome::default(),
            first_s: None,
            fault: None,
        }
    }

    /// Takes its next row; the first fault ends it.
    fn take(&mut self, row: Result<Row, HostError>) {
        if self.fault.is_some() {
            return;
        }
        match row {
            Ok(mut row) => {
                row.time_s -= *self.first_s.get_or_insert(row.time_s);
                self.outcome.samples += 1;
                self.outcome.end_s = row.time_s;
                let outcome = &mut self.outcome;
                self.feed.row(&row, &mut |event| outcome.take(event));
            }
            Err(error) => self.fault = Some(error),
        }
    }

    fn end(mut self, reader: &Reader) -> Result<Outcome, HostError> {
        if let Some(fault) = self.fault {
            return Err(fault);
        }
        if self.first_s.is_none() {
            return Err(reader.no_row_of_unit());
        }
        if let Some(closest_s) = self.feed.too_sparse() {
            return Err(reader.too_sparse(closest_s, self.feed.block_s()));
        }
        let outcome = &mut self.outcome;
        self.feed.finish(&mut |event| outcome.take(event));
        Ok(self.outcome)
    }
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

/// How many threads work: as many as there are processors unless the user says.
#[must_use]
pub fn threads(asked: Option<NonZeroUsize>) -> NonZeroUsize {
    asked.unwrap_or_else(|| std::thread::available_parallelism().unwrap_or(NonZeroUsize::MIN))
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
    let mut taken = items.iter();
    ordered::in_order(
        0..items.len(),
        self::threads(threads),
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
