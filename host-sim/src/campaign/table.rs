//! The table of a campaign in words: what holds, by drive, leak and
//! capacitance, and the worst cells.

use std::fmt::Write as _;

use super::grid::{HALF_PERIOD_S, NOISE_V, RATE_HZ, RECORD_S, Stimulus};
use super::{Plan, Row};
use crate::output::{CAUTION, si};

/// Largest mean squared error over the bound that is asked for.
pub(super) const MSE_MOST: f64 = 1.3;
/// Largest bias in standard deviations that is asked for.
const BIAS_MOST: f64 = 1.0 / 3.0;
/// Least gain on waiting that is asked for, where waiting is long.
const SPEEDUP_LEAST: f64 = 10.0;
/// Waiting is long from here on, in seconds: longer than a record.
const WAIT_LONG_S: f64 = RECORD_S;
/// Worst cells shown.
const WORST: usize = 20;

/// The page.
pub(super) fn markdown(plan: &Plan, rows: &[Row]) -> String {
    let mut text = head(plan);
    totals(&mut text, rows);
    groups(&mut text, rows);
    worst(&mut text, rows);
    text + "\n" + CAUTION + "\n"
}

fn head(plan: &Plan) -> String {
    let part = match plan.grid.name {
        "quick" => " --quick",
        "again" => " --again TABLE",
        _ => "",
    };
    format!(
        "# Efficiency of the estimator against the Cramér-Rao bound\n\n\
         Made by `ohmsplit campaign efficiency --out FOLDER --records {} --seed {}{part}`, subject `{}`.\n\n\
         Records of {RECORD_S} s in half-periods of {HALF_PERIOD_S} s, {RATE_HZ} Hz, white noise of {} mV on v, \
         all drives through 1 MΩ,\nfrom a cold start of the estimator on the periodic orbit of the circuit. \
         {} records in each of {} cells.\n\
         A ratio of variances has a standard error of {:.0} %, a coverage one of {:.1} points, cell by cell.\n",
        plan.records,
        plan.seed,
        plan.subject.name,
        NOISE_V * 1e3,
        plan.records,
        plan.cells.len(),
        100.0 * (2.0 / f64::from(plan.records)).sqrt(),
        100.0 * (0.95 * 0.05 / f64::from(plan.records)).sqrt(),
    )
}

/// How many cells hold what is asked for.
fn totals(text: &mut String, rows: &[Row]) {
    text.push_str(
        "\n## Cells that hold what is asked for\n\n\
         Error and bias where the bound is below 10 % of R. Coverage over all answers of the drive.\n\n\
         | drive | cells | bound < 10 % | MSE at most 1.3 bound | bias under sd/3 | coverage | records far off \
         | known in 4 s (95th pct) | 10 times faster than 10 τ, where that is over 8 s |\n\
         |---|---|---|---|---|---|---|---|---|\n",
    );
    for stimulus in Stimulus::ALL {
        let of: Vec<&Row> = rows
            .iter()
            .filter(|row| row.cell.stimulus == stimulus)
            .collect();
        let informed: Vec<&Row> = of.iter().copied().filter(|row| row.is_informed()).collect();
        let slow: Vec<&Row> = of
            .iter()
            .copied()
            .filter(|row| row.wait_s > WAIT_LONG_S)
            .collect();
        let most = |value: Option<f64>, most: f64| value.is_some_and(|value| value.abs() <= most);
        // Writing to a string cannot fail.
        let _ = writeln!(
            text,
            "| {} | {} | {} | {} | {} | {} | {:.0} | {} | {} of {} |",
            stimulus.word(),
            of.len(),
            informed.len(),
            count(&informed, |row| most(row.mse_over_bound, MSE_MOST)),
            count(&informed, |row| most(row.bias_over_sd, BIAS_MOST)),
            coverage(&of).map_or_else(dash, |part| format!("{:.1} %", part * 100.0)),
            of.iter().map(|row| row.far_off * row.records).sum::<f64>(),
            count(&of, |row| most(row.known_p95_s, 4.0)),
            count(&slow, |row| row
                .speedup
                .is_some_and(|times| times >= SPEEDUP_LEAST)),
            slow.len(),
        );
    }
}

