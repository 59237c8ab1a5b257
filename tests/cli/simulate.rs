//! Simulating scenarios: captures that replay alike, seeds, files.

use super::bad_input::refused;
use super::{Bench, fixture, text_of};

#[test]
fn a_simulated_capture_replays_to_the_same_reports() {
    let bench = Bench::new();
    let scenario = fixture("scenarios/cargo-bike-logic-source.toml");
    let simulated = bench.run(&[
        "simulate",
        &scenario,
        "--capture",
        "run.csv.gz",
        "--show",
        "lines",
    ]);
    assert!(simulated.err.contains("run.toml"), "{}", simulated.err);
    assert_eq!(bench.files(), ["run.csv.gz", "run.toml"]);
    let replayed = bench.run(&["replay", "run.csv.gz", "--show", "lines"]);
    assert_eq!(simulated.code, replayed.code, "{}", replayed.err);
    assert!(simulated.out.lines().count() > 20);
    assert_eq!(simulated.out, replayed.out);
}

#[test]
fn a_run_repeats_from_its_seed() {
    let bench = Bench::new();
    let scenario = fixture("scenarios/workshop-hard-short.toml");
    let lines = |seed: &str| {
        bench
            .run(&["simulate", &scenario, "--seed", seed, "--show", "lines"])
            .out
    };
    assert_eq!(lines("7"), lines("7"));
    assert_ne!(lines("7"), lines("8"));
}

#[test]
fn long_runs_are_folded_and_truth_is_told() {
    let scenario = fixture("scenarios/parked-car-connector-gets-wet.toml");
    let run = Bench::new().run(&["simulate", &scenario]);
    assert_eq!(run.code, Some(20), "{}", run.err);
    for words in [
        "more alike, until",
        "true leak at the end",
        "R_iso 20.00 kΩ, x 0.6200",
        "of 96",
    ] {
        assert!(run.out.contains(words), "{words}: {}", run.out);
    }
}

/// A name that promises what is not written misleads whoever gets the file.
#[test]
fn a_name_with_the_ending_of_another_kind_of_file_is_refused() {
    let bench = Bench::new();
    let scenario = fixture("scenarios/workshop-hard-short.toml");
    for (arguments, words) in [
        (
            &["simulate", &scenario, "--capture", "run.xlsx"][..],
            [".csv or .csv.gz or .parquet", "a capture"],
        ),
        (
            &["simulate", &scenario, "--capture", "run.mf4"],
            [".csv or .csv.gz or .parquet", "a capture"],
        ),
        (
            &["simulate", &scenario, "--picture", "run.png"],
            [".svg", "a picture"],
        ),
        (
            &["evidence", &scenario, "--out", "report.pdf"],
            [".html", "a report"],
        ),
    ] {
        let run = bench.run(arguments);
        refused(&run, &words);
        refused(&run, &["expected:", "to mend:"]);
        assert!(bench.files().is_empty(), "{arguments:?}");
    }
}

/// A scenario may be cut short on purpose: it runs, and what it no longer reaches is named.
#[test]
fn what_begins_after_the_end_of_the_run_is_warned_of() {
    let bench = Bench::new();
    let whole = text_of("scenarios/workshop-hard-short.toml");
    let cut = |seconds: &str| {
        let text = whole.replacen("duration_s = 100.0", &format!("duration_s = {seconds}"), 1);
        assert_ne!(text, whole);
        bench.write("s.toml", text);
        bench.run(&["simulate", "s.toml", "--show", "final"])
    };
    let run = cut("30.0");
    assert_ne!(run.code, Some(2), "{}", run.err);
    assert_eq!(
        run.err,
        "warning: leak[2].from_s = 60 s does nothing: the run ends at 30 s (duration_s)\n"
    );
    assert_eq!(cut("61.0").err, "");
}
