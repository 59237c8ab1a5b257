//! The configuration as a Rust module: the very numbers of the core's own.

use std::fmt::Write as _;

use ohmsplit::config::{Channel, Config, Element, FrontEnd, Judged};
use ohmsplit::units::{Ohms, Ratio, Volts};

use super::super::Proposal;
use super::number;
use crate::error::HostError;
use crate::network::{DriveKind, Readings};

/// The module. It holds fixed-point bits, so that firmware and the network
/// document cannot differ by a rounding.
pub(super) fn config(proposal: &Proposal) -> Result<String, HostError> {
    let defect = |problem: String| HostError::input(format!("defect of the design: {problem}"));
    let config = proposal
        .best()
        .candidate
        .network(&proposal.sheet)
        .and_then(|network| network.config(Readings::Codes))
        .map_err(|fault| defect(fault.problem))?;
    Ok(module(proposal, &config))
}

fn module(proposal: &Proposal, config: &Config) -> String {
    let (kind, names) = match config.front_end() {
        FrontEnd::ChassisAndPack { .. } => ("ChassisAndPack", ["chassis", "pack"]),
        FrontEnd::RailPair { .. } => ("RailPair", ["positive", "negative"]),
    };
    let mut text = format!(
        "//! Configuration of ohmsplit for {:?}.\n//!\n\
         //! Made by `ohmsplit design`: change the data sheet and make it anew.\n\
         //! Fixed-point bits stand for the values beside them, with 32 fraction bits (resistances 16).\n\n\
         use ohmsplit::config::{{\n    Channel, Check, Config, ConfigError, Divider, Drive, Element, FrontEnd, Judged, {}Limits, Timing,\n}};\n\
         use ohmsplit::units::{{Measured, Microfarads, Ohms, Ratio, Seconds, Volts}};\n\n\
         /// The monitor as designed.\n///\n/// # Errors\n/// None: the design tool has built it once.\n\
         pub fn config() -> Result<Config, ConfigError> {{\n",
        proposal.sheet.name,
        if proposal.best().candidate.check.is_some() {
            "Landing, "
        } else {
            ""
        },
    );
    for (name, channel) in names.iter().zip(config.front_end().channels()) {
        put_channel(&mut text, name, channel);
    }
    let [one, two] = names;
    // Writing to a string cannot fail.
    let _ = writeln!(
        text,
        "    let front_end = FrontEnd::{kind} {{ {one}, {two} }};"
    );
    put_parts(&mut text, proposal, config);
    put_timing(&mut text, config);
    put_limits(&mut text, config);
    text + "    Config::try_new(front_end, &parts, timing, limits)\n}\n"
}

fn ohms(value: Ohms) -> String {
    let exact = value.get().to_num::<f64>();
    match exact {
        whole if whole.fract() == 0.0 && whole < 2e9 => format!("Ohms::from_int({whole})"),
        _ => format!("Ohms::from_bits({})", value.to_bits()),
    }
}

fn volts(value: Volts) -> String {
    let exact = value.get().to_num::<f64>();
    match exact {
        whole if whole.fract() == 0.0 => format!("Volts::from_int({whole})"),
        _ => format!("Volts::from_bits({})", value.to_bits()),
    }
}

fn ratio(value: Ratio) -> String {
    match value.to_bits() {
        0 => "Ratio::ZERO".to_owned(),
        bits => format!("Ratio::from_bits({bits})"),
    }
}

fn percent(value: Ratio) -> String {
    format!("{:.5} %", value.get().to_num::<f64>() * 100.0)
}

fn put_channel(text: &mut String, name: &str, channel: &Channel) {
    let span = channel.span.get().to_num::<f64>();
    let _ = writeln!(
        text,
        "    // {span:.4} V at the terminals for all codes; 0 V is code {}.\n    \
         let mut {name} = Channel::bipolar({}, {});\n    {name}.zero_code = {};\n    \
         {name}.lowest = {};\n    {name}.highest = {};\n    \
         {name}.gain_u = {}; // {}\n    {name}.offset_u = {}; // {:.6} V",
        channel.zero_code,
        channel.bits,
        volts(channel.span),
        channel.zero_code,
        channel.lowest,
        channel.highest,
        ratio(channel.gain_u),
        percent(channel.gain_u),
        volts(channel.offset_u),
        channel.offset_u.get().to_num::<f64>(),
    );
    if let Some(divider) = channel.divider {
        let _ = writeln!(
            text,
            "    // The span has its ratio already; this is what it loads the circuit with.\n    \
             {name}.divider = Some(Divider {{\n        top: {},\n        bottom: {},\n    }});",
            ohms(divider.top),
            ohms(divider.bottom),
        );
    }
}

