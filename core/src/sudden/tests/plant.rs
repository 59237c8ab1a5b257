//! The circuit in `f64`, exact within ticks of 1 ms over which every input is
//! constant, with seeded noise and disturbances.

use std::f64::consts::TAU;
use std::vec::Vec;

use fixed::types::{I32F32, I48F16};

use super::super::{Found, Known};
use crate::config::{Channel, Config, Drive, Element, FrontEnd, Judged, Limits, Timing};
use crate::front::{Block, Flags};
use crate::units::{Measured, Microfarads, Microsiemens, Ohms, Ratio, Volts};

/// Ticks in an averaging block.
pub(super) const BLOCK: u32 = 20;
/// Ticks in a half-period.
const HALF: u32 = 1000;

/// SplitMix64 (Steele, Lea, Flood 2014).
pub(super) struct Random(u64);

impl Random {
    pub(super) fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ 0xD1B5_4A32_D192_ED03)
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// From 0 to 1.
    pub(super) fn uniform(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Standard normal.
    pub(super) fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.uniform()).ln()).sqrt();
        radius * (TAU * self.uniform()).cos()
    }
}

/// What perturbs the circuit.
#[derive(Clone, Copy, Debug)]
pub(super) enum Source {
    /// ±40 V through 1 MΩ to N.
    Voltage,
    /// Resistors switched from P and from N, MΩ.
    Switched(f64, f64),
}

/// What disturbs it.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Disturbance {
    /// Amplitude on v in volts, and frequency in hertz.
    pub(super) hum: (f64, f64),
    /// Amplitude on Vb (half of it on v) and frequency of a ripple that is
    /// sampled at a point of each tick.
    pub(super) ripple: (f64, f64),
    /// Vb ramps up and down, V/s.
    pub(super) ramp: f64,
    /// Vb steps by 10 %, every 0.8 s in the mean.
    pub(super) steps: bool,
    /// Outliers of half of Vb for up to 60 ms, every 1.5 s in the mean.
    pub(super) bursts: bool,
}

/// One circuit, its fault and its disturbance.
#[derive(Clone, Copy, Debug)]
pub(super) struct Case {
    pub(super) source: Source,
    pub(super) volts: f64,
    /// µF.
    pub(super) farads: f64,
    /// Known leaks, µS.
    pub(super) known: [f64; 2],
    /// New leak: conductance over the alarm limit, and position; at the
    /// chassis' own potential when `None`.
    pub(super) fault: Option<(f64, Option<f64>)>,
    pub(super) disturbance: Disturbance,
    pub(super) judged: Judged,
}

impl Case {
    /// 10 MΩ from the middle, and no fault.
    pub(super) fn healthy(source: Source, volts: f64, farads: f64) -> Self {
        Self {
            source,
            volts,
            farads,
            known: [0.05; 2],
            fault: None,
            disturbance: Disturbance::default(),
            judged: Judged::BothInParallel,
        }
    }

    /// Alarm limit, µS: 100 Ω/V.
    pub(super) fn limit(&self) -> f64 {
        1e4 / self.volts
    }

    pub(super) fn config(&self) -> Config {
        let channel = Channel::bipolar(28, volts(8192.0));
        let ohms = |megohms: f64| Ohms::new(I48F16::from_num(megohms * 1e6));
        let parts = match self.source {
            Source::Voltage => [Element::source_to_negative(volts(40.0), ohms(1.0))].to_vec(),
            Source::Switched(a, b) => [
                Element::switched_to_positive(ohms(a)),
                Element::switched_to_negative(ohms(b)),
            ]
            .to_vec(),
        };
        let front = FrontEnd::ChassisAndPack {
            chassis: channel,
            pack: channel,
        };
        let mut timing = Timing::default();
        timing.block_us = BLOCK * 1000;
        let limits = Limits::new(volts(self.volts), self.judged);
        Config::try_new(front, &parts, timing, limits).unwrap()
    }
}

pub(super) fn volts(x: f64) -> Volts {
    Volts::new(I32F32::from_num(x))
}

pub(super) fn known(farads: f64, share: f64, leaks: [f64; 2], u: f64) -> Known {
    let siemens = |x: f64| Microsiemens::new(I32F32::from_num(x));
    let leak = |x: f64| Measured {
        value: siemens(x),
        u: siemens(x * u),
    };
    Known {
        capacitance: Measured {
            value: Microfarads::new(I32F32::from_num(farads)),
            u: Microfarads::new(I32F32::from_num(farads * 0.01)),
        },
        positive_share: Measured {
            value: Ratio::new(I32F32::from_num(share)),
            u: Ratio::from_ppm(5_000),
        },
        positive: leak(leaks[0]),
        negative: leak(leaks[1]),
    }
}

/// G in µS and x of a leak found.
pub(super) fn figures(found: &Found) -> (f64, f64) {
    (
        found.conductance.value.get().to_num(),
        found.position.get().to_num(),
    )
}

/// The circuit as it moves.
pub(super) struct Plant {
    pub(super) case: Case,
    pub(super) random: Random,
    /// Cp/C.
    pub(super) share: f64,
    leaks: [f64; 2],
    /// g, p and i of the two states.
    rows: [[f64; 3]; 2],
    pub(super) raised: bool,
    pub(super) ticks: u32,
    pub(super) next_edge: u32,
    edge: bool,
    pack: f64,
    /// v less share·Vb.
    inner: f64,
    phases: [f64; 2],
    burst: (u32, f64),
}

