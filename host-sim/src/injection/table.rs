//! What the trials of each fault come to, drive by drive and in all.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use super::page;
use super::share::wilson;
use crate::error::HostError;
use crate::output::AtomicFile;
use crate::sweep::{Trials, listed, quantile};
use crate::table::{Cell, Columns, Kind, write_csv, write_parquet};

/// The word of a row that is of all drives.
pub(super) const ALL: &str = "all";

/// Deceived trials of a fault and drive whose scenarios are kept.
const KEPT: usize = 3;

const COLUMNS: [(&str, Kind); 22] = [
    ("fault", Kind::Text),
    ("drive", Kind::Text),
    ("runs", Kind::Whole),
    ("detected", Kind::Whole),
    ("safe", Kind::Whole),
    ("missed", Kind::Whole),
    ("not_judged", Kind::Whole),
    ("coverage", Kind::Real),
    ("coverage_low", Kind::Real),
    ("coverage_high", Kind::Real),
    ("class", Kind::Text),
    ("latency_median_periods", Kind::Real),
    ("latency_p95_periods", Kind::Real),
    ("latency_max_periods", Kind::Real),
    ("told_by", Kind::Text),
    ("missed_by", Kind::Text),
    ("quiet_before", Kind::Whole),
    ("blind_before", Kind::Whole),
    ("refused_before", Kind::Whole),
    ("found_before", Kind::Whole),
    ("wrong_before", Kind::Whole),
    ("before_by", Kind::Text),
];

/// The trials of one fault with one drive, or with all.
#[derive(Debug, Clone, Default)]
pub(super) struct Group {
    pub(super) fault: String,
    pub(super) drive: String,
    pub(super) runs: usize,
    pub(super) detected: usize,
    pub(super) safe: usize,
    pub(super) missed: usize,
    /// Withheld and short.
    pub(super) not_judged: usize,
    /// Of all runs in which the fault was told, in time or not.
    latencies: Vec<f64>,
    /// How often what told the fault in time.
    pub(super) told_by: BTreeMap<String, usize>,
    pub(super) missed_by: BTreeMap<String, usize>,
    /// Before the fault, by word.
    before: BTreeMap<String, usize>,
    pub(super) before_by: BTreeMap<String, usize>,
}

impl Group {
    pub(super) fn new(fault: &str, drive: &str) -> Self {
        Self {
            fault: fault.to_owned(),
            drive: drive.to_owned(),
            ..Self::default()
        }
    }

    fn take(&mut self, row: &Row<'_>) {
        self.runs += 1;
        let count = |of: &mut BTreeMap<String, usize>, word: &str| {
            if !word.is_empty() {
                *of.entry(word.to_owned()).or_default() += 1;
            }
        };
        match row.word("outcome") {
            "detected" => {
                self.detected += 1;
                count(&mut self.told_by, row.word("told_by"));
            }
            "safe" => self.safe += 1,
            "missed" => {
                self.missed += 1;
                count(&mut self.missed_by, row.word("wrong_by"));
            }
            "withheld" | "short" => self.not_judged += 1,
            _ => {}
        }
        if row.word("outcome") != "withheld" {
            self.latencies.extend(row.cell("latency_periods").as_real());
        }
        count(&mut self.before, row.word("before"));
        count(&mut self.before_by, row.word("before_by"));
    }

    /// Both together, under the names of this one.
    pub(super) fn with(mut self, other: &Self) -> Self {
        self.runs += other.runs;
        self.detected += other.detected;
        self.safe += other.safe;
        self.missed += other.missed;
        self.not_judged += other.not_judged;
        self.latencies.extend(&other.latencies);
        for (mine, others) in [
            (&mut self.told_by, &other.told_by),
            (&mut self.missed_by, &other.missed_by),
            (&mut self.before, &other.before),
            (&mut self.before_by, &other.before_by),
        ] {
            for (word, count) in others {
                *mine.entry(word.clone()).or_default() += count;
            }
        }
        self
    }

    /// How many runs were so before the fault.
    pub(super) fn before(&self, word: &str) -> usize {
        self.before.get(word).copied().unwrap_or_default()
    }

    /// Diagnostic coverage: detected over detected and missed.
    pub(super) fn coverage(&self) -> Option<f64> {
        let all = self.detected + self.missed;
        (all > 0).then(|| self.detected as f64 / all as f64)
    }

    pub(super) fn interval(&self) -> Option<[f64; 2]> {
        wilson(self.detected, self.detected + self.missed)
    }

