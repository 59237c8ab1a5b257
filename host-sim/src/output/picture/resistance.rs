//! The panel of resistances: figures, intervals and bounds on decades.

use ohmsplit::Kind;
use ohmsplit::config::Judged;
use plotters::coord::ranged1d::Ranged;
use plotters::prelude::*;

use super::style::{
    Area, Chart, DEEP_BLUE, Drawn, INK, Key, OCHRE, PALE, builder, marker_size, mesh, steps, text,
    with_keys,
};
use super::{Point, TruePoint};
use crate::output::figures::Resistance;
use crate::output::outcome::LimitFigures;
use crate::output::quantity::si;

/// Both figures with their intervals, the limits and the truth.
pub(super) fn resistance(
    area: &Area<'_>,
    [start, end]: [f64; 2],
    points: &[Point],
    truth: &[TruePoint],
    limits: &LimitFigures,
) -> Drawn {
    let (weakest_key, isolation_key, judged_true) = match limits.judged {
        Judged::WeakestRail => ("weaker rail (judged)", "R_iso", "truth, weaker rail"),
        Judged::BothInParallel => ("weaker rail", "R_iso (judged)", "truth, R_iso"),
    };
    let mut keys = vec![
        (Key::Square(OCHRE), weakest_key),
        (Key::Round(DEEP_BLUE), isolation_key),
        (Key::Dashed, "limits"),
    ];
    if !truth.is_empty() {
        keys.push((Key::Line(PALE, 6), judged_true));
    }
    let body = with_keys(area, &keys)?;
    let judged: Vec<(f64, f64)> = truth
        .iter()
        .map(|point| match limits.judged {
            Judged::WeakestRail => (point.from_s, point.weakest_ohm),
            Judged::BothInParallel => (point.from_s, point.isolation_ohm),
        })
        .collect();
    let range = resistance_range(points, &judged, limits);
    let mut chart =
        builder(&body).build_cartesian_2d(start..end, (range[0]..range[1]).log_scale())?;
    mesh(&mut chart, "resistance", &|ohm| decade(*ohm))?;
    steps(&mut chart, &judged, end, range)?;
    let size = marker_size(points.len());
    let pens = [DEEP_BLUE, OCHRE].map(|colour| Pen {
        colour,
        size,
        range,
    });
    for point in points {
        let Ok(figures) = point.answer else { continue };
        for (pen, of) in pens.iter().zip([&figures.isolation, &figures.weakest]) {
            pen.answer(&mut chart, point.time_s, of, figures.kind)?;
        }
    }
    limit_lines(&mut chart, [start, end], limits)
}

/// The limits, named on a ground that keeps the words readable.
fn limit_lines<Y>(
    chart: &mut Chart<'_, '_, Y>,
    [start, end]: [f64; 2],
    limits: &LimitFigures,
) -> Drawn
where
    Y: Ranged<ValueType = f64>,
{
    for (ohm, per_volt, word) in [
        (limits.ohm[1], limits.per_volt[1], "warning"),
        (limits.ohm[0], limits.per_volt[0], "alarm"),
    ] {
        let line = [(start, ohm), (end, ohm)];
        chart.draw_series(DashedLineSeries::new(line, 9, 6, INK.stroke_width(1)))?;
        let label = format!("{word} limit, {per_volt} Ω/V: {}", si(ohm, "Ω"));
        let width = 12 + 7 * label.chars().count() as i32;
        let ground = Rectangle::new([(4, -19), (width, -3)], WHITE.mix(0.8).filled());
        let words = Text::new(label, (6, -17), text(14));
        chart.draw_series([EmptyElement::at((start, ohm)) + ground + words])?;
    }
    Ok(())
}

/// A round resistance without needless zeros.
fn decade(ohm: f64) -> String {
    let shown = si(ohm, "Ω");
    match shown.split_once(' ') {
        Some((number, unit)) if number.contains('.') => {
            let number = number.trim_end_matches('0').trim_end_matches('.');
            format!("{number} {unit}")
        }
        _ => shown,
    }
}

/// Whole decades that hold the limits, what is known to be true, and all answers.
fn resistance_range(points: &[Point], truth: &[(f64, f64)], limits: &LimitFigures) -> [f64; 2] {
    let answers = points.iter().filter_map(|point| point.answer.ok());
    let values = answers
        .flat_map(|figures| {
            [figures.isolation, figures.weakest].map(|of| {
                of.value.unwrap_or(if figures.kind == Kind::Short {
                    of.high.unwrap_or(of.low)
                } else {
                    of.low
                })
            })
        })
        .chain(truth.iter().map(|&(_, ohm)| ohm))
        .filter(|ohm| ohm.is_finite())
        .map(|ohm| ohm.clamp(1.0, 1e9));
    let [low, high] = values.fold([limits.ohm[0], limits.ohm[1]], |[low, high], ohm| {
        [low.min(ohm), high.max(ohm)]
    });
    let decade = |log: f64| 10f64.powf(log);
    [
        decade((low / 1.5).log10().floor()),
        decade((high * 1.5).log10().ceil()),
    ]
}

/// How answers of one kind are drawn.
struct Pen {
    /// Deep blue draws rings, any other colour squares.
    colour: RGBColor,
    size: i32,
    range: [f64; 2],
}

impl Pen {
    /// An answer: marker and interval of a figure, an arrow from a bound.
    fn answer<Y>(
        &self,
        chart: &mut Chart<'_, '_, Y>,
        time_s: f64,
        of: &Resistance,
        kind: Kind,
    ) -> Drawn
    where
        Y: Ranged<ValueType = f64>,
    {
        let (colour, size) = (self.colour, self.size);
        let [least, most] = self.range;
        let inside = |ohm: f64| ohm.clamp(least, most);
        let (low, high) = (inside(of.low), inside(of.high.unwrap_or(most)));
        match (kind, of.value) {
            (Kind::Figure, Some(value)) => {
                let bar = [(time_s, low), (time_s, high)];
                chart.draw_series([PathElement::new(bar, colour.stroke_width(1))])?;
                let at = (time_s, inside(value));
                if colour == DEEP_BLUE {
                    chart.draw_series([Circle::new(at, size, colour.stroke_width(2))])?;
                } else {
                    let square = Rectangle::new([(-size, -size), (size, size)], colour.filled());
                    chart.draw_series([EmptyElement::at(at) + square])?;
                }
            }
            // Above a bound: an arrow that points up from it.
            (Kind::Open | Kind::Figure, _) => {
                let arrow = TriangleMarker::new((time_s, low), 6, colour.filled());
                chart.draw_series([arrow])?;
            }
            // Below a bound: an arrow that points down.
            (Kind::Short, _) => {
                let arrow = TriangleMarker::new((time_s, high), -6, colour.filled());
                chart.draw_series([arrow])?;
            }
        }
        Ok(())
    }
}
