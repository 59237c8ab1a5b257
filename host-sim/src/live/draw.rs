//! One frame, from the state alone. Words and shapes carry all meaning; there
//! is no colour.

use std::fmt::Write as _;

use ohmsplit::config::{Drive, Judged};
use ohmsplit::{Finding, Kind, Verdict};
use ratatui::Frame;
use ratatui::layout::{Constraint, Layout, Rect};
use ratatui::style::{Modifier, Style};
use ratatui::text::{Line, Text};
use ratatui::widgets::{Paragraph, Wrap};

use super::banner::banner;
use super::plot::plot;
use super::state::State;
use super::{Flow, STALL};
use crate::output::{
    Figures, Resistance, basis_word, explain, interval, plus_minus, resistance, si,
    verdict_sentence, verdict_word, with_u,
};

/// Least height at which the verdict is written in large letters.
const TALL: u16 = 22;

/// Draws the state.
pub fn draw(state: &State, frame: &mut Frame<'_>) {
    let area = frame.area();
    let verdict = state.outcome.verdict();
    let large = verdict_large(verdict, area);
    let [title, head, sentence, figures, history, status, caution] = Layout::vertical([
        Constraint::Length(1),
        Constraint::Length(large.height() as u16),
        Constraint::Length(2),
        Constraint::Length(7),
        Constraint::Min(4),
        Constraint::Length(1),
        Constraint::Length(1),
    ])
    .areas(area);
    let strong = Style::new().add_modifier(Modifier::BOLD);
    frame.render_widget(Line::raw(format!("{}   q quits", state.title)), title);
    frame.render_widget(Paragraph::new(large).style(strong), head);
    let mut words = verdict_sentence(verdict);
    let found: Vec<_> = state.outcome.findings().iter().map(Finding::name).collect();
    if !found.is_empty() {
        let _ = write!(words, " Found: {}.", found.join(", "));
    }
    let words = Paragraph::new(words).wrap(Wrap { trim: true });
    frame.render_widget(words.style(strong), sentence);
    frame.render_widget(
        Paragraph::new(facts(state)).wrap(Wrap { trim: false }),
        figures,
    );
    plot(state, frame, history);
    let style = match state.flow {
        Flow::Open(silence) if silence < STALL => Style::new(),
        _ => Style::new().add_modifier(Modifier::REVERSED),
    };
    frame.render_widget(Line::raw(flow(state)).style(style), status);
    frame.render_widget(
        Line::raw("Estimates, nothing certified: treat the pack as live."),
        caution,
    );
}

fn verdict_large(verdict: Verdict, area: Rect) -> Text<'static> {
    let word = verdict_word(verdict).to_uppercase();
    let large = (area.height >= TALL)
        .then(|| banner(&word, usize::from(area.width)))
        .flatten();
    large.map_or_else(|| Text::raw(format!(">>> {word} <<<")), Text::from_iter)
}

fn row(name: &str, value: &str) -> Line<'static> {
    Line::raw(format!("{name:<12}{value}"))
}

/// The figures, always seven rows with the explanation on two, so that nothing jumps.
fn facts(state: &State) -> Text<'static> {
    let limits = state.limits.ohm.map(|ohm| si(ohm, "Ω"));
    let [alarm, warning] = limits;
    let mut rows = match state.outcome.answer() {
        Ok(estimate) => answer(&Figures::of(estimate)),
        Err(reason) => {
            let last = match &state.outcome.newest {
                Some((time_s, estimate)) => {
                    let old = Figures::of(estimate);
                    let was = resistance(old.kind, &old.isolation);
                    format!("{was} at {time_s:.2} s; it no longer holds")
                }
                None => "none yet".to_owned(),
            };
            vec![
                row("no figure", reason.name()),
                row("because", explain(reason)),
                row("last R_iso", &last),
            ]
        }
    };
    let judged = match state.limits.judged {
        Judged::WeakestRail => "weaker rail",
        Judged::BothInParallel => "R_iso",
    };
    let limits = format!("warning {warning}, alarm {alarm}, {judged}");
    rows.insert(2, row("limits", &limits));
    let tau = state.time_constant.map_or_else(
        || "not measured yet".to_owned(),
        |(time_s, tau)| format!("{}, measured at {time_s:.2} s", with_u(tau, "s")),
    );
    rows.push(row("tau", &tau));
    let drive = state.drive.map_or("-", Drive::name);
    let basis = state.outcome.last.map_or("-", |event| {
        event
            .report
            .estimate
            .map_or("no answer", |_| basis_word(event.report.basis))
    });
    rows.push(row("drive", &format!("{drive:<8}rests on: {basis}")));
    Text::from(rows)
}

fn answer(figures: &Figures) -> Vec<Line<'static>> {
    let bounds = |of: &Resistance, rail: &str| {
        let value = format!("{rail}{}", resistance(figures.kind, of));
        format!("{value:<15} 95 %: {}", interval(of))
    };
    // As in the timeline.
    let rail = match (figures.kind, figures.weakest_is_positive) {
        (Kind::Figure, true) => "P ",
        (Kind::Figure, false) => "N ",
        _ => "",
    };
    let position = figures.position.map_or_else(
        || "not known: no leak is resolved".to_owned(),
        |[x, u]| {
            let spread = plus_minus(2.0 * u, 4);
            format!("{x:.4} {spread} (0 negative rail, 1 positive)")
        },
    );
    let capacitance = figures
        .capacitance_f
        .map_or_else(|| "-".to_owned(), |found| with_u(found, "F"));
    vec![
        row("R_iso", &bounds(&figures.isolation, "")),
        row("weaker rail", &bounds(&figures.weakest, rail)),
        row("x", &position),
        row("C", &capacitance),
    ]
}

/// Whether samples come, and how old the last one is.
fn flow(state: &State) -> String {
    let samples = state.outcome.samples;
    let end_s = state.outcome.end_s;
    let flow = match state.flow {
        Flow::Ended => format!("ENDED: the stream is over at {end_s:.2} s, {samples} samples"),
        Flow::Open(age) => {
            let age = age.as_secs_f64();
            let last = if samples == 0 {
                "no sample yet".to_owned()
            } else {
                format!("last sample {end_s:.2} s, {age:.1} s ago; {samples} samples")
            };
            match state.flow.stalled() {
                Some(_) => format!("STALLED for {age:.0} s: {last}"),
                None => last,
            }
        }
    };
    match &state.skipped {
        (0, _) => flow,
        (lines, problem) => format!("{flow}; {lines} bad rows: {problem}"),
    }
}
