//! The outcome in words.

use std::fmt::Write as _;

use super::compare::{Comparison, Figure, Held};
use super::compute::{Bounded, Findings};
use super::sheet::Sheet;
use crate::output::{CAUTION, explain, si};

/// Limits in ohms per volt of the working voltage, and where they stand.
const LIMITS: [(f64, &str); 2] = [
    (
        100.0,
        "UN R100 5.1.3.1, DC; 49 CFR 571.305 S5.3, DC, and IEC 62485-2 (these two from memory, not verified)",
    ),
    (
        500.0,
        "UN R100 5.1.3.1, AC, and 5.1.3.2, DC joined to AC without further protection; 49 CFR 571.305 S5.3, AC (from memory, not verified)",
    ),
];

fn one(of: &Bounded) -> String {
    let interval = match of.high_ohm {
        Some(high) => format!("{} to {}", si(of.low_ohm, "Ω"), si(high, "Ω")),
        None => format!("above {}", si(of.low_ohm, "Ω")),
    };
    match (of.ohm, of.u_ohm) {
        (Some(ohm), Some(u)) => format!("{}, u = {}, 95 %: {interval}", si(ohm, "Ω"), si(u, "Ω")),
        _ => format!("no leak resolved, {interval}"),
    }
}

/// The report of a check.
#[must_use]
pub fn text(sheet: &Sheet, findings: &Findings, held: Option<&Held>) -> String {
    let answer = &findings.answer;
    let mut out = String::new();
    let mut say = |line: String| {
        // A String takes everything.
        let _ = writeln!(out, "{line}");
    };
    say(format!(
        "Ri, the {} rail, weaker   {}",
        answer.weak.word(),
        one(&answer.weakest)
    ));
    say(format!(
        "the {} rail               {}",
        answer.weak.other().word(),
        one(&answer.stronger)
    ));
    say(format!(
        "both in parallel, R_iso       {}",
        one(&answer.parallel)
    ));
    say(format!(
        "\n{}",
        limits(&answer.weakest, sheet.working_voltage_v)
    ));
    if let Some(us) = findings.us_form_ohm {
        say(format!("\n{}", us_form(sheet, us)));
    }
    match held {
        Some(Held::Against(compared)) => say(format!("\n{}", against_monitor(compared))),
        Some(Held::NoFigure(reason)) => say(format!(
            "\nThe monitor gives no figure: {} ({}). Nothing was compared.",
            reason.name(),
            explain(*reason)
        )),
        None => {}
    }
    for warning in &findings.warnings {
        say(format!("\nwarning: {warning}"));
    }
    say(format!("\n{CAUTION}"));
    out
}

/// Ri per volt of the working voltage, against each limit.
fn limits(weakest: &Bounded, working: f64) -> String {
    let per_volt = |ohm: f64| format!("{:.1} Ω/V", ohm / working);
    let figure = weakest
        .ohm
        .map_or_else(|| "no leak resolved".to_owned(), per_volt);
    let low = per_volt(weakest.low_ohm);
    let interval = match weakest.high_ohm {
        Some(high) => format!("{low} to {}", per_volt(high)),
        None => format!("above {low}"),
    };
    let mut lines = vec![
        format!("Ri per volt of the working voltage, {working} V:"),
        format!("  {figure}, 95 %: {interval}"),
    ];
    for (limit, source) in LIMITS {
        let needed = limit * working;
        let word = if weakest.low_ohm >= needed {
            "met"
        } else if weakest.high_ohm.is_some_and(|high| high < needed) {
            "not met"
        } else {
            "cannot tell"
        };
        lines.push(format!(
            "  {limit:.0} Ω/V, {}: {word}\n      {source}",
            si(needed, "Ω")
        ));
    }
    lines.join("\n")
}

/// The other wording of the formula, where it gives another figure.
fn us_form(sheet: &Sheet, ohm: f64) -> String {
    let readings = &sheet.readings;
    let sum = readings.negative_v + readings.positive_v;
    format!(
        "By the form of 49 CFR 571.305 S7.6.6 (from memory, not verified)   {}, {:.1} Ω/V\n  \
         It takes V1 + V2, {sum:.1} V, for the pack voltage, {} V. One meter that is moved loads one rail at a time,\n  \
         so that the sum falls short and this form reads low. Ri above is the form of UN R100, which takes Vb as read.",
        si(ohm, "Ω"),
        ohm / sheet.working_voltage_v,
        readings.pack_v
    )
}

fn against_monitor(compared: &Comparison) -> String {
    let word = if compared.agrees { "agree" } else { "disagree" };
    let figure = match compared.claim.figure {
        Figure::WeakestRail => "weaker rail",
        Figure::BothInParallel => "both in parallel",
    };
    let mut text = format!(
        "The monitor's figure, {figure}: {}\nCheck and monitor {word}: they are {:.1} combined standard uncertainties apart (2 are allowed).",
        one(&compared.claim.resistance),
        compared.deviation.abs()
    );
    if compared.fits_other_figure {
        text += match compared.claim.figure {
            Figure::WeakestRail => {
                "\nIt fits both rails in parallel: see which of the two the monitor shows. Ri is the weaker rail, min(Rp, Rn)."
            }
            Figure::BothInParallel => {
                "\nIt fits the weaker rail: see which of the two the monitor shows. Both in parallel is 1/(1/Rp + 1/Rn)."
            }
        };
    }
    text
}
