//! A sweep as a picture: a heat map of the cells over its first two axes, or
//! bars over one; and how the errors of all trials are distributed. Lightness
//! alone tells how bad, and every field has its number.

use std::error::Error;

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::plan::Plan;
use crate::campaign::heat::{EDGE, FIELD, Shown, draw_field};
use crate::output::style::{Area, DEEP_BLUE, Drawn, GRID, INK, text};
use crate::table::{Cell, Columns};

/// A figure of the cells: its column, title, lightest and darkest value, and whether it is only asked of some cells.
const FIGURES: [(&str, &str, [f64; 2]); 4] = [
    (
        "error_p95_percent",
        "error of R_iso, 95th percentile, %",
        [0.3, 30.0],
    ),
    (
        "first_answer_p95_s",
        "first answer, 95th percentile, s",
        [0.3, 30.0],
    ),
    (
        "alarm_delay_p95_s",
        "alarm after it was due, 95th percentile, s",
        [0.1, 10.0],
    ),
    (
        "deceived",
        "trials with an interval off by 3 half-widths",
        [1.0, 10.0],
    ),
];

/// Height of the panel of distributions.
const SPREAD: i32 = 260;

pub(super) fn svg(
    plan: &Plan,
    of_cells: &Columns,
    cells: &[Vec<Cell>],
    of_trials: &Columns,
    trials: &[Vec<Cell>],
) -> Result<String, Box<dyn Error>> {
    let grid = Grid::of(plan, of_cells, cells);
    let panel = [
        (EDGE[0] + FIELD[0] * grid.across.len() as i32 + 40).max(480),
        EDGE[1] + FIELD[1] * grid.down.len() as i32 + 30,
    ];
    let (width, rows) = (2 * panel[0], 2);
    let height = 60 + rows * panel[1] + SPREAD + 40;
    let mut out = String::new();
    let root = SVGBackend::with_string(&mut out, (width as u32, height as u32)).into_drawing_area();
    root.fill(&WHITE)?;
    root.draw(&Text::new(
        format!("{}: {} trials in each cell", plan.name, plan.trials),
        (16, 12),
        text(18),
    ))?;
    root.draw(&Text::new(grid.note(), (16, 36), text(13)))?;
    for (place, (column, title, range)) in FIGURES.into_iter().enumerate() {
        let at = [
            panel[0] * (place as i32 % 2),
            60 + panel[1] * (place as i32 / 2),
        ];
        let value = of_cells
            .iter()
            .position(|(name, _)| name == column)
            .unwrap_or_default();
        grid.draw(&root, at, title, range, |row| row[value].as_real())?;
    }
    let below = root.margin(60 + rows * panel[1], 40, 16, 16);
    let (left, right) = below.split_horizontally(panel[0] - 16);
    spread(
        &left,
        "error of R_iso at the end, %",
        &numbers(of_trials, trials, "error_percent"),
    )?;
    spread(
        &right,
        "miss of the 95 % interval, half-widths (1: its end)",
        &numbers(of_trials, trials, "miss_half_widths"),
    )?;
    root.present()?;
    drop((left, right, below));
    drop(root);
    Ok(out)
}

fn numbers(columns: &Columns, rows: &[Vec<Cell>], name: &str) -> Vec<f64> {
    let place = columns
        .iter()
        .position(|(column, _)| column == name)
        .unwrap_or_default();
    rows.iter()
        .filter_map(|row| row[place].as_real())
        .filter(|value| value.is_finite())
        .collect()
}

/// The cells laid out over the first two axes; over any others the worst counts.
struct Grid<'c> {
    names: [String; 2],
    across: Vec<String>,
    down: Vec<String>,
    cells: &'c [Vec<Cell>],
    /// Columns of the two axes.
    columns: [Option<usize>; 2],
    others: usize,
}

impl<'c> Grid<'c> {
    fn of(plan: &Plan, of_cells: &Columns, cells: &'c [Vec<Cell>]) -> Self {
        let widths = plan.widths();
        // The first field of each axis, after the number of the cell.
        let second = widths.first().map(|width| 1 + width);
        let columns = [
            widths.first().map(|_| 1),
            second.filter(|_| widths.len() > 1),
        ];
        let values = |column: Option<usize>| {
            let mut seen: Vec<String> = Vec::new();
            for row in cells {
                let value =
                    column.map_or_else(String::new, |column| row[column].as_text().to_owned());
                if !seen.contains(&value) {
                    seen.push(value);
                }
            }
            seen
        };
        let names = columns
            .map(|column| column.map_or_else(String::new, |column| of_cells[column].0.clone()));
        Self {
            names,
            across: values(columns[0]),
            down: values(columns[1]),
            cells,
            columns,
            others: widths.len().saturating_sub(2),
        }
    }

