//! What the panels of the timeline show.

use std::fmt::Write as _;

use maud::{Markup, html};
use ohmsplit::config::Judged;
use ohmsplit::{Basis, Kind, Verdict};

use super::{Course, PLOT, Panel, Time, n, pin};
use crate::evidence::axis::{Scale, decades, powers, ticks};
use crate::evidence::record::{Record, Topic};
use crate::output::{Bin, LimitFigures, Resistance, TruePoint, si, verdict_word};

/// v and Vb.
pub(super) fn voltages(record: &Record, time: &Time) -> Panel {
    let height = 150.0;
    let [low, high] = record.trace.range_v();
    let room = (high - low) * 0.06;
    let range = [low - room, high + room];
    let scale = Scale::linear(range, [height, 0.0]);
    let (volts, decimals) = ticks(range, 5.0);
    let body = html! {
        g class="stretched" {
            path class="pack" d=(band(record, time, &scale, |bin| bin.pack_v)) {}
            path class="chassis" d=(band(record, time, &scale, |bin| bin.chassis_v)) {}
        }
    };
    Panel {
        name: "Voltages",
        height,
        keys: html! {
            (key_line(0.0, "chassis", "chassis to negative rail, v"))
            (key_line(220.0, "pack", "pack, Vb"))
        },
        marks: volts
            .into_iter()
            .map(|v| (scale.at(v), format!("{v:.decimals$} V")))
            .collect(),
        body,
    }
}

/// Every bin from its lowest to its highest value.
fn band(record: &Record, time: &Time, scale: &Scale, pick: fn(&Bin) -> [f64; 2]) -> String {
    let mut path = String::new();
    for stretch in record.trace.stretches() {
        let mut first = true;
        for bin in stretch {
            // A tenth of a dot is enough upwards; to the right it is zoomed.
            let [low, high] = pick(bin).map(|v| format!("{:.1}", scale.at(v)));
            let command = if first { 'M' } else { 'L' };
            first = false;
            // Writing to a string cannot fail.
            let _ = write!(path, "{command}{} {low}", n(time.x(bin.middle_s())));
            if high != low {
                let _ = write!(path, "V{high}");
            }
        }
    }
    path
}

/// Both figures with their intervals, limits and truth.
pub(super) fn resistance(course: Course<'_>, time: &Time) -> Panel {
    let Course {
        record,
        truth,
        limits,
    } = course;
    let height = 236.0;
    let judged_true: Vec<(f64, f64)> = truth
        .iter()
        .map(|point| match limits.judged {
            Judged::WeakestRail => (point.from_s, point.weakest_ohm),
            Judged::BothInParallel => (point.from_s, point.isolation_ohm),
        })
        .collect();
    let range = resistance_range(record, &judged_true, limits);
    let scale = Scale::log(range, [height, 0.0]);
    let [alarm, warning] = limits.ohm;
    let answers = record.answers.iter();
    let half = half_width(record);
    let pens = [false, true].map(|weakest| Pen { weakest, half });
    let body = html! {
        rect class="hatched" width=(PLOT) y=(n(scale.at(alarm))) height=(n(height - scale.at(alarm))) {}
        g class="stretched" { path class="truth" d=(steps(&judged_true, time, &scale)) {} }
        @for (ohm, class) in [(warning, "limit"), (alarm, "limit graver")] {
            line class=(class) x1="0" x2=(PLOT) y1=(n(scale.at(ohm))) y2=(n(scale.at(ohm))) {}
        }
        @for answer in answers {
            (pin(time.x(answer.time_s), &html! {
                (mark(&scale, &answer.figures.isolation, answer.figures.kind, &pens[0]))
                (mark(&scale, &answer.figures.weakest, answer.figures.kind, &pens[1]))
                @if answer.basis == Basis::Sudden { path class="sudden" d="M0 4V16M-4 11L0 16L4 11" {} }
            }))
        }
        @for (ohm, name, below) in [(warning, "warning", -5.0), (alarm, "alarm", 14.0)] {
            text class="halo" x="6" y=(n(scale.at(ohm) + below)) { (name) " limit " (si(ohm, "Ω")) }
        }
    };
    Panel {
        name: "Resistance",
        height,
        keys: resistance_keys(limits.judged, !truth.is_empty()),
        marks: powers(range)
            .map(|ohm| (scale.at(ohm), decade(ohm)))
            .collect(),
        body,
    }
}

