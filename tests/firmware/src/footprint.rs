//! The least firmware that a monitor can be part of: a configuration that the compiler cannot foresee, samples, background
//! work, and a look at the verdict. Its image, less the start-up code, is the flash that the core takes.

use core::hint::black_box;
use core::mem::MaybeUninit;

use ohmsplit::config::{Channel, Config, Element, FrontEnd, Judged, Limits, Timing};
use ohmsplit::contexts::Background;
use ohmsplit::units::{Ohms, Volts};
use ohmsplit::{Sample, Sampler, Step};

/// Runs for ever.
pub fn run<'c, M: Background<'c>>(config: &'c Config, room: &mut MaybeUninit<M>) {
    let mut sampler = Sampler::new(config);
    let monitor = room.write(M::begin(config));
    loop {
        let sample = black_box(Sample {
            at_us: 0,
            drive: monitor.drive(),
            codes: [0; 2],
        });
        if let Some(block) = sampler.push(&sample) {
            monitor.accept(&block);
        }
        if let Step::Answer(report) = monitor.step() {
            black_box(&report);
        }
    }
}

/// A source into the negative rail, of values that only the running image knows.
#[must_use]
pub fn config() -> Option<Config> {
    let channel = Channel::bipolar(black_box(24), Volts::from_int(black_box(2000)));
    let front_end = FrontEnd::ChassisAndPack {
        chassis: channel,
        pack: channel,
    };
    let volts = Volts::from_int(black_box(40));
    let source = Element::source_to_negative(volts, Ohms::from_int(black_box(1_000_000)));
    let limits = Limits::new(Volts::from_int(black_box(400)), Judged::WeakestRail);
    Config::try_new(front_end, &[source], Timing::default(), limits).ok()
}