fn put_parts(text: &mut String, proposal: &Proposal, config: &Config) {
    let candidate = &proposal.best().candidate;
    let level = |value: f64| {
        let fixed = fixed::types::I32F32::saturating_from_num(value);
        volts(Volts::new(fixed))
    };
    let u = level(candidate.drive.volts);
    let element = |part: &Element| {
        let resistance = ohms(part.resistance);
        match candidate.drive.kind {
            DriveKind::SourceToNegative => format!("source_to_negative({u}, {resistance})"),
            DriveKind::SourceToBothRails => format!("source_to_both_rails({u}, {resistance})"),
            DriveKind::LogicSource => format!("logic_source(Volts::ZERO, {u}, {resistance})"),
            DriveKind::SwitchedResistors
                if *part
                    == Element::switched_to_positive(part.resistance)
                        .with_uncertainty(part.resistance_u, part.emf_u) =>
            {
                format!("switched_to_positive({resistance})")
            }
            DriveKind::SwitchedResistors => format!("switched_to_negative({resistance})"),
        }
    };
    let own = match candidate.drive.kind {
        DriveKind::SwitchedResistors => 2,
        _ => 1,
    };
    let _ = writeln!(
        text,
        "    // Each chain: {}.\n    let parts = [",
        candidate.chain.words()
    );
    // The dividers, which the configuration adds itself, come after the drive.
    for part in config.network().elements().iter().take(own) {
        let _ = writeln!(
            text,
            "        Element::{}\n            .with_uncertainty({}, {}), // {}, {}",
            element(part),
            ratio(part.resistance_u),
            ratio(part.emf_u),
            percent(part.resistance_u),
            percent(part.emf_u),
        );
    }
    if let Some(check) = candidate.check {
        let known = config.network().elements().iter().find(|part| part.checks);
        if let Some(known) = known {
            let _ = writeln!(
                text,
                "        // {}.\n        Element::check_resistor({}, Landing::{:?})\n            .with_uncertainty({}, Ratio::ZERO), // {}",
                check.words(),
                ohms(known.resistance),
                known.landing,
                ratio(known.resistance_u),
                percent(known.resistance_u),
            );
        }
    }
    *text += "    ];\n";
}

fn put_timing(text: &mut String, config: &Config) {
    let timing = config.timing();
    let _ = writeln!(
        text,
        "    let mut timing = Timing::default();\n    timing.block_us = {};\n    \
         timing.dwell_min_us = {};\n    timing.dwell_max_us = {};\n    \
         timing.capacitance_max = Microfarads::from_bits({}); // {} uF",
        timing.block_us,
        timing.dwell_min_us,
        timing.dwell_max_us,
        timing.capacitance_max.to_bits(),
        number((timing.capacitance_max.get().to_num::<f64>() * 1e6).round() / 1e6),
    );
    if let Some(lag) = timing.reading_lag {
        let micros = |seconds: ohmsplit::units::Seconds| seconds.get().to_num::<f64>() * 1e6;
        let _ = writeln!(
            text,
            "    // The input filter: {:.1} us, standard uncertainty {:.1} us.\n    \
             timing.reading_lag = Some(Measured {{\n        value: Seconds::from_bits({}),\n        \
             u: Seconds::from_bits({}),\n    }});",
            micros(lag.value),
            micros(lag.u),
            lag.value.to_bits(),
            lag.u.to_bits(),
        );
    }
    let _ = writeln!(text, "    timing.check = Check::{:?};", timing.check);
    let states: Vec<String> = timing
        .cycle()
        .iter()
        .map(|drive| format!("Drive::{drive:?}"))
        .collect();
    let _ = writeln!(
        text,
        "    let timing = timing\n        .with_cycle(&[{}])\n        .ok_or(ConfigError::CycleWithoutStimulus)?;",
        states.join(", ")
    );
}

fn put_limits(text: &mut String, config: &Config) {
    let limits = config.limits();
    let judged = match limits.judged {
        Judged::WeakestRail => "WeakestRail",
        Judged::BothInParallel => "BothInParallel",
    };
    let _ = writeln!(
        text,
        "    let mut limits = Limits::new({}, Judged::{judged});\n    \
         limits.alarm_ohm_per_volt = {};\n    limits.warning_ohm_per_volt = {};\n    \
         limits.hysteresis = {}; // {}\n    limits.confirmations = {};",
        volts(limits.working_voltage),
        limits.alarm_ohm_per_volt,
        limits.warning_ohm_per_volt,
        ratio(limits.hysteresis),
        percent(limits.hysteresis),
        limits.confirmations,
    );
}
