//! The whole core on an ideal circuit whose exact solution is written out here
//! in floating point.

use std::vec::Vec;

use crate::config::{Channel, Config, Drive, Element, FrontEnd, Judged, Limits, Timing};
use crate::units::{Ohms, Volts};
use crate::{Estimate, Kind, Monitor, Reason, Report, Sample, Sampler, Step, Verdict};

/// Leak, capacitance and pack of the circuit under test.
#[derive(Debug, Clone, Copy)]
struct Circuit {
    gp: f64,
    gn: f64,
    uf: f64,
    vb: f64,
}

impl Circuit {
    fn leak(r_iso: f64, x: f64, uf: f64, vb: f64) -> Self {
        Self {
            gp: x * 1e6 / r_iso,
            gn: (1.0 - x) * 1e6 / r_iso,
            uf,
            vb,
        }
    }
}

fn config(parts: &[Element], bits: u8, vb: f64) -> Config {
    let channel = Channel::bipolar(bits, Volts::from_int(4096));
    let front_end = FrontEnd::ChassisAndPack {
        chassis: channel,
        pack: channel,
    };
    let limits = Limits::new(Volts::from_int(vb as i32), Judged::WeakestRail);
    Config::try_new(front_end, parts, Timing::default(), limits).expect("a sound configuration")
}

/// How the circuit is driven and sampled.
#[derive(Debug, Clone, Copy)]
struct Bench {
    seconds: f64,
    bits: u8,
    rate: f64,
    /// A fixed half-period instead of the sequencer.
    half: Option<f64>,
    /// Standard deviation of white noise on v.
    noise: f64,
    hum: f64,
    /// Pack voltage slope in V/s.
    ramp: f64,
    /// Blocks that are over before the monitor is there.
    deaf: u16,
    /// The block before which the monitor is told that all ends, and the sampler is not.
    ends: Option<u16>,
    seed: u64,
}

const QUIET: Bench = Bench {
    seconds: 6.0,
    bits: 24,
    rate: 1000.0,
    half: None,
    noise: 0.0,
    hum: 0.0,
    ramp: 0.0,
    deaf: 0,
    ends: None,
    seed: 1,
};

/// Sum of twelve uniform numbers: near enough to Gaussian for a test of noise.
fn gauss(state: &mut u64) -> f64 {
    (0..12)
        .map(|_| {
            *state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (*state >> 11) as f64 / (1u64 << 53) as f64
        })
        .sum::<f64>()
        - 6.0
}

/// Runs the core against the circuit's exact solution.
fn run(config: &Config, circuit: Circuit, bench: Bench) -> Vec<Report> {
    let mut sampler = Sampler::new(config);
    let mut monitor = Monitor::new(config);
    let mut reports = Vec::new();
    let dt = 1.0 / bench.rate;
    let mut v = circuit.vb * 0.4;
    let mut seed = bench.seed;
    let quantum = 4096.0 / f64::from(1u32 << bench.bits);
    for k in 0..(bench.seconds / dt) as u32 {
        let t = f64::from(k) * dt;
        let drive = match bench.half {
            Some(half) if ((t / half) as u32).is_multiple_of(2) => Drive::Raise,
            Some(_) => Drive::Lower,
            None => monitor.drive(),
        };
        let vb = circuit.vb + bench.ramp * t;
        let row = config.network().row(drive);
        let (g, p, i) = (
            row.g.get().to_num::<f64>(),
            row.p.get().to_num::<f64>(),
            row.i.get().to_num::<f64>(),
        );
        let gt = circuit.gp + circuit.gn + g;
        let pushed = (circuit.gp + p) * vb + i;
        v = if gt > 0.0 {
            let end = pushed / gt;
            end + (v - end) * (-gt * dt / circuit.uf).exp()
        } else {
            v + pushed * dt / circuit.uf
        };
        let mut seen = v + bench.hum * (t * 50.0 * core::f64::consts::TAU).sin();
        if bench.noise > 0.0 {
            seen += bench.noise * gauss(&mut seed);
        }
        let code = |volts: f64| (volts / quantum).round() as i32 + (1 << (bench.bits - 1));
        let at_us = (t * 1e6).round() as u32;
        let sample = Sample {
            at_us,
            drive,
            codes: [code(seen), code(vb)],
        };
        let Some(raw) = sampler.push(&sample) else {
            continue;
        };
        if raw.number < bench.deaf {
            continue;
        }
        if bench.ends == Some(raw.number) {
            monitor.finish();
        }
        monitor.accept(&raw);
        loop {
            match monitor.step() {
                Step::Idle => break,
                Step::Busy => {}
                Step::Answer(report) => reports.push(report),
            }
        }
    }
    reports
}

