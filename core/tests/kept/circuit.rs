//! Circuits, their monitors, disturbances and faults at random.
//!
//! Only sums, products, quotients and roots of `f64`, which IEEE 754 rounds alike
//! everywhere: the same seed gives the same codes on every machine.

use ohmsplit::config::{
    Channel, Check, Config, Drive, Element, FrontEnd, Judged, Landing, Limits, Timing,
};
use ohmsplit::units::{Measured, Microfarads, Ohms, Ratio, Seconds, Volts};

/// xorshift64*, as in Vigna, ACM TOMS 42 (2016).
pub(crate) struct Seeded(u64);

impl Seeded {
    pub(crate) fn new(seed: u64) -> Self {
        let mut new = Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
        new.uniform();
        new
    }

    pub(crate) fn uniform(&mut self) -> f64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        let bits = self.0.wrapping_mul(0x2545_F491_4F6C_DD1D);
        (bits >> 11) as f64 / 9_007_199_254_740_992.0
    }

    /// Nearly Gaussian, by the sum of twelve.
    pub(crate) fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }

    pub(crate) fn pick<T: Copy>(&mut self, of: &[T]) -> T {
        of[(self.uniform() * of.len() as f64) as usize]
    }

    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }
}

/// What disturbs the readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Disturbance {
    None,
    Hum(f64),
    RippleOnPack(f64),
    Ramp,
    Step,
    Outliers,
    Gaps,
    Drift,
}

const DISTURBANCES: [Disturbance; 12] = [
    Disturbance::None,
    Disturbance::None,
    Disturbance::None,
    Disturbance::Hum(50.0),
    Disturbance::Hum(60.0),
    Disturbance::Hum(120.0),
    Disturbance::RippleOnPack(8013.0),
    Disturbance::Ramp,
    Disturbance::Step,
    Disturbance::Outliers,
    Disturbance::Gaps,
    Disturbance::Drift,
];

/// What happens on the way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Event {
    None,
    /// Another leak from then on, µS, to that place in the stack.
    Leak(f64, f64),
    /// The current of the drive is off by a factor.
    DriveDrift(f64),
    /// Drive states do what others do.
    SwitchOpen(Drive),
    ChannelGain(usize, f64),
    StuckCode(usize),
    DeadBit(usize, u32),
    Saturated(usize),
    /// C is so many times what it was.
    Capacitance(f64),
    /// The clock of the samples is off by a factor.
    Clock(f64),
    /// The firmware begins a pause, loses blocks, or gives the bus away and takes it back.
    Pause,
    LostBlocks,
    Yielded,
}

/// A circuit, its monitor's description and its story.
pub(crate) struct Circuit {
    pub(crate) config: Config,
    pub(crate) disturbance: Disturbance,
    pub(crate) event: Event,
    /// When it happens, in samples.
    pub(crate) at: u32,
    pub(crate) rail_pair: bool,
    pub(crate) volts: f64,
    /// Volts of full scale, and codes.
    pub(crate) scale: [f64; 2],
    pub(crate) leak: [f64; 2],
    pub(crate) capacitance: f64,
    pub(crate) noise: f64,
    pub(crate) size: f64,
}

impl Circuit {
    pub(crate) fn draw(from: &mut Seeded) -> Self {
        let volts = from.pick(&[60.0, 400.0, 400.0, 800.0, 1500.0]);
        let bits = from.pick(&[12u8, 16, 16, 24]);
        let span = from.pick(&[1.0, 1.0, 4.0]) * if volts < 100.0 { 256.0 } else { 4096.0 };
        let rail_pair = from.pick(&[true, false, false]);
        let config = Self::describe(from, volts, bits, span, rail_pair);
        let g = 1e6 / from.pick(&[10e3, 30e3, 70e3, 100e3, 300e3, 1e6, 3e6, 10e6, 20e6]);
        let x = from.pick(&[0.0, 0.3, 0.5, 1.0, 0.7]);
        let mut circuit = Self {
            config,
            disturbance: from.pick(&DISTURBANCES),
            event: Event::None,
            at: from.between(500.0, 5000.0) as u32,
            rail_pair,
            volts,
            scale: [span, (1u32 << bits).into()],
            leak: [g * x, g * (1.0 - x)],
            capacitance: from.pick(&[0.01, 0.04, 0.16, 0.32, 0.64, 2.56, 10.24]),
            noise: from.pick(&[0.002, 0.02, 0.05, 0.2]),
            size: from.pick(&[0.3, 1.0, 3.0]),
        };
        circuit.event = circuit.happens(from);
        circuit
    }

