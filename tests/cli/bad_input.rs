//! Wrong usage and malformed files: one message with place and cure, exit
//! code 2, nothing half-written. Each kind of malformed line, field and value
//! has its unit test beside the reader; here the program as a whole answers.

use super::{Bench, Run, fixture};

const HEADER: &str = "time_s,drive,chassis_V,pack_V\n";

/// Exactly one message that says all of `words`, and no backtrace.
pub(super) fn refused(run: &Run, words: &[&str]) {
    assert_eq!(run.code, Some(2), "{}{}", run.out, run.err);
    assert_eq!(run.err.matches("error: ").count(), 1, "{}", run.err);
    assert!(run.err.lines().count() <= 4, "{}", run.err);
    for word in words {
        assert!(run.err.contains(word), "{word} in: {}", run.err);
    }
}

#[test]
fn a_malformed_capture_is_told_with_line_column_and_cure() {
    let network = fixture("captures/source-400v-1m-inside.toml");
    let row = "0.1,rest,100,400\n";
    for (content, words) in [
        (String::new(), &["is empty"][..]),
        (HEADER.to_owned(), &["no rows"]),
        (
            format!("{HEADER}{row}{row}"),
            &["line 3", "column time_s", "does not come after"],
        ),
        (
            format!("{HEADER}{row}0.2,fast,1,2\n"),
            &["line 3", "column drive", "rest, raise, lower or check"],
        ),
        (
            format!("{HEADER}{row}0.2,rest,1\n"),
            &["line 3", "3 fields", "4 fields"],
        ),
        (
            format!("{HEADER}0.1,rest,nan,2\n"),
            &["line 2", "column chassis_V", "finite"],
        ),
        (row.to_owned(), &["line 1", "header row"]),
        ("\0\u{1}\u{2}binary".to_owned(), &["not a CSV capture"]),
    ] {
        let bench = Bench::new();
        bench.write("run.csv", &content);
        let run = bench.run(&[
            "replay",
            "run.csv",
            "--network",
            &network,
            "--picture",
            "run.svg",
        ]);
        refused(&run, words);
        refused(&run, &["run.csv", "expected:", "to mend:"]);
        assert_eq!(bench.files(), ["run.csv"], "{content}");
    }
}

#[test]
fn a_cut_gzip_is_told() {
    let bench = Bench::new();
    let whole = std::fs::read(fixture("captures/switched-600v-12bit.csv.gz")).expect("capture");
    bench.write("run.csv.gz", &whole[..whole.len() / 2]);
    let network = fixture("captures/switched-600v-12bit.toml");
    let run = bench.run(&["replay", "run.csv.gz", "--network", &network]);
    refused(&run, &["run.csv.gz, line", "ends too early"]);
}

#[test]
fn a_wrong_network_or_scenario_is_told_with_line_and_field() {
    let bench = Bench::new();
    let capture = fixture("captures/source-400v-1m-inside.csv");
    let network =
        std::fs::read_to_string(fixture("captures/source-400v-1m-inside.toml")).expect("network");
    bench.write(
        "n.toml",
        network.replace("amplitude_V = 40.0", "amplitude_V = -40.0"),
    );
    let run = bench.run(&["replay", &capture, "--network", "n.toml"]);
    refused(
        &run,
        &[
            "n.toml, line 11",
            "drive.amplitude_V",
            "0.1 to 1000 V",
            "to mend:",
        ],
    );
    bench.write("n.toml", network.replace("amplitude_V", "amplitude_kV"));
    let run = bench.run(&["replay", &capture, "--network", "n.toml"]);
    refused(&run, &["n.toml, line 11", "unknown field `amplitude_kV`"]);

    let scenario = std::fs::read_to_string(fixture("scenarios/city-drive.toml")).expect("scenario");
    bench.write(
        "s.toml",
        scenario.replace("sample_rate_Hz = ", "sample_rate_Hz = -"),
    );
    let run = bench.run(&[
        "simulate",
        "s.toml",
        "--capture",
        "run.csv",
        "--picture",
        "run.svg",
    ]);
    refused(&run, &["s.toml, line", "sample_rate_Hz", "expected:"]);
    assert_eq!(bench.files(), ["n.toml", "s.toml"]);
}

#[test]
fn files_that_are_not_there_and_wrong_usage_are_told() {
    let bench = Bench::new();
    refused(
        &bench.run(&["replay", "none.csv"]),
        &["none.csv", "check the name"],
    );
    refused(
        &bench.run(&["simulate", "none.toml"]),
        &["none.toml", "check the name"],
    );
    for command in ["replay", "simulate", "bound", "journal"] {
        refused(
            &bench.run(&[command, "."]),
            &[".: this is a folder", "name a file in it"],
        );
    }
    for wrong in [
        &["measure"][..],
        &["replay"],
        &["simulate", "a", "--seed", "x"],
        &["--colour"],
    ] {
        let run = bench.run(wrong);
        assert_eq!(run.code, Some(2), "{wrong:?}");
        assert!(run.err.starts_with("error: "), "{}", run.err);
    }
}

