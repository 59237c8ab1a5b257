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

/// Runs the sequencer against the circuit's exact solution at 1 kHz.
fn run(config: &Config, circuit: Circuit, seconds: f64, bits: u8) -> Vec<Report> {
    let mut sampler = Sampler::new(config);
    let mut monitor = Monitor::new(config);
    let mut reports = Vec::new();
    let dt = 1e-3;
    let mut v = circuit.vb * 0.4;
    let quantum = 4096.0 / f64::from(1u32 << bits);
    for k in 0..(seconds / dt) as u32 {
        let drive = monitor.drive();
        let row = config.network().row(drive);
        let (g, p, i) = (
            row.g.get().to_num::<f64>(),
            row.p.get().to_num::<f64>(),
            row.i.get().to_num::<f64>(),
        );
        let gt = circuit.gp + circuit.gn + g;
        let pushed = (circuit.gp + p) * circuit.vb + i;
        v = if gt > 0.0 {
            let end = pushed / gt;
            end + (v - end) * (-gt * dt / circuit.uf).exp()
        } else {
            v + pushed * dt / circuit.uf
        };
        let code = |volts: f64| (volts / quantum).round() as i32 + (1 << (bits - 1));
        let sample = Sample {
            at_us: k * 1000,
            drive,
            codes: [code(v), code(circuit.vb)],
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
                    let reports = run(&config, Circuit::leak(r, x, 0.1, vb), 6.0, 24);
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
