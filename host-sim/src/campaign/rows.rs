//! The table of a campaign: one row a cell, as CSV.

use super::grid::Cell;
use super::score::CellScore;
use crate::bound::{Circuit, Deviations};

/// Columns that say which cell a row is.
const KEYS: [&str; 5] = [
    "drive",
    "capacitance_uF",
    "isolation_ohm",
    "pack_V",
    "position",
];

/// Columns that say what came of it; what is not known is empty.
const FIGURES: [&str; 15] = [
    "wait_s",
    "bound_isolation_percent",
    "bound_position",
    "bound_capacitance_percent",
    "records",
    "answered",
    "figured",
    "mse_over_bound",
    "bias_over_sd",
    "coverage",
    "far_off",
    "known_median_s",
    "known_p95_s",
    "speedup",
    "rms_percent",
];

/// The line of column names.
pub(super) fn columns() -> String {
    [&KEYS[..], &FIGURES[..]].concat().join(",")
}

/// The fields of a line that say which cell it is, with the comma behind.
pub(super) fn key(cell: &Cell) -> String {
    let Cell {
        stimulus,
        capacitance_uf,
        isolation_ohm,
        pack_v,
        position,
    } = cell;
    let word = stimulus.word();
    format!("{word},{capacitance_uf},{isolation_ohm},{pack_v},{position},")
}

/// What came of a cell. Deviations are standard deviations.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// The cell.
    pub cell: Cell,
    /// Ten time constants, what waiting takes, in seconds.
    pub wait_s: f64,
    /// Bound of R_iso, in percent of it.
    pub bound_isolation_percent: Option<f64>,
    /// Bound of x.
    pub bound_position: Option<f64>,
    /// Bound of C, in percent of it.
    pub bound_capacitance_percent: Option<f64>,
    /// Records tried.
    pub records: f64,
    /// Part of the records that end with an answer: a figure or a bound of R.
    pub answered: f64,
    /// Part of the records that end with a figure.
    pub figured: f64,
    /// Mean squared error of G over its bound, of the figures.
    pub mse_over_bound: Option<f64>,
    /// Mean error of G over its standard deviation.
    pub bias_over_sd: Option<f64>,
    /// Part of the answers whose 95 % interval of R_iso holds the truth.
    pub coverage: Option<f64>,
    /// Part of the records with an interval that misses the truth by more
    /// than three of its half-widths.
    pub far_off: f64,
    /// Time until R_iso is known to 5 % or clear of both limits: median.
    pub known_median_s: Option<f64>,
    /// The same, 95th percentile.
    pub known_p95_s: Option<f64>,
    /// `wait_s` over `known_median_s`.
    pub speedup: Option<f64>,
    /// Root of the mean squared error of G, in percent of it.
    pub rms_percent: Option<f64>,
}

impl Row {
    pub(super) fn of(
        cell: &Cell,
        circuit: &Circuit,
        wait_s: f64,
        bound: Option<Deviations>,
        score: &CellScore,
    ) -> Self {
        let leak = circuit.leak;
        let percent_of = |part: f64, whole: f64| part / whole * 100.0;
        let [median, p95] = score.known_s;
        Self {
            cell: *cell,
            wait_s,
            bound_isolation_percent: bound.map(|bound| percent_of(bound.leak, leak)),
            bound_position: bound.and_then(|bound| bound.position),
            bound_capacitance_percent: bound
                .map(|bound| percent_of(bound.capacitance, circuit.capacitance)),
            records: f64::from(score.records),
            answered: score.answered,
            figured: score.figured,
            mse_over_bound: score
                .mse
                .zip(bound)
                .map(|(mse, bound)| mse / bound.leak.powi(2)),
            bias_over_sd: score.bias_over_sd,
            coverage: score.coverage,
            far_off: score.far_off,
            known_median_s: median,
            known_p95_s: p95,
            speedup: median.map(|median| wait_s / median),
            rms_percent: score.mse.map(|mse| percent_of(mse.sqrt(), leak)),
        }
    }

    /// True when error and bias are judged in this cell: the bound itself is
    /// below 10 % of R.
    #[must_use]
    pub fn is_informed(&self) -> bool {
        self.bound_isolation_percent
            .is_some_and(|percent| percent < 10.0)
    }

