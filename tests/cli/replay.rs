//! Replaying captures: results, exit codes, pictures.

use super::{Bench, Run, fixture};

fn replay(name: &str, more: &[&str]) -> Run {
    let capture = fixture(&format!("captures/{name}"));
    Bench::new().run(&[&["replay", &capture][..], more].concat())
}

#[test]
fn the_exit_code_tells_the_verdict() {
    for (capture, code, words) in [
        ("source-400v-1m-inside.csv", 0, "HEALTHY"),
        ("switched-800v-both-rails.csv.gz", 10, "WARNING"),
        ("source-350v-10k-positive.csv.gz", 20, "ALARM"),
        ("source-400v-short-positive.csv", 20, "ALARM"),
        ("source-400v-unsettled-half.csv.gz", 30, "not_settled"),
    ] {
        let run = replay(capture, &["--show", "final"]);
        assert_eq!(run.code, Some(code), "{capture}: {}{}", run.out, run.err);
        assert!(run.out.contains(words), "{capture}: {}", run.out);
    }
}

#[test]
fn expected_results_are_met_or_the_exit_code_says_so() {
    let capture = "switched-600v-12bit.csv.gz";
    let due = fixture("expected/switched-600v-12bit.toml");
    let met = replay(capture, &["--show", "final", "--expect", &due]);
    assert_eq!((met.code, met.err.trim()), (Some(0), "as expected"));

    let bench = Bench::new();
    let text = std::fs::read_to_string(&due).expect("expected");
    let text = text.replace("isolation_ohm = 14", "isolation_ohm = 15");
    let other = bench.write("other.toml", text.replace("\"warning\"", "\"healthy\""));
    let other = other.to_str().expect("UTF-8");
    let missed = replay(capture, &["--show", "final", "--expect", other]);
    assert_eq!(missed.code, Some(40), "{}", missed.err);
    for words in ["not as expected: isolation", "not as expected: verdict"] {
        assert!(missed.err.contains(words), "{}", missed.err);
    }
}

#[test]
fn lines_are_json_objects_with_units_in_their_names() {
    let run = replay("switched-800v-both-rails.csv.gz", &["--show", "lines"]);
    let objects = run.objects();
    let (last, reports) = objects.split_last().expect("lines");
    assert_eq!(last["record"], "final");
    assert!(reports.len() >= 4 && reports.iter().all(|line| line["record"] == "report"));
    // The netlist: 300 kohm to P and 600 kohm to N, 470 nF, 800 V.
    let near = |name: &str, truth: f64, within: f64| {
        let value = last[name].as_f64().expect(name);
        assert!((value / truth - 1.0).abs() < within, "{name}: {value}");
    };
    near("isolation_ohm", 200e3, 0.002);
    near("positive_ohm", 600e3, 0.01);
    near("negative_ohm", 300e3, 0.01);
    near("weakest_ohm", 300e3, 0.01);
    near("touch_current_A", 800.0 / 300e3, 0.01);
    near("capacitance_F", 470e-9, 0.05);
    assert_eq!(last["weakest_rail"], "negative");
    assert_eq!(
        (&last["answer"], &last["verdict"]),
        (&"figure".into(), &"warning".into())
    );
    assert_eq!(last["samples"], 6000);
}

#[test]
fn a_refusal_is_shown_by_name_in_timeline_and_picture() {
    let bench = Bench::new();
    let capture = fixture("captures/source-400v-unsettled-half.csv.gz");
    let run = bench.run(&["replay", &capture, "--picture", "run.svg"]);
    assert_eq!(run.code, Some(30), "{}", run.err);
    assert!(run.out.contains("refused: not_settled"), "{}", run.out);
    let svg = std::fs::read_to_string(bench.path("run.svg")).expect("picture");
    for words in [
        "<svg",
        "</svg>",
        "not_settled",
        "warning limit",
        "undetermined",
    ] {
        assert!(svg.contains(words), "{words}");
    }
}

#[test]
fn the_network_is_found_beside_the_capture_or_by_name() {
    let bench = Bench::new();
    let capture = std::fs::read(fixture("captures/source-400v-1m-inside.csv")).expect("capture");
    bench.write("a.csv", capture);
    let run = bench.run(&["replay", "a.csv"]);
    assert_eq!(run.code, Some(2));
    assert!(
        run.err.contains("a.toml") && run.err.contains("--network"),
        "{}",
        run.err
    );
    let network = fixture("captures/source-400v-1m-inside.toml");
    let run = bench.run(&["replay", "a.csv", "--network", &network]);
    assert_eq!(run.code, Some(0), "{}", run.err);
}