fn count(rows: &[&Row], holds: impl Fn(&Row) -> bool) -> usize {
    rows.iter().filter(|row| holds(row)).count()
}

/// Part of all answers whose interval holds the truth.
fn coverage(rows: &[&Row]) -> Option<f64> {
    let answers = |row: &Row| row.answered * row.records;
    let held = |row: &Row| Some(row.coverage? * answers(row));
    let all: f64 = rows
        .iter()
        .filter(|r| r.coverage.is_some())
        .map(|r| answers(r))
        .sum();
    (all > 0.0).then(|| rows.iter().filter_map(|row| held(row)).sum::<f64>() / all)
}

fn dash() -> String {
    "-".to_owned()
}

/// The largest of a figure.
pub(super) fn largest(rows: &[&Row], figure: impl Fn(&Row) -> Option<f64>) -> Option<f64> {
    rows.iter()
        .filter_map(|row| figure(row))
        .max_by(f64::total_cmp)
}

/// The time by which half the records of the slowest cell had their answer;
/// none when in some cell they did not.
pub(super) fn slowest(rows: &[&Row]) -> Option<f64> {
    if rows.iter().any(|row| row.known_median_s.is_none()) {
        return None;
    }
    largest(rows, |row| row.known_median_s)
}

/// The rows of one drive, capacitance and resistance, in the order of the table.
pub(super) fn by_circuit(rows: &[Row]) -> Vec<Vec<&Row>> {
    let mut groups: Vec<Vec<&Row>> = Vec::new();
    let same = |a: &Row, b: &Row| {
        (a.cell.stimulus, a.cell.capacitance_uf, a.cell.isolation_ohm)
            == (b.cell.stimulus, b.cell.capacitance_uf, b.cell.isolation_ohm)
    };
    for row in rows {
        match groups.last_mut() {
            Some(group) if same(group[0], row) => group.push(row),
            _ => groups.push(vec![row]),
        }
    }
    groups
}

fn groups(text: &mut String, rows: &[Row]) {
    text.push_str(
        "\n## By drive, capacitance and resistance\n\n\
         The worst over pack voltage and position; error and bias where the bound is below 10 % of R, which is given\n\
         as its range in percent of R (one standard deviation). A time stands where every cell has one.\n\n\
         | drive | C | R_iso | bound, % | MSE/bound | bias/sd | coverage | without answer | known after, s | 10 τ, s |\n\
         |---|---|---|---|---|---|---|---|---|---|\n",
    );
    for group in by_circuit(rows) {
        let cell = &group[0].cell;
        let informed: Vec<&Row> = group.iter().copied().filter(|r| r.is_informed()).collect();
        let bounds = |row: &Row| row.bound_isolation_percent;
        let least = largest(&group, |row| bounds(row).map(|value| -value)).map(|value| -value);
        let most = largest(&group, bounds);
        let records: f64 = group.iter().map(|row| row.records).sum();
        let silent: f64 = group
            .iter()
            .map(|row| (1.0 - row.answered) * row.records)
            .sum();
        let _ = writeln!(
            text,
            "| {} | {} | {} | {} to {} | {} | {} | {} | {:.0} % | {} | {} |",
            cell.stimulus.word(),
            si(cell.capacitance_uf * 1e-6, "F"),
            si(cell.isolation_ohm, "Ω"),
            least.map_or_else(dash, brief),
            most.map_or_else(dash, brief),
            largest(&informed, |row| row.mse_over_bound).map_or_else(dash, brief),
            largest(&informed, |row| row.bias_over_sd.map(f64::abs)).map_or_else(dash, brief),
            coverage(&group).map_or_else(dash, |part| format!("{:.1} %", part * 100.0)),
            100.0 * silent / records,
            slowest(&group).map_or_else(dash, brief),
            brief(group[0].wait_s),
        );
    }
}

