//! The table of a campaign as a picture: error over the bound, and time to
//! answer, over capacitance and resistance for each drive. Dark is bad, the
//! lightness alone tells how bad, and every field has its number.

use std::error::Error;

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::grid::Stimulus;
use super::table::{brief, by_circuit, largest, slowest};
use super::{RECORD_S, Row};
use crate::output::si;
use crate::output::style::{Area, DEEP_BLUE, Drawn, GRID, INK, PALE, text};

/// The light end of the scale.
const LIGHT: RGBColor = RGBColor(240, 245, 250);

/// Size of a field, in pixels.
pub(crate) const FIELD: [i32; 2] = [62, 34];
/// Left of and above the fields of a panel.
pub(crate) const EDGE: [i32; 2] = [84, 64];

/// What stands in a field.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Shown {
    Number(f64),
    /// Asked for, and no answer came.
    Silent,
    /// Nothing is asked for.
    Nothing,
}

/// What a panel shows.
struct Figure {
    title: &'static str,
    of: fn(&[&Row]) -> Shown,
    /// What is lightest and what is darkest.
    range: [f64; 2],
}

const FIGURES: [Figure; 2] = [
    Figure {
        title: "MSE of G over the bound, worst",
        of: |group| {
            let informed: Vec<&Row> = group.iter().copied().filter(|r| r.is_informed()).collect();
            match largest(&informed, |row| row.mse_over_bound) {
                Some(worst) => Shown::Number(worst),
                None if informed.is_empty() => Shown::Nothing,
                None => Shown::Silent,
            }
        },
        range: [1.0, 100.0],
    },
    Figure {
        title: "seconds until known, slowest",
        of: |group| slowest(group).map_or(Shown::Silent, Shown::Number),
        range: [0.1, RECORD_S],
    },
];

/// The picture of a table.
pub(super) fn svg(rows: &[Row]) -> Result<String, Box<dyn Error>> {
    let capacitances = distinct(rows, |row| row.cell.capacitance_uf);
    let isolations = distinct(rows, |row| row.cell.isolation_ohm);
    let panel = [
        EDGE[0] + FIELD[0] * capacitances.len() as i32 + 30,
        EDGE[1] + FIELD[1] * isolations.len() as i32 + 30,
    ];
    let width = (panel[0] * Stimulus::ALL.len() as i32).max(640) as u32;
    let height = (panel[1] * FIGURES.len() as i32 + 76) as u32;
    let mut out = String::new();
    let root = SVGBackend::with_string(&mut out, (width, height)).into_drawing_area();
    root.fill(&WHITE)?;
    let axes = [&capacitances, &isolations];
    for (down, figure) in FIGURES.iter().enumerate() {
        for (across, stimulus) in Stimulus::ALL.into_iter().enumerate() {
            let at = [panel[0] * across as i32, panel[1] * down as i32];
            draw_panel(&root, at, figure, stimulus, rows, axes)?;
        }
    }
    let notes = [
        "C across, R_iso down. Worst over pack voltage and position; MSE where the bound is below 10 % of R.",
        "Known: the 95 % interval of R_iso is within 5 % of it or clear of both limits, in half of the records.",
        "Light is good, dark is bad. Crossed: no answer, or not in half of the records of some cell. -: nothing is asked.",
    ];
    for (line, note) in notes.into_iter().enumerate() {
        let y = height as i32 - 70 + 20 * line as i32;
        root.draw(&Text::new(note, (16, y), text(14)))?;
    }
    root.present()?;
    drop(root);
    Ok(out)
}

/// The values of an axis, in order.
fn distinct(rows: &[Row], of: impl Fn(&Row) -> f64) -> Vec<f64> {
    let mut values: Vec<f64> = rows.iter().map(of).collect();
    values.sort_by(f64::total_cmp);
    values.dedup();
    values
}

fn draw_panel(
    root: &Area<'_>,
    at: [i32; 2],
    figure: &Figure,
    stimulus: Stimulus,
    rows: &[Row],
    [capacitances, isolations]: [&Vec<f64>; 2],
) -> Drawn {
    let place = |column: usize, line: usize| {
        (
            at[0] + EDGE[0] + FIELD[0] * column as i32,
            at[1] + EDGE[1] + FIELD[1] * line as i32,
        )
    };
    let title = format!("{}, {}", stimulus.word(), figure.title);
    root.draw(&Text::new(title, (at[0] + 16, at[1] + 16), text(15)))?;
    let middle = text(13).pos(Pos::new(HPos::Center, VPos::Center));
    for (column, farad) in capacitances.iter().enumerate() {
        let (x, y) = place(column, 0);
        let label = axis_label(farad * 1e-6, "F");
        root.draw(&Text::new(
            label,
            (x + FIELD[0] / 2, y - 12),
            middle.clone(),
        ))?;
    }
    let right = text(13).pos(Pos::new(HPos::Right, VPos::Center));
    for (line, ohm) in isolations.iter().enumerate() {
        let (x, y) = place(0, line);
        let label = axis_label(*ohm, "Ω");
        root.draw(&Text::new(label, (x - 8, y + FIELD[1] / 2), right.clone()))?;
    }
    for group in by_circuit(rows) {
        let cell = &group[0].cell;
        let column = capacitances.iter().position(|&c| c == cell.capacitance_uf);
        let line = isolations.iter().position(|&r| r == cell.isolation_ohm);
        if let (true, Some(column), Some(line)) = (cell.stimulus == stimulus, column, line) {
            draw_field(root, place(column, line), figure.range, (figure.of)(&group))?;
        }
    }
    Ok(())
}

