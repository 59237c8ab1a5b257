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
            &["line 3", "column drive", "rest, raise or lower"],
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
    refused(&bench.run(&["replay", "."]), &[".", "check the name"]);
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
fn a_capture_that_cannot_be_placed_leaves_nothing() {
    let bench = Bench::new();
    let scenario = fixture("scenarios/workshop-hard-short.toml");
    let run = bench.run(&["simulate", &scenario, "--capture", "no/such/run.csv"]);
    refused(&run, &["no/such/run.csv", "check the name and the folder"]);
    assert!(bench.files().is_empty());
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

/// A full disk is no fault of the input: exit code 1.
#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_has_its_own_exit_code() {
    let full = std::fs::OpenOptions::new()
        .write(true)
        .open("/dev/full")
        .expect("device");
    let output = std::process::Command::new(env!("CARGO_BIN_EXE_ohmsplit"))
        .arg("formats")
        .stdout(full)
        .output()
        .expect("the program starts");
    let run = Run::of(&output);
    assert_eq!(run.code, Some(1), "{}", run.err);
    assert!(run.err.starts_with("error: standard output"), "{}", run.err);
}
