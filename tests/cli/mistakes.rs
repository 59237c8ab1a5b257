//! What someone new gets wrong: each is told once, with the place, what was
//! expected and how to mend it, and nothing half-written stays.

use super::bad_input::{LEAK, changed, refused};
use super::{Bench, Run, fixture, text_of};

/// One error, with one expectation and one cure.
fn told(run: &Run, words: &[&str]) {
    refused(run, words);
    for part in ["expected:", "to mend:"] {
        assert_eq!(run.err.matches(part).count(), 1, "{part} in: {}", run.err);
    }
}

fn utf16(text: &str, mark: bool) -> Vec<u8> {
    let mark = mark.then_some(0xfeff);
    let units = mark.into_iter().chain(text.encode_utf16());
    units.flat_map(u16::to_le_bytes).collect()
}

/// Captures that are none, as they come from spreadsheets, loggers and wrong menus.
fn captures() -> Vec<(Vec<u8>, &'static [&'static str])> {
    let good = changed(LEAK, |_| {});
    let text = |text: String| text.into_bytes();
    let date = changed(LEAK, |row| row[0] = format!("2026-01-01T00:00:{}", row[0]));
    let epoch = changed(LEAK, |row| row[0] = format!("176000000{}", row[0]));
    vec![
        (utf16(&good, true), &["UTF-16", "save it as UTF-8"]),
        (utf16(&good, false), &["UTF-16", "save it as UTF-8"]),
        (
            text(good.replace(',', "\t")),
            &["line 1", "no header row", "by commas"],
        ),
        (
            text(format!("sep=;\n{}", good.replace(',', ";"))),
            &["line 1", "remove this line"],
        ),
        (
            text(good.replace(
                "time_s,drive,chassis_V,pack_V",
                "Time_s,Drive,Chassis_V,Pack_V",
            )),
            &["line 1", "write time_s instead of Time_s"],
        ),
        (
            text(good.replace("chassis_V", "Chassis_V")),
            &["line 1", "\"Chassis_V\"", "write chassis_V"],
        ),
        (
            text(good.replace('\n', "\r")),
            &["line 1", "carriage return", "line feed"],
        ),
        (
            text(date),
            &[
                "line 2, column time_s",
                "2026-01-01",
                "count seconds from the beginning",
            ],
        ),
        (
            text(epoch),
            &[
                "line 2, column time_s",
                "out of range",
                "count seconds from the beginning",
            ],
        ),
        (
            b"PK\x03\x04\x14\0\x06\0".to_vec(),
            &["spreadsheet", "save the sheet as CSV"],
        ),
        (
            b"\x28\xb5\x2f\xfd\x04\0\0\0".to_vec(),
            &["zstd", "unpack it"],
        ),
        (b"\x7fELF\x02\x01\x01\0\r\r".to_vec(), &["not text"]),
        (
            text(good.replace("109.", "0x109.")),
            &["line 2, column chassis_V", "is not a number"],
        ),
    ]
}

#[test]
fn a_file_that_is_no_capture_is_told_by_what_it_is() {
    let network = fixture(&format!("captures/{LEAK}.toml"));
    for (content, words) in captures() {
        let bench = Bench::new();
        bench.write("run.csv", content);
        let replay = ["replay", "run.csv", "--network", &network];
        told(
            &bench.run(&[&replay[..], &["--picture", "run.svg"]].concat()),
            words,
        );
        assert_eq!(bench.files(), ["run.csv"], "{words:?}");
    }
}