fn worst(text: &mut String, rows: &[Row]) {
    let mut informed: Vec<&Row> = rows.iter().filter(|row| row.is_informed()).collect();
    let key = |row: &Row| row.mse_over_bound.unwrap_or(-1.0);
    informed.sort_by(|a, b| key(b).total_cmp(&key(a)));
    text.push_str(
        "\n## The worst cells by error over the bound\n\n\
         | drive | C | R_iso | Vb | x | bound, % | error, % | MSE/bound | bias/sd | coverage | without answer |\n\
         |---|---|---|---|---|---|---|---|---|---|---|\n",
    );
    for row in informed
        .iter()
        .take(WORST)
        .filter(|row| row.mse_over_bound.is_some())
    {
        let cell = &row.cell;
        let _ = writeln!(
            text,
            "| {} | {} | {} | {} V | {} | {} | {} | {} | {} | {} | {:.0} % |",
            cell.stimulus.word(),
            si(cell.capacitance_uf * 1e-6, "F"),
            si(cell.isolation_ohm, "Ω"),
            cell.pack_v,
            cell.position,
            row.bound_isolation_percent.map_or_else(dash, brief),
            row.rms_percent.map_or_else(dash, brief),
            row.mse_over_bound.map_or_else(dash, brief),
            row.bias_over_sd.map_or_else(dash, brief),
            row.coverage
                .map_or_else(dash, |part| format!("{:.1} %", part * 100.0)),
            100.0 * (1.0 - row.answered),
        );
    }
}

/// Three significant digits or so, short.
pub(super) fn brief(value: f64) -> String {
    match value.abs() {
        0.0 => "0".to_owned(),
        size if !(1e-3..9999.5).contains(&size) => format!("{value:.0e}"),
        size if size < 0.0995 => format!("{value:.3}"),
        size if size < 9.995 => format!("{value:.2}"),
        size if size < 99.95 => format!("{value:.1}"),
        _ => format!("{value:.0}"),
    }
}

#[cfg(test)]
mod tests {
    use super::super::rows::tests::example;
    use super::*;

    #[test]
    fn the_page_counts_what_holds_and_names_the_worst_first() {
        let plan = Plan::quick(200, 1);
        let mut rows: Vec<Row> = plan.cells.iter().map(|cell| example(*cell)).collect();
        rows[1].mse_over_bound = Some(77.0);
        rows[2].bias_over_sd = Some(-0.5);
        rows[3].bound_isolation_percent = Some(11.0);
        rows[3].known_median_s = None;
        rows[3].speedup = None;
        for row in &mut rows[2..4] {
            row.wait_s = 9.0;
        }
        let text = markdown(&plan, &rows);
        // Four cells, three informed, two of them with a small error and with a small bias.
        assert!(
            text.contains("| source_3.3V | 4 | 3 | 2 | 2 | 94.5 % | 0 | 0 | 1 of 2 |"),
            "{text}"
        );
        let worst = text.split("The worst cells").nth(1).expect("a section");
        let first = worst.lines().nth(4).expect("a line");
        assert!(first.contains(" 77.0 "), "{first}");
        assert!(text.contains("--records 200 --seed 1 --quick"));
    }

    #[test]
    fn no_time_stands_for_a_group_with_a_cell_that_has_none() {
        let cells = Plan::quick(2, 1).cells;
        let mut rows = [example(cells[0]), example(cells[0])];
        assert_eq!(slowest(&rows.iter().collect::<Vec<_>>()), Some(0.4));
        rows[1].known_median_s = None;
        assert_eq!(slowest(&rows.iter().collect::<Vec<_>>()), None);
    }
}
