//! From a pack's data sheet to configurations in one command, and what is said
//! to a person who uses it for the first time.

use super::{Bench, Run, fixture};

const FILES: [&str; 6] = [
    "design.md",
    "design.svg",
    "network.toml",
    "ohmsplit_config.c",
    "ohmsplit_config.rs",
    "scenario.toml",
];

/// The example, its drives cut down to one so that a test is short.
fn sheet() -> String {
    let text = std::fs::read_to_string(fixture("packs/car-400v.toml")).expect("the example");
    with(
        &text,
        ", \"source_to_negative\", \"source_to_both_rails\", \"logic_source\"",
        "",
    )
}

fn with(text: &str, old: &str, new: &str) -> String {
    assert!(text.contains(old), "{old}");
    text.replacen(old, new, 1)
}

fn design(bench: &Bench, text: &str) -> Run {
    bench.write("pack.toml", text);
    bench.run(&["design", "pack.toml", "--out", "out"])
}

fn written(bench: &Bench, name: &str) -> String {
    std::fs::read_to_string(bench.path("out").join(name)).expect(name)
}

#[test]
fn one_command_makes_all_and_the_tool_takes_what_it_made() {
    let bench = Bench::new();
    let run = design(&bench, &sheet());
    assert_eq!(run.code, Some(0), "{}", run.err);
    assert!(run.out.contains("accuracy") && run.out.contains("Voltages of a battery can kill"));
    let mut files: Vec<_> = std::fs::read_dir(bench.path("out"))
        .expect("the folder")
        .map(|entry| {
            entry
                .expect("entry")
                .file_name()
                .into_string()
                .expect("name")
        })
        .collect();
    files.sort();
    assert_eq!(files, FILES);
    assert_eq!(bench.files(), ["out", "pack.toml"]);

    // Healthy, warning, alarm: as the scenario says.
    let run = bench.run(&[
        "simulate",
        "out/scenario.toml",
        "--show",
        "lines",
        "--capture",
        "run.csv.gz",
    ]);
    assert_eq!(run.code, Some(20), "{}", run.err);
    let verdicts: Vec<String> = run
        .objects()
        .iter()
        .filter_map(|line| line["verdict"].as_str().map(str::to_owned))
        .collect();
    for verdict in ["healthy", "warning", "alarm"] {
        assert!(verdicts.iter().any(|found| found == verdict), "{verdict}");
    }
    // The network is one for replay: it sees the same alarm in the same codes.
    let run = bench.run(&["replay", "run.csv.gz", "--network", "out/network.toml"]);
    assert_eq!(run.code, Some(20), "{}", run.err);
}

#[test]
fn the_note_has_all_that_an_engineer_weighs() {
    let bench = Bench::new();
    assert_eq!(design(&bench, &sheet()).code, Some(0));
    let note = written(&bench, "design.md");
    for words in [
        "**Caution**",
        "ohmsplit design pack.toml --out out --replace",
        "| **1** | switched |",
        "## Error budget",
        "Monte Carlo at the warning limit",
        "## The check",
        "| drive resistors, alike |",
        "| 1 check chain |",
        "## Tried in the simulated plant",
        "UN R100 5.1.3.1",
        "49 CFR 571.305",
        "ISO 6469-3",
        "IEC 61557-8",
        "IEC 62485-2",
        "from memory, not verified",
        "common practice, no source",
        "**Where they differ.**",
        "**Stored energy.**",
    ] {
        assert!(note.contains(words), "{words}");
    }
    assert!(!note.contains("NaN"), "{note}");
    let plot = written(&bench, "design.svg");
    assert!(plot.starts_with("<svg") && plot.contains("time to answer"));
}

#[test]
fn every_data_sheet_that_ships_comes_to_a_design() {
    let mut seen = 0;
    for entry in std::fs::read_dir(fixture("packs")).expect("the folder") {
        let path = entry.expect("entry").path();
        let bench = Bench::new();
        let run = bench.run(&["design", &path.display().to_string(), "--out", "out"]);
        assert_eq!(run.code, Some(0), "{}: {}", path.display(), run.err);
        let run = bench.run(&["simulate", "out/scenario.toml", "--show", "final"]);
        assert_eq!(run.code, Some(20), "{}: {}", path.display(), run.out);
        seen += 1;
    }
    assert!(seen >= 3);
}