    fn note(&self) -> String {
        let over = match &self.names {
            [across, down] if down.is_empty() && across.is_empty() => "one cell".to_owned(),
            [across, down] if down.is_empty() => format!("{across} across"),
            [across, down] => format!("{across} across, {down} down"),
        };
        let worst = if self.others > 0 {
            "; worst over the other axes"
        } else {
            ""
        };
        format!(
            "{over}{worst}. Light is good, dark is bad; none: not known in some trials; -: nothing is asked."
        )
    }

    fn draw(
        &self,
        root: &Area<'_>,
        [x, y]: [i32; 2],
        title: &str,
        range: [f64; 2],
        of: impl Fn(&[Cell]) -> Option<f64>,
    ) -> Drawn {
        root.draw(&Text::new(title.to_owned(), (x + 16, y + 10), text(15)))?;
        let middle = text(13).pos(Pos::new(HPos::Center, VPos::Center));
        let right = text(13).pos(Pos::new(HPos::Right, VPos::Center));
        for (column, across) in self.across.iter().enumerate() {
            let left = x + EDGE[0] + FIELD[0] * column as i32;
            root.draw(&Text::new(
                brief(across),
                (left + FIELD[0] / 2, y + EDGE[1] - 12),
                middle.clone(),
            ))?;
            for (line, down) in self.down.iter().enumerate() {
                let top = y + EDGE[1] + FIELD[1] * line as i32;
                if column == 0 {
                    root.draw(&Text::new(
                        brief(down),
                        (left - 8, top + FIELD[1] / 2),
                        right.clone(),
                    ))?;
                }
                let mine = |row: &&Vec<Cell>| {
                    let is = |column: Option<usize>, value: &str| {
                        column.is_none_or(|column| row[column].as_text() == value)
                    };
                    is(self.columns[0], across) && is(self.columns[1], down)
                };
                let worst = self
                    .cells
                    .iter()
                    .filter(mine)
                    .filter_map(|row| of(row))
                    .reduce(f64::max);
                let shown = match worst {
                    Some(value) if value.is_finite() => Shown::Number(value),
                    Some(_) => Shown::Silent,
                    None => Shown::Nothing,
                };
                draw_field(root, (left, top), range, shown)?;
            }
        }
        Ok(())
    }
}

/// A value of an axis, short enough for a label.
fn brief(value: &str) -> String {
    match value.parse::<f64>() {
        Ok(number) if number != 0.0 && !(1e-2..1e4).contains(&number.abs()) => {
            format!("{number:.2e}")
        }
        Ok(number) => format!("{}", (number * 1e4).round() / 1e4),
        Err(_) => value.chars().take(12).collect(),
    }
}

/// A histogram between the first and the last percent; what lies beyond is counted at the ends.
fn spread(area: &Area<'_>, title: &str, values: &[f64]) -> Drawn {
    const BINS: usize = 40;
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    area.draw(&Text::new(
        format!("{title}: {} trials", sorted.len()),
        (16, 4),
        text(15),
    ))?;
    let (Some(&low), Some(&high)) = (
        sorted.get(sorted.len() / 100),
        sorted.get(sorted.len() * 99 / 100),
    ) else {
        return Ok(());
    };
    let width = ((high - low) / BINS as f64).max(1e-12);
    let mut counts = [0usize; BINS];
    for value in &sorted {
        let bin = ((value - low) / width).clamp(0.0, BINS as f64 - 1.0) as usize;
        counts[bin] += 1;
    }
    let most = counts.iter().copied().max().unwrap_or(1) as f64;
    let mut chart = ChartBuilder::on(area)
        .margin_top(26)
        .x_label_area_size(24)
        .y_label_area_size(56)
        .margin_right(20)
        .build_cartesian_2d(low..low + width * BINS as f64, 0.0..most)?;
    chart
        .configure_mesh()
        .bold_line_style(GRID)
        .light_line_style(TRANSPARENT)
        .axis_style(INK)
        .label_style(text(13))
        .x_labels(8)
        .y_labels(4)
        .draw()?;
    chart.draw_series(counts.iter().enumerate().map(|(bin, &count)| {
        let left = low + width * bin as f64;
        Rectangle::new(
            [(left, 0.0), (left + width * 0.92, count as f64)],
            DEEP_BLUE.filled(),
        )
    }))?;
    Ok(())
}