#[test]
fn no_file_of_the_user_is_written_over_by_mistake() {
    let bench = Bench::new();
    let scenario = std::fs::read(fixture("scenarios/workshop-hard-short.toml")).expect("scenario");
    bench.write("s.toml", &scenario);
    bench.write("notes.toml", "mine = true\n");
    let simulate = |more: &[&str]| bench.run(&[&["simulate", "s.toml"], more].concat());
    // The network of s.csv would be s.toml.
    refused(
        &simulate(&["--capture", "s.csv"]),
        &["s.toml", "different name"],
    );
    refused(
        &simulate(&["--capture", "notes.csv"]),
        &["notes.toml", "is there already"],
    );
    refused(
        &simulate(&["--capture", "run.toml"]),
        &["run.toml", "different name"],
    );
    refused(
        &simulate(&["--picture", "./s.toml"]),
        &["s.toml", "different name"],
    );
    let both = ["--capture", "run.csv", "--picture", "run.csv"];
    refused(&simulate(&both), &["run.csv", "different name"]);
    assert_eq!(bench.files(), ["notes.toml", "s.toml"]);
    assert_eq!(std::fs::read(bench.path("s.toml")).expect("kept"), scenario);
    // A capture may be made again.
    for _ in 0..2 {
        assert_eq!(simulate(&["--capture", "run.csv"]).code, Some(0));
    }
    refused(
        &bench.run(&["replay", "run.csv", "--picture", "run.toml"]),
        &["run.toml", "different name"],
    );
}

/// Every row of a capture by `change`, which gets its four fields.
pub(super) fn changed(capture: &str, change: impl Fn(&mut [String])) -> String {
    let text = std::fs::read_to_string(fixture(&format!("captures/{capture}.csv"))).expect("text");
    let mut rows = Vec::new();
    for line in text.lines().filter(|line| !line.starts_with('#')) {
        let mut fields: Vec<String> = line.split(',').map(ToOwned::to_owned).collect();
        if !rows.is_empty() {
            change(&mut fields);
        }
        rows.push(fields.join(",") + "\n");
    }
    rows.concat()
}

fn scaled(field: &mut String, factor: f64) {
    *field = (field.parse::<f64>().expect("a number") * factor).to_string();
}

pub(super) const LEAK: &str = "source-400v-1m-inside";

/// The capture of [`LEAK`] as someone new might write it, and what must be said.
fn first_captures() -> Vec<(String, &'static [&'static str])> {
    let good = changed(LEAK, |_| {});
    vec![
        // Another unit, told by the header: line, and the name that is right.
        (
            good.replace("chassis_V", "chassis_mV"),
            &["line 1", "\"chassis_mV\"", "volts", "column chassis_V"],
        ),
        (
            good.replace("time_s", "time_ms"),
            &["line 1", "\"time_ms\"", "seconds", "column time_s"],
        ),
        // Another unit that the header does not tell.
        (
            changed(LEAK, |row| scaled(&mut row[2], 1e3)),
            &["line 2", "column chassis_V", "2147 V", "convert to volts"],
        ),
        (
            changed(LEAK, |row| scaled(&mut row[0], 1e3)),
            &["column time_s", "2 s", "block of 0.02 s", "milliseconds"],
        ),
        (
            good.replace(",pack_V", ",x_pack"),
            &["line 1", "column pack_V is missing", "add a column"],
        ),
        // The decimal comma, with either separator.
        (
            changed(LEAK, |row| row[2] = row[2].replace('.', ",")),
            &["line 2", "5 fields", "with a point"],
        ),
        (
            good.replace(',', ";").replace('.', ","),
            &["line 1", "no header row", "with a point"],
        ),
        (
            good.replace(",raise,", ",up,"),
            &[
                "column drive",
                "\"up\"",
                "rest, raise, lower or check",
                "words",
            ],
        ),
    ]
}

#[test]
fn captures_as_someone_new_writes_them_are_told_with_place_and_cure() {
    let network = fixture(&format!("captures/{LEAK}.toml"));
    for (content, words) in first_captures() {
        let bench = Bench::new();
        bench.write("run.csv", &content);
        let replay = ["replay", "run.csv", "--network", &network];
        let run = bench.run(&[&replay[..], &["--picture", "run.svg"]].concat());
        refused(&run, words);
        refused(&run, &["run.csv", "expected:", "to mend:"]);
        let evidence = ["evidence", "run.csv", "--network", &network];
        refused(
            &bench.run(&[&evidence[..], &["--out", "report.html"]].concat()),
            words,
        );
        assert_eq!(bench.files(), ["run.csv"], "{words:?}");
    }
}

