//! What the integration images measure, in place of a board: a leak of 300 kΩ from the positive rail and 5 µF,
//! a time constant of 1.15 s, so that the answer comes from the transient. It is computed in single precision,
//! which gives the same bits on every target; the core itself computes with none.

use core::convert::Infallible;
use core::sync::atomic::{AtomicBool, AtomicU32, Ordering::Relaxed};

use embedded_hal::digital::{ErrorType, OutputPin};
use ohmsplit::config::{Channel, Config, ConfigError, Element, FrontEnd, Judged, Limits, Timing};
use ohmsplit::contexts::Readings;
use ohmsplit::units::{Ohms, Volts};

/// Samples before the converters fall silent.
const SAMPLES: u32 = 3000;
const PACK: f32 = 400.0;
const LEAK_MEGOHM: f32 = 0.3;
const MICROFARAD: f32 = 5.0;
const CODES_PER_VOLT: f32 = 65_536.0 / 2000.0;

/// The network on the board.
///
/// # Errors
/// None that occurs: the network is sound.
pub fn design() -> Result<Config, ConfigError> {
    let channel = Channel::bipolar(16, Volts::from_int(2000));
    let front_end = FrontEnd::ChassisAndPack {
        chassis: channel,
        pack: channel,
    };
    let resistor = Ohms::from_int(1_000_000);
    let parts = [
        Element::switched_to_positive(resistor),
        Element::switched_to_negative(resistor),
    ];
    let limits = Limits::new(Volts::from_int(400), Judged::WeakestRail);
    Config::try_new(front_end, &parts, Timing::default(), limits)
}

/// Levels of the two switches: the pins write, the circuit reads.
static LEVELS: [AtomicBool; 2] = [const { AtomicBool::new(false) }; 2];
static TAKEN: AtomicU32 = AtomicU32::new(0);

/// Whether all samples were taken.
#[must_use]
pub fn is_over() -> bool {
    TAKEN.load(Relaxed) >= SAMPLES
}

/// The two converters.
#[derive(Debug)]
pub struct Converters {
    chassis: f32,
}

/// No more conversions.
#[derive(Debug, Clone, Copy)]
pub struct Silent;

impl Readings for Converters {
    type Error = Silent;

    /// A millisecond later. The step is exact to second order, far below the resolution.
    fn read(&mut self) -> Result<[i32; 2], Silent> {
        if is_over() {
            return Err(Silent);
        }
        TAKEN.store(TAKEN.load(Relaxed) + 1, Relaxed);
        let [up, down] = LEVELS
            .each_ref()
            .map(|level| f32::from(u8::from(level.load(Relaxed))));
        let (up, down) = (1.0 / LEAK_MEGOHM + up, down);
        let rate = |v: f32| (up * PACK - (up + down) * v) / MICROFARAD * 1e-3;
        let middle = self.chassis + rate(self.chassis) / 2.0;
        self.chassis += rate(middle);
        let code = |volts: f32| 32_768 + (volts * CODES_PER_VOLT + 0.5) as i32;
        Ok([code(self.chassis), code(PACK)])
    }
}

/// A switch.
#[derive(Debug)]
pub struct Pin(usize);

impl ErrorType for Pin {
    type Error = Infallible;
}

impl OutputPin for Pin {
    fn set_low(&mut self) -> Result<(), Infallible> {
        LEVELS[self.0].store(false, Relaxed);
        Ok(())
    }

    fn set_high(&mut self) -> Result<(), Infallible> {
        LEVELS[self.0].store(true, Relaxed);
        Ok(())
    }
}

/// The free-running counter: a millisecond from one sampling interrupt to the next.
#[derive(Debug)]
pub struct Clock {
    at_us: u32,
}

impl Clock {
    /// The time, in microseconds.
    pub const fn now_us(&mut self) -> u32 {
        self.at_us = self.at_us.wrapping_add(1000);
        self.at_us
    }
}

/// Converters, switch pins and clock, at the start.
#[must_use]
pub const fn board() -> (Converters, [Pin; 2], Clock) {
    let converters = Converters { chassis: 200.0 };
    (converters, [Pin(0), Pin(1)], Clock { at_us: 0 })
}
