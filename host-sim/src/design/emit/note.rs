//! The design note: what is proposed and why, for people.

use std::fmt::Write as _;

use super::super::Proposal;
use super::super::answer::SETTLED;
use super::super::chain::Ratings;
use super::super::channel::CAPACITOR_PERCENT;
use super::super::margin::{Energy, inserted_ohm, margins, waited};
use super::super::rank::{Rated, WANTED, burden};
use super::super::series::Series;
use super::super::sheet::Sheet;
use super::{evidence, judged_word, number, ohm, si};
use crate::network::{DriveKind, JudgedWord};
use crate::output::CAUTION;

/// Lines of the ranked table.
const SHOWN: usize = 12;

/// The note, in Markdown.
pub(super) fn note(proposal: &Proposal, command: &str) -> String {
    let mut text = head(proposal, command);
    text += &parts(proposal);
    text += &wanted(proposal);
    text += &ranking(proposal);
    text += &evidence::errors(proposal);
    text += &evidence::checked(proposal);
    text += &evidence::tried(proposal);
    text += &timing(proposal);
    text += &against_limits(proposal);
    text += LEFT_OUT;
    text
}

fn head(proposal: &Proposal, command: &str) -> String {
    let sheet = &proposal.sheet;
    let best = proposal.best();
    let drive = match best.candidate.drive.kind {
        DriveKind::SwitchedResistors => "a resistor switched to either rail in turn".to_owned(),
        DriveKind::SourceToNegative => {
            format!(
                "a source of ±{} V to the negative rail",
                number(best.candidate.drive.volts)
            )
        }
        DriveKind::SourceToBothRails => {
            format!(
                "a source of ±{} V to both rails",
                number(best.candidate.drive.volts)
            )
        }
        DriveKind::LogicSource => format!(
            "a logic output of 0 and {} V to the negative rail",
            number(best.candidate.drive.volts)
        ),
    };
    let check = best.candidate.check.map_or_else(
        || "no check of the drive".to_owned(),
        |check| format!("a check resistor of {}", check.words()),
    );
    format!(
        "# Isolation monitor for {}\n\n**Proposed: {drive}, {} ({}); {check}.** It knows the judged figure at the limits to \
         ±{:.2} % (95 %), parts alone, pushes at most {:.3} mA into the chassis, and can tell within {:.2} s.\n\n\
         > {caution}\n>\n> This note proposes; it certifies nothing and claims no conformity. Parts on high voltage \
         need their makers' ratings, clearances and fuses checked by people licensed for it, under the local electrical code.\n\n\
         Made by:\n\n```sh\n{command}\n```\n\nFiles: `network.toml` for `ohmsplit replay`, `scenario.toml` for \
         `ohmsplit simulate`, `ohmsplit_config.rs` and `ohmsplit_config.c` for firmware, `design.svg`.\n\n",
        sheet.name,
        best.candidate.chain.words(),
        ohm(best.candidate.chain.ohm()),
        best.accuracy_percent(),
        best.current_a * 1e3,
        best.answer_s,
        caution = CAUTION
            .replace('\n', "\n> ")
            .replacen("Caution:", "**Caution**:", 1),
    )
}

fn parts(proposal: &Proposal) -> String {
    let sheet = &proposal.sheet;
    let candidate = &proposal.best().candidate;
    let ratings = Ratings::of(&sheet.resistor);
    let mut text = "## Parts\n\n| part | of | made of | V across it, at most | V each | mW each |\n|---|---|---|---|---|---|\n".to_owned();
    let check = candidate.check.map(|check| ("check chain", 1, check.chain));
    let rows = [
        ("drive chain", candidate.drive.chains(), candidate.chain),
        ("divider top, first channel", 1, candidate.chassis.top),
        ("divider top, second channel", 1, candidate.pack.top),
    ];
    for (name, count, chain) in rows.into_iter().chain(check) {
        // Writing to a string cannot fail.
        let _ = writeln!(
            text,
            "| {count} {name} | {} | {} | {:.0} | {:.1} | {:.1} |",
            ohm(chain.ohm()),
            chain.words(),
            chain.volts,
            chain.each_volts(),
            chain.each_watts() * 1e3,
        );
    }
    for (name, channel) in [("first", candidate.chassis), ("second", candidate.pack)] {
        let _ = writeln!(
            text,
            "| divider bottom, {name} channel | {} | one, to a buffered {} V | {:.2} | | |",
            ohm(channel.bottom_ohm),
            number(channel.zero_v),
            sheet.converter.full_scale_v,
        );
    }
    let _ = writeln!(
        text,
        "\nFrom {}, {} %, size {}. One resistor: rated {} V and {} W, of which {} % and {} % are used; creepage good for {:.0} V \
         (IEC 60664-1, pollution degree 2, material group III: from memory, not verified). Ratings of a size are common practice, no \
         source, unless the data sheet gives them. With any one resistor of a chain shorted the others stay within their \
         full rating (common practice, no source). {} resistors in all; at most {} in them together.\n",
        sheet.resistor.series.name(),
        number(sheet.resistor.tolerance_percent),
        sheet.resistor.package.name(),
        number(ratings.volts),
        number(ratings.watts),
        number(sheet.resistor.voltage_used_percent),
        number(sheet.resistor.power_used_percent),
        ratings.creepage_volts,
        candidate.resistors(),
        si(candidate.watts(), "W"),
    );
    let filter = &candidate.filter;
    let _ = writeln!(
        text,
        "Input filter: {} ({}) from each pin to its reference; corner {:.0} Hz, readings lag by {:.0} µs, which the configuration \
         declares. A switch of the drive must block {:.0} V.\n",
        si(filter.capacitor_f, "F"),
        Series::E6.name(),
        filter.corner_hz(),
        filter.lag_s * 1e6,
        candidate.chain.volts,
    );
    text
}