impl Plant {
    pub(super) fn new(case: Case, seed: u64) -> Self {
        let mut random = Random::new(seed);
        let rows = match case.source {
            Source::Voltage => [[1.0, 0.0, 40.0], [1.0, 0.0, -40.0]],
            Source::Switched(a, b) => [[1.0 / a, 1.0 / a, 0.0], [1.0 / b, 0.0, 0.0]],
        };
        let mut plant = Self {
            case,
            share: random.uniform(),
            leaks: case.known,
            rows,
            raised: true,
            ticks: 0,
            next_edge: HALF,
            edge: false,
            pack: case.volts,
            inner: 0.0,
            phases: [random.uniform() * TAU, random.uniform() * TAU],
            burst: (0, 0.0),
            random,
        };
        plant.inner = plant.settled().0;
        // On its periodic orbit to 1e-7, without noise, then at a random phase.
        let slowest = case.farads / (case.known[0] + case.known[1] + rows[0][0].min(rows[1][0]));
        let halves = (slowest * 16.0).ceil() as u32 * 2;
        for _ in 0..halves {
            plant.relax(f64::from(HALF) * 1e-3);
            plant.raised = !plant.raised;
        }
        plant.next_edge = 1 + (plant.random.uniform() * f64::from(HALF - 1)) as u32;
        plant.relax(f64::from(HALF - plant.next_edge) * 1e-3);
        plant
    }

    /// v as it is.
    pub(super) fn chassis(&self) -> f64 {
        self.inner + self.share * self.pack
    }

    /// Where the inner voltage tends to, and all conductance.
    fn settled(&self) -> (f64, f64) {
        let [g, p, i] = self.rows[usize::from(!self.raised)];
        let total = self.leaks[0] + self.leaks[1] + g;
        let held = (self.leaks[0] + p) / total;
        (i / total + (held - self.share) * self.pack, total)
    }

    /// Moves on by `dt` seconds; the integral of the inner voltage.
    fn relax(&mut self, dt: f64) -> f64 {
        let (end, total) = self.settled();
        let gone = -(-dt * total / self.case.farads).exp_m1();
        let away = self.inner - end;
        self.inner -= away * gone;
        end * dt + away * gone * self.case.farads / total
    }

    /// The fault begins `part` of a tick from now.
    fn tick(&mut self, fault: Option<(f64, [f64; 2])>) -> [f64; 2] {
        if self.ticks >= self.next_edge {
            self.raised = !self.raised;
            self.edge = true;
            self.next_edge = self.ticks + HALF;
        }
        let case = self.case;
        let (now, dt) = (f64::from(self.ticks) * 1e-3, 1e-3);
        let up = if (self.ticks / 2000).is_multiple_of(2) {
            1.0
        } else {
            -1.0
        };
        let ramped = self.pack + case.disturbance.ramp * dt * up;
        if (ramped / case.volts - 1.0).abs() < 0.5 {
            self.pack = ramped;
        }
        if case.disturbance.steps && self.random.uniform() < 1.0 / 800.0 {
            let high = self.pack > case.volts * 0.97;
            self.pack = case.volts * if high { 0.9 } else { 1.0 };
        }
        let mut sum = 0.0;
        let mut rest = dt;
        if let Some((part, leaks)) = fault {
            sum += self.relax(dt * part);
            rest -= dt * part;
            self.leaks = [0, 1].map(|rail| self.leaks[rail] + leaks[rail]);
        }
        sum += self.relax(rest);
        self.ticks += 1;
        let ripple = case.disturbance.ripple;
        let ripple = ripple.0 * (TAU * ripple.1 * (now + dt) + self.phases[1]).sin();
        let hum = case.disturbance.hum;
        let hum = hum.0 * (TAU * hum.1 * (now + dt / 2.0) + self.phases[0]).sin();
        let noise = [0.05 * self.random.normal(), 0.05 * self.random.normal()];
        let chassis = sum / dt + self.share * self.pack + noise[0] + hum + ripple / 2.0;
        [chassis + self.outlier(), self.pack + noise[1] + ripple]
    }

    fn outlier(&mut self) -> f64 {
        if !self.case.disturbance.bursts {
            return 0.0;
        }
        if self.burst.0 == 0 && self.random.uniform() < 1.0 / 1500.0 {
            let size = self.case.volts * (self.random.uniform() - 0.5);
            self.burst = (1 + (self.random.uniform() * 60.0) as u32, size);
        }
        if self.burst.0 == 0 {
            return 0.0;
        }
        self.burst.0 -= 1;
        self.burst.1
    }

    /// The next block; `fault` begins so many ticks from now. Drive changes
    /// fall between blocks: the half-periods are moved to whole blocks.
    pub(super) fn block(&mut self, fault: Option<(f64, [f64; 2])>) -> Block {
        self.next_edge = self.next_edge.div_ceil(BLOCK) * BLOCK;
        let samples: Vec<_> = (0..BLOCK)
            .map(|tick| {
                let part = fault.map(|(at, leaks)| (at - f64::from(tick), leaks));
                self.tick(part.filter(|(part, _)| (0.0..1.0).contains(part)))
            })
            .collect();
        let mean = |of: usize| samples.iter().map(|s| s[of]).sum::<f64>() / f64::from(BLOCK);
        let first_in_dwell = core::mem::take(&mut self.edge);
        Block {
            drive: if self.raised {
                Drive::Raise
            } else {
                Drive::Lower
            },
            flags: Flags {
                first_in_dwell,
                cut: false,
                saturated: false,
            },
            missing: 0,
            duration_us: BLOCK * 1000,
            count: BLOCK,
            bunched: 0,
            chassis: volts(mean(0)),
            pack: volts(mean(1)),
            chassis_scatter: Volts::ZERO,
            pack_scatter: Volts::ZERO,
        }
    }
}
