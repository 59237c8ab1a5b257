//! Every rule of the network document, broken once.

use super::*;
use crate::error::Place;

const GOOD: &str = r#"format = "ohmsplit-network-1"
name = "bench"

[pack]
working_voltage_V = 400.0
cells_in_series = 96

[drive]
kind = "source_to_negative"
amplitude_V = 40.0
series_resistance_ohm = 1.0e6
resistance_tolerance_percent = 1.0

[[permanent]]
to = "negative"
resistance_ohm = 10.0e6

[front_end]
kind = "chassis_and_pack"
[front_end.chassis]
divider_top_ohm = 9.9e6
divider_bottom_ohm = 100.0e3
converter_bits = 16
converter_full_scale_V = 20.48
zero_code = 32768
[front_end.pack]
converter_bits = 16
converter_full_scale_V = 2048.0
zero_code = 32768

[timing]
block_ms = 20.0
dwell_min_s = 0.5

[limits]
alarm_ohm_per_V = 100
"#;

fn parse(text: &str) -> Result<NetworkFile, HostError> {
    NetworkFile::parse(&Document::embedded("n.toml", text))
}

/// The error that comes of replacing one piece of the good document.
fn broken(old: &str, new: &str) -> HostError {
    assert!(GOOD.contains(old), "{old}");
    parse(&GOOD.replacen(old, new, 1)).expect_err(new)
}

#[test]
fn tolerances_become_standard_uncertainties_and_dividers_load() {
    let config = parse(GOOD)
        .expect("good")
        .config(Readings::Codes)
        .expect("config");
    let parts = config.network().elements();
    // The drive, the bleed, and the chassis divider; the pack's does not touch the chassis.
    assert_eq!(parts.len(), 3);
    let u = parts[0].resistance_u.get().to_num::<f64>();
    assert!((u - 0.01 / 3f64.sqrt()).abs() < 1e-9, "{u}");
    assert_eq!(parts[2].resistance.get().to_num::<f64>(), 10.0e6);
    // 20.48 V behind 100:1 spans 2048 V.
    let [chassis, pack] = config.front_end().channels();
    for channel in [chassis, pack] {
        assert!((channel.span.get().to_num::<f64>() - 2048.0).abs() < 1e-5);
        assert_eq!((channel.lowest, channel.highest), (0, 65535));
    }
}

#[test]
fn a_capture_in_volts_has_codes_of_one_microvolt() {
    let config = parse(GOOD)
        .expect("good")
        .config(Readings::Volts)
        .expect("config");
    let [chassis, _] = config.front_end().channels();
    let span = chassis.span.get().to_num::<f64>();
    assert!((span / 4_294.967_296 - 1.0).abs() < 1e-12, "{span}");
    assert_eq!(config.network().elements().len(), 3);
}

#[expect(clippy::too_many_lines, reason = "a table, one case an entry")]
#[test]
fn each_wrong_value_is_named_with_its_line() {
    for (old, new, path, line) in [
        (
            "working_voltage_V = 400.0",
            "working_voltage_V = nan",
            "pack.working_voltage_V",
            5,
        ),
        (
            "cells_in_series = 96",
            "cells_in_series = 0",
            "pack.cells_in_series",
            6,
        ),
        (
            "amplitude_V = 40.0",
            "amplitude_V = -40.0",
            "drive.amplitude_V",
            10,
        ),
        ("amplitude_V = 40.0", "", "drive.amplitude_V", 8),
        (
            "amplitude_V = 40.0",
            "amplitude_V = 40\nlow_V = 0",
            "drive.low_V",
            11,
        ),
        (
            "resistance_ohm = 10.0e6",
            "resistance_ohm = 0",
            "permanent[0].resistance_ohm",
            16,
        ),
        (
            "divider_top_ohm = 9.9e6",
            "",
            "front_end.chassis.divider_top_ohm",
            20,
        ),
        (
            "converter_bits = 16",
            "converter_bits = 40",
            "front_end.chassis.converter_bits",
            23,
        ),
        (
            "zero_code = 32768",
            "zero_code = 65536",
            "front_end.chassis.zero_code",
            25,
        ),
        ("zero_code = 32768", "", "front_end.chassis.zero_code", 20),
        (
            "\"chassis_and_pack\"",
            "\"rail_pair\"",
            "front_end.chassis",
            20,
        ),
        (
            "zero_code = 32768",
            "zero_code = 9\nlowest_valid_code = 20\nhighest_valid_code = 20",
            "front_end.chassis.highest_valid_code",
            27,
        ),
        (
            "block_ms = 20.0",
            "block_ms = 500.0",
            "timing.dwell_min_s",
            33,
        ),
        (
            "block_ms = 20.0",
            "cycle = [\"up\", \"lower\"]",
            "timing.cycle",
            32,
        ),
        ("block_ms = 20.0", "cycle = [\"raise\"]", "timing.cycle", 32),
        (
            "block_ms = 20.0",
            "check = \"every 0 cycles\"",
            "timing.check",
            32,
        ),
        ("block_ms = 20.0", "check = \"often\"", "timing.check", 32),
        (
            "block_ms = 20.0",
            "cycle = [\"rest\", \"rest\"]",
            "timing.cycle",
            32,
        ),
        (
            "alarm_ohm_per_V = 100",
            "alarm_ohm_per_V = 600",
            "limits.alarm_ohm_per_V",
            36,
        ),
        (
            "alarm_ohm_per_V = 100",
            "alarm_ohm_per_V = 0.5",
            "limits.alarm_ohm_per_V",
            36,
        ),
        ("ohmsplit-network-1", "ohmsplit-network-9", "format", 1),
    ] {
        let error = broken(old, new);
        let Place::Field {
            path: found,
            position,
        } = &error.place
        else {
            panic!("{new}: {error}");
        };
        assert_eq!(found, path, "{error}");
        assert_eq!(position.map(|(line, _)| line), Some(line), "{error}");
        assert!(error.expected.is_some() && error.mend.is_some(), "{error}");
    }
}

