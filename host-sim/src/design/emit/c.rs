//! The configuration as C: whole numbers with the unit in the name.

use std::fmt::Write as _;

use ohmsplit::config::Check;

use super::super::Proposal;
use super::super::channel::ChannelChoice;
use super::super::sheet::Sheet;
use crate::network::{DriveKind, FrontEndKind, JudgedWord};

/// Whole parts per million of a limit of error in percent, as a standard
/// uncertainty, upwards.
fn ppm(percent: f64) -> u64 {
    (percent * 1e4 / 3f64.sqrt() - 1e-9).ceil().max(0.0) as u64
}

fn micro(value: f64) -> i64 {
    (value * 1e6).round() as i64
}

fn milli(value: f64) -> i64 {
    (value * 1e3).round() as i64
}

/// Words in the basic character set.
fn plain(words: &str) -> String {
    words.replace('×', "x").replace('Ω', "ohm")
}

/// A C source file with one constant.
pub(super) fn settings(proposal: &Proposal) -> String {
    let sheet = &proposal.sheet;
    let candidate = &proposal.best().candidate;
    let front_end = match sheet.converter.front_end {
        FrontEndKind::ChassisAndPack => "OHMSPLIT_FRONT_END_CHASSIS_AND_PACK",
        FrontEndKind::RailPair => "OHMSPLIT_FRONT_END_RAIL_PAIR",
    };
    let name = sheet.name.replace("*/", "* /");
    let mut text = format!(
        "/* Settings of ohmsplit for \"{name}\".\n * Made by `ohmsplit design`: change the data sheet and make it anew. */\n\
         #include \"ohmsplit.h\"\n\n\
         extern const ohmsplit_settings_t ohmsplit_settings;\n\n\
         /* Give it to ohmsplit_config_init. What is not named is zero. */\n\
         const ohmsplit_settings_t ohmsplit_settings = {{\n    .interface = OHMSPLIT_INTERFACE,\n    \
         .front_end = {front_end},\n    .channels = {{\n",
    );
    for (channel, name) in [candidate.chassis, candidate.pack]
        .iter()
        .zip(sheet.converter.front_end.channels())
    {
        put_channel(&mut text, sheet, channel, name);
    }
    text += "    },\n";
    put_parts(&mut text, proposal);
    put_rest(&mut text, proposal);
    text + "};\n"
}

fn put_channel(text: &mut String, sheet: &Sheet, channel: &ChannelChoice, name: &str) {
    let bits = sheet.converter.bits;
    // Writing to a string cannot fail.
    let _ = writeln!(
        text,
        "        {{ /* {name}; divider top {} in series */\n            .bits = {bits},\n            \
         .zero_code = {},\n            .lowest_code = 0,\n            .highest_code = {},\n            \
         .span_microvolt = {}, /* at the pin */\n            .divider_top_milliohm = {},\n            \
         .divider_bottom_milliohm = {},\n            .offset_uncertainty_microvolt = {},\n            \
         .gain_uncertainty_ppm = {},\n        }},",
        plain(&channel.top.words()),
        channel.zero_code,
        (1i64 << bits) - 1,
        micro(sheet.converter.full_scale_v),
        milli(channel.top.ohm()),
        milli(channel.bottom_ohm),
        (channel.offset_v(sheet) * 1e6 / 3f64.sqrt()).ceil() as i64,
        ppm(channel.gain_percent(sheet)),
    );
}

fn put_parts(text: &mut String, proposal: &Proposal) {
    let candidate = &proposal.best().candidate;
    let sheet = &proposal.sheet;
    let kinds: &[&str] = match candidate.drive.kind {
        DriveKind::SwitchedResistors => &["SWITCHED_TO_POSITIVE", "SWITCHED_TO_NEGATIVE"],
        DriveKind::SourceToNegative => &["SOURCE_TO_NEGATIVE"],
        DriveKind::SourceToBothRails => &["SOURCE_TO_BOTH_RAILS"],
        DriveKind::LogicSource => &["LOGIC_SOURCE"],
    };
    *text += "    .parts = {\n";
    for kind in kinds {
        let source = match candidate.drive.kind {
            DriveKind::SwitchedResistors => String::new(),
            _ => format!(
                "            .high_microvolt = {},\n            .emf_uncertainty_ppm = {},\n",
                micro(candidate.drive.volts),
                ppm(sheet.drive.source_tolerance_percent),
            ),
        };
        let _ = write!(
            text,
            "        {{ /* {} in series */\n            .kind = OHMSPLIT_PART_{kind},\n            \
             .resistance_uncertainty_ppm = {},\n            .resistance_milliohm = {},\n{source}        }},\n",
            plain(&candidate.chain.words()),
            ppm(sheet.resistor.tolerance_percent),
            milli(candidate.chain.ohm()),
        );
    }
    if let Some(check) = candidate.check {
        let _ = write!(
            text,
            "        {{ /* {} in series */\n            .kind = OHMSPLIT_PART_CHECK_TO_{},\n            \
             .resistance_uncertainty_ppm = {},\n            .resistance_milliohm = {},\n        }},\n",
            plain(&check.chain.words()),
            check.rail.word().to_uppercase(),
            ppm(sheet.resistor.tolerance_percent),
            milli(check.chain.ohm()),
        );
    }
    let count = kinds.len() + usize::from(candidate.check.is_some());
    let _ = writeln!(text, "    }},\n    .part_count = {count},");
}

fn put_rest(text: &mut String, proposal: &Proposal) {
    let sheet = &proposal.sheet;
    let candidate = &proposal.best().candidate;
    let timing = &candidate.timing;
    let nano = |seconds: f64| (seconds * 1e9).round();
    let limits = &sheet.limits;
    let judged = match limits.judged {
        JudgedWord::WeakestRail => "WEAKEST_RAIL",
        JudgedWord::BothInParallel => "BOTH_IN_PARALLEL",
    };
    let _ = writeln!(
        text,
        "    .block_microsecond = {},\n    .dwell_min_microsecond = {},\n    \
         .dwell_max_microsecond = {},\n    .capacitance_max_picofarad = {},\n    \
         .reading_lag_nanosecond = {}, /* the input filter */\n    \
         .reading_lag_uncertainty_nanosecond = {},\n    \
         .cycle = {{ OHMSPLIT_DRIVE_RAISE, OHMSPLIT_DRIVE_LOWER }},\n    .cycle_count = 2,\n    \
         .check_cycles = {},\n    \
         .judged = OHMSPLIT_JUDGED_{judged},\n    .working_voltage_microvolt = {},\n    \
         .alarm_ohm_per_volt = {},\n    .warning_ohm_per_volt = {},\n    .hysteresis_ppm = {},\n    \
         .confirmations = {},",
        micro(timing.block_ms * 1e-3),
        micro(timing.dwell_min_s),
        micro(timing.dwell_max_s),
        micro(sheet.pack.capacitance_max_uf),
        nano(candidate.filter.lag_s),
        nano(candidate.filter.lag_tolerance_s(sheet) / 3f64.sqrt()),
        match sheet.drive.check_times() {
            Ok(Check::Every(cycles)) if candidate.check.is_some() => cycles.to_string(),
            Ok(Check::AtStart) if candidate.check.is_some() => "OHMSPLIT_CHECK_AT_START".to_owned(),
            _ => "OHMSPLIT_CHECK_NEVER".to_owned(),
        },
        micro(sheet.working_v()),
        limits.alarm_ohm_per_v,
        limits.warning_ohm_per_v,
        (limits.hysteresis_percent * 1e4).round(),
        limits.confirmations,
    );
}