fn meg(r: f64) -> Ohms {
    Ohms::from_int((r * 1e6) as i32)
}

fn drives() -> Vec<(&'static str, Vec<Element>)> {
    std::vec![
        (
            "source 40",
            std::vec![Element::source_to_negative(Volts::from_int(40), meg(1.0))]
        ),
        (
            "source both",
            std::vec![Element::source_to_both_rails(Volts::from_int(40), meg(2.0))]
        ),
        (
            "switched",
            std::vec![
                Element::switched_to_positive(meg(1.0)),
                Element::switched_to_negative(meg(0.47)),
            ],
        ),
        (
            "logic",
            std::vec![Element::logic_source(
                Volts::ZERO,
                Volts::from_int(12),
                meg(1.0)
            )],
        ),
    ]
}

#[test]
fn settled_circuits_come_out_within_their_stated_uncertainty() {
    for (name, parts) in drives() {
        for vb in [60.0, 400.0, 800.0, 1500.0] {
            for r in [1e4, 1e5, 1e6, 1e7] {
                for x in [0.0, 0.3, 0.5, 1.0] {
                    let config = config(&parts, 24, vb);
                    let reports = run(&config, Circuit::leak(r, x, 0.1, vb), QUIET);
                    let last = reports.last().expect("a report");
                    let case = std::format!("{name} {vb} V {r} ohm x {x}: {last:?}");
                    let estimate = last.estimate.expect(&case);
                    let u = estimate.conductance.u.get().to_num::<f64>();
                    let g = estimate.conductance.value.get().to_num::<f64>();
                    let error = (g * r / 1e6 - 1.0).abs();
                    assert!(error < 0.002 + 2.0 * u / g, "{case}");
                }
            }
        }
    }
}

/// How far the truth lies outside the estimate, in half-widths of the 95 %
/// interval on its side.
fn half_widths_missed(estimate: &Estimate, g: f64) -> f64 {
    let siemens = |r: Ohms| 1e6 / r.get().to_num::<f64>();
    let value = estimate.conductance.value.get().to_num::<f64>();
    let low = siemens(estimate.isolation_interval.high);
    let high = siemens(estimate.isolation_interval.low);
    if g > value {
        (g - value) / (high - value)
    } else {
        (value - g) / (value - low)
    }
}

/// Noise, hum and ramp of the disturbed runs, and the converter's bits.
const DISTURBED: [(f64, f64, f64, u8); 6] = [
    (0.0, 0.0, 0.0, 16),
    (0.05, 0.0, 0.0, 24),
    (0.5, 0.0, 0.0, 16),
    (0.05, 10.0, 0.0, 12),
    (0.05, 0.0, 1.0, 16),
    (0.05, 0.0, -5.0, 24),
];

#[test]
fn truth_lies_within_three_half_widths_under_noise_hum_and_ramps() {
    for (name, parts) in drives() {
        for (noise, hum, ramp, bits) in DISTURBED {
            for r in [1e4, 1e5, 1e6, 1e7] {
                let config = config(&parts, bits, 400.0);
                let bench = Bench {
                    noise,
                    hum,
                    ramp,
                    bits,
                    seconds: 20.0,
                    ..QUIET
                };
                for report in run(&config, Circuit::leak(r, 0.3, 0.2, 400.0), bench) {
                    let Ok(estimate) = report.estimate else {
                        continue;
                    };
                    if estimate.kind == Kind::Figure {
                        let missed = half_widths_missed(&estimate, 1e6 / r);
                        assert!(
                            missed < 3.0,
                            "{name} {r} {noise} {hum} {ramp} {bits}: {missed}"
                        );
                    }
                }
            }
        }
    }
}

/// The interrupt takes samples before the background is there, or goes on where the background has ended: the next
/// block lies amid a dwell, and the monitor begins with it, as after any block that was lost.
#[test]
fn a_monitor_that_comes_late_begins_amid_a_dwell() {
    let (_, parts) = drives().remove(0);
    let config = config(&parts, 24, 400.0);
    let circuit = Circuit::leak(1e6, 0.3, 0.1, 400.0);
    for (deaf, ends) in [(0, None), (1, None), (7, None), (0, Some(7)), (0, Some(75))] {
        let bench = Bench {
            deaf,
            ends,
            ..QUIET
        };
        let reports = run(&config, circuit, bench);
        let last = reports.last().expect("reports");
        let told = last.estimate.expect("an answer");
        assert!(half_widths_missed(&told, 1.0) < 3.0, "{bench:?} {told:?}");
    }
}