    fn figures(&self) -> [Option<f64>; FIGURES.len()] {
        [
            Some(self.wait_s),
            self.bound_isolation_percent,
            self.bound_position,
            self.bound_capacitance_percent,
            Some(self.records),
            Some(self.answered),
            Some(self.figured),
            self.mse_over_bound,
            self.bias_over_sd,
            self.coverage,
            Some(self.far_off),
            self.known_median_s,
            self.known_p95_s,
            self.speedup,
            self.rms_percent,
        ]
    }

    /// The row as a line of CSV, without the line end.
    pub(super) fn line(&self) -> String {
        let fields: Vec<String> = self
            .figures()
            .into_iter()
            .map(|value| value.map_or_else(String::new, number))
            .collect();
        key(&self.cell) + &fields.join(",")
    }

    /// A line of CSV, which must be that of `cell`.
    pub(super) fn parse(line: &str, cell: &Cell) -> Option<Self> {
        let fields: Vec<&str> = line.strip_prefix(&key(cell))?.split(',').collect();
        let fields: [&str; FIGURES.len()] = fields.try_into().ok()?;
        let mut values = [None; FIGURES.len()];
        for (value, field) in values.iter_mut().zip(fields) {
            if !field.is_empty() {
                *value = Some(field.parse::<f64>().ok()?);
            }
        }
        let [
            wait,
            isolation,
            position,
            capacitance,
            records,
            answered,
            figured,
            rest @ ..,
        ] = values;
        let [mse, bias, coverage, far_off, median, p95, speedup, rms] = rest;
        Some(Self {
            cell: *cell,
            wait_s: wait?,
            bound_isolation_percent: isolation,
            bound_position: position,
            bound_capacitance_percent: capacitance,
            records: records?,
            answered: answered?,
            figured: figured?,
            mse_over_bound: mse,
            bias_over_sd: bias,
            coverage,
            far_off: far_off?,
            known_median_s: median,
            known_p95_s: p95,
            speedup,
            rms_percent: rms,
        })
    }
}

/// Four significant digits, as plain as they can be.
fn number(value: f64) -> String {
    let rounded: f64 = format!("{value:.3e}").parse().unwrap_or(value);
    match rounded.abs() {
        0.0 => "0".to_owned(),
        size if (1e-4..1e7).contains(&size) => format!("{rounded}"),
        _ => format!("{rounded:e}"),
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::campaign::grid::Grid;

    /// A row with some figures missing.
    pub(in crate::campaign) fn example(cell: Cell) -> Row {
        Row {
            cell,
            wait_s: 4.545,
            bound_isolation_percent: Some(0.1234),
            bound_position: Some(1.234e-5),
            bound_capacitance_percent: None,
            records: 200.0,
            answered: 0.995,
            figured: 0.99,
            mse_over_bound: Some(1.034),
            bias_over_sd: Some(-0.02),
            coverage: Some(0.945),
            far_off: 0.0,
            known_median_s: Some(0.4),
            known_p95_s: None,
            speedup: Some(11.36),
            rms_percent: Some(0.1255),
        }
    }

    #[test]
    fn a_line_reads_back_and_is_that_of_its_cell_only() {
        let cells = Grid::QUICK.cells();
        let row = example(cells[1]);
        let line = row.line();
        assert_eq!(line.split(',').count(), columns().split(',').count());
        assert_eq!(Row::parse(&line, &cells[1]), Some(row));
        assert_eq!(Row::parse(&line, &cells[2]), None);
        for wrong in [
            &line[..line.len() - 8],
            &format!("{line},1"),
            &line.replace("4.545", "x"),
        ] {
            assert_eq!(Row::parse(wrong, &cells[1]), None, "{wrong}");
        }
    }

    #[test]
    fn numbers_keep_four_digits() {
        for (value, text) in [
            (0.0, "0"),
            (1.23456, "1.235"),
            (199.996, "200"),
            (1.23456e-5, "1.235e-5"),
            (123_456.0, "123500"),
            (7.6543e12, "7.654e12"),
            (-0.5, "-0.5"),
        ] {
            assert_eq!(number(value), text);
        }
    }
}
