//! The figures at the end with their intervals, the truth, and the limits.

use maud::{Markup, html};
use ohmsplit::Kind;

use super::limits::{Against, LIMITS, Margin};
use super::table::{cell, table};
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

impl Line {
    fn cells(self) -> Vec<Markup> {
        let held = self
            .held
            .map_or("", |held| if held { "yes" } else { "no: missed" });
        vec![
            cell(self.name),
            cell(self.value),
            cell(self.interval),
            cell(self.truth.unwrap_or_default()),
            cell(held),
        ]
    }

    /// A quantity with a standard uncertainty, times `scale`.
    fn measured(
        name: String,
        [value, u]: [f64; 2],
        scale: f64,
        decimals: usize,
        truth: Option<f64>,
    ) -> Self {
        let number = |value: f64| format!("{:.decimals$}", value * scale);
        Self {
            name,
            value: number(value),
            interval: format!("{} to {}", number(value - 2.0 * u), number(value + 2.0 * u)),
            truth: truth.map(number),
            held: truth.map(|truth| (truth - value).abs() <= 2.0 * u),
        }
    }

    /// A quantity that follows from the others.
    fn plain(name: &str, value: String) -> Self {
        Self {
            name: name.to_owned(),
            value,
            interval: String::new(),
            truth: None,
            held: None,
        }
    }
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
    let known = evidence.truth.end.is_some();
    let rests = outcome.last.map(|event| basis_word(event.report.basis));
    let caption = html! {
        "At " (format!("{:.2} s", outcome.end_s)) ", first answer at "
        (outcome.first_s.map_or_else(|| "no time".to_owned(), |s| format!("{s:.2} s")))
        ", resting on: " (rests.unwrap_or("nothing")) "."
        @if known { " Truth by " (evidence.truth.source) "." }
    };
    let heads = [
        ("quantity", false),
        ("figure", true),
        ("95 % interval", true),
        ("truth", true),
        ("truth in the interval", false),
    ];
    let shown = if known { heads.len() } else { 3 };
    let cells = evidence.network.pack.cells_in_series;
    let rows: Vec<_> = lines(&figures, cells, evidence.truth.end.as_ref())
        .into_iter()
        .map(Line::cells)
        .collect();
    table(Some(caption), &heads[..shown], &rows)
}

fn ohm(value: f64) -> String {
    if value.is_finite() {
        si(value, "Ω")
    } else {
        "no leak".to_owned()
    }
}

fn lines(figures: &Figures, cells: Option<u32>, truth: Option<&TrueFigures>) -> Vec<Line> {
    let mut lines = resistances(figures, truth);
    let true_x = truth.and_then(|t| t.position);
    if let Some(x) = figures.position {
        let name = "position x, 0 at N and 1 at P".to_owned();
        lines.push(Line::measured(name, x, 1.0, 4, true_x));
        if let Some(cells) = cells {
            let name = format!("cells above N at which a single leak sits, of {cells}");
            lines.push(Line::measured(name, x, f64::from(cells), 1, true_x));
        }
    }
    if let Some(c) = figures.capacitance_f {
        let name = "capacitance Cp + Cn, µF".to_owned();
        let true_c = truth.and_then(|t| t.capacitance_f);
        lines.push(Line::measured(name, c, 1e6, 4, true_c));
    }
    if let Some(current) = figures.touch_current_a {
        lines.push(Line::plain(
            "prospective touch current, Vb/min(Rp, Rn)",
            si(current, "A"),
        ));
    }
    if let Some(energy) = figures.energy_j() {
        lines.push(Line::plain(
            "energy in that capacitance at most, ½·C·Vb²",
            si(energy, "J"),
        ));
    }
    lines.push(Line::plain("pack voltage Vb", si(figures.pack_v, "V")));
    lines
}

fn resistances(figures: &Figures, truth: Option<&TrueFigures>) -> Vec<Line> {
    let rail = match (figures.kind, figures.weakest_is_positive) {
        (Kind::Open, _) => "",
        (_, true) => ", positive",
        (_, false) => ", negative",
    };
    let weakest = format!("weaker rail, min(Rp, Rn){rail}");
    let true_weakest = truth.map(|t| t.positive_ohm.min(t.negative_ohm));
    [
        (
            "R_iso, both rails in parallel",
            &figures.isolation,
            truth.map(|t| t.isolation_ohm),
        ),
        (
            "Rp, positive rail to chassis",
            &figures.positive,
            truth.map(|t| t.positive_ohm),
        ),
        (
            "Rn, negative rail to chassis",
            &figures.negative,
            truth.map(|t| t.negative_ohm),
        ),
        (&weakest, &figures.weakest, true_weakest),
    ]
    .into_iter()
    .map(|(name, of, truth)| Line {
        name: name.to_owned(),
        value: resistance(figures.kind, of),
        interval: interval(of),
        truth: truth.map(ohm),
        held: truth.map(|truth| holds(of, truth)),
    })
    .collect()
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
    let rows: Vec<_> = LIMITS
        .iter()
        .map(|limit| {
            let margin = found(limit.against);
            let value = margin.map(|margin| limit.against.value(margin.found));
            vec![
                cell(limit.source),
                cell(limit.about),
                cell(limit.against.words()),
                cell(value.unwrap_or_else(|| "not known".to_owned())),
                cell(side(margin)),
                cell(limit.known.words()),
            ]
        })
        .collect();
    let heads = [
        ("source", false),
        ("limit", false),
        ("compared", false),
        ("found", true),
        ("against the limit", false),
        ("how it is known", false),
    ];
    html! {
        p {
            "Check values for orientation, at a working voltage of " (si(working, "V"))
            ". The lower end of the interval is compared, not the figure. No conformity is claimed: each text has "
            "conditions that this comparison does not test."
        }
        (table(None, &heads, &rows))
    }
}

fn side(margin: Option<Margin>) -> String {
    match margin {
        Some(m) if m.times > 1e4 => "safe side, by more than 10,000 times".to_owned(),
        Some(m) if m.times >= 1.0 => format!("safe side, {:.2} times", m.times),
        Some(m) => format!("unsafe side, {:.2} times", m.times),
        None => "cannot be told".to_owned(),
    }
}