const SPAN: &str = "converter_full_scale_V = 8.192";
const TOP: &str = "divider_top_ohm = 9900000.0\ndivider_bottom_ohm = 100000.0";
/// What stands in a network, what someone new writes instead, and what is said.
const SLIPS: [(&str, &str, &[&str]); 14] = [
    // A decimal comma, a multiple, a unit, a percent sign.
    (
        SPAN,
        "converter_full_scale_V = 8,192",
        &["line 21", "with a point"],
    ),
    (
        "200000.0",
        "\"200k\"",
        &[
            "line 11, column 27: positive_resistance_ohm",
            "without quotes",
        ],
    ),
    ("200000.0", "200k", &["line 11", "without a unit"]),
    (
        "200000.0",
        "200000.0\nresistance_tolerance_percent = 0.5%",
        &["line 12", "without a unit"],
    ),
    // Misspelt, and nearly right.
    (
        "cells_in_series",
        "cell_in_series",
        &["line 7", "perhaps to cells_in_series;"],
    ),
    (
        "switched_resistors",
        "switched_resistor",
        &["line 10", "perhaps to switched_resistors;"],
    ),
    ("[drive]", "[drives]", &["line 9", "perhaps to drive;"]),
    // A count that is none.
    (
        "cells_in_series = 144",
        "cells_in_series = -144",
        &["line 7", "cells_in_series", "not negative"],
    ),
    (
        "cells_in_series = 144",
        "cells_in_series = 14.4",
        &["line 7", "without a point"],
    ),
    // Volts that are millivolts; a divider the wrong way round.
    (
        SPAN,
        "converter_full_scale_V = 8192",
        &[
            "line 21",
            "front_end.chassis.converter_full_scale_V",
            "819200 V",
            "at the converter's pin",
        ],
    ),
    (
        TOP,
        "divider_top_ohm = 100.0\ndivider_bottom_ohm = -9900000.0",
        &["line 19", "divider_bottom_ohm", "1 to 1000000000 ohm"],
    ),
    // The same table twice; a resistor that pushes.
    (
        "[drive]",
        "[pack]\n[drive]",
        &["line 9", "duplicate key", "remove one of the two"],
    ),
    (
        "150000.0",
        "-150000.0",
        &["line 12", "drive.negative_resistance_ohm", "ohm"],
    ),
    (
        "[drive]",
        "[limits]\njudged = \"weakest\"\n[drive]",
        &["line 10", "weakest_rail"],
    ),
];

#[test]
fn a_slip_in_a_network_is_told_with_its_line_and_a_cure() {
    let capture = fixture("captures/switched-600v-12bit.csv.gz");
    let good = text_of("captures/switched-600v-12bit.toml");
    for (from, to, words) in SLIPS {
        assert!(good.contains(from), "{from}");
        let bench = Bench::new();
        bench.write("n.toml", good.replacen(from, to, 1));
        let run = bench.run(&[
            "replay",
            &capture,
            "--network",
            "n.toml",
            "--picture",
            "run.svg",
        ]);
        told(&run, words);
        told(&run, &["n.toml, line"]);
        assert_eq!(bench.files(), ["n.toml"]);
    }
    let bench = Bench::new();
    for (content, words) in [
        (Vec::new(), &["n.toml: the file is empty"][..]),
        (
            utf16(&good, true),
            &["n.toml: the file is UTF-16 text", "UTF-8"],
        ),
    ] {
        bench.write("n.toml", content);
        told(
            &bench.run(&["replay", &capture, "--network", "n.toml"]),
            words,
        );
    }
}

/// A plan names fields of another document: still one error with one cure.
#[test]
fn a_field_of_a_plan_that_makes_no_sound_scenario_is_told_once() {
    let scenario = fixture("scenarios/parked-car-connector-gets-wet.toml");
    let good = format!(
        "format = \"ohmsplit-plan-1\"\nname = \"p\"\nscenario = \"{scenario}\"\ntrials = 1\nseed = 1\n\
         [set]\nduration_s = 1.0\n[[axis]]\nfield = \"leak[0].resistance_ohm\"\nvalues = [1e6]\n"
    );
    for (from, to, words) in [
        (
            "[1e6]",
            "[-1.0]",
            &[
                "line 9",
                "axis[0].field",
                "leak[0].resistance_ohm",
                "-1 is out of range",
                "inf for none",
            ][..],
        ),
        ("[1e6]", "[\"1M\"]", &["axis[0].field", "1.0e6"]),
        (
            "resistance_ohm",
            "resistence_ohm",
            &[
                "unknown field `resistence_ohm`",
                "perhaps to resistance_ohm;",
            ],
        ),
        (
            "duration_s = 1.0",
            "duration = 1.0",
            &[
                "field set",
                "unknown field `duration`",
                "perhaps to duration_s;",
            ],
        ),
        (
            "duration_s = 1.0",
            "duration_s = 1e9",
            &["field set", "duration_s: 1000000000 is out of range"],
        ),
    ] {
        assert!(good.contains(from), "{from}");
        let bench = Bench::new();
        bench.write("p.toml", good.replacen(from, to, 1));
        told(
            &bench.run(&["campaign", "sweep", "p.toml", "--out", "out"]),
            words,
        );
        assert_eq!(bench.files(), ["p.toml"]);
    }
}