/// A requirement, what is wanted and what the proposal does.
fn requirement(sheet: &Sheet, one: &Rated, n: usize) -> [String; 2] {
    let wanted = &sheet.wanted;
    match n {
        0 => [
            format!("±{} %", wanted.accuracy_percent),
            format!("±{:.2} %", one.accuracy_percent()),
        ],
        1 => [
            format!("{} s", wanted.answer_within_s),
            format!("{:.2} s", one.answer_s),
        ],
        2 => [
            format!("{} mA", wanted.current_max_ma),
            format!("{:.3} mA", one.current_a * 1e3),
        ],
        3 => [
            format!("{} Ω/V", sheet.burden_min()),
            format!("{:.0} Ω/V", one.burden_ohm / sheet.working_v()),
        ],
        _ => [
            format!("{} V", wanted.swing_min_v),
            format!("{:.2} V", one.swing_v),
        ],
    }
}

fn wanted(proposal: &Proposal) -> String {
    let sheet = &proposal.sheet;
    let best = proposal.best();
    let mut text =
        "## What was wanted\n\n| requirement | wanted | proposed | used |\n|---|---|---|---|\n"
            .to_owned();
    for (n, name) in WANTED.iter().enumerate() {
        let [wanted, found] = requirement(sheet, best, n);
        let used = best.uses[n] * 100.0;
        let _ = writeln!(text, "| {name} | {wanted} | {found} | {used:.0} % |");
    }
    let parallel = burden(&best.monitor, JudgedWord::BothInParallel);
    let rail = burden(&best.monitor, JudgedWord::WeakestRail);
    let _ = writeln!(
        text,
        "\nJudged: {}. The monitor itself, in its heavier state, is {} ({:.0} Ω/V) to one rail and {} ({:.0} Ω/V) to both in parallel. \
         An in-situ measurement sees it too, unless the monitor is stopped or removed, which UN R100 permits (read).\n",
        judged_word(sheet.limits.judged).replace('_', " "),
        si(rail, "Ω"),
        rail / sheet.working_v(),
        si(parallel, "Ω"),
        parallel / sheet.working_v(),
    );
    text
}

fn ranking(proposal: &Proposal) -> String {
    let sheet = &proposal.sheet;
    let all = &proposal.ranking;
    let working = all.iter().take_while(|one| one.works()).count();
    let mut text = format!(
        "## Proposals\n\n{} were tried, {working} do all that is wanted. The one whose largest use of a requirement is smallest comes first, among equals that with the smallest sum; \
         `--pick NUMBER` takes another. Below the best of them, the best of each drive.\n\n![Accuracy and time to answer against current](design.svg)\n\n\
         | | drive | chain | divider | accuracy ±% | answer s | current mA | burden Ω/V | swing V | tau s | power mW | resistors | largest use |\n\
         |---|---|---|---|---|---|---|---|---|---|---|---|---|\n",
        all.len()
    );
    let mut seen: Vec<String> = Vec::new();
    for (place, one) in all.iter().enumerate() {
        let drive = one.candidate.drive.words();
        let new = !seen.contains(&drive);
        if new {
            seen.push(drive);
        }
        if place < SHOWN || new || place == proposal.chosen {
            text += &ranked(sheet, one, place, place == proposal.chosen);
        }
    }
    text + "\nAccuracy is what parts alone leave, the wider of warning and alarm limit; swing is at the alarm limit; the answer is there when noise takes no more than \
            the rest, from power-up, by the Cramér-Rao bound of that record; the monitor's squared error was 1.0 to 1.4 times the bound in \
            nine of ten circuits of the efficiency campaign. More than 100 % of a requirement: it is not met.\n\n"
}

