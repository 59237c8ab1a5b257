//! The replayed captures against what their decks hold: a capture packed wrongly, or configured
//! otherwise than its network file says, would agree on host and target and still be wrong.

use std::convert::Infallible;
use std::path::Path;

use ohmsplit::config::Config;
use ohmsplit::contexts::Background;
use ohmsplit::{Kind, Monitor, Report, SwiftMonitor, Verdict};
use ohmsplit_firmware::captures::{CAPTURES, Capture};
use ohmsplit_firmware::replay::reports;
use toml::{Table, Value};

fn expected(name: &str) -> Table {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../hil-fixtures/expected");
    let text = std::fs::read_to_string(folder.join(format!("{name}.toml"))).expect("file");
    text.parse().expect("TOML")
}

fn last_report<'c, M: Background<'c>>(config: &'c Config, capture: &Capture) -> Report {
    let mut last = None;
    let Ok(()) = reports::<M, _>(config, capture.samples(), |report| {
        // A dwell that the capture's end cuts short says nothing about the one before.
        if report.estimate.is_ok() {
            last = Some(*report);
        }
        Ok::<_, Infallible>(())
    });
    last.expect("an estimate")
}

fn number(table: &Value, key: &str) -> f64 {
    table[key].as_float().expect(key)
}

#[test]
fn each_capture_ends_in_the_answer_that_its_deck_holds() {
    for capture in &CAPTURES {
        let config = (capture.config)().expect("configuration");
        let expected = expected(capture.name);
        let settled = last_report::<Monitor<'_>>(&config, capture);
        let swift = last_report::<SwiftMonitor<'_>>(&config, capture);
        for report in [settled, swift] {
            hold(
                capture.name,
                &report,
                &expected["truth"],
                &expected["expect"],
            );
        }
    }
}

fn hold(name: &str, report: &Report, truth: &Value, expect: &Value) {
    let estimate = report.estimate.expect("an estimate");
    let verdict = match report.verdict {
        Verdict::Healthy => "healthy",
        Verdict::Warning => "warning",
        Verdict::Alarm => "alarm",
        Verdict::Undetermined(_) => "undetermined",
    };
    assert_eq!(Some(verdict), expect["verdict"].as_str(), "{name}");
    let position = estimate
        .position
        .expect("a position")
        .value
        .get()
        .to_num::<f64>();
    let off = (position - number(truth, "position")).abs();
    assert!(
        off <= number(expect, "position_within"),
        "{name}: x {position}"
    );
    match expect["answer"].as_str() {
        Some("figure") => {
            assert_eq!(estimate.kind, Kind::Figure, "{name}");
            let ratio = estimate.isolation.get().to_num::<f64>() / number(truth, "isolation_ohm");
            let percent = 100.0 * (ratio - 1.0).abs();
            assert!(
                percent <= number(expect, "within_percent"),
                "{name}: {percent} %"
            );
        }
        Some("short") => assert_eq!(estimate.kind, Kind::Short, "{name}"),
        other => panic!("{name}: no check for the answer {other:?}"),
    }
}
