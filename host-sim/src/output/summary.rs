//! The final figures as text.

use std::fmt::Write as _;

use ohmsplit::config::Judged;
use ohmsplit::{Kind, Reason, Verdict};

use super::figures::Figures;
use super::outcome::{LimitFigures, Outcome};
use super::quantity::{explain, explain_finding, interval, plus_minus, resistance, si, with_u};
use super::truth::TruePoint;

/// What every result ends with.
pub const CAUTION: &str = "\
Caution: these are estimates, and nothing here is certified. Voltages of a battery can kill. Whatever this
says, treat the pack as live, follow the local electrical code, and leave work on it to licensed people.";

/// The final figures of a run.
#[must_use]
pub fn summary(
    outcome: &Outcome,
    limits: &LimitFigures,
    cells_in_series: Option<u32>,
    truth: Option<&TruePoint>,
) -> String {
    let mut text = String::new();
    head(&mut text, outcome);
    match (outcome.answer(), &outcome.newest) {
        (Ok(estimate), _) => figures(&mut text, &Figures::of(estimate), cells_in_series),
        (Err(reason), newest) => {
            row(
                &mut text,
                "no figure",
                &format!("{}: {}", reason.name(), explain(reason)),
            );
            if let Some(hint) = outcome.hint() {
                row(&mut text, "hint", hint);
            }
            if let Some((time_s, estimate)) = newest {
                let old = Figures::of(estimate);
                let was = resistance(old.kind, &old.isolation);
                row(
                    &mut text,
                    "last figure",
                    &format!("{was} at {time_s:.2} s; it no longer holds"),
                );
            }
        }
    }
    if let Some(truth) = truth {
        row(
            &mut text,
            "true leak at the end",
            &true_leak(truth, outcome),
        );
    }
    limit_rows(&mut text, outcome, limits);
    text.push('\n');
    text.push_str(CAUTION);
    text.push('\n');
    text
}

fn row(text: &mut String, name: &str, value: &str) {
    // Writing to a string cannot fail.
    let _ = writeln!(text, "  {name:<28}{value}");
}

fn head(text: &mut String, outcome: &Outcome) {
    let Outcome {
        end_s,
        samples,
        dwells,
        answered,
        first_s,
        refused,
        ..
    } = outcome;
    let _ = write!(
        text,
        "Result at {end_s:.2} s: {samples} samples, {dwells} dwells, {answered} with an answer"
    );
    for (reason, count) in refused {
        let _ = write!(text, ", {count} {reason}");
    }
    text.push('\n');
    for finding in outcome.findings().iter() {
        let value = format!("{}: {}", finding.name(), explain_finding(finding));
        row(text, "finding", &value);
    }
    if let Some(first_s) = first_s {
        row(text, "first answer", &format!("at {}", si(*first_s, "s")));
    }
}

fn figures(text: &mut String, figures: &Figures, cells_in_series: Option<u32>) {
    let kind = figures.kind;
    for (name, of) in [
        ("isolation R_iso", &figures.isolation),
        ("positive rail Rp", &figures.positive),
        ("negative rail Rn", &figures.negative),
        ("weaker rail", &figures.weakest),
    ] {
        let value = match (kind, name) {
            (Kind::Figure, "weaker rail") => {
                let rail = if figures.weakest_is_positive {
                    "positive"
                } else {
                    "negative"
                };
                format!("{}, {rail}", resistance(kind, of))
            }
            _ => resistance(kind, of),
        };
        row(
            text,
            name,
            &format!("{value:<26}95 % interval {}", interval(of)),
        );
    }
    let position = match figures.position {
        Some([x, u]) => format!(
            "{x:.4} {} (0 is the negative rail, 1 the positive)",
            plus_minus(2.0 * u, 4)
        ),
        None => "not known: no leak is resolved".to_owned(),
    };
    row(text, "position x in the stack", &position);
    if let (Some(cells), Some([x, u])) = (cells_in_series, figures.position) {
        let cells = f64::from(cells);
        let place = format!(
            "{:.1} {} cells above the negative rail, of {cells}",
            x * cells,
            plus_minus(2.0 * u * cells, 1)
        );
        row(text, "a single leak would sit", &place);
    }
    if let Some(current) = figures.touch_current_a {
        row(text, "prospective touch current", &si(current, "A"));
    }
    if let (Some(capacitance), Some(energy)) = (figures.capacitance_f, figures.energy_j()) {
        let value = format!(
            "{}, at most {} stored",
            with_u(capacitance, "F"),
            si(energy, "J")
        );
        row(text, "capacitance Cp + Cn", &value);
    }
    row(text, "pack voltage", &si(figures.pack_v, "V"));
}

/// The truth, and by how much the figure is off.
fn true_leak(truth: &TruePoint, outcome: &Outcome) -> String {
    let Some(x) = truth.position.filter(|_| truth.isolation_ohm.is_finite()) else {
        return "none".to_owned();
    };
    let mut text = format!("R_iso {}, x {x:.4}", si(truth.isolation_ohm, "Ω"));
    let found = outcome.answer().ok().map(Figures::of);
    if let Some(value) = found.and_then(|figures| figures.isolation.value) {
        let off = (value / truth.isolation_ohm - 1.0) * 100.0;
        // Writing to a string cannot fail.
        let _ = write!(text, "; the figure is off by {off:+.2} %");
    }
    text
}

fn limit_rows(text: &mut String, outcome: &Outcome, limits: &LimitFigures) {
    let [alarm, warning] = limits.per_volt;
    let [alarm_ohm, warning_ohm] = limits.ohm.map(|ohm| si(ohm, "Ω"));
    row(
        text,
        "limits",
        &format!(
            "warning at {warning} Ω/V, {warning_ohm}; alarm at {alarm} Ω/V, {alarm_ohm}; of {} working voltage",
            si(limits.working_v, "V")
        ),
    );
    row(text, "judged", &judged(outcome, limits));
    row(text, "verdict", &verdict(outcome.verdict()));
}

fn judged(outcome: &Outcome, limits: &LimitFigures) -> String {
    let name = match limits.judged {
        Judged::WeakestRail => "the weaker rail",
        Judged::BothInParallel => "both rails in parallel, R_iso",
    };
    match outcome.answer() {
        Ok(estimate) => {
            let low = Figures::of(estimate).judged(limits.judged).low / limits.working_v;
            format!(
                "{name}; the lower end of its interval is {}",
                si(low, "Ω/V")
            )
        }
        Err(_) => name.to_owned(),
    }
}

/// A verdict in words.
#[must_use]
pub(crate) fn verdict(verdict: Verdict) -> String {
    match verdict {
        Verdict::Healthy => "HEALTHY: the whole interval is above the warning limit".to_owned(),
        Verdict::Warning => "WARNING: the interval reaches the warning limit".to_owned(),
        Verdict::Alarm => "ALARM: the interval reaches the alarm limit".to_owned(),
        Verdict::Undetermined(Reason::NotYetMeasured) => {
            "UNDETERMINED: not_yet_measured: too few answers to confirm a verdict".to_owned()
        }
        Verdict::Undetermined(reason) => {
            format!("UNDETERMINED: {}: {}", reason.name(), explain(reason))
        }
    }
}
