//! Settled readings, time constants, lag, and how well readings agree with the
//! circuit that was found.

use maud::{Markup, html};
use ohmsplit::config::Drive;

use super::axis::Scale;
use super::record::{Record, Settled, Topic};
use super::table::{cell, table};
use super::timeline::{LEFT, PLOT, Time, WIDTH, n};
use crate::output::{explain, si};

/// Readings listed one by one.
const LISTED: usize = 20;
/// Residuals beyond are drawn at the edge, as arrows.
const EDGE: f64 = 6.0;
const HEIGHT: f64 = 150.0;

pub(super) fn section(record: &Record) -> Markup {
    let settled: Vec<&Settled> = record.settled.iter().collect();
    let [steady, transient, sudden] = record.bases;
    html! {
        p {
            "Answers that rest on settled readings: " (steady) "; on the transient: " (transient)
            "; on a sudden leak: " (sudden) ". Dwells with a settled reading: " (record.settled.seen()) "."
        }
        (unsettled(record))
        @if settled.is_empty() {
            p { "No dwell was proved to have settled, so there are no readings to show." }
        } @else {
            (residuals(record, &settled))
            (readings(record, &settled))
        }
    }
}

/// Why dwells gave no settled reading.
fn unsettled(record: &Record) -> Markup {
    let reasons: Vec<_> = record
        .findings
        .iter()
        .filter(|((topic, _), _)| *topic == Topic::Reading)
        .collect();
    html! {
        @if !reasons.is_empty() {
            p { "Dwells without a settled reading; an answer may still rest on the transient:" }
            ul {
                @for (_, (reason, marks)) in reasons {
                    li { (marks.count) " × " code { (reason.name()) } ": " (explain(*reason)) }
                }
            }
        }
    }
}

/// Residuals over time, one mark a reading, its shape the drive state.
fn residuals(record: &Record, settled: &[&Settled]) -> Markup {
    let known: Vec<(&Settled, f64)> = settled
        .iter()
        .filter_map(|reading| Some((*reading, reading.residual?)))
        .collect();
    let time = Time::new(record.trace.span_s());
    let scale = Scale::linear([-EDGE, EDGE], [HEIGHT, 0.0]);
    let beyond = known.iter().filter(|(_, r)| r.abs() > 2.0).count();
    let checked = known.iter().any(|(r, _)| r.drive == Drive::Check);
    let third = if checked { Drive::Check } else { Drive::Rest };
    let (first, last) = (time.span_s[0], time.span_s[1]);
    html! {
        figure {
            figcaption {
                "Residuals: each settled reading less the voltage that the answer before its dwell predicts, in units of "
                "the reading's standard uncertainty u. " (beyond) " of " (known.len()) " lie beyond ±2 u. "
                "The prediction is uncertain too, so a scatter of up to about 1.5 u is expected of a circuit that "
                "stands still; a run of large ones says that the circuit changed."
            }
            div class="scroll" {
                svg class="plot" viewBox=(format!("0 0 {WIDTH} {}", HEIGHT + 56.0)) role="img" aria-labelledby="residual-title residual-desc" {
                    title id="residual-title" { "Residuals of the settled readings" }
                    desc id="residual-desc" { (beyond) " of " (known.len()) " readings lie beyond twice their standard uncertainty." }
                    g transform=(format!("translate({LEFT} 26)")) {
                        g class="keys" transform="translate(0 -10)" {
                            @for (x, drive) in [(4.0, Drive::Raise), (84.0, Drive::Lower), (164.0, third)] {
                                g transform=(format!("translate({x} -4)")) { (mark(drive)) }
                                text x=(x + 12.0) { (drive.name()) }
                            }
                            path class="bound isolation" d="M248 -9l5 9h-10z" {}
                            text x="260" { "beyond the edge" }
                        }
                        rect class="ground" width=(PLOT) height=(HEIGHT) {}
                        rect class="expected" y=(n(scale.at(2.0))) width=(PLOT) height=(n(scale.at(-2.0) - scale.at(2.0))) {}
                        @for u in [-4.0, -2.0, 0.0, 2.0, 4.0] {
                            line class="grid" x2=(PLOT) y1=(n(scale.at(u))) y2=(n(scale.at(u))) {}
                            text class="mark" x="-8" y=(n(scale.at(u) + 4.0)) { (format!("{u:+} u").replace("+0", "0")) }
                        }
                        @for (reading, residual) in &known {
                            g transform=(format!("translate({} {})", n(time.x(reading.time_s)), n(scale.at(*residual)))) {
                                @if *residual > EDGE { path class="bound isolation" d="M0 2l5 9h-10z" {} }
                                @else if *residual < -EDGE { path class="bound isolation" d="M0 -2l5 -9h-10z" {} }
                                @else { (mark(reading.drive)) }
                            }
                        }
                        rect class="frame" width=(PLOT) height=(HEIGHT) {}
                        text class="time" x="0" style="text-anchor:start" y=(HEIGHT + 20.0) { (format!("{first:.1} s")) }
                        text class="time" x=(PLOT) style="text-anchor:end" y=(HEIGHT + 20.0) { (format!("{last:.1} s")) }
                    }
                }
            }
            (thinned(record))
        }
    }
}

fn thinned(record: &Record) -> Markup {
    let every = record.settled.every();
    html! {
        @if every > 1 { p class="note" { "Too many to draw all: one of " (every) " is drawn." } }
    }
}

/// The mark of a drive state.
fn mark(drive: Drive) -> Markup {
    html! {
        @match drive {
            Drive::Raise => path class="raise" d="M0 -5l4.5 8h-9z" {},
            Drive::Lower => path class="lower" d="M0 5l4.5 -8h-9z" {},
            Drive::Rest | Drive::Check => circle class="rest" r="3.5" {},
        }
    }
}

/// Readings one by one, evenly chosen, the newest always among them.
fn readings(record: &Record, settled: &[&Settled]) -> Markup {
    let every = settled.len().div_ceil(LISTED).max(1) | 1;
    let mut listed: Vec<&Settled> = settled.iter().rev().step_by(every).copied().collect();
    listed.reverse();
    let pair = |[value, u]: [f64; 2]| format!("{value:.3} ±{:.3} V", 2.0 * u);
    let rows: Vec<_> = listed
        .iter()
        .map(|reading| {
            let figures = &reading.figures;
            let tau = figures.time_constant_s.map(|[tau, _]| si(tau, "s"));
            let residual = reading.residual.map(|r| format!("{r:+.1} u"));
            vec![
                cell(format!("{:.2} s", reading.time_s)),
                cell(reading.drive.name()),
                cell(pair(figures.chassis_v)),
                cell(pair(figures.pack_v)),
                cell(tau.unwrap_or_else(|| "not seen".to_owned())),
                cell(format!("{:.3} V", reading.lag_v).replace("-0.000", "0.000")),
                cell(format!("{:.2} s", figures.dwell_s)),
                cell(residual.unwrap_or_else(|| "none".to_owned())),
            ]
        })
        .collect();
    let heads = [
        ("end of dwell", true),
        ("drive", false),
        ("chassis, v", true),
        ("pack, Vb", true),
        ("time constant", true),
        ("lag", true),
        ("dwell", true),
        ("residual", true),
    ];
    let caption = html! {
        "Settled readings, " (listed.len()) " of " (record.settled.seen())
        ", with 95 % half-widths. Lag is how far v may trail behind a moving pack voltage."
    };
    table(Some(caption), &heads, &rows)
}
