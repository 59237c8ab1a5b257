//! A ripple on the pack that the sampling has folded down to a wave of a second or some: Vb seems to move, and v goes
//! with it through the capacitances alone. Circuits at random, watched from the moment on when the drive begins, while a
//! record is short and the wave passes for the relaxation of v: no interval misses by more than three half-widths.
//!
//! 400 V, 1 kHz; a ripple of 0.5 V or 2 V within 0.3 to 1.5 Hz of 8 kHz; white noise of 1 to 200 mV on either reading.

use std::f64::consts::TAU;

use ohmsplit_host::rig::{MonitorKind, Rig};
use ohmsplit_tests::bench::{Figures, Lead, converted, feed};
use ohmsplit_tests::design::{Design, swift_drives};
use ohmsplit_tests::reference::{Circuit, Drive, Leak, State};
use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal};

const PACK: f64 = 400.0;
const RATE: f64 = 1000.0;
const SECONDS: f64 = 2.5;
const RUNS: u64 = 600;

/// The worst miss of a run, in half-widths, and whether it had an answer.
fn run(drive: Drive, seed: u64) -> (f64, bool) {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let mut log = |low: f64, high: f64| (random.random_range(low.ln()..high.ln())).exp();
    let (ohm, noise) = (log(1e4, 1e7), [log(1e-3, 0.2), log(1e-3, 0.2)]);
    let farad = [log(3e-9, 2.5e-6), log(3e-9, 2.5e-6)];
    let position = random.random_range(0.0..1.0);
    let volts = if random.random() { 0.5 } else { 2.0 };
    let [beside, turn] = [random.random_range(0.3..1.5), random.random_range(0.0..1.0)];
    let [positive_farad, negative_farad] = farad;
    let circuit = Circuit {
        positive_farad,
        negative_farad,
        ..Circuit::new(Leak::inside(ohm, position), 1e-6, drive)
    };
    let share = positive_farad / circuit.farad();
    let mut v = circuit.settled(State::Rest, PACK);
    let mut noisy = |volts: f64| volts * Distribution::<f64>::sample(&StandardNormal, &mut random);
    let readings = |state: State, from: f64, to: f64| {
        v = circuit.after(state, v, [PACK; 2], to - from);
        let wave = volts * (TAU * ((8000.0 + beside) * to + turn).fract()).sin();
        let [of_v, of_pack] = noise;
        Some([v + share * wave + noisy(of_v), PACK + wave + noisy(of_pack)])
    };
    let config = Design::new(drive, PACK, 24).config();
    let rig = Rig::new(&config, MonitorKind::Swift);
    let lead = Lead::alternating(0.5);
    let mut worst = 0f64;
    let mut answered = false;
    for event in feed(rig, RATE, SECONDS, &lead, converted(&config, readings)) {
        if let Ok(estimate) = &event.report.estimate {
            let [g, u] = Figures::from(estimate).conductance;
            worst = worst.max((g * ohm - 1.0).abs() / (2.0 * u * ohm));
            answered = true;
        }
    }
    (worst, answered)
}

#[test]
fn a_slow_ripple_hides_no_leak_from_a_source_that_has_just_begun() {
    let [source, ..] = swift_drives();
    let runs: Vec<_> = (0..RUNS).map(|seed| (seed, run(source, seed))).collect();
    let wrong: Vec<_> = runs.iter().filter(|(_, (worst, _))| *worst > 3.0).collect();
    assert!(wrong.is_empty(), "{wrong:?}");
    let silent: Vec<_> = runs.iter().filter(|(_, (_, answered))| !answered).collect();
    assert!(silent.is_empty(), "{silent:?}");
}
