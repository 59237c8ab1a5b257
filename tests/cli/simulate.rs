//! Simulating scenarios: captures that replay alike, seeds, files.

use super::{Bench, fixture};

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
