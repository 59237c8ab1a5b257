//! Every capture of `hil-fixtures`, replayed through the host library, must
//! yield what follows from its netlist's own resistors. The waveforms are
//! ngspice's (open source, from Debian), not our plant's.

use ohmsplit::{Kind, Verdict};
use ohmsplit_host::capture::{Reader, network_beside};
use ohmsplit_host::network::NetworkFile;
use ohmsplit_host::replay;
use ohmsplit_host::rig::Event;
use ohmsplit_tests::bench::Figures;
use ohmsplit_tests::bounds::{CAPACITANCE, HONEST};
use ohmsplit_tests::fixtures::{Expected, capture, captures, document};

fn replayed(stem: &str) -> Vec<Event> {
    let path = capture(stem);
    let network = NetworkFile::read(&network_beside(&path)).expect("a network");
    let mut reader = Reader::open(&path).expect("a capture");
    let config = reader
        .bind(&network)
        .expect("a network that fits the capture");
    let mut events = Vec::new();
    replay::run(&mut reader, &config, |_| {}, |event| events.push(*event)).expect("sound rows");
    events
}

/// The last dwell that was not cut short by the end of the capture.
fn last(events: &[Event]) -> &Event {
    let counts = |event: &&Event| !(event.unfinished && event.report.reading.is_err());
    events.iter().rev().find(counts).expect("a dwell")
}

const fn verdict_word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Healthy => "healthy",
        Verdict::Warning => "warning",
        Verdict::Alarm => "alarm",
        Verdict::Undetermined(_) => "undetermined",
    }
}

const fn kind_word(kind: Kind) -> &'static str {
    match kind {
        Kind::Figure => "figure",
        Kind::Short => "short",
        Kind::Open => "open",
    }
}

/// What of an expected answer is not met.
fn differences(expected: &Expected, event: &Event) -> Vec<String> {
    let due = &expected.expect;
    let mut found = Vec::new();
    let mut hold = |holds: bool, what: String| {
        if !holds {
            found.push(what);
        }
    };
    let verdict = verdict_word(event.report.verdict);
    hold(verdict == due.verdict, format!("verdict {verdict}"));
    match &event.report.estimate {
        Err(reason) => {
            hold(
                due.answer == "refused",
                format!("refused: {}", reason.name()),
            );
            hold(
                due.reason.as_deref().is_none_or(|due| due == reason.name()),
                format!("reason {}", reason.name()),
            );
        }
        Ok(estimate) => {
            let kind = kind_word(estimate.kind);
            hold(due.answer == kind, format!("answer {kind}"));
            let figures = Figures::from(estimate);
            if let (Some(percent), Some(ohm)) = (due.within_percent, expected.truth.isolation_ohm) {
                let off = 100.0 * (figures.isolation / ohm - 1.0);
                hold(
                    off.abs() <= percent,
                    format!("R_iso {} Ω, {off:+.3} %", figures.isolation),
                );
                let rails = [expected.truth.positive_ohm, expected.truth.negative_ohm];
                let weakest = rails.into_iter().flatten().fold(f64::INFINITY, f64::min);
                let off = 100.0 * (figures.weakest / weakest - 1.0);
                // The split adds what the position may be off by.
                hold(
                    off.abs() <= 2.0 * percent,
                    format!("weakest rail {off:+.3} %"),
                );
            }
            if let (Some(within), Some(x)) = (due.position_within, expected.truth.position) {
                let got = figures.position.map_or(f64::NAN, |[x, _]| x);
                hold((got - x).abs() <= within, format!("x {got}"));
            }
        }
    }
    found
}

#[test]
fn every_capture_yields_what_its_netlist_says() {
    let mut failures = Vec::new();
    for stem in captures() {
        let expected: Expected = document("expected", &stem);
        let events = replayed(&stem);
        let found = differences(&expected, last(&events));
        if !found.is_empty() {
            failures.push(format!("{stem}: {found:?}, due {:?}", expected.expect));
        }
    }
    assert!(failures.is_empty(), "{failures:#?}");
}

#[test]
fn every_estimate_on_the_way_is_right_within_its_stated_uncertainty() {
    for stem in captures() {
        let expected: Expected = document("expected", &stem);
        // The truth of a capture whose leak changes is that of its end.
        let (Some(ohm), "figure") = (expected.truth.isolation_ohm, &*expected.expect.answer) else {
            continue;
        };
        if expected.source.contains("after the step") {
            continue;
        }
        for event in replayed(&stem) {
            let Ok(estimate) = event.report.estimate else {
                continue;
            };
            let figures = Figures::from(&estimate);
            let case = format!(
                "{stem} at {} s: {:?} {figures:?}",
                event.time_s, estimate.kind
            );
            let [g, u] = figures.conductance;
            let off = (g - 1.0 / ohm).abs();
            let percent = expected.expect.within_percent.expect("an allowance");
            assert!(off <= HONEST.allowed * u + percent / 100.0 / ohm, "{case}");
        }
    }
}

#[test]
fn capacitances_are_those_of_the_netlist() {
    let mut seen = 0;
    for stem in captures() {
        let expected: Expected = document("expected", &stem);
        let Ok(estimate) = last(&replayed(&stem)).report.estimate else {
            continue;
        };
        if let (Kind::Figure, Some([farad, u])) =
            (estimate.kind, Figures::from(&estimate).capacitance)
        {
            let truth = expected.truth.capacitance_uf * 1e-6;
            let allowed = HONEST.allowed * u + CAPACITANCE.allowed * truth;
            assert!(
                (farad - truth).abs() <= allowed,
                "{stem}: {farad:e} ± {u:e} F for {truth:e} F"
            );
            seen += 1;
        }
    }
    assert!(seen > 5, "only {seen} captures show a capacitance");
}
