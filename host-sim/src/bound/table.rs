//! The course of the bound as text and as JSON.

use std::fmt::Write as _;

use ohmsplit::Kind;
use serde::Serialize;

use super::{COVERAGE_95, Mark};
use crate::output::{CAUTION, Figures, explain, kind_word, si};

/// What stands above and below the table: what it is, and what it leaves out.
const HEAD: &str = "\
            bound: 95 % half-width of the record so far       achieved by the core: 95 % half-width, and true error
      time  R_iso            x            C            R_iso                  x                    C
";
const FOOT: &str = "
The bound is that of white noise and rounding alone, with declared parts, pack voltage and Cp/C known: no method can
do better on the same record. Tolerances, hum and ripple are not in it. The record begins anew when the leak changes.
Half-widths of R_iso are in percent of the true R_iso and normal in G = 1/R_iso; achieved errors are figure minus truth.
";

/// The table of a course.
#[must_use]
pub fn table(marks: &[Mark]) -> String {
    let mut text = HEAD.to_owned();
    let mut since = None;
    for mark in marks {
        if since.is_some_and(|since| since != mark.since_s) {
            // Writing to a string cannot fail.
            let _ = writeln!(text, "{:>9.2} s  the leak changes", mark.since_s);
        }
        since = Some(mark.since_s);
        let [r, x, c] = bound_words(mark);
        let _ = writeln!(
            text,
            "{:>9.2} s {r:<16} {x:<12} {c:<12} {}",
            mark.time_s,
            achieved_words(mark)
        );
    }
    text + FOOT + "\n" + CAUTION + "\n"
}

/// A number with three significant digits, short.
fn short(value: f64) -> String {
    match value.abs() {
        size if !(1e-3..1e4).contains(&size) && size != 0.0 => format!("{value:.1e}"),
        size if size < 0.1 => format!("{value:.4}"),
        size if size < 10.0 => format!("{value:.2}"),
        size => format!("{value:.*}", usize::from(size < 100.0)),
    }
}

fn bound_words(mark: &Mark) -> [String; 3] {
    let Some(bound) = &mark.bound else {
        return ["not determined", "", ""].map(str::to_owned);
    };
    let isolation = match (mark.isolation_percent(), mark.open_above_ohm()) {
        (Some(percent), _) => format!("±{} %", short(percent)),
        (None, Some(ohm)) => format!("above {}", si(ohm, "Ω")),
        (None, None) => String::new(),
    };
    let position = bound
        .position
        .map(|x| format!("±{}", short(COVERAGE_95 * x)));
    let part = COVERAGE_95 * bound.capacitance / mark.circuit.capacitance;
    let capacitance = if part.is_finite() {
        format!("±{} %", short(part * 100.0))
    } else {
        "too fast".to_owned()
    };
    [isolation, position.unwrap_or_default(), capacitance]
}

fn achieved_words(mark: &Mark) -> String {
    let achieved = match &mark.achieved {
        Ok(achieved) => achieved,
        Err(reason) => return format!("{}: {}", reason.name(), explain(*reason)),
    };
    let line = MarkLine::of(mark);
    let pair = |half: Option<f64>, error: Option<f64>, unit: &str| match (half, error) {
        (Some(half), Some(error)) => {
            let sign = if error < 0.0 { "" } else { "+" };
            format!("±{}{unit}, {sign}{}{unit}", short(half), short(error))
        }
        _ => "-".to_owned(),
    };
    let isolation = match line.isolation_half_percent {
        Some(half) => pair(Some(half), line.isolation_error_percent, " %"),
        None => bounded(&achieved.figures),
    };
    let position = pair(line.position_half, line.position_error, "");
    let capacitance = pair(
        line.capacitance_half_percent,
        line.capacitance_error_percent,
        " %",
    );
    format!("{isolation:<22} {position:<20} {capacitance}")
}

/// What is known of a resistance that has no figure to hold against the truth.
fn bounded(figures: &Figures) -> String {
    let kind = kind_word(figures.kind);
    match (figures.kind, figures.isolation.high) {
        (Kind::Short, Some(high)) => format!("{kind}, below {}", si(high, "Ω")),
        _ => format!("{kind}, above {}", si(figures.isolation.low, "Ω")),
    }
}

/// A mark as a JSON object. Names end in the unit; what is not known is null.
#[derive(Debug, Serialize)]
#[allow(
    non_snake_case,
    reason = "the names are those of the format, with SI unit symbols"
)]
pub struct MarkLine {
    record: &'static str,
    time_s: f64,
    since_s: f64,
    true_isolation_ohm: Option<f64>,
    true_position: Option<f64>,
    true_capacitance_F: f64,
    bound_isolation_half_percent: Option<f64>,
    bound_open_above_ohm: Option<f64>,
    bound_position_half: Option<f64>,
    bound_capacitance_half_percent: Option<f64>,
    answer: &'static str,
    answer_reason: Option<&'static str>,
    isolation_half_percent: Option<f64>,
    isolation_error_percent: Option<f64>,
    isolation_low_ohm: Option<f64>,
    isolation_high_ohm: Option<f64>,
    position_half: Option<f64>,
    position_error: Option<f64>,
    capacitance_half_percent: Option<f64>,
    capacitance_error_percent: Option<f64>,
}

impl MarkLine {
    /// From a mark.
    #[must_use]
    pub fn of(mark: &Mark) -> Self {
        let circuit = &mark.circuit;
        let leak = (circuit.leak > 0.0).then_some(circuit.leak);
        let answer = mark.achieved.as_ref().ok();
        let figures = answer.map(|answer| &answer.figures);
        let resistance = figures.map(|figures| figures.isolation);
        let half = |u: f64| COVERAGE_95 * u;
        let position = figures.and_then(|figures| figures.position);
        let capacitance = figures.and_then(|figures| figures.capacitance_f);
        let of_capacitance = |farads: f64| farads / circuit.capacitance * 100.0;
        let figure = resistance.and_then(|of| of.value).zip(leak);
        Self {
            record: "bound",
            time_s: mark.time_s,
            since_s: mark.since_s,
            true_isolation_ohm: leak.map(|g| 1.0 / g),
            true_position: leak.map(|g| circuit.positive / g),
            true_capacitance_F: circuit.capacitance,
            bound_isolation_half_percent: mark.isolation_percent(),
            bound_open_above_ohm: mark.open_above_ohm(),
            bound_position_half: mark.bound.and_then(|bound| bound.position).map(half),
            bound_capacitance_half_percent: mark
                .bound
                .map(|bound| half(of_capacitance(bound.capacitance))),
            answer: figures.map_or("refused", |figures| kind_word(figures.kind)),
            answer_reason: mark.achieved.err().map(|reason| reason.name()),
            isolation_half_percent: answer
                .zip(figure)
                .map(|(answer, (_, g))| half(answer.leak_u) / g * 100.0),
            isolation_error_percent: figure.map(|(ohm, g)| (ohm * g - 1.0) * 100.0),
            isolation_low_ohm: resistance.map(|of| of.low),
            isolation_high_ohm: resistance.and_then(|of| of.high),
            position_half: position.map(|x| half(x[1])),
            position_error: position.zip(leak).map(|(x, g)| x[0] - circuit.positive / g),
            capacitance_half_percent: capacitance.map(|c| half(of_capacitance(c[1]))),
            capacitance_error_percent: capacitance.map(|c| of_capacitance(c[0]) - 100.0),
        }
    }
}