    /// The class of a coverage: ISO 26262-5:2018, table D.1 (from memory, not verified).
    pub(super) fn class(&self) -> Option<&'static str> {
        let coverage = self.coverage()?;
        Some(match coverage {
            c if c >= 0.99 => "high",
            c if c >= 0.90 => "medium",
            c if c >= 0.60 => "low",
            _ => "none",
        })
    }

    pub(super) fn latency(&self, percent: usize) -> Option<f64> {
        quantile(&self.latencies, percent)
    }

    fn cells(&self) -> Vec<Cell> {
        let whole = |count: usize| Cell::Whole(count as i64);
        let text = |word: &str| Cell::Text(word.to_owned());
        let [low, high] = [0, 1].map(|end| Cell::real(self.interval().map(|ends| ends[end])));
        let mut row = vec![text(&self.fault), text(&self.drive)];
        row.extend(
            [
                self.runs,
                self.detected,
                self.safe,
                self.missed,
                self.not_judged,
            ]
            .map(whole),
        );
        row.extend([Cell::real(self.coverage()), low, high]);
        row.push(self.class().map_or(Cell::None, text));
        row.extend([50, 95, 100].map(|percent| Cell::real(self.latency(percent))));
        row.extend([&self.told_by, &self.missed_by].map(|counts| listed(counts.iter())));
        row.extend(
            ["quiet", "blind", "refused", "found", "wrong"].map(|word| whole(self.before(word))),
        );
        row.push(listed(self.before_by.iter()));
        row
    }
}

/// A trial with the names of its cells.
struct Row<'r> {
    columns: &'r Columns,
    cells: &'r [Cell],
}

impl<'r> Row<'r> {
    fn cell(&self, name: &str) -> &'r Cell {
        let place = self.columns.iter().rposition(|(column, _)| column == name);
        place
            .and_then(|place| self.cells.get(place))
            .unwrap_or(&Cell::None)
    }

    fn word(&self, name: &str) -> &'r str {
        self.cell(name).as_text()
    }
}

/// All groups, in the order in which they first come: of a fault first all drives together, then each.
pub(super) fn groups(columns: &Columns, rows: &[Vec<Cell>]) -> Vec<Group> {
    let mut faults: Vec<(String, Vec<Group>)> = Vec::new();
    for cells in rows {
        let row = Row { columns, cells };
        let (fault, drive) = (row.word("fault"), row.word("drive"));
        let place = faults
            .iter()
            .position(|(name, _)| name == fault)
            .unwrap_or_else(|| {
                faults.push((fault.to_owned(), vec![Group::new(fault, ALL)]));
                faults.len() - 1
            });
        let of = &mut faults[place].1;
        of[0].take(&row);
        let place = of
            .iter()
            .position(|group| group.drive == drive)
            .unwrap_or_else(|| {
                of.push(Group::new(fault, drive));
                of.len() - 1
            });
        of[place].take(&row);
    }
    faults.into_iter().flat_map(|(_, groups)| groups).collect()
}

/// Writes the tables, the page, and scenarios of deceived runs.
pub(super) fn finish(trials: &Trials<'_>, paths: &[PathBuf]) -> Result<(), HostError> {
    let groups = groups(&trials.columns, &trials.rows);
    let columns: Columns = COLUMNS.map(|(name, kind)| (name.to_owned(), kind)).to_vec();
    let rows: Vec<Vec<Cell>> = groups.iter().map(Group::cells).collect();
    write_csv(&paths[0], &columns, &rows)?;
    write_parquet(&paths[1], &columns, &rows, &trials.about())?;
    AtomicFile::write(&paths[2], &page::markdown(trials, &groups))?;
    keep(trials, &paths[3])
}

/// Writes the first deceived trials of each fault and drive as scenarios.
fn keep(trials: &Trials<'_>, folder: &Path) -> Result<(), HostError> {
    std::fs::create_dir_all(folder).map_err(|error| {
        HostError::system(folder.display().to_string(), "cannot be made", &error)
    })?;
    let mut kept = BTreeMap::new();
    for (number, cells) in trials.rows.iter().enumerate() {
        let row = Row {
            columns: &trials.columns,
            cells,
        };
        if row.cell("deceived") != &Cell::Flag(true) {
            continue;
        }
        let count = kept
            .entry((row.word("fault"), row.word("drive")))
            .or_insert(0);
        *count += 1;
        if *count <= KEPT {
            let (document, _) = trials.plan.document(number, trials.study.without)?;
            let path = folder.join(format!("trial-{number}.toml"));
            AtomicFile::write(&path, document.text())?;
        }
    }
    Ok(())
}
