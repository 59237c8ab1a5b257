//! Campaigns: an estimator on thousands of simulated records, held against
//! the bound of each circuit.
//!
//! Every cell of a grid is a scenario. Its records begin on the periodic orbit
//! (no start transient to learn from), are made by the plant and differ in
//! their noise only. Rows are written in the order of the grid, each seed
//! follows from circuit and record, and so the table is the same to the byte
//! whatever the number of threads and however often it was stopped.

mod grid;
pub(crate) mod heat;
mod rows;
mod score;
mod store;
mod subject;
mod table;
mod trial;

use std::num::NonZeroUsize;
use std::path::Path;
use std::sync::atomic::AtomicBool;

pub use grid::{Cell, Grid, HALF_PERIOD_S, NOISE_V, RATE_HZ, RECORD_S, Stimulus};
pub use rows::Row;
pub use subject::{Answer, SWIFT, Samples, Subject};

use crate::error::HostError;
use crate::ordered::in_order;
use crate::output::AtomicFile;
use crate::table::refuse_to_replace;
use table::MSE_MOST;

/// What is tried.
#[derive(Debug, Clone)]
pub struct Plan {
    /// The grid.
    pub grid: Grid,
    /// Its cells.
    pub cells: Vec<Cell>,
    /// The estimator.
    pub subject: Subject,
    /// Records in each cell.
    pub records: u32,
    /// All random draws follow from it.
    pub seed: u64,
}

impl Plan {
    /// The plan of a grid.
    #[must_use]
    pub fn new(grid: Grid, subject: Subject, records: u32, seed: u64) -> Self {
        Self {
            grid,
            cells: grid.cells(),
            subject,
            records,
            seed,
        }
    }

    /// The plan of those cells of an earlier table, of the full grid, that were above the
    /// error asked for: fresh records tell whether they were so by chance.
    ///
    /// # Errors
    /// When the table cannot be read, is no such table, or has no such cell.
    pub fn again(
        table: &Path,
        subject: Subject,
        records: u32,
        seed: u64,
    ) -> Result<Self, HostError> {
        let grid = Grid::AGAIN;
        let mut cells = Vec::new();
        for row in store::read(table, &grid.cells())? {
            if row.is_informed() && row.mse_over_bound.is_some_and(|ratio| ratio > MSE_MOST) {
                cells.push(row.cell);
            }
        }
        if cells.is_empty() {
            return Err(HostError::input(format!(
                "no cell is above {MSE_MOST} times its bound: there is nothing to try again"
            ))
            .in_file(table.display().to_string()));
        }
        Ok(Self {
            grid,
            cells,
            subject,
            records,
            seed,
        })
    }

    #[cfg(test)]
    fn quick(records: u32, seed: u64) -> Self {
        Self::new(Grid::QUICK, SWIFT, records, seed)
    }
}

/// What a campaign writes: the table, the page, the picture.
pub const FILES: [&str; 3] = ["efficiency.csv", "efficiency.md", "efficiency.svg"];