#[test]
fn an_output_that_cannot_be_placed_is_told_and_leaves_nothing() {
    let capture = fixture(&format!("captures/{LEAK}.csv"));
    let pack = fixture("packs/car-400v.toml");
    let scenario = fixture("scenarios/workshop-hard-short.toml");
    let bench = Bench::new();
    bench.write("taken", "mine\n");
    for (arguments, words) in [
        (
            &["evidence", &capture, "--out", "no/r.html"][..],
            &["no/r.html", "folder no is not there", "make the folder"][..],
        ),
        (
            &["evidence", &capture, "--out", "taken/r.html"],
            &["folder taken is no folder"],
        ),
        (
            &["evidence", &capture, "--out", "."],
            &["is a folder", "the name of a file"],
        ),
        (
            &["simulate", &scenario, "--capture", "no/such/run.csv"],
            &["folder no/such is not there"],
        ),
        (
            &["replay", &capture, "--picture", "no/p.svg"],
            &["no/p.svg", "make the folder"],
        ),
        (
            &["design", &pack, "--out", "taken"],
            &["taken: this is a file", "name another folder"],
        ),
        (
            &[
                "fleet",
                &fixture("formats/volts-in-one-group.mf4"),
                "--out",
                "taken",
            ],
            &["taken", "name another"],
        ),
    ] {
        let run = bench.run(arguments);
        refused(&run, words);
        assert!(run.err.contains("to mend:"), "{}", run.err);
        assert!(!run.err.contains(".ohmsplit-"), "{}", run.err);
        assert_eq!(bench.files(), ["taken"], "{arguments:?}");
    }
    assert_eq!(
        std::fs::read_to_string(bench.path("taken")).expect("kept"),
        "mine\n"
    );
}

/// A log of CAN frames whose database or identifiers are not those of the bus.
#[test]
fn a_database_that_does_not_suit_the_bus_is_told() {
    let log = std::fs::read(fixture("formats/frames-on-a-bus-log.csv.gz")).expect("a log");
    let network = text_of("formats/frames-on-a-bus-log.toml");
    let database = text_of("formats/frames-on-a-bus.dbc");
    let id = "BO_ ";
    let (before, rest) = database.split_once(id).expect("a message");
    let other = format!("{before}{id}7{rest}");
    for (database, words) in [
        (
            String::new(),
            &["n.toml, line", "channels.dbc", "describes no message"][..],
        ),
        (
            other,
            &["run.csv.gz", "none ever comes of Isolation.ChassisCode"],
        ),
    ] {
        let bench = Bench::new();
        bench.write("run.csv.gz", &log);
        bench.write("frames-on-a-bus.dbc", database);
        bench.write("n.toml", &network);
        told(
            &bench.run(&["replay", "run.csv.gz", "--network", "n.toml"]),
            words,
        );
    }
}

/// A group may be given as a number, as the message about groups has it.
#[test]
fn a_group_is_named_by_its_number_with_or_without_quotes() {
    let capture = fixture("formats/codes-in-three-groups.mf4");
    let network = text_of("formats/codes-in-three-groups.toml");
    let bench = Bench::new();
    bench.write("n.toml", network.replace("group = \"1\"", "group = 1"));
    let run = bench.run(&["replay", &capture, "--network", "n.toml", "--show", "final"]);
    assert!(
        run.err.is_empty() && run.out.contains("142.9 kΩ"),
        "{}{}",
        run.err,
        run.out
    );
}

#[test]
fn a_drive_that_never_changes_gets_a_hint() {
    let network = fixture(&format!("captures/{LEAK}.toml"));
    for (state, hinted) in [("rest", true), ("raise", true), ("lower", true)] {
        let bench = Bench::new();
        bench.write("run.csv", changed(LEAK, |row| row[1] = state.to_owned()));
        let run = bench.run(&[
            "replay",
            "run.csv",
            "--network",
            &network,
            "--show",
            "final",
        ]);
        assert_eq!(run.code, Some(30), "{}", run.out);
        assert_eq!(
            run.out.contains("in one state throughout"),
            hinted,
            "{}",
            run.out
        );
    }
    let capture = fixture(&format!("captures/{LEAK}.csv"));
    let run = Bench::new().run(&["replay", &capture, "--show", "final"]);
    assert!(!run.out.contains("in one state throughout"));
}
