//! Scenario documents: a good one, and every rule broken once.

use super::*;
use crate::document::Document;
use crate::error::{HostError, Place};

const GOOD: &str = r#"format = "ohmsplit-scenario-1"
name = "bench"
description = "a leak that grows"
seed = 7
duration_s = 60.0
sample_rate_Hz = 1000.0
half_period_s = 2.0

[network.pack]
working_voltage_V = 400.0
[network.drive]
kind = "source_to_negative"
amplitude_V = 40.0
series_resistance_ohm = 1.0e6
[[network.permanent]]
to = "positive"
resistance_ohm = 10.0e6
[network.front_end]
kind = "chassis_and_pack"

[[leak]]
from_s = 0.0
positive_ohm = inf
[[leak]]
from_s = 10.0
resistance_ohm = 1.0e6
position = 0.3
ramp_s = 5.0

[capacitance]
positive_uF = 0.5
negative_uF = 0.25

[pack_profile]
point = [{ time_s = 0.0, voltage_V = 400.0 }, { time_s = 60.0, voltage_V = 390.0 }]
step = [{ time_s = 5.0, change_V = -12.0 }]
ramp = [{ from_s = 10.0, to_s = 20.0, change_V = 8.0 }]

[disturbance]
noise_chassis_V = 0.02
noise_pack_V = 0.05
ripple_V = 2.0
ripple_Hz = 8013.0
hum_V = 3.0
hum_Hz = 50.0

[parts]
draw = true
amplitude_percent = 0.1
negative_resistance_percent = -0.1
permanent_percent = [0.2]
chassis = { gain_percent = 0.1, offset_V = 0.01, load_percent = 1.0 }
pack = { gain_percent = -0.1 }
"#;

fn parse(text: &str) -> Result<Scenario, HostError> {
    Scenario::parse(&Document::embedded("s.toml", text))
}

#[test]
fn a_full_scenario_is_read_field_by_field() {
    let scenario = parse(GOOD).expect("good");
    assert_eq!((scenario.duration_s, scenario.samples()), (60.0, 60_000));
    assert_eq!(scenario.half_period_s, Some(2.0));
    let world = &scenario.world;
    assert_eq!((world.seed, world.sample_rate_hz), (7, 1000.0));
    assert_eq!(
        world.leaks[1],
        Leak {
            from_s: 10.0,
            ramp_s: Some(5.0),
            ..Leak::at(1e6, 0.3)
        }
    );
    assert_eq!(world.capacitance.farads(), [0.5e-6, 0.25e-6]);
    assert_eq!(world.pack_profile.point[1].voltage_v, 390.0);
    assert_eq!(world.pack_profile.step[0].change_v, -12.0);
    assert_eq!(world.pack_profile.ramp[0].to_s, 20.0);
    assert_eq!(world.disturbance.noise(false), [0.02, 0.05]);
    assert_eq!(
        (world.disturbance.ripple_hz, world.disturbance.hum_v),
        (8013.0, 3.0)
    );
    assert_eq!(world.parts.permanent_percent, [0.2]);
    assert_eq!(world.parts.pack.and_then(|p| p.gain_percent), Some(-0.1));
    // Without converters the readings are microvolts.
    assert_eq!(scenario.config.front_end().channels()[0].bits, 32);
}

/// What is replaced, by what, and the field that the error must name.
const BROKEN: &[(&str, &str, &str)] = &[
    ("scenario-1", "scenario-9", "format"),
    ("duration_s = 60.0", "duration_s = 0", "duration_s"),
    (
        "sample_rate_Hz = 1000.0",
        "sample_rate_Hz = 0",
        "sample_rate_Hz",
    ),
    ("half_period_s = 2.0", "half_period_s = 61", "half_period_s"),
    (
        "amplitude_V = 40.0",
        "amplitude_V = 0",
        "network.drive.amplitude_V",
    ),
    (
        "positive_ohm = inf",
        "positive_ohm = -1",
        "leak[0].positive_ohm",
    ),
    (
        "positive_ohm = inf",
        "positive_ohm = nan",
        "leak[0].positive_ohm",
    ),
    ("positive_ohm = inf", "", "leak[0]"),
    ("position = 0.3", "", "leak[1]"),
    ("position = 0.3", "position = 1.5", "leak[1].position"),
    ("ramp_s = 5.0", "ramp_s = 5.0\nnegative_ohm = 1", "leak[1]"),
    ("ramp_s = 5.0", "ramp_s = -5.0", "leak[1].ramp_s"),
    ("from_s = 10.0\nres", "from_s = 0\nres", "leak[1].from_s"),
    (
        "negative_uF = 0.25",
        "negative_uF = 1e-7",
        "capacitance.negative_uF",
    ),
    (
        "negative_uF = 0.25",
        "negative_uF = -1",
        "capacitance.negative_uF",
    ),
    (
        "[pack_profile]",
        "[pack_profile]\nstart_V = 1",
        "pack_profile.start_V",
    ),
    (
        "time_s = 60.0",
        "time_s = 0.0",
        "pack_profile.point[1].time_s",
    ),
    (
        "change_V = -12.0",
        "change_V = nan",
        "pack_profile.step[0].change_V",
    ),
    ("to_s = 20.0", "to_s = 10.0", "pack_profile.ramp[0].to_s"),
    (
        "noise_pack_V",
        "noise_negative_V",
        "disturbance.noise_negative_V",
    ),
    (
        "noise_pack_V = 0.05",
        "noise_pack_V = -1",
        "disturbance.noise_pack_V",
    ),
    (
        "ripple_Hz = 8013.0",
        "ripple_Hz = 0",
        "disturbance.ripple_Hz",
    ),
    ("hum_V = 3.0", "hum_V = inf", "disturbance.hum_V"),
    (
        "negative_res",
        "positive_res",
        "parts.positive_resistance_percent",
    ),
    (
        "amplitude_percent = 0.1",
        "amplitude_percent = -100",
        "parts.amplitude_percent",
    ),
    ("[0.2]", "[0.2, 0.3]", "parts.permanent_percent"),
    ("[0.2]", "[-99]", "parts.permanent_percent[0]"),
    ("pack = { gain", "positive = { gain", "parts.positive"),
    (
        "load_percent = 1.0",
        "load_percent = nan",
        "parts.chassis.load_percent",
    ),
];

