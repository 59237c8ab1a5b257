//! The tests are complete: every reason can be produced, every kind of drive
//! is exercised by a capture, every fixture comes with what it must yield and
//! where it came from.

use std::collections::BTreeSet;
use std::path::Path;

use ohmsplit::{Reason, Report, Verdict};
use ohmsplit_host::network::{DriveKind, NetworkFile};
use ohmsplit_host::scenario::Scenario;
use ohmsplit_tests::bench::{Bench, Lead, run_volts};
use ohmsplit_tests::design::{Design, drives};
use ohmsplit_tests::fixtures::{Expected, captures, document, folder, stems};
use ohmsplit_tests::reference::{Circuit, Drive, Leak};

const SOURCE: Drive = Drive::SourceToNegative {
    amplitude: 50.0,
    series: 510e3,
};

/// A leak of 300 kΩ on 400 V with half-periods of a second, whose voltages
/// `distort` changes on their way to the core: (v, Vb, seconds).
fn run(
    design: &Design,
    circuit: &Circuit,
    mut distort: impl FnMut(f64, f64, f64) -> [f64; 2],
) -> Vec<Report> {
    let mut v = 100.0;
    let lead = Lead::alternating(1.0);
    run_volts(&design.config(), 500.0, 10.0, &lead, |state, from, to| {
        v = circuit.after(state, v, [400.0; 2], to - from);
        distort(v, 400.0, to)
    })
}

/// A run that ends in this reason. Matched without a wildcard: a new reason
/// does not compile until it has a run.
fn produce(reason: Reason) -> Vec<Report> {
    let design = Design::new(SOURCE, 400.0, 24);
    let circuit = Circuit::new(Leak::inside(300e3, 0.3), 1e-8, SOURCE);
    let same = |v, vb, _| [v, vb];
    match reason {
        Reason::NotYetMeasured => run(&design, &circuit, same).into_iter().take(1).collect(),
        Reason::NotSettled => {
            let slow = Circuit::new(circuit.leak, 5e-6, SOURCE);
            run(&design, &slow, same)
        }
        // Nothing arrives: the source is not connected, and noise hides it.
        Reason::StimulusTooWeak => {
            let mut sign = 1.0;
            run(&Design::new(SOURCE, 400.0, 10), &circuit, |_, vb, _| {
                sign = -sign;
                [120.0 + 30.0 * sign, vb]
            })
        }
        Reason::RecordTooShort => {
            let lead = Lead::alternating(0.1);
            Bench::new(circuit, 400.0).run(&design.config(), 500.0, 2.0, &lead)
        }
        Reason::Saturated => run(&design, &circuit, |v, _, _| [v, 1e6]),
        // A sample every 0.3 s, in blocks of 20 ms.
        Reason::SamplesMissing => {
            let lead = Lead::alternating(4.0);
            Bench::new(circuit, 400.0).run(&design.config(), 3.0, 20.0, &lead)
        }
        // Vb jumps about while v, behind its capacitors, does not follow.
        Reason::PackVoltageMoving => {
            let slow = Circuit::new(circuit.leak, 1e-6, SOURCE);
            run(&design, &slow, |v, vb, t| {
                let wave = 20.0 * (std::f64::consts::TAU * 1.7 * t).sin();
                [v + 0.5 * wave * (9.0 * t).sin(), vb + wave]
            })
        }
        Reason::PackVoltageTooLow => run(&design, &circuit, |v, _, _| [v / 400.0, 3.0]),
        // The source pushes twice what the network declares.
        Reason::Implausible => {
            let twice = Drive::SourceToNegative {
                amplitude: 100.0,
                series: 510e3,
            };
            let circuit = Circuit::new(Leak::inside(10e6, 0.5), 1e-8, twice);
            run(&design, &circuit, same)
        }
        // From 10 MΩ to 20 kΩ between two dwells: the mixed cycle means nothing.
        Reason::CircuitChanged => changed(),
        Reason::Diagnosed => large(),
        // Another monitor pushes the chassis to and fro.
        Reason::Interference => run(&design, &circuit, |v, vb, t| {
            [v + 10.0 * (t / 1.7).fract().round(), vb]
        }),
        Reason::BusYielded => unreachable!("no report comes of a bus that is left"),
        // 10 bits over 480 V are half a volt, for a swing of about a volt; the
        // resistance is a little above the warning limit of 200 kΩ.
        Reason::TooUncertain => {
            let weak = Drive::LogicSource {
                low: 0.0,
                high: 12.0,
                series: 2.2e6,
            };
            let leak = Leak::inside(240e3, 0.1);
            let circuit = Circuit::new(leak, 1e-8, weak);
            run(&Design::new(weak, 400.0, 10), &circuit, same)
        }
    }
}

/// Twice the capacitance that the design expects.
fn large() -> Vec<Report> {
    let mut small = Design::new(SOURCE, 400.0, 24);
    small.capacitance_max_uf = 0.05;
    let circuit = Circuit::new(Leak::inside(300e3, 0.3), 1e-7, SOURCE);
    run(&small, &circuit, |v, vb, _| [v, vb])
}

