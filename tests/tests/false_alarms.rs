//! How often the monitor that does not wait alarms without cause: simulated
//! hours of healthy circuits, drawn at random over the whole range, quiet and
//! disturbed, ripple whose alias is 0.4 Hz included. One decision is one averaging
//! block of 20 ms.
//!
//! The short test runs in every check; the long one is run by hand before a
//! release: `cargo test --release -p ohmsplit-tests --test false_alarms -- --ignored --nocapture`.

use std::f64::consts::TAU;

use ohmsplit::Verdict;
use ohmsplit::config::Judged;
use ohmsplit_host::rig::{Event, MonitorKind, Rig};
use ohmsplit_tests::bench::{Lead, converted, feed};
use ohmsplit_tests::design::{Design, swift_drives};
use ohmsplit_tests::reference::{Circuit, Drive, Leak, State};
use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal};

const SECONDS: f64 = 60.0;
const BLOCKS: u64 = 3000;

/// A healthy circuit and what disturbs it.
#[derive(Debug, Clone)]
struct Healthy {
    drive: Drive,
    pack: f64,
    ohm: f64,
    x: f64,
    farad: f64,
    half_period_us: u32,
    /// Peak and frequency of hum on v.
    hum: [f64; 2],
    /// Peak and frequency of ripple on v.
    ripple: [f64; 2],
    /// Pack ramps in V/s, and a step every so many seconds.
    ramp: f64,
    step: f64,
    step_every: f64,
    seed: u64,
}

impl Healthy {
    fn draw(seed: u64) -> Self {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut pick = |from: &[f64]| from[random.random_range(0..from.len())];
        let pack = pick(&[60.0, 400.0, 800.0, 1500.0]);
        let drive = swift_drives()[pick(&[0.0, 1.0, 2.0]) as usize];
        // From twice the alarm limit of 100 Ω/V to a healthy pack.
        let ohm = pick(&[200.0 * pack, 600.0 * pack, 1e6, 10e6]);
        let disturbed = pick(&[0.0, 0.0, 1.0]);
        Self {
            drive,
            pack,
            ohm: ohm.max(200.0 * pack),
            x: pick(&[0.0, 0.3, 0.5, 1.0]),
            farad: pick(&[10e-9, 30e-9, 0.1e-6, 0.3e-6, 1e-6, 5e-6, 20e-6]),
            half_period_us: pick(&[500e3, 1e6, 2e6]) as u32,
            hum: [
                disturbed * pick(&[0.0, 1.0, 10.0]),
                pick(&[50.0, 50.2, 60.0, 100.0, 120.0]),
            ],
            ripple: [
                disturbed * pick(&[0.0, 0.0, 5.0]),
                pick(&[2023.1, 8000.4, 8013.0, 19_997.0]),
            ],
            ramp: disturbed * pick(&[0.0, 5.0, 50.0]),
            step: disturbed * pick(&[0.0, 0.02, 0.1]) * pack,
            step_every: pick(&[1.37, 7.9]),
            seed,
        }
    }

    fn pack(&self, t: f64) -> f64 {
        let climb = self.ramp * (2.0 - (t % 4.0)).abs();
        let steps = (t / self.step_every) as u64;
        self.pack + climb - self.step * (steps % 2) as f64
    }

    fn run(&self) -> Vec<Event> {
        let mut design = Design::new(self.drive, 1.3 * self.pack + 200.0, 24);
        design.working_voltage = self.pack;
        design.judged = Judged::BothInParallel;
        design.dwell_min_us = self.half_period_us;
        design.dwell_max_us = self.half_period_us;
        let config = design.config();
        let circuit = Circuit::new(Leak::inside(self.ohm, self.x), self.farad, self.drive);
        let mut random = ChaCha8Rng::seed_from_u64(self.seed);
        let mut noise = move || 0.05 * Distribution::<f64>::sample(&StandardNormal, &mut random);
        let mut v = None;
        let wave = |[peak, hertz]: [f64; 2], t: f64| peak * (TAU * (hertz * t).fract()).sin();
        let volts = |state: State, from: f64, to: f64| {
            let pack = [from, to].map(|t| self.pack(t));
            let before = v.unwrap_or_else(|| circuit.settled(state, pack[0]));
            let now = circuit.after(state, before, pack, to - from);
            v = Some(now);
            let disturbed = now + wave(self.hum, to) + wave(self.ripple, to);
            Some([disturbed + noise(), pack[1] + noise()])
        };
        let rig = Rig::new(&config, MonitorKind::Swift);
        feed(
            rig,
            1000.0,
            SECONDS,
            &Lead::Sequencer,
            converted(&config, volts),
        )
    }
}

/// Decisions and the false alarms among them.
fn soak(seeds: std::ops::Range<u64>) -> (u64, Vec<String>) {
    let mut decisions = 0;
    let mut alarms = Vec::new();
    for seed in seeds {
        let healthy = Healthy::draw(seed);
        decisions += BLOCKS;
        let mut events = healthy.run().into_iter();
        if let Some(event) = events.find(|event| event.report.verdict == Verdict::Alarm) {
            let report = &event.report;
            let told = format!("{:.2} s by {:?}: {healthy:?}", event.time_s, report.basis);
            println!("{told}");
            alarms.push(told);
        }
    }
    (decisions, alarms)
}

#[test]
fn healthy_circuits_quiet_or_disturbed_raise_no_alarm() {
    let (decisions, alarms) = soak(0..40);
    assert!(
        alarms.is_empty(),
        "{} in {decisions}: {alarms:#?}",
        alarms.len()
    );
}

#[test]
#[ignore = "hours of simulated time: run by hand, optimised"]
fn fewer_than_one_decision_in_a_million_raises_an_alarm() {
    let (decisions, alarms) = soak(1000..5000);
    println!("{decisions} decisions, {} false alarms", alarms.len());
    assert!(decisions > 10_000_000);
    assert!((alarms.len() as u64) < decisions / 1_000_000, "{alarms:#?}");
}