/// One field: its number on the shade of it between the lightest and the darkest.
pub(crate) fn draw_field(
    root: &Area<'_>,
    (x, y): (i32, i32),
    range: [f64; 2],
    shown: Shown,
) -> Drawn {
    let corners = [(x, y), (x + FIELD[0], y + FIELD[1])];
    let (label, part, fill) = match shown {
        Shown::Number(value) => {
            let part = shade(value, range);
            (brief(value), part, colour(part))
        }
        Shown::Silent => ("none".to_owned(), 0.0, WHITE),
        Shown::Nothing => ("-".to_owned(), 0.0, WHITE),
    };
    root.draw(&Rectangle::new(corners, fill.filled()))?;
    if shown == Shown::Silent {
        // Crossed out, so that it does not pass for the lightest.
        for ends in [corners, [(x, y + FIELD[1]), (x + FIELD[0], y)]] {
            root.draw(&PathElement::new(ends, PALE.stroke_width(2)))?;
        }
    }
    root.draw(&Rectangle::new(corners, GRID.stroke_width(1)))?;
    let ink = if part > 0.4 { &WHITE } else { &INK };
    let style = text(13)
        .color(ink)
        .pos(Pos::new(HPos::Center, VPos::Center));
    root.draw(&Text::new(
        label,
        (x + FIELD[0] / 2, y + FIELD[1] / 2),
        style,
    ))?;
    Ok(())
}

/// Where a value lies between the lightest and the darkest, in decades.
fn shade(value: f64, [light, dark]: [f64; 2]) -> f64 {
    ((value / light).ln() / (dark / light).ln()).clamp(0.0, 1.0)
}

/// The colour of a shade: one hue from light to dark. The code values of sRGB
/// are close to even steps of lightness, so that a straight line between two
/// colours is too.
fn colour(part: f64) -> RGBColor {
    let mix = |from: u8, to: u8| {
        (f64::from(from) + (f64::from(to) - f64::from(from)) * part).round() as u8
    };
    RGBColor(
        mix(LIGHT.0, DEEP_BLUE.0),
        mix(LIGHT.1, DEEP_BLUE.1),
        mix(LIGHT.2, DEEP_BLUE.2),
    )
}

/// A value without digits that say nothing: 10 nF, not 10.00 nF.
fn axis_label(value: f64, unit: &str) -> String {
    let label = si(value, unit);
    let (number, unit) = label.split_once(' ').unwrap_or((&label, ""));
    let number = number.trim_end_matches('0').trim_end_matches('.');
    format!("{number} {unit}")
}

#[cfg(test)]
mod tests {
    use super::super::Plan;
    use super::super::rows::tests::example;
    use super::*;

    #[test]
    fn the_picture_has_every_number_and_tells_silence_from_nothing_asked() {
        let mut rows: Vec<Row> = Plan::quick(2, 1).cells.into_iter().map(example).collect();
        rows[0].mse_over_bound = Some(43.21);
        let silent = |rows: &[Row]| svg(rows).expect("a picture").matches("\nnone\n").count();
        assert_eq!(silent(&rows), 0);
        rows[1].known_median_s = None;
        rows[2].mse_over_bound = None;
        assert_eq!(silent(&rows), 2);
        rows[2].bound_isolation_percent = Some(11.0);
        assert_eq!(silent(&rows), 1);
        let picture = svg(&rows).expect("a picture");
        for words in ["43.2", ">\n-\n<", "10 nF", "100 kΩ", "switched_1M"] {
            assert!(picture.contains(words), "{words}: {picture}");
        }
    }

    #[test]
    fn a_larger_value_is_never_lighter() {
        let brightness = |value: f64| {
            let RGBColor(r, g, b) = colour(shade(value, [1.0, 100.0]));
            0.2126 * f64::from(r) + 0.7152 * f64::from(g) + 0.0722 * f64::from(b)
        };
        let steps: Vec<f64> = (0..30)
            .map(|n| brightness(10f64.powf(f64::from(n) / 10.0 - 0.5)))
            .collect();
        assert!(steps.windows(2).all(|pair| pair[1] <= pair[0]), "{steps:?}");
        assert!(steps[0] > 240.0 && steps[29] < 70.0);
    }
}