    /// What the monitor is told of the board.
    fn describe(from: &mut Seeded, volts: f64, bits: u8, span: f64, rail_pair: bool) -> Config {
        let mut channel = Channel::bipolar(bits, Volts::from_int(span as i32));
        if from.pick(&[true, false]) {
            channel.gain_u = Ratio::from_bits(4_294_967);
            channel.offset_u = Volts::from_bits(429_496_729);
        }
        let front_end = if rail_pair {
            FrontEnd::RailPair {
                positive: channel,
                negative: channel,
            }
        } else {
            FrontEnd::ChassisAndPack {
                chassis: channel,
                pack: channel,
            }
        };
        let limits = Limits::new(
            Volts::from_int(volts as i32),
            from.pick(&[
                Judged::WeakestRail,
                Judged::WeakestRail,
                Judged::BothInParallel,
            ]),
        );
        let parts = Self::parts(from, volts);
        let third = if parts.iter().any(|part| part.checks) {
            Drive::Check
        } else {
            Drive::Rest
        };
        let timing = Self::timing(from, third);
        Config::try_new(front_end, &parts, timing, limits).expect("a sound description")
    }

    /// R_iso before the event, ohms.
    pub(crate) fn isolation(&self) -> f64 {
        1e6 / self.leak.iter().sum::<f64>()
    }

    fn parts(from: &mut Seeded, volts: f64) -> Vec<Element> {
        let ohms = |kilo: i32| Ohms::from_int(kilo * 1000);
        let tolerance = from.pick(&[0, 0, 4_294_967]);
        let part = |part: Element| {
            let u = Ratio::from_bits(tolerance);
            part.with_uncertainty(u, u)
        };
        let mut parts: Vec<Element> = match from.pick(&[0, 0, 1, 2, 2, 3]) {
            0 => vec![Element::source_to_negative(Volts::from_int(40), ohms(1000))],
            1 => vec![Element::source_to_both_rails(
                Volts::from_int(40),
                ohms(1000),
            )],
            2 => {
                let [positive, negative] = from.pick(&[[1000, 1000], [500, 1000]]);
                vec![
                    Element::switched_to_positive(ohms(positive)),
                    Element::switched_to_negative(ohms(negative)),
                ]
            }
            _ if volts < 100.0 => {
                vec![Element::logic_source(
                    Volts::ZERO,
                    Volts::from_int(5),
                    ohms(100),
                )]
            }
            _ => vec![Element::source_to_negative(Volts::from_int(20), ohms(300))],
        };
        if from.pick(&[true, false, false]) {
            let to = from.pick(&[Landing::Negative, Landing::BothRails]);
            parts.push(Element::permanent(ohms(5000), to));
        }
        if from.pick(&[true, false]) {
            let to = from.pick(&[Landing::Positive, Landing::Negative]);
            parts.push(Element::check_resistor(ohms(400), to));
        }
        parts.into_iter().map(part).collect()
    }

    fn timing(from: &mut Seeded, third: Drive) -> Timing {
        let mut timing = Timing::default();
        timing.dwell_min_us = from.pick(&[400_000, 500_000, 501_000]);
        timing.dwell_max_us = from.pick(&[1_000_000, 2_000_000]);
        timing.capacitance_max = Microfarads::from_int(from.pick(&[1, 5, 20]));
        timing.check = match from.pick(&[0, 1, 2, 2]) {
            0 => Check::Never,
            1 => Check::AtStart,
            _ => Check::Every(1),
        };
        if from.pick(&[true, false, false]) {
            timing.reading_lag = Some(Measured {
                value: Seconds::ZERO,
                u: Seconds::from_bits(429_496),
            });
        }
        if from.pick(&[true, false, false, false]) {
            timing.absorption = Ratio::from_bits(4_294_967);
        }
        if timing.check == Check::Never && from.pick(&[true, false, false, false]) {
            let cycle = [Drive::Raise, Drive::Lower, third];
            timing = timing.with_cycle(&cycle).expect("three states");
        }
        timing
    }

    fn happens(&self, from: &mut Seeded) -> Event {
        let channel = from.pick(&[0, 1]);
        match from.pick(&[0, 0, 0, 0, 1, 1, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12]) {
            0 => Event::None,
            1 => Event::Leak(
                1e6 / (self.volts * from.pick(&[50.0, 50.0, 300.0])),
                from.pick(&[0.0, 0.4, 1.0]),
            ),
            2 => Event::DriveDrift(from.pick(&[0.5, 0.95, 1.1])),
            3 => Event::SwitchOpen(from.pick(&[Drive::Raise, Drive::Lower])),
            4 => Event::ChannelGain(channel, from.pick(&[0.9, 1.05])),
            5 => Event::StuckCode(channel),
            6 => Event::DeadBit(channel, from.pick(&[6, 8, 10])),
            7 => Event::Saturated(channel),
            8 => Event::Capacitance(from.pick(&[0.3, 10.0])),
            9 => Event::Clock(from.pick(&[0.8, 1.2])),
            10 => Event::Pause,
            11 => Event::LostBlocks,
            _ => Event::Yielded,
        }
    }
}
