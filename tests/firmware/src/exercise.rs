//! Every public function of the core, on values that the compiler cannot foresee and with every
//! result used, so that neither a call nor a check in it is optimised away.

mod after;

use core::convert::Infallible;
use core::hint::black_box;

use embedded_hal::digital::{ErrorKind, ErrorType, OutputPin};
use ohmsplit::config::{
    Channel, Config, Contact, Divider, Drive, Element, FrontEnd, Judged, Landing, Limits, Network,
    Timing,
};
use ohmsplit::contexts::Background;
use ohmsplit::gauge::Gauge;
use ohmsplit::pins::Switches;
use ohmsplit::units::{Microfarads, Microsiemens, Ohms, Ratio, Seconds, Volts};
use ohmsplit::{Monitor, Reason, Sample, SwiftMonitor};

use self::after::After;
use crate::captures::CAPTURES;
use crate::replay::reports;

const EDGES: [i64; 7] = [i64::MIN, -(1 << 40), -1, 0, 1, 1 << 40, i64::MAX];

/// Calls everything.
pub fn everything() {
    for a in black_box(EDGES) {
        after::stored(a);
        for b in black_box(EDGES) {
            units(a, b);
            network(a, b);
            configuration(a, b);
        }
    }
    for reason in black_box(Reason::ALL) {
        black_box((reason.code(), reason.name()));
    }
    for capture in black_box(&CAPTURES) {
        if let Ok(config) = black_box((capture.config)()) {
            pipeline(&config, capture.samples());
        }
    }
}

fn units(a: i64, b: i64) {
    let (v, w) = (Volts::from_bits(a), Volts::from_bits(b));
    black_box((v.saturating_add(w), v.saturating_sub(w), v.abs(), v.get()));
    black_box((Ohms::from_bits(a).abs(), Seconds::new(v.get()), v < w));
    black_box((Microfarads::from_int(a as i32), Ratio::from_ppm(b as i32)));
    black_box((Ohms::of(Microsiemens::from_bits(a)), Ratio::of(a, b)));
    black_box(Microsiemens::of(Ohms::from_bits(a)).at(w));
}

fn network(a: i64, b: i64) {
    let (ohms, volts) = (Ohms::from_bits(a), Volts::from_bits(b));
    let low = volts.saturating_sub(Volts::from_int(1));
    let parts = black_box([
        Element::source_to_negative(volts, ohms),
        Element::source_to_both_rails(volts, ohms).with_uncertainty(Ratio::ONE, Ratio::ZERO),
        Element::switched_to_positive(ohms),
        Element::switched_to_negative(ohms),
        Element::logic_source(low, volts, ohms),
        Element::switched(ohms, Landing::Positive, [Contact::at(volts); 3]),
    ]);
    let Some(network) = Network::new(&parts) else {
        return;
    };
    for drive in black_box(Drive::ALL) {
        black_box((drive.index(), drive.name(), network.row(drive)));
        black_box(network.stimulus(Drive::Rest, drive, volts, low));
        network.contacts(drive).for_each(|contact| {
            black_box(contact);
        });
    }
    for part in network.elements() {
        black_box(part.row(Drive::Raise));
    }
    if let Some(mut switches) = black_box(Switches::new(&network, [Pin; 6])) {
        black_box(switches.set(black_box(Drive::Lower)).is_err());
        black_box((switches.drive(), switches.release()));
    }
}

/// A switch that takes any state, and may fail.
#[derive(Debug, Clone, Copy)]
struct Pin;

impl ErrorType for Pin {
    type Error = ErrorKind;
}

impl OutputPin for Pin {
    fn set_low(&mut self) -> Result<(), ErrorKind> {
        black_box(Err(ErrorKind::Other))
    }

    fn set_high(&mut self) -> Result<(), ErrorKind> {
        black_box(Ok(()))
    }
}

fn configuration(a: i64, b: i64) {
    let divider = Divider {
        top: Ohms::from_bits(a),
        bottom: Ohms::from_bits(b),
    };
    let bare = Channel::bipolar(a as u8, Volts::from_bits(b));
    let channel = black_box(bare.behind(divider).unwrap_or(bare));
    black_box((channel.quantum(), channel.saturated(b as i32)));
    let timing = Timing::default().with_cycle(&black_box([Drive::Raise, Drive::Rest]));
    let limits = Limits::new(Volts::from_bits(a), Judged::BothInParallel);
    black_box(limits.resistance(b as u32));
    let front_end = FrontEnd::RailPair {
        positive: channel,
        negative: channel,
    };
    let part = Element::permanent(Ohms::from_bits(a), Landing::BothRails);
    let source = Element::source_to_negative(Volts::from_bits(b), Ohms::from_bits(a));
    let config = Config::try_new(
        front_end,
        &[part, source],
        timing.unwrap_or_default(),
        limits,
    );
    if let Ok(config) = black_box(config) {
        black_box((config.front_end(), config.network()));
        black_box((config.timing(), config.limits()));
        pipeline(&config, extremes(a, b));
    }
}

/// Codes and times at the ends of their ranges: two dwells of a second in each drive state.
fn extremes(a: i64, b: i64) -> impl Iterator<Item = Sample> + Clone {
    let dwell = [[Drive::Raise; 100], [Drive::Rest; 100]];
    let drives = [dwell; 2].into_iter().flatten().flatten();
    (0..).zip(drives).map(move |(k, drive)| Sample {
        at_us: (a as u32).wrapping_add(10_000 * k),
        drive,
        codes: [a as i32, (b >> (k % 64)) as i32],
    })
}

fn pipeline(config: &Config, samples: impl Iterator<Item = Sample> + Clone) {
    let monitor = black_box(Monitor::new(config));
    black_box((monitor.drive(), monitor.verdict()));
    let swift = black_box(SwiftMonitor::new(config));
    black_box((swift.drive(), swift.verdict(), swift.stage()));
    run::<Monitor<'_>>(config, samples.clone());
    run::<SwiftMonitor<'_>>(config, samples);
}

fn run<'c, M: Background<'c>>(config: &'c Config, samples: impl Iterator<Item = Sample>) {
    let mut after = After::new(config);
    let Ok(()) = reports::<M, _>(config, samples.map(black_box), |report| {
        after.take(report);
        if let Ok(estimate) = &black_box(report).estimate {
            black_box(Gauge::of(estimate, config.limits()));
        }
        Ok::<_, Infallible>(())
    });
    after.finish();
}
