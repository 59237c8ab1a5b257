//! Every capture of `hil-fixtures`, replayed through the host library, must
//! yield what follows from its netlist's own resistors. The waveforms are
//! ngspice's (open source, from Debian), not our plant's.

use ohmsplit::{Kind, Verdict};
use ohmsplit_host::capture::{Reader, network_beside};
use ohmsplit_host::network::NetworkFile;
use ohmsplit_host::replay;
use ohmsplit_host::rig::{Event, MonitorKind};
use ohmsplit_tests::bench::Figures;
use ohmsplit_tests::bounds::{CAPACITANCE, HONEST};
use ohmsplit_tests::fixtures::{Expected, capture, captures, document};

/// Both monitors of the core.
const MONITORS: [MonitorKind; 2] = [MonitorKind::Settled, MonitorKind::Swift];

fn replayed(stem: &str, monitor: MonitorKind) -> Vec<Event> {
    let path = capture(stem);
    let network = NetworkFile::read(&network_beside(&path)).expect("a network");
    let mut reader = Reader::open(&path).expect("a capture");
    let config = reader
        .bind(&network)
        .expect("a network that fits the capture");
    let mut events = Vec::new();
    let on_event = |event: &Event| events.push(*event);
    replay::run(&mut reader, &config, monitor, |_| {}, on_event).expect("sound rows");
    events
}

/// The last report but that of a dwell which the end of the capture cut short.
fn last(events: &[Event]) -> &Event {
    let counts = |event: &&Event| !(event.unfinished && event.report.estimate.is_err());
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
    for (stem, monitor) in every_capture() {
        let expected = due(&stem, monitor);
        let events = replayed(&stem, monitor);
        let found = differences(&expected, last(&events));
        if !found.is_empty() {
            let due = &expected.expect;
            failures.push(format!("{stem}, {monitor:?}: {found:?}, due {due:?}"));
        }
    }
    assert!(failures.is_empty(), "{failures:#?}");
}

fn every_capture() -> impl Iterator<Item = (String, MonitorKind)> {
    let both = |stem: String| MONITORS.map(|monitor| (stem.clone(), monitor));
    captures().into_iter().flat_map(both)
}

/// What is due of a monitor. A circuit that has not settled is refused by the
/// one that waits; the other one must find it, to the 5 % of its task.
fn due(stem: &str, monitor: MonitorKind) -> Expected {
    let mut expected: Expected = document("expected", stem);
    let unsettled = expected.expect.reason.as_deref() == Some("not_settled");
    if monitor == MonitorKind::Swift && unsettled {
        expected.expect.answer = "figure".to_owned();
        expected.expect.reason = None;
        expected.expect.verdict = "healthy".to_owned();
        expected.expect.within_percent = Some(5.0);
    }
    expected
}

#[test]
fn every_estimate_on_the_way_is_right_within_its_stated_uncertainty() {
    for (stem, monitor) in every_capture() {
        let expected = due(&stem, monitor);
        // The truth of a capture whose leak changes is that of its end.
        let (Some(ohm), "figure") = (expected.truth.isolation_ohm, &*expected.expect.answer) else {
            continue;
        };
        if expected.source.contains("after the step") {
            continue;
        }
        for event in replayed(&stem, monitor) {
            let Ok(estimate) = event.report.estimate else {
                continue;
            };
            let figures = Figures::from(&estimate);
            let case = format!(
                "{stem}, {monitor:?} at {} s: {:?} {figures:?}",
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
    for (stem, monitor) in every_capture() {
        let expected = due(&stem, monitor);
        let Ok(estimate) = last(&replayed(&stem, monitor)).report.estimate else {
            continue;
        };
        if let (Kind::Figure, Some([farad, u])) =
            (estimate.kind, Figures::from(&estimate).capacitance)
        {
            let truth = expected.truth.capacitance_uf * 1e-6;
            let allowed = HONEST.allowed * u + CAPACITANCE.allowed * truth;
            assert!(
                (farad - truth).abs() <= allowed,
                "{stem}, {monitor:?}: {farad:e} ± {u:e} F for {truth:e} F"
            );
            seen += 1;
        }
    }
    assert!(seen > 10, "only {seen} replays show a capacitance");
}
