//! The bound of a scenario beside what the core achieves.

use super::bad_input::refused;
use super::{Bench, fixture};

#[test]
fn the_bound_narrows_with_time_and_no_answer_claims_to_be_better() {
    let run = Bench::new().run(&[
        "bound",
        &fixture("scenarios/storage-rack-leak-at-mid-stack.toml"),
        "--show",
        "lines",
    ]);
    assert_eq!(run.code, Some(0), "{}", run.err);
    let lines = run.objects();
    assert!(lines.len() > 10, "{}", run.out);
    let mut last = (f64::NAN, f64::INFINITY);
    let mut answers = 0;
    for line in &lines {
        let number = |name: &str| line[name].as_f64();
        let (since, half) = (
            number("since_s").expect("since_s"),
            number("bound_isolation_half_percent").unwrap_or(f64::INFINITY),
        );
        if since == last.0 {
            assert!(half <= last.1 * 1.000_001, "{line}");
        }
        last = (since, half);
        if let Some(claimed) = number("isolation_half_percent") {
            answers += 1;
            // Of one cycle, with part tolerances: never tighter than the whole record allows.
            assert!(claimed > half * 0.8, "{line}");
        }
    }
    assert!(answers > 3, "{}", run.out);
}

#[test]
fn the_table_is_for_people_and_at_picks_one_line() {
    let scenario = fixture("scenarios/truck-with-large-filters.toml");
    let run = Bench::new().run(&["bound", &scenario, "--at", "20"]);
    assert_eq!(run.code, Some(0), "{}", run.err);
    for words in ["R_iso", "no method can", "±", "can kill"] {
        assert!(run.out.contains(words), "{words}: {}", run.out);
    }
    let marks = run.out.lines().filter(|line| line.contains(" s ±")).count();
    assert_eq!(marks, 1, "{}", run.out);
}

#[test]
fn shorts_open_circuits_and_changes_have_words_of_their_own() {
    let words = |name: &str, at: &str| {
        let scenario = fixture(&format!("scenarios/{name}.toml"));
        let run = Bench::new().run(&["bound", &scenario, "--at", at]);
        assert_eq!(run.code, Some(0), "{}", run.err);
        run.out
    };
    // A short from 20 to 60 s: nothing tells G from its sum with the drive's.
    let short = words("workshop-hard-short", "50");
    assert!(
        short.contains("not determined") && short.contains("short, below"),
        "{short}"
    );
    let open = words("cargo-bike-logic-source", "20");
    assert!(
        open.contains(" s above ") && open.contains("open, above"),
        "{open}"
    );
    let all = Bench::new().run(&["bound", &fixture("scenarios/workshop-hard-short.toml")]);
    assert_eq!(
        all.out.matches("s  the leak changes").count(),
        2,
        "{}",
        all.out
    );
}

#[test]
fn what_has_no_bound_is_refused_with_place_and_cure() {
    let bench = Bench::new();
    let scenario = fixture("scenarios/truck-with-large-filters.toml");
    refused(
        &bench.run(&["bound", &scenario, "--at", "1e9"]),
        &["--at", "outside of the run", "expected: 0 to"],
    );
    refused(
        &bench.run(&["bound", &scenario, "--at", "0.001"]),
        &["--at", "no report", "expected: at least"],
    );
    refused(&bench.run(&["bound", "gone.toml"]), &["gone.toml"]);
    let text = std::fs::read_to_string(&scenario).expect("scenario");
    let start = text.find("[capacitance]").expect("a table");
    let end = start + text[start..].find("\n\n").expect("its end");
    bench.write("none.toml", text.replace(&text[start..end], ""));
    refused(
        &bench.run(&["bound", "none.toml"]),
        &["none.toml", "field capacitance", "positive_uF"],
    );
}
