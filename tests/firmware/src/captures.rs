//! The captures that the images carry, each with the configuration that firmware
//! on that network would be built with (the figures of the `.toml` beside the capture).

use ohmsplit::Sample;
use ohmsplit::config::{
    Channel, Config, ConfigError, Divider, Drive, Element, FrontEnd, Judged, Limits, Timing,
};
use ohmsplit::units::{Ohms, Ratio, Volts};

/// One capture.
#[derive(Debug, Clone, Copy)]
pub struct Capture {
    /// Stem of the capture's file.
    pub name: &'static str,
    /// The configuration that belongs to it.
    pub config: fn() -> Result<Config, ConfigError>,
    packed: &'static [u8],
}

impl Capture {
    /// The samples, unpacked one at a time.
    pub fn samples(&self) -> impl Iterator<Item = Sample> + Clone {
        let (rows, _) = self.packed.as_chunks();
        rows.iter().map(unpack)
    }
}

/// All captures.
pub static CAPTURES: [Capture; 4] = [
    Capture {
        name: "switched-600v-12bit",
        config: switched_12_bit,
        packed: include_bytes!(concat!(env!("OUT_DIR"), "/switched-600v-12bit.bin")),
    },
    Capture {
        name: "source-400v-jitter-gaps",
        config: jitter_and_gaps,
        packed: include_bytes!(concat!(env!("OUT_DIR"), "/source-400v-jitter-gaps.bin")),
    },
    Capture {
        name: "source-500v-rail-pair",
        config: rail_pair,
        packed: include_bytes!(concat!(env!("OUT_DIR"), "/source-500v-rail-pair.bin")),
    },
    Capture {
        name: "source-400v-short-positive",
        config: short_to_positive,
        packed: include_bytes!(concat!(env!("OUT_DIR"), "/source-400v-short-positive.bin")),
    },
];

/// The row format of `build.rs`.
fn unpack(row: &[u8; 10]) -> Sample {
    let &[t0, t1, t2, t3, a0, a1, a2, b0, b1, b2] = row;
    let time_and_drive = u32::from_le_bytes([t0, t1, t2, t3]);
    Sample {
        at_us: time_and_drive & ((1 << 30) - 1),
        drive: match time_and_drive >> 30 {
            1 => Drive::Raise,
            2 => Drive::Lower,
            _ => Drive::Rest,
        },
        codes: [[a0, a1, a2, 0], [b0, b1, b2, 0]].map(i32::from_le_bytes),
    }
}

const fn millivolts(mv: i64) -> Volts {
    Volts::from_bits((mv << 32) / 1000)
}

/// A converter of `bits` that spans `span_mv` at its pin, behind `top` over `bottom` kΩ.
fn channel(bits: u8, zero_code: i32, span_mv: i64, top: i32, bottom: i32) -> Channel {
    let divider = Divider {
        top: Ohms::from_int(top * 1000),
        bottom: Ohms::from_int(bottom * 1000),
    };
    let bare = Channel::bipolar(bits, millivolts(span_mv));
    let mut channel = bare.behind(divider).unwrap_or(bare);
    channel.zero_code = zero_code;
    channel.lowest = 2;
    channel.highest = (1 << bits) - 3;
    channel
}

/// With a calibration: gain in parts per million above one, offset in millivolts at the terminals.
fn calibrated(mut channel: Channel, gain_ppm: i32, offset_mv: i64) -> Channel {
    let gain = Ratio::ONE.saturating_add(Ratio::from_ppm(gain_ppm));
    let span = channel.span.get().saturating_mul(gain.get());
    channel.span = Volts::new(span);
    channel.offset = millivolts(offset_mv);
    channel
}

fn configured(front_end: FrontEnd, parts: &[Element], volts: i32) -> Result<Config, ConfigError> {
    let limits = Limits::new(Volts::from_int(volts), Judged::WeakestRail);
    Config::try_new(front_end, parts, Timing::default(), limits)
}

fn switched_12_bit() -> Result<Config, ConfigError> {
    let both = channel(12, 0, 8192, 9900, 100);
    let parts = [
        Element::switched_to_positive(Ohms::from_int(200_000)),
        Element::switched_to_negative(Ohms::from_int(150_000)),
    ];
    let front_end = FrontEnd::ChassisAndPack {
        chassis: both,
        pack: both,
    };
    configured(front_end, &parts, 600)
}

fn jitter_and_gaps() -> Result<Config, ConfigError> {
    let bare = channel(16, 1 << 15, 10_000, 9900, 100);
    let source = Element::source_to_negative(Volts::from_int(40), Ohms::from_int(500_000));
    let front_end = FrontEnd::ChassisAndPack {
        chassis: calibrated(bare, 4200, -350),
        pack: calibrated(bare, -2900, 200),
    };
    configured(front_end, &[source], 400)
}

fn rail_pair() -> Result<Config, ConfigError> {
    let both = channel(16, 1 << 15, 12_000, 4950, 50);
    let source = Element::source_to_negative(Volts::from_int(60), Ohms::from_int(500_000));
    let front_end = FrontEnd::RailPair {
        positive: both,
        negative: both,
    };
    configured(front_end, &[source], 500)
}

fn short_to_positive() -> Result<Config, ConfigError> {
    let both = channel(16, 1 << 15, 10_000, 9900, 100);
    let source = Element::source_to_negative(Volts::from_int(40), Ohms::from_int(1_000_000));
    let front_end = FrontEnd::ChassisAndPack {
        chassis: both,
        pack: both,
    };
    configured(front_end, &[source], 400)
}