#[test]
fn the_same_command_makes_the_same_bytes_and_nothing_is_written_over_unasked() {
    let bench = Bench::new();
    assert_eq!(design(&bench, &sheet()).code, Some(0));
    let before = FILES.map(|name| written(&bench, name));
    bench.write("out/network.toml", "mine");
    let run = bench.run(&["design", "pack.toml", "--out", "out"]);
    assert_eq!(run.code, Some(2));
    assert!(run.err.contains("not empty") && run.err.contains("--replace"));
    assert_eq!(written(&bench, "network.toml"), "mine");
    let run = bench.run(&["design", "pack.toml", "--out", "out", "--replace"]);
    assert_eq!(run.code, Some(0), "{}", run.err);
    assert_eq!(FILES.map(|name| written(&bench, name)), before);
}

#[test]
fn another_place_of_the_ranking_can_be_taken() {
    let bench = Bench::new();
    bench.write("pack.toml", sheet());
    let pick = |place: &str| {
        bench.run(&[
            "design",
            "pack.toml",
            "--out",
            "out",
            "--replace",
            "--pick",
            place,
        ])
    };
    assert_eq!(pick("1").code, Some(0));
    let first = written(&bench, "network.toml");
    assert_eq!(pick("7").code, Some(0));
    assert_ne!(written(&bench, "network.toml"), first);
    assert!(written(&bench, "design.md").contains("| **7** |"));
    let run = pick("99999");
    assert_eq!(run.code, Some(2));
    assert!(run.err.contains("--pick") && run.err.contains("expected: 1 to"));
}

#[test]
fn without_a_data_sheet_the_example_is_printed_to_begin_with() {
    let run = Bench::new().run(&["design"]);
    assert_eq!(run.code, Some(0));
    let example = std::fs::read_to_string(fixture("packs/car-400v.toml")).expect("the example");
    assert_eq!(run.out, example);
    // And the page of formats has every field of it.
    let page = Bench::new().run(&["formats"]).out;
    assert!(page.contains("ohmsplit-pack-1") && page.contains("swing_min_V"));
}

#[expect(clippy::too_many_lines, reason = "a table, one mistake an entry")]
#[test]
fn each_mistake_of_a_first_time_says_where_and_how_to_mend_it() {
    let example = sheet();
    for (old, new, place, mend) in [
        // Wrong unit.
        (
            "current_max_mA = 2.0",
            "current_max_mA = 2e-4",
            "line 25",
            "0.001 to 100 mA",
        ),
        (
            "capacitance_max_uF = 1.0",
            "capacitance_max_uF = 1e-6",
            "capacitance_max_uF",
            "microfarads",
        ),
        (
            "voltage_max_V = 420.0",
            "voltage_max_V = 420e3",
            "line 12",
            "check the unit",
        ),
        (
            "current_max_mA",
            "current_max_A",
            "line 25",
            "perhaps to current_max_mA",
        ),
        // Missing, or not there.
        (
            "answer_within_s = 5.0",
            "",
            "line 22",
            "missing field `answer_within_s`",
        ),
        (
            "[converter] ",
            "[convertor]",
            "line",
            "unknown field `convertor`",
        ),
        (
            "format = \"ohmsplit-pack-1\"",
            "",
            "format",
            "`ohmsplit design` without a file prints one",
        ),
        (
            "ohmsplit-pack-1",
            "ohmsplit-scenario-1",
            "line 7",
            "ohmsplit-pack-1",
        ),
        // Swapped, or contradicting.
        (
            "voltage_min_V = 270.0",
            "voltage_min_V = 470.0",
            "line 11",
            "exchange the two",
        ),
        (
            "alarm_ohm_per_V = 100.0",
            "alarm_ohm_per_V = 900.0",
            "limits.alarm_ohm_per_V",
            "at most limits.warning_ohm_per_V",
        ),
        (
            "working_voltage_V = 400.0",
            "working_voltage_V = 500.0",
            "working_voltage_V",
            "at most pack.voltage_max_V",
        ),
        (
            "\"switched_resistors\"",
            "\"logic_source\", \"source_to_negative\"",
            "drive.kinds[1]",
            "add source_V",
        ),
        (
            "\"switched_resistors\"",
            "",
            "drive.kinds",
            "one or more of",
        ),
        (
            "\"every 10 cycles\"",
            "\"every 0 cycles\"",
            "drive.check",
            "\"every N cycles\" with N of 1 to 255",
        ),
        ("package = \"1206\"", "package = \"1210\"", "line", "0603, "),
        ("bits = 16", "bits = \"16\"", "line", "without quotes"),
        (
            "voltage_min_V = 270.0",
            "voltage_min_V = 270,0",
            "line 11",
            "with a point",
        ),
    ] {
        let bench = Bench::new();
        let text = with(&example, old, new).replace("source_V = [24.0, 48.0]", "");
        let run = design(&bench, &text);
        assert_eq!(run.code, Some(2), "{new}: {}", run.out);
        for words in [place, mend, "to mend:"] {
            assert!(run.err.contains(words), "{new}: {words}: {}", run.err);
        }
        assert_eq!(bench.files(), ["pack.toml"], "{new}");
    }
}

