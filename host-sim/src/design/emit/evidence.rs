//! The part of the design note that says how sure its figures are.

use std::fmt::Write as _;

use ohmsplit::config::Check;

use super::super::Proposal;
use super::super::answer::COVERAGE;
use super::super::budget::Budget;
use super::super::check::shown;
use super::super::trial::{RUNS, Run};
use super::{number, ohm, si};

pub(super) fn errors(proposal: &Proposal) -> String {
    let best = proposal.best();
    let mut text = format!(
        "## Error budget\n\nOf the judged figure, worst over x = 0, 1/2, 1 and both ends of the pack voltage. A limit of error ±t is a standard \
         uncertainty of t/√3 (JCGM 100:2008, from memory, not verified); independent parts add as squares. Gain and load of a divider \
         count apart, the resistors of a chain together.\n\n{}{}",
        budget_table("At the warning limit", &best.warning),
        budget_table("At the alarm limit", &best.alarm),
    );
    let spread = &proposal.spread;
    let parts = best.warning.lines.iter().zip(&spread.by_part);
    let alone: Vec<String> = parts
        .map(|(line, deviation)| format!("{} {deviation:.3} %", line.part))
        .collect();
    let _ = writeln!(
        text,
        "Monte Carlo at the warning limit, {} trials, seed {}: mean {:+.3} %, standard deviation {:.3} % (budget {:.3} %), \
         95 % within {:+.2} to {:+.2} %, all within {:+.2} to {:+.2} % (worst case ±{:.2} %). With one part drawn at a time the standard deviation is: {}.\n",
        spread.trials,
        proposal.seed,
        spread.mean,
        spread.deviation,
        best.warning.u_percent(),
        spread.interval[0],
        spread.interval[1],
        spread.range[0],
        spread.range[1],
        best.warning.worst_percent(),
        alone.join("; "),
    );
    text
}

fn budget_table(title: &str, budget: &Budget) -> String {
    let mut text = format!(
        "{title}: {} at x = {}, {} V.\n\n| part | limit of error | at its limit, % | u, % | share of variance |\n|---|---|---|---|---|\n",
        si(budget.ohm, "Ω"),
        number(budget.position),
        number(budget.pack_v),
    );
    let variance = budget.u_percent().powi(2).max(f64::MIN_POSITIVE);
    let mut lines: Vec<_> = budget.lines.iter().collect();
    lines.sort_by(|a, b| b.u_percent().total_cmp(&a.u_percent()));
    for line in lines {
        let _ = writeln!(
            text,
            "| {} | ±{:.3} {} | {:+.3} | {:.3} | {:.0} % |",
            line.part,
            line.limit,
            line.unit,
            line.effect_percent,
            line.u_percent(),
            line.u_percent().powi(2) / variance * 100.0,
        );
    }
    let _ = writeln!(
        text,
        "| **all together** | | **±{:.2}, worst case** | **{:.3}** | ±{:.2} % at 95 % |\n",
        budget.worst_percent(),
        budget.u_percent(),
        COVERAGE * budget.u_percent(),
    );
    text
}

/// What the check resistor shows, or that there is none.
pub(super) fn checked(proposal: &Proposal) -> String {
    let best = proposal.best();
    let sheet = &proposal.sheet;
    let Some(check) = best.candidate.check else {
        return "## The check\n\nNone (`check = \"never\"`): the readings of a drive or a channel that drifts are those of another leak, \
                and nothing shows it. The hardware or its service must cover that.\n\n"
            .to_owned();
    };
    let mut text = format!(
        "## The check\n\n{} ({}) with a switch of its own, closed in the drive state `check` alone, {}. The leak that the two driven states \
         yield must balance it too. A part or channel that is off is contradicted from this deviation on, at {} V, with every other at its limit \
         of error and the noise of the shortest dwells ({} s each). Unnoticed: what it may add to or take from the judged conductance before that, or until it \
         has doubled, as a part of the conductance at the warning limit.\n\n\
         | off | without a leak | unnoticed | at the warning limit, x = 1/2 | unnoticed |\n|---|---|---|---|---|\n",
        check.words(),
        ohm(check.chain.ohm()),
        match sheet.drive.check_times() {
            Ok(Check::AtStart) => "after the first answer".to_owned(),
            _ => format!("after the first answer and {}", sheet.drive.check),
        },
        number(sheet.working_v()),
        number(best.candidate.timing.dwell_min_s),
    );
    let percent = |off: f64| {
        if off < 1.0 {
            format!("±{:.2} %", off * 100.0)
        } else {
            "not shown".to_owned()
        }
    };
    for (part, shown) in shown(sheet, &best.candidate, &best.monitor) {
        let [none, leaking] =
            shown.map(|one| format!("{} | {:.2} %", percent(one.off), one.unnoticed * 100.0));
        let _ = writeln!(text, "| {part} | {none} | {leaking} |");
    }
    text + "\nTo first order. Not shown: a leak wholly at the rail of the check resistor beside what is off, drifts within the limits of error, and what is \
            off between two checks. Its current and its load on the isolation are in the figures above.\n\n"
}

pub(super) fn tried(proposal: &Proposal) -> String {
    let mut text = format!(
        "## Tried in the simulated plant\n\nThe core measured the circuits of both budgets {RUNS} times, each time with parts drawn from their limits, \
         noise, and the largest capacitance. Where both rails leak alike, the weaker of the two as measured reads low on average.\n\n"
    );
    for (name, runs) in ["warning", "alarm"].iter().zip(&proposal.runs) {
        let _ = writeln!(text, "At the {name} limit {}\n", tried_at(runs));
    }
    text
}

fn tried_at(runs: &[Run]) -> String {
    let holding = runs.iter().filter(|run| run.holds()).count();
    let mut errors: Vec<f64> = runs.iter().map(|run| run.error_percent).collect();
    errors.sort_by(f64::total_cmp);
    let mut times: Vec<f64> = runs.iter().filter_map(|run: &Run| run.answered_s).collect();
    times.sort_by(f64::total_cmp);
    let (Some(low), Some(high)) = (errors.first(), errors.last()) else {
        return "no run came to a figure: do not use this design.".to_owned();
    };
    let found = format!(
        "{} runs came to a figure; it was off by {low:+.2} to {high:+.2} %, and the 95 % interval held the truth in {holding}.",
        runs.len(),
    );
    match (times.get(times.len() / 2), times.last()) {
        (Some(median), Some(slowest)) => format!(
            "{found} The interval was within the accuracy wanted after {median:.2} s in half of them, after {slowest:.2} s in {} of {RUNS}.",
            times.len(),
        ),
        _ => format!("{found} The interval was never within the accuracy wanted."),
    }
}
