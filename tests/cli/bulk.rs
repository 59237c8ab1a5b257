//! Captures of other formats, and a regression bench.

use super::bad_input::refused;
use super::{Bench, Run, fixture};

pub(super) fn copy(bench: &Bench, from: &str, to: &str) {
    let path = bench.path(to);
    std::fs::create_dir_all(path.parent().expect("a folder")).expect("a folder");
    std::fs::copy(fixture(from), path).expect("a copy");
}

#[test]
fn a_simulated_capture_is_the_same_as_csv_and_as_parquet() {
    let bench = Bench::new();
    for scenario in ["workshop-hard-short", "cheap-parts"] {
        let scenario = fixture(&format!("scenarios/{scenario}.toml"));
        let mut shown = Vec::new();
        for name in ["run.csv", "run.parquet"] {
            let run = bench.run(&["simulate", &scenario, "--capture", name, "--show", "final"]);
            assert!(run.err.contains(name), "{}", run.err);
            let run = bench.run(&["replay", name, "--show", "lines"]);
            shown.push((run.code, run.out));
        }
        assert!(shown[0].1.lines().count() > 3);
        assert_eq!(shown[0], shown[1], "{scenario}");
    }
}

#[test]
fn a_measurement_file_is_replayed_as_its_csv_original() {
    let bench = Bench::new();
    let lines = |name: &str| bench.run(&["replay", &fixture(name), "--show", "lines"]);
    let original = lines("captures/switched-600v-12bit.csv.gz");
    let found = lines("formats/codes-in-three-groups.mf4");
    assert_eq!(
        (found.code, found.out),
        (original.code, original.out),
        "{}",
        found.err
    );
}

#[test]
fn a_measurement_file_with_a_mistake_is_told_in_one_message() {
    let bench = Bench::new();
    copy(&bench, "formats/volts-in-one-group.mf4", "run.mf4");
    let network =
        std::fs::read_to_string(fixture("formats/volts-in-one-group.toml")).expect("network");
    bench.write("run.toml", network.replace("\"U_Chassis\"", "\"U_Chasis\""));
    let words = [
        "run.toml, line",
        "channels.chassis_V",
        "expected: U_Chassis",
        "to mend:",
    ];
    refused(&bench.run(&["replay", "run.mf4"]), &words);
    bench.write("run.toml", &network);
    bench.write(
        "run.mf4",
        &std::fs::read(fixture("formats/volts-in-one-group.mf4")).expect("file")[..9000],
    );
    refused(
        &bench.run(&["replay", "run.mf4", "--picture", "p.svg"]),
        &["run.mf4", "to mend:"],
    );
    bench.write("run.mf4", "MDF     3.30    ");
    refused(
        &bench.run(&["replay", "run.mf4"]),
        &["run.mf4", "version 4"],
    );
    bench.write("run.parquet", "PAR1 and nothing else");
    refused(
        &bench.run(&["replay", "run.parquet"]),
        &["run.parquet", "Parquet"],
    );
    assert_eq!(bench.files(), ["run.mf4", "run.parquet", "run.toml"]);
}

#[test]
fn the_fixtures_are_a_regression_bench() {
    let bench = Bench::new();
    let folder = fixture("");
    let first = bench.run(&["regress", &folder, "--record", "base.json"]);
    assert_eq!(first.code, Some(0), "{}{}", first.out, first.err);
    assert!(
        first.out.contains("22 as expected, 0 not as expected"),
        "{}",
        first.out
    );
    let again = bench.run(&[
        "regress",
        &folder,
        "--baseline",
        "base.json",
        "--threads",
        "1",
    ]);
    assert_eq!(again.code, Some(0), "{}", again.out);
    assert!(
        again.out.contains("0 figures moved; 0 by more"),
        "{}",
        again.out
    );
    assert!(!again.out.contains("moved:"), "{}", again.out);
}

/// Two captures with their expected results, and their baseline as JSON.
fn small_bench(bench: &Bench) -> String {
    for name in ["switched-600v-12bit", "switched-800v-both-rails"] {
        for (folder, ending) in [
            ("captures", "csv.gz"),
            ("captures", "toml"),
            ("expected", "toml"),
        ] {
            let file = format!("{folder}/{name}.{ending}");
            copy(bench, &file, &format!("bench/{file}"));
        }
    }
    let run = bench.run(&["regress", "bench", "--record", "base.json"]);
    assert_eq!(run.code, Some(0), "{}", run.err);
    std::fs::read_to_string(bench.path("base.json")).expect("a baseline")
}

fn told(run: &Run, code: i32, words: &[&str]) {
    assert_eq!(run.code, Some(code), "{}{}", run.out, run.err);
    for word in words {
        assert!(run.out.contains(word), "{word} in: {}", run.out);
    }
}

#[test]
fn what_moved_since_the_baseline_is_told_and_decides_the_exit_code() {
    let bench = Bench::new();
    let base = small_bench(&bench);
    let regress = |more: &[&str]| bench.run(&[&["regress", "bench"], more].concat());
    let mut document: serde_json::Value = serde_json::from_str(&base).expect("JSON");
    let of = &mut document["captures"]["captures/switched-800v-both-rails.csv.gz"];
    // The netlist says 200 kΩ; the figure is within 0.2 %.
    let figure = &mut of["figures"]["isolation_ohm"];
    let value = figure["value"].as_f64().expect("a number");
    assert!((value / 200e3 - 1.0).abs() < 2e-3);
    figure["value"] = (value + 0.5 * figure["u"].as_f64().expect("an uncertainty")).into();
    bench.write("near.json", document.to_string());
    let near = [
        "moved: captures/switched-800v",
        "of its tolerance",
        "-0.500 u",
        "1 figures moved",
    ];
    told(&regress(&["--baseline", "near.json"]), 0, &near);
    let strict = regress(&["--baseline", "near.json", "--allow", "0.4"]);
    told(&strict, 40, &["moved too far: captures/switched-800v"]);

    let words = base.replace("\"verdict\": \"warning\"", "\"verdict\": \"healthy\"");
    bench.write(
        "words.json",
        words.replace("switched-600v-12bit", "of-last-year"),
    );
    let words = [
        "verdict: healthy -> warning",
        "gone: captures/of-last-year",
        "new: captures/switched-600v",
    ];
    told(&regress(&["--baseline", "words.json"]), 40, &words);
}

#[test]
fn a_bench_with_a_broken_file_fails_and_says_which() {
    let bench = Bench::new();
    small_bench(&bench);
    let regress = |more: &[&str]| bench.run(&[&["regress", "bench"], more].concat());
    bench.write(
        "bench/captures/switched-600v-12bit.csv.gz",
        "time_s,drive\n",
    );
    let words = [
        "not as expected: captures/switched-600v-12bit.csv.gz",
        "1 as expected, 1 not as expected",
    ];
    told(&regress(&[]), 40, &words);
    std::fs::remove_file(bench.path("bench/captures/switched-600v-12bit.csv.gz")).expect("removed");
    told(&regress(&[]), 40, &["12bit.csv.gz: cannot open"]);
    let network = "bench/captures/switched-600v-12bit.toml";
    refused(&regress(&["--baseline", network]), &["line 1", "--record"]);
    refused(
        &regress(&["--baseline", "none.json"]),
        &["none.json", "check the name"],
    );
    std::fs::create_dir(bench.path("empty")).expect("a folder");
    refused(
        &bench.run(&["regress", "empty"]),
        &["no capture in this folder"],
    );
}