#[test]
fn a_file_given_to_the_wrong_command_is_told_where_it_goes() {
    let scenario = fixture("scenarios/city-drive.toml");
    let pack = fixture("packs/car-400v.toml");
    let network = fixture(&format!("captures/{LEAK}.toml"));
    let capture = fixture(&format!("captures/{LEAK}.csv"));
    let packed = fixture("captures/switched-600v-12bit.csv.gz");
    let bench = Bench::new();
    for (arguments, words) in [
        (&["replay", &scenario][..], &["`ohmsplit simulate`"][..]),
        (&["simulate", &capture], &["a table", "`ohmsplit replay`"]),
        (&["simulate", &packed], &["not text", "`ohmsplit replay`"]),
        (
            &["simulate", &network],
            &["line 1", "field format", "ohmsplit-scenario-1", "a network"],
        ),
        (
            &["bound", &pack],
            &["field format", "`ohmsplit design` takes"],
        ),
        (
            &["design", &scenario, "--out", "d"],
            &["field format", "`ohmsplit simulate` takes"],
        ),
        (
            &["campaign", "sweep", &scenario, "--out", "d"],
            &["field format", "ohmsplit-plan-1", "a plan of a sweep"],
        ),
        (
            &["in-situ", &network],
            &["field format", "ohmsplit-in-situ-1", "this is a network"],
        ),
        (
            &["replay", &capture, "--network", &scenario],
            &["field format", "ohmsplit-network-1", "this is a scenario"],
        ),
        (
            &["replay", &capture, "--expect", &network],
            &["field format", "ohmsplit-expected-1", "this is a network"],
        ),
        (
            &["evidence", &pack, "--out", "report.html"],
            &["field format", "a pack's data sheet"],
        ),
    ] {
        let run = bench.run(arguments);
        assert_eq!(run.code, Some(2), "{arguments:?}: {}", run.err);
        for word in words.iter().chain(&["to mend:", "expected:"]) {
            assert!(run.err.contains(word), "{word} in: {}", run.err);
        }
        assert!(bench.files().is_empty(), "{arguments:?}");
    }
}

#[test]
fn a_network_that_cannot_be_is_told_with_line_field_and_range() {
    let good = std::fs::read_to_string(fixture(&format!("captures/{LEAK}.toml"))).expect("network");
    let capture = fixture(&format!("captures/{LEAK}.csv"));
    for (from, to, words) in [
        (
            "series_resistance_ohm = 1000000.0",
            "series_resistance_ohm = 0.0",
            &["line 12", "drive.series_resistance_ohm", "ohm"][..],
        ),
        (
            "working_voltage_V = 400.0",
            "working_voltage_V = 400e3",
            &["line 6", "pack.working_voltage_V", " V"],
        ),
        (
            "[drive]",
            "[limits]\nalarm_ohm_per_V = 500\nwarning_ohm_per_V = 100\n[drive]",
            &["limits.alarm_ohm_per_V", "at most warning_ohm_per_V"],
        ),
    ] {
        let bench = Bench::new();
        bench.write("n.toml", good.replace(from, to));
        let run = bench.run(&["replay", &capture, "--network", "n.toml"]);
        refused(&run, words);
        refused(&run, &["n.toml, line", "expected:", "to mend:"]);
        assert_eq!(bench.files(), ["n.toml"]);
    }
}

/// Well-formed, but not of the circuit described: no error of the file, no
/// figure either, and the hint says in words what gives it away.
#[test]
fn swapped_rails_and_swapped_drive_words_give_no_figure_and_a_hint() {
    let network = fixture(&format!("captures/{LEAK}.toml"));
    let from_other_rail = changed(LEAK, |row| {
        let volts: Vec<f64> = row[2..].iter().map(|v| v.parse().expect("volts")).collect();
        row[2] = format!("{:.6}", volts[1] - volts[0]);
    });
    let swapped_words = changed(LEAK, |row| {
        row[1] = match &*row[1] {
            "raise" => "lower".to_owned(),
            "lower" => "raise".to_owned(),
            other => other.to_owned(),
        };
    });
    let hint = "either v is measured from the positive rail, or raise and lower are swapped";
    for (content, swapped) in [
        (changed(LEAK, |_| {}), false),
        (from_other_rail, true),
        (swapped_words, true),
    ] {
        let bench = Bench::new();
        bench.write("run.csv", content);
        let run = bench.run(&["replay", "run.csv", "--network", &network]);
        assert_eq!(run.code, Some(if swapped { 30 } else { 0 }), "{}", run.out);
        assert_eq!(run.out.contains(hint), swapped, "{}", run.out);
        assert_eq!(run.out.contains("implausible"), swapped, "{}", run.out);
        let run = bench.run(&[
            "replay",
            "run.csv",
            "--network",
            &network,
            "--show",
            "lines",
        ]);
        let last = run.objects().pop().expect("the final object");
        assert_eq!(
            last["hint"]
                .as_str()
                .is_some_and(|told| told.contains(hint)),
            swapped
        );
        bench.run(&[
            "evidence",
            "run.csv",
            "--network",
            &network,
            "--out",
            "r.html",
        ]);
        let page = std::fs::read_to_string(bench.path("r.html")).expect("a report");
        assert_eq!(page.contains(hint), swapped);
    }
}