fn resistance_keys(judged: Judged, truth: bool) -> Markup {
    let (weakest, isolation) = match judged {
        Judged::WeakestRail => ("weaker rail (judged)", "R_iso"),
        Judged::BothInParallel => ("weaker rail", "R_iso (judged)"),
    };
    html! {
        g transform="translate(4 -4)" { rect class="weakest" x="-3.5" y="-3.5" width="7" height="7" {} }
        text x="14" { (weakest) }
        g transform="translate(164 -4)" { circle class="isolation" r="4" {} }
        text x="174" { (isolation) }
        g transform="translate(284 -4)" { path class="bar isolation" d="M0 -7V7" {} }
        text x="294" { "95 % interval" }
        path class="bound weakest" d="M398 -8L404 1H392Z" {}
        text x="408" { "only bounded" }
        @if truth {
            path class="truth" d="M506 -4H530" {}
            text x="536" { "truth, judged figure" }
        }
    }
}

/// How the answers of one figure are marked.
struct Pen {
    weakest: bool,
    /// Half the width of a mark: small where there are many.
    half: f64,
}

fn half_width(record: &Record) -> f64 {
    if record.answers.iter().count() > 120 {
        2.6
    } else {
        3.6
    }
}

/// A figure with its interval, or an arrow at a bound.
fn mark(scale: &Scale, of: &Resistance, kind: Kind, pen: &Pen) -> Markup {
    let class = if pen.weakest { "weakest" } else { "isolation" };
    let half = pen.half;
    let arrow = |tip: f64, down: f64| {
        let d = format!(
            "M0 {}l{half} {}h{}z",
            n(tip),
            n(2.0 * half * down),
            n(-2.0 * half)
        );
        html! { path class={ "bound " (class) } d=(d) {} }
    };
    let (low, high) = (scale.at(of.low), of.high.map_or(0.0, |high| scale.at(high)));
    match (kind, of.value) {
        (Kind::Figure, Some(value)) => {
            let y = scale.at(value);
            html! {
                path class={ "bar " (class) } d=(format!("M0 {}V{}", n(low), n(high))) {}
                @if pen.weakest {
                    rect class=(class) x=(-half) y=(n(y - half)) width=(2.0 * half) height=(2.0 * half) {}
                } @else {
                    circle class=(class) r=(half) cy=(n(y)) {}
                }
            }
        }
        // Above a bound: an arrow that points up from it.
        (Kind::Open | Kind::Figure, _) => arrow(low - 2.0 * half, 1.0),
        // Below a bound: an arrow that points down.
        (Kind::Short, _) => arrow(high + 2.0 * half, -1.0),
    }
}

/// Whole decades that hold the limits, what is true, and all answers.
fn resistance_range(record: &Record, truth: &[(f64, f64)], limits: &LimitFigures) -> [f64; 2] {
    let answers = record.answers.iter().flat_map(|answer| {
        let Resistance { low, high, value } = answer.figures.weakest;
        let short = answer.figures.kind == Kind::Short;
        [
            answer
                .figures
                .isolation
                .value
                .or(if short { high } else { None }),
            Some(value.unwrap_or(if short { high.unwrap_or(low) } else { low })),
        ]
    });
    let values = answers
        .flatten()
        .chain(truth.iter().map(|&(_, ohm)| ohm))
        .filter(|ohm| ohm.is_finite())
        .map(|ohm| ohm.clamp(1.0, 1e9));
    let [low, high] = values.fold(limits.ohm, |[low, high], ohm| [low.min(ohm), high.max(ohm)]);
    decades(low / 1.5, high * 1.5)
}

fn decade(ohm: f64) -> String {
    let shown = si(ohm, "Ω");
    let (number, unit) = shown.split_once(' ').unwrap_or((&shown, ""));
    format!(
        "{} {unit}",
        number.trim_end_matches('0').trim_end_matches('.')
    )
}

/// A step line; what is infinite leaves a gap.
fn steps(points: &[(f64, f64)], time: &Time, scale: &Scale) -> String {
    let mut path = String::new();
    let mut pen_down = false;
    let untils = points
        .iter()
        .skip(1)
        .map(|&(from, _)| from)
        .chain([time.span_s[1]]);
    for (&(from, value), until) in points.iter().zip(untils) {
        if !value.is_finite() {
            pen_down = false;
            continue;
        }
        let command = if pen_down { 'L' } else { 'M' };
        pen_down = true;
        let (x, y, end) = (n(time.x(from)), n(scale.at(value)), n(time.x(until)));
        // Writing to a string cannot fail.
        let _ = write!(path, "{command}{x} {y}H{end}");
    }
    path
}