#[test]
fn a_circuit_that_has_not_settled_is_refused_by_name() {
    for (name, parts) in drives() {
        for (noise, hum, ramp, bits) in DISTURBED {
            for r in [1e5, 1e6, 1e7] {
                for tau in [0.5, 1.0, 2.0] {
                    let config = config(&parts, bits, 400.0);
                    let g = config.network().row(Drive::Raise).g.get().to_num::<f64>();
                    let circuit = Circuit::leak(r, 0.3, tau * (1e6 / r + g), 400.0);
                    let bench = Bench {
                        noise,
                        hum,
                        ramp,
                        bits,
                        half: Some(1.0),
                        seconds: 20.0,
                        ..QUIET
                    };
                    for report in run(&config, circuit, bench) {
                        assert!(
                            report.estimate.is_err(),
                            "{name} {r} tau {tau} {noise} {hum} {ramp} {bits}: {report:?}"
                        );
                    }
                }
            }
        }
    }
}

#[test]
fn a_hard_short_and_an_open_circuit_are_named_at_every_position() {
    for (name, parts) in drives() {
        for x in [0.0, 0.2, 0.5, 1.0] {
            for (r, kind) in [(0.1, Kind::Short), (20.0, Kind::Short), (1e12, Kind::Open)] {
                let config = config(&parts, 16, 400.0);
                let bench = Bench {
                    bits: 16,
                    seconds: 40.0,
                    ..QUIET
                };
                let reports = run(&config, Circuit::leak(r, x, 0.1, 400.0), bench);
                let last = reports.last().expect("a report");
                let estimate = last.estimate.expect("an estimate");
                assert_eq!(estimate.kind, kind, "{name} {r} x {x}: {estimate:?}");
                let verdict = if kind == Kind::Short {
                    Verdict::Alarm
                } else {
                    Verdict::Healthy
                };
                assert_eq!(last.verdict, verdict, "{name} {r} x {x}");
                if let Some(position) = estimate.position {
                    let error = position.value.get().to_num::<f64>() - x;
                    assert!(error.abs() < 0.001, "{name} {r} x {x}: {error}");
                }
            }
        }
    }
}

#[test]
fn capacitance_comes_from_the_transient() {
    for (name, parts) in drives() {
        for uf in [0.05, 0.5, 5.0] {
            let config = config(&parts, 24, 400.0);
            let bench = Bench {
                seconds: 120.0,
                ..QUIET
            };
            let reports = run(&config, Circuit::leak(1e6, 0.3, uf, 400.0), bench);
            let estimate = reports
                .last()
                .expect("a report")
                .estimate
                .expect("an estimate");
            let capacitance = estimate.capacitance.expect("a transient was seen");
            let error = capacitance.value.get().to_num::<f64>() / uf - 1.0;
            assert!(error.abs() < 0.05, "{name} {uf} µF: {error}");
        }
    }
}

#[test]
fn before_a_cycle_is_complete_nothing_is_judged() {
    let (_, parts) = drives().remove(0);
    let config = config(&parts, 24, 400.0);
    let monitor = Monitor::new(&config);
    assert_eq!(
        monitor.verdict(),
        Verdict::Undetermined(Reason::NotYetMeasured)
    );
}

#[test]
fn intervals_of_95_percent_hold_the_truth_as_often_as_they_say() {
    let (_, parts) = drives().remove(2);
    let config = config(&parts, 24, 400.0);
    for (r, uf) in [(1e7, 0.2), (1e5, 2.0)] {
        let mut missed = Vec::new();
        for seed in 0..20 {
            let bench = Bench {
                noise: 0.05,
                seconds: 60.0,
                seed: seed * 7919 + 13,
                ..QUIET
            };
            for report in run(&config, Circuit::leak(r, 0.3, uf, 400.0), bench) {
                let Ok(estimate) = report.estimate else {
                    continue;
                };
                missed.push(half_widths_missed(&estimate, 1e6 / r));
            }
        }
        let held = missed.iter().filter(|missed| **missed < 1.0).count();
        let part = held as f64 / missed.len() as f64;
        // 1300 estimates or so, of which neighbours share a reading.
        assert!(
            (0.93..0.985).contains(&part),
            "{r}: {part} of {}",
            missed.len()
        );
    }
}
