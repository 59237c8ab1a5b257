//! What the trials of each cell come to.

use std::collections::BTreeMap;

use super::miss::DECEIVED;
use super::plan::Plan;
use super::trial::listed;
use crate::table::{Cell, Columns, Kind};

/// Columns after those of the axes.
const RESULTS: [(&str, Kind); 18] = [
    ("trials", Kind::Whole),
    ("answered", Kind::Real),
    ("error_median_percent", Kind::Real),
    ("error_p90_percent", Kind::Real),
    ("error_p95_percent", Kind::Real),
    ("bias_percent", Kind::Real),
    ("coverage", Kind::Real),
    ("deceived", Kind::Whole),
    ("wrong", Kind::Whole),
    ("healthy", Kind::Whole),
    ("warning", Kind::Whole),
    ("alarm", Kind::Whole),
    ("undetermined", Kind::Whole),
    ("first_answer_median_s", Kind::Real),
    ("first_answer_p95_s", Kind::Real),
    ("alarm_delay_median_s", Kind::Real),
    ("alarm_delay_p95_s", Kind::Real),
    ("reasons", Kind::Text),
];

/// The columns of a sweep's cells.
pub(super) fn columns(plan: &Plan) -> Columns {
    let (mut fields, axes) = plan.fields();
    fields.truncate(axes);
    let results = RESULTS.map(|(name, kind)| (name.to_owned(), kind));
    let fields = fields.into_iter().map(|field| (field, Kind::Text));
    std::iter::once(("cell".to_owned(), Kind::Whole))
        .chain(fields)
        .chain(results)
        .collect()
}

/// The rows of the cells, from the rows of all trials.
pub(super) fn rows(plan: &Plan, columns: &Columns, trials: &[Vec<Cell>]) -> Vec<Vec<Cell>> {
    trials
        .chunks(plan.trials as usize)
        .map(|group| row(plan, columns, group))
        .collect()
}

fn row(plan: &Plan, columns: &Columns, trials: &[Vec<Cell>]) -> Vec<Cell> {
    let group = Group { columns, trials };
    let (_, axes) = plan.fields();
    let mut out = vec![trials[0][0].clone()];
    out.extend(trials[0][2..2 + axes].iter().cloned());
    out.push(Cell::Whole(trials.len() as i64));
    out.extend(group.errors());
    out.push(group.count("wrong", |cell| *cell == Cell::Flag(true)));
    let verdicts = ["healthy", "warning", "alarm", "undetermined"];
    out.extend(verdicts.map(|verdict| group.count("verdict", |cell| cell.as_text() == verdict)));
    out.extend(group.times());
    out.push(group.reasons());
    out
}

/// The trials of one cell.
struct Group<'t> {
    columns: &'t Columns,
    trials: &'t [Vec<Cell>],
}

impl<'t> Group<'t> {
    fn column(&self, name: &str) -> impl Iterator<Item = &'t Cell> + use<'t> {
        let place = self.columns.iter().position(|(column, _)| column == name);
        let place = place.unwrap_or_default();
        self.trials.iter().map(move |row| &row[place])
    }

    fn numbers(&self, name: &str) -> Vec<f64> {
        self.column(name).filter_map(Cell::as_real).collect()
    }

    fn count(&self, name: &str, is: impl Fn(&Cell) -> bool) -> Cell {
        Cell::Whole(self.column(name).filter(|cell| is(cell)).count() as i64)
    }

    fn errors(&self) -> [Cell; 7] {
        let errors = self.numbers("error_percent");
        let sizes: Vec<f64> = errors.iter().map(|error| error.abs()).collect();
        let mean = errors.iter().sum::<f64>() / errors.len() as f64;
        let misses = self.numbers("miss_half_widths");
        let inside = misses.iter().filter(|&&miss| miss <= 1.0).count();
        let worst = self.numbers("worst_miss_half_widths");
        let beyond = worst.iter().filter(|&&miss| miss > DECEIVED).count();
        let share = |of: usize, all: usize| (all > 0).then(|| of as f64 / all as f64);
        [
            Cell::real(share(misses.len(), self.trials.len())),
            Cell::real(quantile(&sizes, 50)),
            Cell::real(quantile(&sizes, 90)),
            Cell::real(quantile(&sizes, 95)),
            Cell::real((!errors.is_empty()).then_some(mean)),
            Cell::real(share(inside, misses.len())),
            Cell::Whole(beyond as i64),
        ]
    }

    /// Of a run without an answer, or without the alarm that was due, nobody
    /// knows when it would have come: it counts as never.
    fn times(&self) -> [Cell; 4] {
        let never = |cell: &Cell| cell.as_real().unwrap_or(f64::INFINITY);
        let first: Vec<f64> = self.column("first_answer_s").map(never).collect();
        let due = self
            .column("true_verdict")
            .map(|cell| cell.as_text() == "alarm");
        let delays = self.column("alarm_delay_s").zip(due);
        let delay: Vec<f64> = delays
            .filter(|(_, due)| *due)
            .map(|(cell, _)| never(cell))
            .collect();
        [
            Cell::real(quantile(&first, 50)),
            Cell::real(quantile(&first, 95)),
            Cell::real(quantile(&delay, 50)),
            Cell::real(quantile(&delay, 95)),
        ]
    }

    /// How often each reason withheld the verdict at the end.
    fn reasons(&self) -> Cell {
        let mut counts = BTreeMap::new();
        for cell in self
            .column("verdict_reason")
            .filter(|cell| **cell != Cell::None)
        {
            *counts.entry(cell.as_text()).or_insert(0u32) += 1;
        }
        listed(counts.iter())
    }
}

/// A percentile by nearest rank; none of an empty list.
pub(crate) fn quantile(values: &[f64], percent: usize) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let rank = (sorted.len() * percent).div_ceil(100).checked_sub(1)?;
    sorted.get(rank).copied()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By nearest rank: Hyndman and Fan, Sample quantiles in statistical packages, 1996, definition 1 (from
    /// memory, not verified).
    #[test]
    fn percentiles_are_values_of_the_list() {
        let values: Vec<f64> = (1..=20).rev().map(f64::from).collect();
        assert_eq!(quantile(&values, 50), Some(10.0));
        assert_eq!(quantile(&values, 95), Some(19.0));
        assert_eq!(quantile(&[3.0], 95), Some(3.0));
        assert_eq!(quantile(&[], 50), None);
    }
}