fn ranked(sheet: &Sheet, one: &Rated, place: usize, chosen: bool) -> String {
    let candidate = &one.candidate;
    let mark = if chosen { "**" } else { "" };
    let answer = if one.answer_s.is_finite() {
        format!("{:.2}", one.answer_s)
    } else {
        "none".to_owned()
    };
    let used = if one.tightest().is_finite() {
        format!("{:.0} %", one.tightest() * 100.0)
    } else {
        "not met".to_owned()
    };
    format!(
        "| {mark}{}{mark} | {} | {} | {} | {:.2} | {answer} | {:.3} | {:.0} | {:.2} | {:.3} | {:.0} | {} | {used} |\n",
        place + 1,
        candidate.drive.words(),
        candidate.chain.words(),
        si(candidate.chassis.load_ohm(), "Ω"),
        one.accuracy_percent(),
        one.current_a * 1e3,
        one.burden_ohm / sheet.working_v(),
        one.swing_v,
        one.tau_s,
        candidate.watts() * 1e3,
        candidate.resistors(),
    )
}

fn timing(proposal: &Proposal) -> String {
    let best = proposal.best();
    let timing = &best.candidate.timing;
    let confirmations = proposal.sheet.limits.confirmations;
    format!(
        "## Timing\n\n| | |\n|---|---|\n| averaging block | {} ms |\n| dwell, shortest and longest | {} s, {} s |\n\
         | time constant at the warning limit | {} |\n| time constant of a pack without a leak | {} |\n\
         | two dwells settled to 1 % at the warning limit (4.6 time constants each) | {:.2} s |\n\
         | the same without a leak | {:.2} s |\n| bound: known as well as wanted at both limits, from power-up | {:.2} s |\n\
         | a leak of half of the warning limit that begins later: warning, slowest of three runs in the plant | {} |\n\
         | tolerance of the reading lag | {} %, common practice for a filter capacitor, no source |\n\n\
         A verdict changes when {confirmations} estimates in a row agree. The monitor that waits for settled readings (`monitor = \"settled\"`) takes the \
         two dwells. In circuits slower than the dwell, an uncertain reading lag costs the transient fit up to a factor of two in the \
         standard uncertainty: a smaller filter capacitor, or a measured lag, brings it back.\n\n",
        number(timing.block_ms),
        number(timing.dwell_min_s),
        number(timing.dwell_max_s),
        si(best.tau_s, "s"),
        si(best.tau_healthy_s, "s"),
        2.0 * SETTLED * best.tau_s,
        2.0 * SETTLED * best.tau_healthy_s,
        best.answer_s,
        waited(proposal.noticed_s),
        number(CAPACITOR_PERCENT),
    )
}

fn against_limits(proposal: &Proposal) -> String {
    let sheet = &proposal.sheet;
    let mut text = "## Against published limits\n\nA margin above 1 is room, below 1 the limit is missed. No conformity is claimed.\n\n\
                    | limit | says | this design | margin | seen |\n|---|---|---|---|---|\n"
        .to_owned();
    for margin in margins(sheet, proposal.best(), proposal.noticed_s) {
        let _ = writeln!(
            text,
            "| {} | {} | {} | {:.2}{} | {} |",
            margin.source,
            margin.limit,
            margin.design,
            margin.times,
            if margin.times < 1.0 {
                ", **missed**"
            } else {
                ""
            },
            margin.seen.words(),
        );
    }
    let working = sheet.working_v();
    let energy = Energy::of(sheet);
    let own = burden(&proposal.best().monitor, JudgedWord::WeakestRail);
    let [low, high] = [95.0, 100.0].map(|per_volt| inserted_ohm(working, per_volt, own));
    let _ = writeln!(
        text,
        "\n**Where they differ.** The in-situ test of UN R100 and 49 CFR 571.305 yields the weaker rail, min(Rp, Rn); IEC 61557-8 means both \
         rails in parallel (the formulas were read, and that they yield these figures is algebra). For a leak to one rail they are the same. For a \
         symmetric leak the parallel figure is half: {} from either rail is {} Ω/V for the one and {} Ω/V for the other. UN R100 wants the \
         warning at or above its limit, 49 CFR 571.305 S8 tests it with 95 to 100 Ω/V.\n\n\
         **Function test.** With the monitor's own load of {} as the only other path, {} to {} from one rail to the chassis makes 95 to \
         100 Ω/V (571.305 S8, from memory, not verified): the warning must come.\n\n\
         **Stored energy.** {} in {} µF with the chassis at a rail, {} with it centred; 0.2 J would be {} at {} V.\n",
        si(100.0 * working, "Ω"),
        100,
        50,
        si(own, "Ω"),
        si(low, "Ω"),
        si(high, "Ω"),
        si(energy.at_rail_j, "J"),
        number(sheet.pack.capacitance_max_uf),
        si(energy.centred_j, "J"),
        si(energy.for_limit_f, "F"),
        number(sheet.pack.voltage_max_v),
    );
    text
}

/// What the calculation does not tell.
const LEFT_OUT: &str = "\
## What is not in it

- Hum, ripple and a moving pack voltage: no noise averages them away; try them in `scenario.toml`.
- Surge, isolation and clearance of the switches, sources and the converter's supply.
- The tolerance of a divider's load is in the budget, but not in the interval that the core states: it reads as a leak of its size.
- The simulated plant has no input filter: `scenario.toml` declares no lag, `network.toml` does.
";