/// Runs a campaign into a folder: `efficiency.csv` row by row, then
/// `efficiency.md` and `efficiency.svg`. `on_row` is told how many cells were
/// there when it began, and how many are done. When `stop` was set the table is
/// there so far, and nothing else.
///
/// # Errors
/// When one of these files is there and `resume` is not set, or the table is
/// of another campaign; when a file cannot be written.
pub fn run(
    plan: &Plan,
    folder: &Path,
    resume: bool,
    threads: NonZeroUsize,
    stop: &AtomicBool,
    mut on_row: impl FnMut(usize, usize),
) -> Result<Vec<Row>, HostError> {
    std::fs::create_dir_all(folder).map_err(|error| {
        HostError::system(folder.display().to_string(), "cannot be made", &error)
    })?;
    let [path, page, picture] = FILES.map(|name| folder.join(name));
    if !(resume && path.exists()) {
        refuse_to_replace(&[&path, &page, &picture], "campaign", true)?;
    }
    let (mut store, mut rows) = store::open(&path, plan)?;
    let begun = rows.len();
    let try_cell =
        |place: usize| trial::row(&plan.cells[place], &plan.subject, plan.records, plan.seed);
    in_order(begun..plan.cells.len(), threads, stop, try_cell, |row| {
        store.push(&row.line())?;
        rows.push(row);
        on_row(begun, rows.len());
        Ok(())
    })?;
    if rows.len() < plan.cells.len() {
        return Ok(rows);
    }
    // What was written is what is summed up: rows of before and of now alike.
    drop(store);
    let (_, rows) = store::open(&path, plan)?;
    AtomicFile::write(&page, &table::markdown(plan, &rows))?;
    let drawn = heat::svg(&rows).map_err(|error| {
        HostError::input(format!("the picture cannot be drawn: {error}"))
            .in_file(picture.display().to_string())
    })?;
    AtomicFile::write(&picture, &drawn)?;
    Ok(rows)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bound::likelihood::{Timing, most_likely};

    static GO_ON: AtomicBool = AtomicBool::new(false);

    fn threads(count: usize) -> NonZeroUsize {
        NonZeroUsize::new(count).expect("not zero")
    }

    /// The three files of a campaign.
    fn files(folder: &Path) -> [Vec<u8>; 3] {
        FILES.map(|name| std::fs::read(folder.join(name)).expect(name))
    }

    #[test]
    fn the_table_is_the_same_whatever_the_number_of_threads_and_after_a_stop() {
        let folder = tempfile::tempdir().expect("a folder");
        let at = |name: &str| folder.path().join(name);
        let plan = Plan::quick(3, 7);
        run(&plan, &at("one"), false, threads(1), &GO_ON, |_, _| ()).expect("a campaign");
        run(&plan, &at("four"), false, threads(4), &GO_ON, |_, _| ()).expect("a campaign");
        let whole = files(&at("one"));
        assert_eq!(files(&at("four")), whole);
        // Stopped in the middle of the sixth row.
        let cut: usize = whole[0]
            .split_inclusive(|&b| b == b'\n')
            .take(7)
            .map(<[u8]>::len)
            .sum();
        std::fs::create_dir(at("cut")).expect("a folder");
        std::fs::write(at("cut").join("efficiency.csv"), &whole[0][..cut + 20]).expect("write");
        let mut progress = Vec::new();
        run(
            &plan,
            &at("cut"),
            true,
            threads(2),
            &GO_ON,
            |begun, done| {
                progress.push((begun, done));
            },
        )
        .expect("a campaign");
        assert_eq!(files(&at("cut")), whole);
        assert_eq!(progress.first(), Some(&(5, 6)));
        assert_eq!(progress.last(), Some(&(5, plan.cells.len())));
    }

    /// Where the circuit settles fast the whole record enters the figure: at the
    /// bound, within four standard errors of 14 % for 100 records.
    #[test]
    fn the_monitor_is_at_the_bound_and_honest_where_it_settles() {
        let plan = Plan::quick(100, 1);
        let cell = Cell {
            stimulus: Stimulus::Source40V,
            ..plan.cells[0]
        };
        let row = trial::row(&cell, &SWIFT, 100, 1).expect("a row");
        assert_eq!((row.answered, row.far_off), (1.0, 0.0));
        let mse = row.mse_over_bound.expect("figures");
        assert!((0.5..1.6).contains(&mse), "{mse}");
        assert!(row.bias_over_sd.expect("a spread").abs() < 0.33);
        // 95 % of 100, five standard errors of 2.2 down.
        assert!(row.coverage.expect("intervals") > 0.84);
    }

    /// Where waiting takes a minute and a half, it answers and does not mislead.
    #[test]
    fn the_monitor_answers_honestly_where_it_cannot_settle() {
        let cell = Cell {
            stimulus: Stimulus::Source40V,
            capacitance_uf: 20.0,
            isolation_ohm: 1e6,
            pack_v: 400.0,
            position: 0.3,
        };
        let row = trial::row(&cell, &SWIFT, 20, 1).expect("a row");
        assert_eq!(row.far_off, 0.0);
        assert_eq!(row.answered, 1.0);
        assert!(row.wait_s > 80.0, "{}", row.wait_s);
    }

    const SLOW: Cell = Cell {
        stimulus: Stimulus::Source40V,
        capacitance_uf: 5.0,
        isolation_ohm: 1e6,
        pack_v: 400.0,
        position: 0.3,
    };

    /// Maximum likelihood on every sample of [`SLOW`], from the truth on.
    const LIKELIHOOD: Subject = Subject {
        name: "likelihood",
        run: |config, samples, on_answer| {
            let rows = [1, 2].map(|n| {
                let drive = ohmsplit::config::Drive::ALL[n];
                crate::bound::Row::declared(config.network().row(drive))
            });
            // Codes are microvolts.
            let measured: Vec<f64> = samples.map(|(_, s)| f64::from(s.codes[0]) * 1e-6).collect();
            let timing = Timing {
                step_s: 1.0 / RATE_HZ,
                dwell: 1000,
            };
            let truth = [1e-6, 0.3e-6, 5e-6, measured[0]];
            let [leak, ..] = most_likely(truth, &rows, SLOW.pack_v, timing, &measured);
            on_answer(Answer {
                time_s: RECORD_S,
                leak: Some(leak),
                // 0.3978 % is what the bound of this record comes to.
                interval_ohm: [1.0, -1.0].map(|side| 1.0 / (leak + side * 1.96 * 3.978e-9)),
            });
        },
    };

    /// An estimator that is known to attain the bound (large samples: R. A.
    /// Fisher's theorem) does so in a campaign: plant, orbit, bound and score
    /// are of one scale. Four standard errors of 300 records.
    #[test]
    fn maximum_likelihood_scores_one_without_bias_and_covers_95_percent() {
        let row = trial::row(&SLOW, &LIKELIHOOD, 300, 1).expect("a row");
        let bound = row.bound_isolation_percent.expect("a bound");
        assert!((bound / 0.3978 - 1.0).abs() < 1e-3, "{bound}");
        let mse = row.mse_over_bound.expect("figures");
        assert!((mse - 1.0).abs() < 4.0 * (2.0f64 / 300.0).sqrt(), "{mse}");
        let bias = row.bias_over_sd.expect("a spread");
        assert!(bias.abs() < 4.0 / 300f64.sqrt(), "{bias}");
        let coverage = row.coverage.expect("intervals");
        assert!((coverage - 0.95).abs() < 4.0 * 0.0126, "{coverage}");
        assert_eq!((row.answered, row.far_off), (1.0, 0.0));
    }
}
