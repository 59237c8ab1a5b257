//! The network: drawing, declared parts, and where the uncertainty comes from.

use maud::{Markup, html};

use super::Evidence;
use super::budget::Budget;
use super::schematic::schematic;
use super::table::{cell, table};
use crate::network::{ChannelPart, DriveKind, NetworkFile, Rail};
use crate::output::{Figures, si};

pub(super) fn section(evidence: &Evidence<'_>) -> Markup {
    let figures = evidence.record.outcome.answer().ok().map(Figures::of);
    let heads = [("part", false), ("value", false), ("limit of error", false)];
    html! {
        figure {
            div class="scroll" { (schematic(evidence.network, figures.as_ref())) }
            figcaption {
                "Drawn from the network document. Solid: declared. Dashed: leak and capacitance as they were found at the end."
            }
        }
        (table(Some(cell("Declared parts, with limits of error")), &heads, &parts(evidence.network)))
        (timing(evidence.network))
    }
}

fn parts(network: &NetworkFile) -> Vec<Vec<Markup>> {
    let mut rows = drive(network);
    for (place, part) in network.permanent.iter().enumerate() {
        let rail = match part.to {
            Rail::Positive => "P to E",
            Rail::Negative => "N to E",
        };
        rows.push([
            format!("permanent resistor R{}, {rail}", place + 1),
            si(part.resistance_ohm, "Ω"),
            percent(part.tolerance_percent),
        ]);
    }
    let names = network.front_end.kind.channels();
    for (name, part) in names.into_iter().zip(network.front_end.channels()) {
        rows.push([
            format!("{name} channel"),
            channel(&part),
            channel_error(&part),
        ]);
    }
    rows.into_iter().map(|row| row.map(cell).to_vec()).collect()
}

fn drive(network: &NetworkFile) -> Vec<[String; 3]> {
    let drive = &network.drive;
    let kind = match drive.kind {
        DriveKind::SourceToNegative => "source to the negative rail",
        DriveKind::SourceToBothRails => "source to both rails",
        DriveKind::SwitchedResistors => "switched resistors",
        DriveKind::LogicSource => "two-level logic source to the negative rail",
    };
    let source = drive.amplitude_tolerance_percent;
    let resistor = drive.resistance_tolerance_percent;
    let head = ["drive".to_owned(), kind.to_owned(), String::new()];
    let parts = [
        ("source U, ±", drive.amplitude_v, "V", source),
        ("low level", drive.low_v, "V", source),
        ("high level", drive.high_v, "V", source),
        (
            "series resistor Rc",
            drive.series_resistance_ohm,
            "Ω",
            resistor,
        ),
        (
            "switched resistor Ra, P to E",
            drive.positive_resistance_ohm,
            "Ω",
            resistor,
        ),
        (
            "switched resistor Rb, N to E",
            drive.negative_resistance_ohm,
            "Ω",
            resistor,
        ),
    ];
    let given = parts.into_iter().filter_map(|(name, value, unit, limit)| {
        Some([name.to_owned(), si(value?, unit), percent(limit)])
    });
    let known = drive.check_resistor.as_ref().map(|part| {
        let rail = match part.to {
            Rail::Positive => "P to E",
            Rail::Negative => "N to E",
        };
        [
            format!("check resistor Rt, {rail}"),
            si(part.resistance_ohm, "Ω"),
            percent(part.tolerance_percent),
        ]
    });
    std::iter::once(head).chain(given).chain(known).collect()
}

fn percent(limit: f64) -> String {
    if limit > 0.0 {
        format!("±{limit} %")
    } else {
        "none declared".to_owned()
    }
}

fn channel(part: &ChannelPart) -> String {
    let divider = match part.divider_ohm() {
        Some((top, bottom)) => format!("divider {} over {}", si(top, "Ω"), si(bottom, "Ω")),
        None => "no divider".to_owned(),
    };
    match (part.converter_bits, part.converter_full_scale_v) {
        (Some(bits), Some(span)) => format!("{divider}; {bits} bit over {}", si(span, "V")),
        _ => format!("{divider}; readings in volts"),
    }
}

fn channel_error(part: &ChannelPart) -> String {
    let (gain, offset) = (part.gain_tolerance_percent, part.offset_tolerance_v);
    match (gain > 0.0, offset > 0.0) {
        (true, true) => format!("gain ±{gain} %, offset ±{offset} V"),
        (true, false) => format!("gain ±{gain} %"),
        (false, true) => format!("offset ±{offset} V"),
        (false, false) => "none declared".to_owned(),
    }
}

fn timing(network: &NetworkFile) -> Markup {
    let timing = &network.timing;
    let lag = match timing.reading_lag_us {
        Some(lag) => format!("{lag} ±{} µs", timing.reading_lag_tolerance_us),
        None => "not known".to_owned(),
    };
    html! {
        p class="note" {
            "Averaging block " (timing.block_ms) " ms; dwell " (timing.dwell_min_s) " to " (timing.dwell_max_s)
            " s; drive cycle " (timing.cycle.join(", ")) "; reading lag " (lag)
            "; second channel later by " (timing.sampling_skew_us) " µs; largest capacitance expected " (timing.capacitance_max_uf) " µF, of which the insulation absorbs " (timing.absorption_percent) " %; hysteresis "
            (network.limits.hysteresis_percent) " %; confirmations " (network.limits.confirmations) "."
        }
    }
}

/// Where the uncertainty of the judged figure comes from.
pub(super) fn budget(evidence: &Evidence<'_>) -> Markup {
    let outcome = &evidence.record.outcome;
    let judged = evidence.config.limits().judged;
    let figure = outcome
        .answer()
        .ok()
        .filter(|estimate| estimate.kind == ohmsplit::Kind::Figure);
    let Some(budget) = figure.and_then(|estimate| Budget::of(evidence.network, judged, estimate))
    else {
        return html! { p { "Without a resistance at the end there is no budget of its uncertainty." } };
    };
    html! {
        p {
            "What makes the uncertainty of the judged figure. The core was asked once more for each declared tolerance "
            "alone, at the circuit that was found; a limit of error ±t counts as t/√3. Independent sources add as squares "
            "(JCGM 100:2008, 5.1.2; from memory, not verified); what the declared parts do not explain comes from the record."
        }
        @if budget.shares.is_empty() {
            p class="caution" { "The network declares no tolerance at all: the interval holds for perfect parts only." }
        }
        (shares(&budget))
    }
}

fn shares(budget: &Budget) -> Markup {
    let whole = budget.reported_u_s.max(f64::MIN_POSITIVE).powi(2);
    let row = |source: &str, declared: &str, u: f64| {
        let percent = format!("{:.4} %", u / budget.conductance_s.abs() * 100.0);
        let share = (u * u / whole).min(1.0) * 100.0;
        vec![
            cell(source),
            cell(declared),
            cell(percent),
            cell(format!("{share:.1} %")),
            html! { span class="share" style=(format!("width:{share:.1}%")) {} },
        ]
    };
    let declared = budget.shares.iter();
    let mut rows: Vec<_> = declared
        .map(|share| row(&share.source, &share.declared, share.u_s))
        .collect();
    let rest = "this record: noise, resolution, fit, reading lag, absorption";
    rows.push(row(rest, "as measured", budget.record_u_s));
    rows.push(row("all together, as reported", "", budget.reported_u_s));
    let heads = [
        ("source", false),
        ("declared limit", false),
        ("standard uncertainty", true),
        ("share of u²", true),
        ("drawn", false),
    ];
    table(None, &heads, &rows)
}