#[test]
fn what_cannot_work_says_so_and_the_change_that_it_names_makes_it_possible() {
    let example = sheet();
    let slow = with(
        &example,
        "capacitance_max_uF = 1.0",
        "capacitance_max_uF = 100.0",
    );
    let slow = with(&slow, "answer_within_s = 5.0", "answer_within_s = 0.4");
    for (text, missed, field) in [
        (
            with(&example, "current_max_mA = 2.0", "current_max_mA = 0.05"),
            "pushes",
            "wanted.current_max_mA",
        ),
        (
            with(
                &example,
                "accuracy_percent = 15.0",
                "accuracy_percent = 0.5",
            ),
            "accurate to",
            "wanted.accuracy_percent",
        ),
        (slow, "answer", "wanted.answer_within_s"),
    ] {
        let bench = Bench::new();
        let run = design(&bench, &text);
        assert_eq!(run.code, Some(2), "{field}: {}", run.out);
        assert!(
            run.err
                .contains("no design does all that is wanted; the nearest")
        );
        assert!(run.err.contains(missed), "{}", run.err);
        assert_eq!(bench.files(), ["pack.toml"]);
        // The named value, put into the sheet, is enough.
        let named = run.err.split_once(&format!("{field} = ")).expect(field).1;
        let value = named.split([',', '\n']).next().expect("a value").trim();
        let (_, name) = field.split_once('.').expect("a table");
        let changed: String = text
            .lines()
            .map(|line| match line.split_once(" = ") {
                Some((is, _)) if is == name => format!("{name} = {value}\n"),
                _ => format!("{line}\n"),
            })
            .collect();
        let run = design(&bench, &changed);
        assert_eq!(run.code, Some(0), "{field} = {value}: {}", run.err);
    }
}

#[test]
fn parts_that_cannot_be_had_are_said_to_be() {
    let text = with(&sheet(), "# voltage_V = 200.0", "voltage_V = 1.0");
    let bench = Bench::new();
    let run = design(&bench, &text);
    assert_eq!(run.code, Some(2));
    assert!(
        run.err.contains("no design can be built of these parts"),
        "{}",
        run.err
    );
    assert_eq!(bench.files(), ["pack.toml"]);
}

#[test]
fn a_folder_that_is_not_there_leaves_nothing() {
    let bench = Bench::new();
    bench.write("pack.toml", sheet());
    let run = bench.run(&["design", "pack.toml", "--out", "no/such/folder"]);
    assert_ne!(run.code, Some(0));
    assert!(run.err.contains("cannot be written"), "{}", run.err);
    assert_eq!(bench.files(), ["pack.toml"]);
}
