//! Wall-clock rate of a simulated run, in samples a second: the plant alone,
//! and in closed loop with the core's sampler and monitor; and one trial of a
//! campaign, 60 s at 1 kHz, with either of the core's monitors.

use std::hint::black_box;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use ohmsplit_host::document::Document;
use ohmsplit_host::plant::Plant;
use ohmsplit_host::rig::MonitorKind;
use ohmsplit_host::scenario::Scenario;
use ohmsplit_host::simulate;

/// Samples in one run: 100 s at 10 kHz.
const SAMPLES: u64 = 1_000_000;

const QUIET: &str = r#"format = "ohmsplit-scenario-1"
name = "bench"
description = "the dearest case: every disturbance, both channels"
seed = 1
duration_s = 100.0
sample_rate_Hz = 10000.0

[network.pack]
working_voltage_V = 400.0
[network.drive]
kind = "source_to_negative"
amplitude_V = 40.0
series_resistance_ohm = 1.0e6
[network.front_end]
kind = "chassis_and_pack"
[network.front_end.chassis]
divider_top_ohm = 9.9e6
divider_bottom_ohm = 100.0e3
converter_bits = 16
converter_full_scale_V = 20.48
zero_code = 32768
[network.front_end.pack]
divider_top_ohm = 9.9e6
divider_bottom_ohm = 100.0e3
converter_bits = 16
converter_full_scale_V = 20.48
zero_code = 32768

[[leak]]
from_s = 0.0
resistance_ohm = 1.0e6
position = 0.3

[capacitance]
positive_uF = 0.2
negative_uF = 0.2
"#;

const DISTURBED: &str = "
[disturbance]
noise_chassis_V = 0.1
noise_pack_V = 0.1
ripple_V = 2.0
ripple_Hz = 20013.0
hum_V = 3.0
hum_Hz = 50.0
";

fn scenario(text: &str) -> Scenario {
    Scenario::parse(&Document::embedded("bench", text)).expect("a sound scenario")
}

fn rates(criterion: &mut Criterion) {
    let quiet = scenario(QUIET);
    let disturbed = scenario(&format!("{QUIET}{DISTURBED}"));
    let mut group = criterion.benchmark_group("simulate");
    group
        .throughput(Throughput::Elements(SAMPLES))
        .sample_size(20);
    for (name, scenario) in [("plant_quiet", &quiet), ("plant_disturbed", &disturbed)] {
        group.bench_function(name, |bencher| {
            bencher.iter(|| {
                let mut plant =
                    Plant::new(&scenario.config, &scenario.world).expect("a sound world");
                for n in 0..SAMPLES {
                    let up = n / 10_000 % 2 == 0;
                    let drive = if up {
                        ohmsplit::config::Drive::Raise
                    } else {
                        ohmsplit::config::Drive::Lower
                    };
                    black_box(plant.step(drive));
                }
            });
        });
    }
    for (name, scenario) in [("loop_quiet", &quiet), ("loop_disturbed", &disturbed)] {
        group.bench_function(name, |bencher| {
            bencher.iter(|| {
                simulate::run(
                    scenario,
                    |row| _ = black_box(row),
                    |event| _ = black_box(event),
                )
                .expect("a sound run")
            });
        });
    }
    group.finish();
}

/// A trial is 60,000 samples; ten thousand of them take 10,000 times as long.
fn trials(criterion: &mut Criterion) {
    let text = format!("{QUIET}{DISTURBED}")
        .replacen("duration_s = 100.0", "duration_s = 60.0", 1)
        .replacen("sample_rate_Hz = 10000.0", "sample_rate_Hz = 1000.0", 1);
    let mut group = criterion.benchmark_group("trial");
    group
        .throughput(Throughput::Elements(60_000))
        .sample_size(20);
    for (name, monitor) in [
        ("swift", MonitorKind::Swift),
        ("settled", MonitorKind::Settled),
    ] {
        let mut scenario = scenario(&text);
        scenario.network.monitor = monitor;
        assert_eq!(scenario.samples(), 60_000);
        group.bench_function(name, |bencher| {
            bencher.iter(|| {
                simulate::run(
                    &scenario,
                    |row| _ = black_box(row),
                    |event| _ = black_box(event),
                )
                .expect("a sound run")
            });
        });
    }
    group.finish();
}

criterion_group!(benches, rates, trials);
criterion_main!(benches);