/// A leak that falls at a drive change; the run ends with the next dwell.
fn changed() -> Vec<Report> {
    let config = Design::new(SOURCE, 400.0, 24).config();
    let [high, low] = [10e6, 20e3].map(|ohm| Circuit::new(Leak::inside(ohm, 0.3), 1e-8, SOURCE));
    let mut v = 100.0;
    run_volts(
        &config,
        500.0,
        6.0,
        &Lead::alternating(1.0),
        |state, from, to| {
            let circuit = if from < 5.0 { &high } else { &low };
            v = circuit.after(state, v, [400.0; 2], to - from);
            [v, 400.0]
        },
    )
}

#[test]
fn every_reason_is_produced_by_a_run() {
    let config = Design::new(SOURCE, 400.0, 24).config();
    let mut left = ohmsplit::Monitor::new(&config);
    left.yield_bus();
    let yielded = Reason::BusYielded;
    assert_eq!(left.verdict(), Verdict::Undetermined(yielded));
    for reason in Reason::ALL.into_iter().filter(|&reason| reason != yielded) {
        let reports = produce(reason);
        let last = reports.last().expect("a report");
        let named = last.reading.is_err_and(|found| found == reason)
            || last.estimate.is_err_and(|found| found == reason)
            || last.verdict == Verdict::Undetermined(reason);
        assert!(named, "{}: {last:?}", reason.name());
        assert_eq!(last.verdict, Verdict::Undetermined(reason), "{last:?}");
    }
}

#[test]
fn reasons_have_names_and_codes_of_their_own() {
    let names: BTreeSet<_> = Reason::ALL.map(Reason::name).into();
    let codes: BTreeSet<_> = Reason::ALL.map(Reason::code).into();
    assert_eq!(
        (names.len(), codes.len()),
        (Reason::ALL.len(), Reason::ALL.len())
    );
}

/// The kind of network document that a reference drive stands for.
const fn kind_of(drive: &Drive) -> DriveKind {
    match drive {
        Drive::SourceToNegative { .. } => DriveKind::SourceToNegative,
        Drive::SourceToBothRails { .. } => DriveKind::SourceToBothRails,
        Drive::SwitchedResistors { .. } => DriveKind::SwitchedResistors,
        Drive::LogicSource { .. } => DriveKind::LogicSource,
    }
}

#[test]
fn every_kind_of_drive_is_swept_and_has_a_capture() {
    let networks: Vec<NetworkFile> = captures()
        .iter()
        .map(|stem| {
            let path = folder().join(format!("captures/{stem}.toml"));
            NetworkFile::read(&path).expect("a network")
        })
        .collect();
    let swept = drives().map(|drive| kind_of(&drive));
    for (place, kind) in swept.iter().enumerate() {
        assert!(!swept[..place].contains(kind), "{kind:?} twice");
        let captured = networks
            .iter()
            .filter(|network| network.drive.kind == *kind)
            .count();
        assert!(captured > 0, "no capture of {kind:?}");
    }
}

#[test]
fn every_capture_has_network_expectation_and_provenance_and_the_other_way_round() {
    let captures = captures();
    assert!(captures.len() >= 8, "{captures:?}");
    for (subfolder, ending) in [
        ("captures", ".toml"),
        ("expected", ".toml"),
        ("provenance", ".toml"),
        ("decks", ".cir"),
    ] {
        assert_eq!(stems(subfolder, ending), captures, "{subfolder}");
    }
    for stem in &captures {
        let expected: Expected = document("expected", stem);
        assert!(
            folder().join(&expected.capture).exists(),
            "{stem}: {}",
            expected.capture
        );
        assert!(!expected.source.is_empty(), "{stem}");
        let provenance: toml::Table = document("provenance", stem);
        for field in ["capture_sha256", "licence", "made_by", "tool", "deck"] {
            let value = provenance
                .get(field)
                .and_then(toml::Value::as_str)
                .unwrap_or("");
            assert!(!value.is_empty(), "{stem}: provenance without {field}");
        }
        for field in ["made_by", "deck"] {
            let file = provenance[field].as_str().expect("a text");
            assert!(folder().join(file).exists(), "{stem}: {file}");
        }
    }
}

#[test]
fn answers_of_every_kind_are_expected_of_some_capture() {
    let answers: BTreeSet<String> = captures()
        .iter()
        .map(|stem| document::<Expected>("expected", stem).expect.answer)
        .collect();
    let all = ["figure", "open", "refused", "short"].map(str::to_owned);
    assert_eq!(answers, all.into());
}

#[test]
fn every_scenario_can_be_read() {
    let scenarios = stems("scenarios", ".toml");
    assert!(scenarios.len() >= 4, "{scenarios:?}");
    for stem in scenarios {
        let path = folder().join(format!("scenarios/{stem}.toml"));
        let scenario = Scenario::read(Path::new(&path)).unwrap_or_else(|error| panic!("{error}"));
        assert!(!scenario.description.is_empty(), "{stem}");
    }
}
