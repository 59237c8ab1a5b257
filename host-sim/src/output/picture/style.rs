//! What the panels share: colours, keys, axes, the line of truth.

use std::error::Error;

use plotters::coord::Shift;
use plotters::coord::ranged1d::{Ranged, ValueFormatter};
use plotters::coord::types::RangedCoordf64;
use plotters::prelude::*;

pub(crate) type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;
pub(super) type Chart<'a, 'b, Y> = ChartContext<'a, SVGBackend<'b>, Cartesian2d<RangedCoordf64, Y>>;
pub(crate) type Drawn = Result<(), Box<dyn Error>>;

/// Dark, medium and light, so that they differ without colour too.
pub(crate) const INK: RGBColor = RGBColor(20, 24, 32);
pub(crate) const DEEP_BLUE: RGBColor = RGBColor(16, 62, 120);
pub(super) const OCHRE: RGBColor = RGBColor(196, 108, 12);
pub(crate) const PALE: RGBColor = RGBColor(188, 204, 196);
pub(crate) const GRID: RGBColor = RGBColor(226, 228, 232);

/// Width of what stands to the left of every panel.
const MARGIN: u32 = 150;
/// Height of the line of keys above a panel.
const KEYS: u32 = 26;

/// An entry in the line of keys above a panel.
pub(super) enum Key {
    Line(RGBColor, u32),
    Dashed,
    Round(RGBColor),
    Square(RGBColor),
}

pub(crate) fn text(size: u32) -> TextStyle<'static> {
    ("sans-serif", size).into_font().color(&INK)
}

/// Splits off the line of keys and fills it; returns the rest.
pub(super) fn with_keys<'a>(
    area: &Area<'a>,
    keys: &[(Key, &str)],
) -> Result<Area<'a>, Box<dyn Error>> {
    let (head, body) = area.split_vertically(KEYS);
    let mut x = MARGIN as i32;
    for (key, label) in keys {
        let y = 14;
        match key {
            Key::Line(colour, width) => {
                head.draw(&PathElement::new(
                    [(x, y), (x + 24, y)],
                    colour.stroke_width(*width),
                ))?;
            }
            Key::Dashed => {
                for start in [x, x + 9, x + 18] {
                    head.draw(&PathElement::new(
                        [(start, y), (start + 6, y)],
                        INK.stroke_width(1),
                    ))?;
                }
            }
            Key::Round(colour) => {
                head.draw(&Circle::new((x + 12, y), 4, colour.stroke_width(2)))?
            }
            Key::Square(colour) => {
                head.draw(&Rectangle::new(
                    [(x + 8, y - 4), (x + 16, y + 4)],
                    colour.filled(),
                ))?;
            }
        }
        head.draw(&Text::new((*label).to_owned(), (x + 30, y - 7), text(15)))?;
        x += 60 + 7 * label.chars().count() as i32;
    }
    Ok(body)
}

pub(super) fn builder<'a, 'b>(area: &'a Area<'b>) -> ChartBuilder<'a, 'b, SVGBackend<'b>> {
    let mut builder = ChartBuilder::on(area);
    builder
        .y_label_area_size(MARGIN)
        .x_label_area_size(22)
        .margin_right(24);
    builder
}

pub(super) fn mesh<Y>(
    chart: &mut Chart<'_, '_, Y>,
    description: &str,
    label: &dyn Fn(&f64) -> String,
) -> Drawn
where
    Y: Ranged<ValueType = f64> + ValueFormatter<f64>,
{
    chart
        .configure_mesh()
        .bold_line_style(GRID)
        .light_line_style(TRANSPARENT)
        .axis_style(INK)
        .label_style(text(14))
        .x_labels(12)
        .y_labels(6)
        .x_label_formatter(&|seconds| format!("{seconds} s"))
        .y_desc(description)
        .y_label_formatter(label)
        .draw()?;
    Ok(())
}

/// Half the width of a marker: small where there are many.
pub(super) const fn marker_size(points: usize) -> i32 {
    if points > 120 { 2 } else { 4 }
}

/// What is true, as a broad pale step line; what is infinite leaves a gap.
pub(super) fn steps<Y>(
    chart: &mut Chart<'_, '_, Y>,
    truth: &[(f64, f64)],
    end: f64,
    range: [f64; 2],
) -> Drawn
where
    Y: Ranged<ValueType = f64>,
{
    let untils = truth.iter().skip(1).map(|&(from, _)| from).chain([end]);
    let mut line = Vec::new();
    for (&(from, value), until) in truth.iter().zip(untils) {
        if value.is_finite() {
            let value = value.clamp(range[0], range[1]);
            line.extend([(from, value), (until, value)]);
        } else {
            let drawn = std::mem::take(&mut line);
            chart.draw_series(LineSeries::new(drawn, PALE.stroke_width(6)))?;
        }
    }
    chart.draw_series(LineSeries::new(line, PALE.stroke_width(6)))?;
    Ok(())
}