#[test]
fn each_wrong_value_is_named_with_its_place() {
    for (old, new, path) in BROKEN {
        assert!(GOOD.contains(old), "{old}");
        let error = parse(&GOOD.replacen(old, new, 1)).expect_err(new);
        let Place::Field {
            path: found,
            position,
        } = &error.place
        else {
            panic!("{new}: {error}");
        };
        assert_eq!(found, path, "{error}");
        assert!(position.is_some(), "{error}");
        assert!(error.expected.is_some() && error.mend.is_some(), "{error}");
    }
}

#[test]
fn unknown_and_missing_fields_are_shown_at_line_and_column() {
    for (old, new, words) in [
        ("seed = 7", "sede = 7", "unknown field `sede`"),
        ("seed = 7", "", "missing field `seed`"),
        (
            "hum_V = 3.0",
            "hum_volts = 3.0",
            "unknown field `hum_volts`",
        ),
        ("position = 0.3", "postion = 0.3", "unknown field `postion`"),
        (
            "duration_s = 60.0",
            "duration_s = \"60\"",
            "duration_s: invalid type",
        ),
    ] {
        let error = parse(&GOOD.replacen(old, new, 1)).expect_err(new);
        assert!(matches!(error.place, Place::Position { .. }), "{error:?}");
        assert!(error.problem.contains(words), "{error}");
    }
}

#[test]
fn a_chassis_that_nothing_holds_is_refused() {
    let alone = "positive_uF = 0.0\nnegative_uF = 0.0";
    let text = GOOD.replacen("positive_uF = 0.5\nnegative_uF = 0.25", alone, 1);
    // The permanent part holds it; without that nothing does before 10 s.
    parse(&text).expect("held by the permanent part");
    let bleed = "[[network.permanent]]\nto = \"positive\"\nresistance_ohm = 10.0e6\n";
    let text = text.replacen(bleed, "", 1).replacen("[0.2]", "[]", 1);
    let error = parse(&text).expect_err("nothing holds the chassis");
    assert!(error.problem.contains("nothing holds"), "{error}");
    parse(&text.replacen("positive_ohm = inf", "positive_ohm = 1e9", 1)).expect("held by a leak");
}

#[test]
fn what_begins_after_the_end_is_named() {
    let whole = parse(GOOD).expect("good");
    assert_eq!(whole.beyond_the_end(), []);
    let fault = "[[fault]]\nfrom_s = 50.0\nwhat = { kind = \"drive_open\" }\n";
    for (duration, due) in [
        (
            "10.0",
            &[
                "leak[1].from_s",
                "fault[0].from_s",
                "pack_profile.ramp[0].from_s",
            ][..],
        ),
        ("10.5", &["fault[0].from_s"]),
        ("50.5", &[]),
        (
            "4.0",
            &[
                "leak[1].from_s",
                "fault[0].from_s",
                "pack_profile.step[0].time_s",
                "pack_profile.ramp[0].from_s",
            ],
        ),
    ] {
        let text = GOOD.replacen("duration_s = 60.0", &format!("duration_s = {duration}"), 1);
        let cut = parse(&(text + fault)).expect("a cut run");
        let found = cut.beyond_the_end();
        let fields: Vec<_> = found.iter().map(|(field, _)| field.as_str()).collect();
        assert_eq!(fields, due, "{duration}");
        assert!(found.iter().all(|&(_, from)| from >= cut.duration_s));
    }
}

/// The scenarios that ship, in `hil-fixtures/scenarios`.
#[test]
fn shipped_scenarios_are_sound_and_show_every_drive() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/../hil-fixtures/scenarios");
    let mut drives = std::collections::BTreeSet::new();
    let mut rail_pairs = 0;
    for entry in std::fs::read_dir(folder).expect("the folder of scenarios") {
        let path = entry.expect("a file").path();
        let scenario = Scenario::read(&path).unwrap_or_else(|error| panic!("{error}"));
        assert!(
            scenario.description.contains("To see:"),
            "{}",
            path.display()
        );
        drives.insert(scenario.network.drive.kind.word());
        let kind = scenario.network.front_end.kind;
        rail_pairs += usize::from(kind == crate::network::FrontEndKind::RailPair);
    }
    assert_eq!(drives.len(), 4, "{drives:?}");
    assert!(rail_pairs > 0);
}