#[test]
fn what_is_not_such_a_document_is_shown_at_line_and_column() {
    for (old, new, words) in [
        ("name = \"bench\"", "nom = \"bench\"", "unknown field `nom`"),
        (
            "working_voltage_V = 400.0",
            "",
            "missing field `working_voltage_V`",
        ),
        (
            "amplitude_V = 40.0",
            "amplitude_V = \"40\"",
            "amplitude_V: invalid type",
        ),
        (
            "\"source_to_negative\"",
            "\"bell\"",
            "unknown variant `bell`",
        ),
        ("[pack]", "[pack", ""),
    ] {
        let error = broken(old, new);
        assert!(matches!(error.place, Place::Position { .. }), "{error:?}");
        assert!(error.problem.contains(words), "{error}");
    }
}

#[test]
fn every_kind_of_drive_and_the_rail_pair_reach_the_core() {
    for (drive, parts) in [
        (
            "kind = \"source_to_both_rails\"\namplitude_V = 40\nseries_resistance_ohm = 1e6",
            3,
        ),
        (
            "kind = \"logic_source\"\nlow_V = 0\nhigh_V = 3.3\nseries_resistance_ohm = 1e6",
            3,
        ),
        (
            "kind = \"switched_resistors\"\npositive_resistance_ohm = 5e5\nnegative_resistance_ohm = 4e5",
            4,
        ),
    ] {
        let text = format!(
            "format = \"{FORMAT}\"\n[pack]\nworking_voltage_V = 400\n[drive]\n{drive}\n\
             [front_end]\nkind = \"rail_pair\"\n\
             [front_end.positive]\ndivider_top_ohm = 1e7\ndivider_bottom_ohm = 1e5\n\
             [front_end.negative]\ndivider_top_ohm = 1e7\ndivider_bottom_ohm = 1e5\n"
        );
        let network = parse(&text).expect(drive);
        let config = network.config(Readings::Volts).expect(drive);
        assert_eq!(config.network().elements().len(), parts, "{drive}");
    }
}

#[test]
fn a_check_resistor_is_a_part_of_the_check_state_and_has_a_rail_and_a_resistance() {
    use ohmsplit::config::{Drive, Element, Landing};
    let table =
        "[drive.check_resistor]\nto = \"positive\"\nresistance_ohm = 820e3\n\n[[permanent]]";
    let with = |table: &str| GOOD.replacen("[[permanent]]", table, 1);
    let network = parse(&with(table)).expect("good");
    let config = network.config(Readings::Codes).expect("config");
    let known =
        Element::check_resistor(ohmsplit::units::Ohms::from_int(820_000), Landing::Positive);
    assert!(config.network().elements().contains(&known));
    assert_eq!(config.third(), Drive::Check);
    for (what, bad, field) in [
        ("820e3", "0.0", "drive.check_resistor.resistance_ohm"),
        (
            "820e3",
            "820e3\ntolerance_percent = 60.0",
            "drive.check_resistor.tolerance_percent",
        ),
        (
            "[[permanent]]",
            "[timing]\ncycle = [\"raise\", \"lower\", \"rest\"]\n[[permanent]]",
            "timing.cycle",
        ),
    ] {
        let mut text = with(&table.replacen(what, bad, 1));
        if field == "timing.cycle" {
            text = text.replacen("[timing]\nblock_ms = 20.0\ndwell_min_s = 0.5\n", "", 1);
        }
        let error = parse(&text).expect_err(bad);
        let Place::Field { path, .. } = &error.place else {
            panic!("{error}");
        };
        assert_eq!(path, field);
    }
    let without = broken(
        "dwell_min_s = 0.5",
        "cycle = [\"raise\", \"lower\", \"check\"]",
    );
    assert!(without.to_string().contains("timing.cycle"), "{without}");
}
