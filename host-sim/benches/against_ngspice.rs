//! The plant against `ngspice`, a general-purpose circuit simulator, on one circuit, for the same minute and to the same
//! accuracy: `cargo bench -p ohmsplit-host --bench against_ngspice`. Needs `ngspice` on the path.
//!
//! Accuracy is the largest difference of v from the closed form v = L + (v₀ - L)·e^(-t/τ) of each half-period. Of ngspice it is
//! measured for several largest steps; the plant is exact to rounding at any. Time is that of the shortest of several runs, less
//! what starting the program takes.

use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use ohmsplit::config::Drive;
use ohmsplit_host::document::Document;
use ohmsplit_host::plant::Plant;
use ohmsplit_host::scenario::Scenario;

const SECONDS: f64 = 60.0;
const HALF_PERIOD: f64 = 1.0;
/// Largest steps of ngspice.
const STEPS: [f64; 3] = [1e-3, 2.5e-4, 6.25e-5];
const RUNS: usize = 3;

/// 400 V, 1.43 MΩ and 3.33 MΩ to the rails, 0.5 µF to each, ±40 V through 1 MΩ.
const SCENARIO: &str = r#"
format = "ohmsplit-scenario-1"
name = "bench"
description = ""
seed = 1
duration_s = 60.0
sample_rate_Hz = 1000.0
[network.pack]
working_voltage_V = 400.0
[network.drive]
kind = "source_to_negative"
amplitude_V = 40.0
series_resistance_ohm = 1.0e6
[network.front_end]
kind = "chassis_and_pack"
[[leak]]
from_s = 0.0
resistance_ohm = 1.0e6
position = 0.3
[capacitance]
positive_uF = 0.5
negative_uF = 0.5
"#;

const START_V: f64 = 120.0;
const TAU: f64 = 1e-6 / 2e-6;

/// Where v settles in a half-period, by its number.
fn settled(half_period: usize) -> f64 {
    let source = if half_period.is_multiple_of(2) {
        40.0
    } else {
        -40.0
    };
    (0.3e-6 * 400.0 + 1e-6 * source) / 2e-6
}

/// v in closed form.
fn exact(t: f64) -> f64 {
    let mut v = START_V;
    let begun = ((t / HALF_PERIOD).ceil() as usize).saturating_sub(1);
    for half_period in 0..begun {
        let to = settled(half_period);
        v = to + (v - to) * (-HALF_PERIOD / TAU).exp();
    }
    let to = settled(begun);
    to + (v - to) * (-(t - begun as f64 * HALF_PERIOD) / TAU).exp()
}

fn plant(scenario: &Scenario) -> (Duration, f64) {
    let mut plant = Plant::new(&scenario.config, &scenario.world).expect("a plant");
    plant.start_at(START_V);
    let drive = |n: u64| {
        if (n / 1000).is_multiple_of(2) {
            Drive::Raise
        } else {
            Drive::Lower
        }
    };
    let started = Instant::now();
    let v: Vec<f64> = (0..scenario.samples())
        .map(|n| plant.step(drive(n)).chassis_v)
        .collect();
    let took = started.elapsed();
    let error = v
        .iter()
        .zip(1u32..)
        .map(|(v, n)| (v - exact(f64::from(n) * 1e-3)).abs());
    (took, error.fold(0.0, f64::max))
}

fn deck(step: f64, seconds: f64, output: Option<&Path>) -> String {
    let write = output.map_or_else(String::new, |path| {
        format!(
            "set wr_singlescale\nset numdgt=12\nwrdata {} v(e)\n",
            path.display()
        )
    });
    format!(
        "ohmsplit bench\nVb p 0 400\nRp p e {}\nRn e 0 {}\nCp p e 0.5u ic={}\nCn e 0 0.5u ic={START_V}\n\
         Vs s 0 PULSE(40 -40 {HALF_PERIOD} 1n 1n {HALF_PERIOD} {})\nRs s e 1meg\n\
         .options method=trap reltol=1e-9 abstol=1e-15 vntol=1e-10 chgtol=1e-18 trtol=1\n\
         .control\ntran 1m {seconds} 0 {step} uic\n{write}quit\n.endc\n.end\n",
        1e6 / 0.3,
        1e6 / 0.7,
        400.0 - START_V,
        2.0 * HALF_PERIOD,
    )
}

fn ngspice(folder: &Path, text: &str) -> Duration {
    let path = folder.join("bench.cir");
    std::fs::write(&path, text).expect("a deck");
    let started = Instant::now();
    let status = Command::new("ngspice")
        .arg("-b")
        .arg(&path)
        .current_dir(folder)
        .output();
    let took = started.elapsed();
    let output = status.expect("ngspice on the path: install it, Debian's package has its name");
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    took
}

/// The largest error over all points that ngspice took.
fn error_of(folder: &Path, step: f64) -> f64 {
    let out = folder.join("bench.data");
    ngspice(folder, &deck(step, SECONDS, Some(&out)));
    let text = std::fs::read_to_string(&out).expect("data of ngspice");
    let errors = text.lines().filter_map(|line| {
        let mut numbers = line.split_whitespace().map(|n| n.parse::<f64>());
        let (t, v) = (numbers.next()?.ok()?, numbers.next()?.ok()?);
        // Within the nanosecond of an edge the closed form has the edge as a step.
        let from_edge = (t / HALF_PERIOD - (t / HALF_PERIOD).round()).abs() * HALF_PERIOD;
        (from_edge > 1e-6).then(|| (v - exact(t)).abs())
    });
    let (count, worst) = errors.fold((0u32, 0.0f64), |(count, worst), error| {
        (count + 1, worst.max(error))
    });
    assert!(count > 10_000, "ngspice ended early: {count} points");
    worst
}

fn main() {
    if std::env::args().any(|argument| argument == "--test") {
        return;
    }
    let scenario = Scenario::parse(&Document::embedded("bench", SCENARIO)).expect("a scenario");
    let runs = (0..RUNS).map(|_| plant(&scenario));
    let (own, own_error) = runs.min_by_key(|(took, _)| *took).expect("runs");
    let folder = tempfile::tempdir().expect("a folder");
    println!(
        "plant: {:.3} ms for {} samples, off by at most {own_error:.1e} V",
        own.as_secs_f64() * 1e3,
        scenario.samples()
    );
    let shortest = |text: &str| {
        (0..RUNS)
            .map(|_| ngspice(folder.path(), text))
            .min()
            .expect("runs")
    };
    for step in STEPS {
        let error = error_of(folder.path(), step);
        let start = shortest(&deck(step, 2.0 * step, None));
        let took = shortest(&deck(step, SECONDS, None)).saturating_sub(start);
        println!(
            "ngspice, steps of {step:.2e} s: {:.0} ms, off by at most {error:.1e} V, {:.0} times as long",
            took.as_secs_f64() * 1e3,
            took.as_secs_f64() / own.as_secs_f64()
        );
    }
}
