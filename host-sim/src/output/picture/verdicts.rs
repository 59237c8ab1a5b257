//! The panel of verdicts and refusals.

use ohmsplit::{Reason, Verdict};
use plotters::coord::ranged1d::Ranged;
use plotters::prelude::*;

use super::Point;
use super::style::{Area, Chart, Drawn, INK, builder, text};
use crate::output::figures::verdict_word;

/// The verdict over time, and below it each refusal by its name.
pub(super) fn verdicts(
    area: &Area<'_>,
    [start, end]: [f64; 2],
    points: &[Point],
    reasons: &[Reason],
) -> Drawn {
    let rows = reasons.len() as f64;
    let mut chart = builder(area)
        .margin_top(12)
        .build_cartesian_2d(start..end, -rows..1.0)?;
    chart
        .configure_mesh()
        .disable_y_mesh()
        .disable_y_axis()
        .disable_x_mesh()
        .axis_style(INK)
        .label_style(text(14))
        .x_labels(12)
        .x_label_formatter(&|seconds| format!("{seconds} s"))
        .draw()?;
    // A verdict holds from its report to the next.
    let mut runs = points
        .chunk_by(|a, b| verdict_word(a.verdict) == verdict_word(b.verdict))
        .filter_map(<[Point]>::first)
        .peekable();
    while let Some(first) = runs.next() {
        let until = runs.peek().map_or(end, |next| next.time_s);
        verdict(&mut chart, first.time_s, until, first.verdict)?;
    }
    row_name(area, &chart, 0.5, "verdict")?;
    for (place, reason) in reasons.iter().enumerate() {
        let y = -(place as f64) - 0.5;
        row_name(area, &chart, y, reason.name())?;
        refusals(&mut chart, points, *reason, y)?;
    }
    Ok(())
}

/// The name of a row to its left.
fn row_name<Y>(area: &Area<'_>, chart: &Chart<'_, '_, Y>, y: f64, name: &str) -> Drawn
where
    Y: Ranged<ValueType = f64>,
{
    let (_, top) = chart.backend_coord(&(0.0, y));
    let (_, base) = area.get_base_pixel();
    area.draw(&Text::new(name.to_owned(), (6, top - base - 8), text(14)))?;
    Ok(())
}

/// A tick for each refusal, at most one a pixel.
fn refusals<Y>(chart: &mut Chart<'_, '_, Y>, points: &[Point], reason: Reason, y: f64) -> Drawn
where
    Y: Ranged<ValueType = f64>,
{
    let mut last = i32::MIN;
    for point in points
        .iter()
        .filter(|point| point.answer.err() == Some(reason))
    {
        let (x, _) = chart.backend_coord(&(point.time_s, y));
        if x > last {
            last = x;
            let tick = [(point.time_s, y - 0.35), (point.time_s, y + 0.35)];
            chart.draw_series([PathElement::new(tick, INK.stroke_width(2))])?;
        }
    }
    Ok(())
}

/// A stretch of one verdict: the graver, the darker; its name where it fits.
fn verdict<Y>(chart: &mut Chart<'_, '_, Y>, from: f64, until: f64, verdict: Verdict) -> Drawn
where
    Y: Ranged<ValueType = f64>,
{
    let (fill, ink) = match verdict {
        Verdict::Healthy => (RGBColor(214, 230, 240), INK),
        Verdict::Warning => (RGBColor(232, 160, 60), INK),
        Verdict::Alarm => (RGBColor(110, 20, 30), WHITE),
        Verdict::Undetermined(_) => (WHITE, INK),
    };
    let corners = [(from, 0.1), (until, 0.9)];
    chart.draw_series([Rectangle::new(corners, fill.filled())])?;
    chart.draw_series([Rectangle::new(corners, INK.stroke_width(1))])?;
    let (left, top) = chart.backend_coord(&(from, 0.5));
    let (right, _) = chart.backend_coord(&(until, 0.5));
    let name = verdict_word(verdict);
    if right - left > 9 * name.len() as i32 {
        let style = text(15).color(&ink);
        let area = chart.plotting_area().strip_coord_spec();
        let (base_x, base_y) = area.get_base_pixel();
        area.draw(&Text::new(
            name,
            (left - base_x + 6, top - base_y - 8),
            style,
        ))?;
    }
    Ok(())
}