/// The position with its interval, and the truth.
pub(super) fn position(record: &Record, truth: &[TruePoint], time: &Time) -> Panel {
    let height = 92.0;
    let scale = Scale::linear([-0.05, 1.05], [height, 0.0]);
    let known: Vec<(f64, f64)> = truth
        .iter()
        .map(|point| (point.from_s, point.position.unwrap_or(f64::INFINITY)))
        .collect();
    let half = half_width(record) + 0.8;
    let placed = record
        .answers
        .iter()
        .filter_map(|answer| Some((answer.time_s, answer.figures.position?)));
    let body = html! {
        g class="stretched" { path class="truth" d=(steps(&known, time, &scale)) {} }
        @for (time_s, [x, u]) in placed {
            (pin(time.x(time_s), &html! {
                path class="bar isolation" d=(format!("M0 {}V{}", n(scale.at(x - 2.0 * u)), n(scale.at(x + 2.0 * u)))) {}
                path class="place" d=(format!("M0 {}l{half} {half}l-{half} {half}l-{half} -{half}z", n(scale.at(x) - half))) {}
            }))
        }
    };
    let words = [(0.0, "N rail  0"), (0.5, "0.5"), (1.0, "P rail  1")];
    Panel {
        name: "Position x",
        height,
        keys: html! {
            path class="place" d="M4 -8.5l4.5 4.5l-4.5 4.5l-4.5 -4.5z" {}
            text x="14" { "where a single leak would sit, with its 95 % interval" }
            @if !truth.is_empty() {
                path class="truth" d="M356 -4H380" {}
                text x="386" { "truth" }
            }
        },
        marks: words
            .map(|(x, word)| (scale.at(x), word.to_owned()))
            .to_vec(),
        body,
    }
}

const STRIP: f64 = 30.0;
const ROW: f64 = 20.0;

/// The verdict, and below it each reason for which there was none or no figure.
pub(super) fn verdicts(record: &Record, time: &Time) -> Panel {
    let rows: Vec<_> = record
        .findings
        .iter()
        .filter(|((topic, _), _)| *topic != Topic::Reading)
        .collect();
    let row = |place: usize| STRIP + ROW * (place as f64 + 0.5);
    let stretches: Vec<_> = record.verdicts.iter().collect();
    let untils = stretches.iter().skip(1).map(|next| next.from_s);
    let untils = untils.chain([time.span_s[1]]);
    let body = html! {
        g class="stretched" {
            @for (stretch, until) in stretches.iter().zip(untils.clone()) {
                (box_of(stretch.verdict, time.x(stretch.from_s), time.x(until)))
            }
            @for (place, (_, (_, marks))) in rows.iter().enumerate() {
                path class="tick" d=(marks.iter().fold(String::new(), |mut path, [from, to]| {
                    let (from, to) = (time.x(*from), time.x(*to).max(time.x(*from) + 0.6));
                    let _ = write!(path, "M{} {}H{}V{}H{}Z", n(from), n(row(place) - 6.0), n(to), n(row(place) + 6.0), n(from));
                    path
                })) {}
            }
        }
        @for (stretch, until) in stretches.iter().zip(untils) {
            (label_of(stretch.verdict, time.x(stretch.from_s), time.x(until)))
        }
    };
    let names = rows.iter().enumerate().map(|(place, (_, (reason, _)))| {
        // The long names would not fit beside the panel.
        (row(place), reason.name().replace("pack_voltage_", "pack_"))
    });
    Panel {
        name: "Verdict",
        height: STRIP + ROW * rows.len() as f64 + if rows.is_empty() { 0.0 } else { 4.0 },
        keys: html! {
            @if !rows.is_empty() { text x="0" { "and below it, when a reason stood in the way of a figure or a verdict" } }
        },
        marks: std::iter::once((STRIP / 2.0, "verdict".to_owned()))
            .chain(names)
            .collect(),
        body,
    }
}

fn class_of(verdict: Verdict) -> &'static str {
    verdict_word(verdict)
}

fn box_of(verdict: Verdict, from: f64, to: f64) -> Markup {
    html! {
        rect class={ "verdict " (class_of(verdict)) } x=(n(from)) y="1" width=(n(to - from)) height=(n(STRIP - 2.0)) {
            title { (verdict_word(verdict)) }
        }
    }
}

/// The word on a stretch, shown while it fits.
fn label_of(verdict: Verdict, from: f64, to: f64) -> Markup {
    let word = verdict_word(verdict);
    let need = 12.0 + 7.5 * word.len() as f64;
    let hidden = (to - from < need).then_some("hidden");
    html! {
        g class="pin" data-x=(n(from)) data-width=(n(to - from)) data-need=(n(need))
            transform=(format!("translate({} 0)", n(from))) visibility=[hidden] {
            text class={ "word " (class_of(verdict)) } x="6" y=(n(STRIP / 2.0 + 4.5)) { (word) }
        }
    }
}

fn key_line(x: f64, class: &str, words: &str) -> Markup {
    html! {
        path class=(class) d=(format!("M{x} -4h24")) {}
        text x=(x + 30.0) { (words) }
    }
}
