//! Wall time of the two entry points on the host: one sample, and all the
//! background work of one drive cycle.

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use ohmsplit::config::{Channel, Config, Drive, Element, FrontEnd, Judged, Limits, Timing};
use ohmsplit::units::{Ohms, Volts};
use ohmsplit::{Monitor, RawBlock, Sample, Sampler, Step};

const HALF_PERIOD_SAMPLES: u32 = 1000;

fn config() -> Config {
    let channel = Channel::bipolar(16, Volts::from_int(2048));
    let front_end = FrontEnd::ChassisAndPack {
        chassis: channel,
        pack: channel,
    };
    let source = Element::source_to_negative(Volts::from_int(40), Ohms::from_int(1_000_000));
    let limits = Limits::new(Volts::from_int(400), Judged::WeakestRail);
    Config::try_new(front_end, &[source], Timing::default(), limits).expect("a sound configuration")
}

/// Two half-periods at 1 kHz of an exponential with τ = 50 ms and a little noise.
fn samples() -> Vec<Sample> {
    (0..2 * HALF_PERIOD_SAMPLES)
        .map(|k| {
            let raise = k < HALF_PERIOD_SAMPLES;
            let decay = (-f64::from(k % HALF_PERIOD_SAMPLES) / 50.0).exp();
            let swing = 600.0 * (1.0 - 2.0 * decay);
            let level = 36_000.0 + if raise { swing } else { -swing };
            Sample {
                at_us: k * 1000,
                drive: if raise { Drive::Raise } else { Drive::Lower },
                codes: [level as i32 + (k * 7919 % 5) as i32, 45_568],
            }
        })
        .collect()
}

fn per_call(criterion: &mut Criterion) {
    let config = config();
    let samples = samples();
    let mut group = criterion.benchmark_group("core");
    group.throughput(Throughput::Elements(samples.len() as u64));
    group.bench_function("samples of one drive cycle", |bench| {
        bench.iter(|| {
            let mut sampler = Sampler::new(&config);
            samples
                .iter()
                .filter_map(|sample| sampler.push(sample))
                .count()
        });
    });
    let mut sampler = Sampler::new(&config);
    let blocks: Vec<RawBlock> = samples
        .iter()
        .filter_map(|sample| sampler.push(sample))
        .collect();
    group.throughput(Throughput::Elements(blocks.len() as u64));
    group.bench_function("background of one drive cycle", |bench| {
        bench.iter(|| {
            let mut monitor = Monitor::new(&config);
            let mut answers = 0;
            for block in &blocks {
                monitor.accept(block);
                loop {
                    match monitor.step() {
                        Step::Idle => break,
                        Step::Busy => {}
                        Step::Answer(_) => answers += 1,
                    }
                }
            }
            answers
        });
    });
    group.finish();
}

criterion_group!(benches, per_call);
criterion_main!(benches);
