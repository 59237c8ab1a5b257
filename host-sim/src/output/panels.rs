//! The panels of the picture, one below the other over the same time.

use std::error::Error;

use ohmsplit::config::Judged;
use ohmsplit::{Kind, Reason, Verdict};
use plotters::coord::Shift;
use plotters::coord::ranged1d::{Ranged, ValueFormatter};
use plotters::coord::types::RangedCoordf64;
use plotters::prelude::*;

use super::figures::{Resistance, verdict_word};
use super::outcome::LimitFigures;
use super::picture::{Point, TruePoint};
use super::quantity::si;
use super::trace::Trace;

type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;
type Chart<'a, 'b, Y> = ChartContext<'a, SVGBackend<'b>, Cartesian2d<RangedCoordf64, Y>>;
type Drawn = Result<(), Box<dyn Error>>;

/// Dark, medium and light, so that they differ without colour too.
const INK: RGBColor = RGBColor(20, 24, 32);
const DEEP_BLUE: RGBColor = RGBColor(16, 62, 120);
const OCHRE: RGBColor = RGBColor(196, 108, 12);
const PALE: RGBColor = RGBColor(188, 204, 196);
const GRID: RGBColor = RGBColor(226, 228, 232);

/// Width of what stands to the left of every panel.
const MARGIN: u32 = 150;
/// Height of the line of keys above a panel.
const KEYS: u32 = 26;

/// An entry in the line of keys above a panel.
enum Key {
    Line(RGBColor, u32),
    Dashed,
    Round(RGBColor),
    Square(RGBColor),
}

fn text(size: u32) -> TextStyle<'static> {
    ("sans-serif", size).into_font().color(&INK)
}

/// Splits off the line of keys and fills it; returns the rest.
fn with_keys<'a>(area: &Area<'a>, keys: &[(Key, &str)]) -> Result<Area<'a>, Box<dyn Error>> {
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

fn builder<'a, 'b>(area: &'a Area<'b>) -> ChartBuilder<'a, 'b, SVGBackend<'b>> {
    let mut builder = ChartBuilder::on(area);
    builder
        .y_label_area_size(MARGIN)
        .x_label_area_size(22)
        .margin_right(24);
    builder
}

fn mesh<Y>(chart: &mut Chart<'_, '_, Y>, description: &str, label: &dyn Fn(&f64) -> String) -> Drawn
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

/// v and Vb over time.
pub(super) fn waveform(area: &Area<'_>, trace: &Trace) -> Drawn {
    let body = with_keys(
        area,
        &[
            (Key::Line(DEEP_BLUE, 1), "chassis to negative rail, v"),
            (Key::Line(OCHRE, 2), "pack, Vb"),
        ],
    )?;
    let [low, high] = trace.range_v();
    let room = (high - low) * 0.06;
    let [start, end] = trace.span_s();
    let mut chart = builder(&body).build_cartesian_2d(start..end, low - room..high + room)?;
    mesh(&mut chart, "voltage", &|volts| format!("{volts} V"))?;
    for stretch in trace.stretches() {
        // Each bin from its lowest to its highest value.
        let band = |pick: fn(&super::trace::Bin) -> [f64; 2]| {
            stretch.iter().flat_map(move |bin| {
                let [low, high] = pick(bin);
                [(bin.middle_s(), low), (bin.middle_s(), high)]
            })
        };
        chart.draw_series(LineSeries::new(
            band(|bin| bin.pack_v),
            OCHRE.stroke_width(2),
        ))?;
        chart.draw_series(LineSeries::new(
            band(|bin| bin.chassis_v),
            DEEP_BLUE.stroke_width(1),
        ))?;
    }
    Ok(())
}

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

/// Half the width of a marker: small where there are many.
const fn marker_size(points: usize) -> i32 {
    if points > 120 { 2 } else { 4 }
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

/// What is true, as a broad pale step line; what is infinite leaves a gap.
fn steps<Y>(chart: &mut Chart<'_, '_, Y>, truth: &[(f64, f64)], end: f64, range: [f64; 2]) -> Drawn
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

/// The position with its interval, and the truth.
pub(super) fn position(
    area: &Area<'_>,
    [start, end]: [f64; 2],
    points: &[Point],
    truth: &[TruePoint],
) -> Drawn {
    let body = with_keys(
        area,
        &[(Key::Round(DEEP_BLUE), "position x of the leak in the stack")],
    )?;
    let mut chart = builder(&body).build_cartesian_2d(start..end, -0.05..1.05)?;
    mesh(&mut chart, "position", &|x| match *x {
        0.0 => "negative rail 0".to_owned(),
        1.0 => "positive rail 1".to_owned(),
        x => format!("{x:.1}"),
    })?;
    let known: Vec<(f64, f64)> = truth
        .iter()
        .map(|point| (point.from_s, point.position.unwrap_or(f64::INFINITY)))
        .collect();
    steps(&mut chart, &known, end, [0.0, 1.0])?;
    for point in points {
        let Ok(Some([x, u])) = point.answer.map(|figures| figures.position) else {
            continue;
        };
        let (low, high) = ((x - 2.0 * u).max(-0.05), (x + 2.0 * u).min(1.05));
        let bar = [(point.time_s, low), (point.time_s, high)];
        chart.draw_series([PathElement::new(bar, DEEP_BLUE.stroke_width(1))])?;
        let size = marker_size(points.len());
        chart.draw_series([Circle::new(
            (point.time_s, x),
            size,
            DEEP_BLUE.stroke_width(2),
        )])?;
    }
    Ok(())
}

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
