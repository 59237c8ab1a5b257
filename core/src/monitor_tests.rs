//! The whole core on an ideal circuit whose exact solution is written out here
//! in floating point.

use std::vec::Vec;

use crate::config::{Channel, Config, Drive, Element, FrontEnd, Judged, Limits, Timing};
use crate::units::{Ohms, Volts};
use crate::{Kind, Monitor, Reason, Report, Sample, Sampler, Step, Verdict};

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
            Some(half) if (t / half) as u32 % 2 == 0 => Drive::Raise,
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
                    std::println!("{name} {vb} {r} {x}: {error:.6} u {:.6}", u / g);
                    assert!(error < 0.002 + 2.0 * u / g, "{case}");
                }
            }
        }
    }
}

#[test]
fn scratch() {
    for (name, parts) in drives() {
        for vb in [60.0, 800.0] {
            for bits in [12, 16, 24] {
                for r in [1.0, 1e3, 1e4, 1e5, 1e6, 1e7, 5e7, 1e15] {
                    for x in [0.3] {
                        for (uf, noise) in [
                            (0.001, 0.0),
                            (0.1, 0.05),
                            (1.0, 0.0),
                            (1.0, 0.05),
                            (5.0, 0.05),
                            (50.0, 0.05),
                        ] {
                            let config = config(&parts, bits, vb);
                            let reports = run(
                                &config,
                                Circuit::leak(r, x, uf, vb),
                                Bench {
                                    seconds: 300.0,
                                    bits,
                                    noise,
                                    ..QUIET
                                },
                            );
                            let mut good = 0;
                            let mut wrong = 0;
                            let mut refused: std::collections::BTreeMap<
                                std::string::String,
                                usize,
                            > = Default::default();
                            let mut worst = 0f64;
                            let mut su = 0.0;
                            for report in &reports {
                                match &report.estimate {
                                    Ok(e) => {
                                        let u = e.conductance.u.get().to_num::<f64>();
                                        let g = e.conductance.value.get().to_num::<f64>();
                                        match e.kind {
                                            Kind::Figure => {
                                                let (lo, hi) = (
                                                    1e6 / e
                                                        .isolation_interval
                                                        .high
                                                        .get()
                                                        .to_num::<f64>(),
                                                    1e6 / e
                                                        .isolation_interval
                                                        .low
                                                        .get()
                                                        .to_num::<f64>(),
                                                );
                                                let d = 1e6 / r - g;
                                                let z = 2.0
                                                    * if d > 0.0 {
                                                        d / (hi - g)
                                                    } else {
                                                        -d / (g - lo)
                                                    };
                                                if z > worst {
                                                    worst = z;
                                                }
                                                if z > 3.0 {
                                                    wrong += 1
                                                } else {
                                                    good += 1;
                                                }
                                                su = u / g;
                                            }
                                            k => {
                                                *refused
                                                    .entry(std::format!("{k:?}"))
                                                    .or_default() += 1
                                            }
                                        }
                                    }
                                    Err(e) => {
                                        *refused.entry(std::format!("{e:?}")).or_default() += 1
                                    }
                                }
                            }
                            let tau = uf
                                / (1e6 / r
                                    + config.network().row(Drive::Raise).g.get().to_num::<f64>());
                            std::println!(
                                "{name} {vb} b{bits} R{r:e} C{uf} n{noise} tau {tau:.3}: reports {} good {good} wrong {wrong} worstz {worst:.2} u {su:.5} {refused:?}",
                                reports.len()
                            );
                        }
                    }
                }
            }
        }
    }
}
