//! The figures at the end with their intervals, the truth, and the limits.

use maud::{Markup, html};
use ohmsplit::Kind;

use super::limits::{Against, LIMITS};
use super::{Evidence, TrueFigures};
use crate::output::{Figures, Resistance, basis_word, interval, resistance, si};

/// One figure: name, value, interval, truth, and whether the interval holds it.
struct Line {
    name: String,
    value: String,
    interval: String,
    truth: Option<String>,
    held: Option<bool>,
}

pub(super) fn section(evidence: &Evidence<'_>) -> Markup {
    let outcome = &evidence.record.outcome;
    let estimate = match outcome.answer() {
        Ok(estimate) => estimate,
        Err(reason) => {
            return html! {
                p { "There is no figure at the end of the run: " code { (reason.name()) } ". " (crate::output::explain(reason)) "." }
                @if let Some((time_s, old)) = &outcome.newest {
                    @let old = Figures::of(old);
                    p { "The last figure was R_iso " (resistance(old.kind, &old.isolation)) " at " (format!("{time_s:.2} s")) "; it no longer holds." }
                }
                @if let Some(truth) = &evidence.truth.end {
                    p { "True at the end, by " (evidence.truth.source) ": R_iso " (ohm(truth.isolation_ohm)) "." }
                }
            };
        }
    };
    let figures = Figures::of(estimate);
    let cells = evidence.network.pack.cells_in_series;
    let lines = lines(&figures, cells, evidence.truth.end.as_ref());
    let known = evidence.truth.end.is_some();
    let rests = outcome.last.map(|event| basis_word(event.report.basis));
    html! {
        div class="scroll" {
            table {
                caption {
                    "At " (format!("{:.2} s", outcome.end_s)) ", first answer at "
                    (outcome.first_s.map_or_else(|| "no time".to_owned(), |s| format!("{s:.2} s")))
                    ", resting on: " (rests.unwrap_or("nothing")) "."
                    @if known { " Truth by " (evidence.truth.source) "." }
                }
                thead {
                    tr {
                        th scope="col" { "quantity" }
                        th scope="col" class="number" { "figure" }
                        th scope="col" class="number" { "95 % interval" }
                        @if known {
                            th scope="col" class="number" { "truth" }
                            th scope="col" { "truth in the interval" }
                        }
                    }
                }
                tbody {
                    @for line in lines {
                        tr {
                            th scope="row" { (line.name) }
                            td class="number" { (line.value) }
                            td class="number" { (line.interval) }
                            @if known {
                                td class="number" { (line.truth.unwrap_or_default()) }
                                td { (line.held.map_or("", |held| if held { "yes" } else { "no: missed" })) }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn ohm(value: f64) -> String {
    if value.is_finite() {
        si(value, "Ω")
    } else {
        "no leak".to_owned()
    }
}

fn lines(figures: &Figures, cells: Option<u32>, truth: Option<&TrueFigures>) -> Vec<Line> {
    let rail = match (figures.kind, figures.weakest_is_positive) {
        (Kind::Open, _) => "",
        (_, true) => ", positive",
        (_, false) => ", negative",
    };
    let weakest = |t: &TrueFigures| t.positive_ohm.min(t.negative_ohm);
    let mut lines: Vec<Line> = [
        (
            "R_iso, both rails in parallel".to_owned(),
            &figures.isolation,
            truth.map(|t| t.isolation_ohm),
        ),
        (
            "Rp, positive rail to chassis".to_owned(),
            &figures.positive,
            truth.map(|t| t.positive_ohm),
        ),
        (
            "Rn, negative rail to chassis".to_owned(),
            &figures.negative,
            truth.map(|t| t.negative_ohm),
        ),
        (
            format!("weaker rail, min(Rp, Rn){rail}"),
            &figures.weakest,
            truth.map(weakest),
        ),
    ]
    .into_iter()
    .map(|(name, of, truth)| Line {
        name,
        value: resistance(figures.kind, of),
        interval: interval(of),
        truth: truth.map(ohm),
        held: truth.map(|truth| holds(of, truth)),
    })
    .collect();
    let measured =
        |name: &str, [value, u]: [f64; 2], scale: f64, decimals: usize, truth: Option<f64>| {
            let number = |value: f64| format!("{:.decimals$}", value * scale);
            Line {
                name: name.to_owned(),
                value: number(value),
                interval: format!("{} to {}", number(value - 2.0 * u), number(value + 2.0 * u)),
                truth: truth.map(number),
                held: truth.map(|truth| (truth - value).abs() <= 2.0 * u),
            }
        };
    let true_x = truth.and_then(|t| t.position);
    if let Some(x) = figures.position {
        lines.push(measured("position x, 0 at N and 1 at P", x, 1.0, 4, true_x));
        if let Some(cells) = cells {
            let name = format!("cells above N at which a single leak sits, of {cells}");
            lines.push(measured(&name, x, f64::from(cells), 1, true_x));
        }
    }
    if let Some(c) = figures.capacitance_f {
        let true_c = truth.and_then(|t| t.capacitance_f);
        lines.push(measured("capacitance Cp + Cn, µF", c, 1e6, 4, true_c));
    }
    let plain = |name: &str, value: String| Line {
        name: name.to_owned(),
        value,
        interval: String::new(),
        truth: None,
        held: None,
    };
    if let Some(current) = figures.touch_current_a {
        lines.push(plain(
            "prospective touch current, Vb/min(Rp, Rn)",
            si(current, "A"),
        ));
    }
    if let Some(energy) = figures.energy_j() {
        lines.push(plain(
            "energy in that capacitance at most, ½·C·Vb²",
            si(energy, "J"),
        ));
    }
    lines.push(plain("pack voltage Vb", si(figures.pack_v, "V")));
    lines
}

fn holds(of: &Resistance, truth: f64) -> bool {
    of.low <= truth && of.high.is_none_or(|high| truth <= high)
}

/// The limits of standards beside what was found.
pub(super) fn limits(evidence: &Evidence<'_>) -> Markup {
    let Ok(estimate) = evidence.record.outcome.answer() else {
        return html! { p { "Without a figure at the end nothing can be held against a limit." } };
    };
    let figures = Figures::of(estimate);
    let working = evidence.network.pack.working_voltage_v;
    let half = match (
        figures.kind,
        figures.isolation.value,
        figures.isolation.high,
    ) {
        (Kind::Figure, Some(value), Some(high)) => {
            Some((high - value).max(value - figures.isolation.low) / value * 100.0)
        }
        _ => None,
    };
    let found = |against: Against| {
        let energy = figures.energy_j();
        against.margin(
            figures.weakest.low / working,
            figures.isolation.low / working,
            energy,
            half,
        )
    };
    html! {
        p {
            "Check values for orientation, at a working voltage of " (si(working, "V"))
            ". The lower end of the interval is compared, not the figure. No conformity is claimed: each text has "
            "conditions that this comparison does not test."
        }
        div class="scroll" {
            table {
                thead {
                    tr {
                        th scope="col" { "source" }
                        th scope="col" { "limit" }
                        th scope="col" { "compared" }
                        th scope="col" class="number" { "found" }
                        th scope="col" { "against the limit" }
                        th scope="col" { "how it is known" }
                    }
                }
                tbody {
                    @for limit in LIMITS {
                        @let margin = found(limit.against);
                        tr {
                            th scope="row" { (limit.source) }
                            td { (limit.about) }
                            td { (limit.against.words()) }
                            td class="number" { (margin.map_or_else(|| "not known".to_owned(), |m| limit.against.value(m.found))) }
                            td {
                                @match margin {
                                    Some(m) if m.times > 1e4 => "safe side, by more than 10,000 times",
                                    Some(m) if m.times >= 1.0 => (format!("safe side, {:.2} times", m.times)),
                                    Some(m) => (format!("unsafe side, {:.2} times", m.times)),
                                    None => "cannot be told",
                                }
                            }
                            td { (limit.known.words()) }
                        }
                    }
                }
            }
        }
    }
}
