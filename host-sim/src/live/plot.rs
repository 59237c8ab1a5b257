//! The history of R_iso on a logarithmic scale, with the limits. Shapes tell
//! what a mark is, so that no colour is needed.

use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::symbols::Marker;
use ratatui::widgets::canvas::{Canvas, Context, Line};
use ratatui::widgets::{Block, Borders};

use super::state::{Mark, State};
use crate::output::{Resistance, si};

/// Powers of ten that can be shown at all.
const DECADES: [f64; 2] = [0.0, 10.0];
/// Columns kept for the scale.
const SCALE: f64 = 8.0;

pub(super) fn plot(state: &State, frame: &mut Frame<'_>, area: Rect) {
    let [start, end] = span_s(&state.history);
    let [low, high] = range(state);
    // So many seconds to the left of the first mark.
    let margin = (end - start) * SCALE / (f64::from(area.width) - SCALE - 1.0).max(1.0);
    let canvas = Canvas::default()
        .block(Block::new().borders(Borders::TOP).title(format!(
            "R_iso {start:.1} to {end:.1} s: ● figure ┃ 95 % ▲ above ▼ below ? none"
        )))
        .marker(Marker::Braille)
        .x_bounds([start - margin, end])
        .y_bounds([low, high])
        .paint(|context| {
            for mark in &state.history {
                draw(context, mark, [low, high]);
            }
            // Every decade, or as many as there are rows for.
            let step = ((high - low) / f64::from(area.height.max(4) - 2)).ceil();
            for decade in (low as i32..=high as i32).step_by(step as usize) {
                context.print(start - margin, f64::from(decade), round(10f64.powi(decade)));
            }
            // Last, so that the marks do not hide their names.
            limits(context, state, [start, end], margin);
        });
    frame.render_widget(canvas, area);
}

fn limits(context: &mut Context<'_>, state: &State, [start, end]: [f64; 2], margin: f64) {
    for (ohm, name) in state.limits.ohm.into_iter().zip(["alarm", "warning"]) {
        let y = ohm.log10();
        context.draw(&Line::new(start, y, end, y, ratatui::style::Color::Reset));
        context.print(start + margin, y, format!(" {name} {} ", si(ohm, "Ω")));
    }
}

/// A power of ten, without the noughts after the point.
fn round(ohm: f64) -> String {
    let text = si(ohm, "Ω");
    let (number, unit) = text.split_once(' ').unwrap_or((&text, ""));
    let number = number.trim_end_matches('0').trim_end_matches('.');
    format!("{number} {unit}")
}

fn draw(context: &mut Context<'_>, mark: &Mark, [low, high]: [f64; 2]) {
    let x = mark.time_s;
    let y = |ohm: f64| ohm.max(1.0).log10().clamp(low, high);
    let Some(isolation) = mark.isolation else {
        context.print(x, low, "?");
        return;
    };
    if let (Some(_), Some(top)) = (isolation.value, isolation.high) {
        let (bottom, top) = (y(isolation.low), y(top));
        context.draw(&Line::new(x, bottom, x, top, ratatui::style::Color::Reset));
    }
    let (ohm, sign) = sign(&isolation);
    context.print(x, y(ohm), sign);
}

/// Where a mark stands, and its shape.
fn sign(isolation: &Resistance) -> (f64, &'static str) {
    match (isolation.value, isolation.high) {
        (Some(value), _) => (value, "●"),
        (None, Some(high)) => (high, "▼"),
        (None, None) => (isolation.low, "▲"),
    }
}

fn span_s(history: &[Mark]) -> [f64; 2] {
    match (history.first(), history.last()) {
        (Some(first), Some(last)) if last.time_s > first.time_s => [first.time_s, last.time_s],
        (Some(first), _) => [first.time_s, first.time_s + 1.0],
        _ => [0.0, 1.0],
    }
}

/// Whole decades around the limits and all marks.
fn range(state: &State) -> [f64; 2] {
    let marks = state.history.iter().filter_map(|mark| mark.isolation);
    let shown = marks.map(|isolation| sign(&isolation).0);
    let [lowest, highest] = shown
        .chain(state.limits.ohm)
        .fold([f64::INFINITY, 0.0f64], |[low, high], ohm| {
            [low.min(ohm), high.max(ohm)]
        });
    let [least, most] = DECADES;
    [
        lowest.max(1.0).log10().floor().clamp(least, most - 1.0),
        highest.max(1.0).log10().ceil().clamp(least + 1.0, most),
    ]
}
