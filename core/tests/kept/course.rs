//! A circuit as time goes on, and what a converter reads of it.

use crate::circuit::{Circuit, Disturbance, Event, Seeded};
use ohmsplit::Sample;
use ohmsplit::config::Drive;

/// Sampling period, s.
const DT: f64 = 1e-3;

/// exp(−z) of z ≥ 0: by its series where z is small, and squared up.
fn decay(z: f64) -> f64 {
    let (mut small, mut halved) = (z, 0);
    while small > 0.125 {
        small *= 0.5;
        halved += 1;
    }
    let series = (1..12)
        .rev()
        .fold(1.0, |sum, n| 1.0 - small / f64::from(n) * sum);
    (0..halved).fold(series, |power, _| power * power)
}

/// A tone, by turning a pointer: the cosine and sine of a sample's angle come from its half-angles' series.
struct Tone {
    at: [f64; 2],
    turn: [f64; 2],
}

impl Tone {
    fn new(hertz: f64) -> Self {
        let angle = 2.0 * std::f64::consts::PI * hertz * DT;
        let angle = angle - (angle / std::f64::consts::TAU).floor() * std::f64::consts::TAU;
        let part = angle / 64.0;
        let cosine = 1.0 - part * part / 2.0 + part * part * part * part / 24.0;
        let mut turn = [cosine, (1.0 - cosine * cosine).sqrt()];
        for _ in 0..6 {
            turn = [
                turn[0] * turn[0] - turn[1] * turn[1],
                2.0 * turn[0] * turn[1],
            ];
        }
        Self {
            at: [1.0, 0.0],
            turn,
        }
    }

    fn next(&mut self) -> f64 {
        let ([a, b], [c, s]) = (self.at, self.turn);
        self.at = [a * c - b * s, a * s + b * c];
        self.at[1]
    }
}

/// A circuit as time goes on.
pub(crate) struct Course<'c> {
    circuit: &'c Circuit,
    from: Seeded,
    v: f64,
    age: u32,
    clock_us: f64,
    tone: Tone,
    held: [i32; 2],
}

impl<'c> Course<'c> {
    pub(crate) fn new(circuit: &'c Circuit, seed: u64) -> Self {
        let hertz = match circuit.disturbance {
            Disturbance::Hum(hertz) | Disturbance::RippleOnPack(hertz) => hertz,
            _ => 1.0,
        };
        Self {
            circuit,
            from: Seeded::new(!seed),
            v: circuit.volts * 0.4,
            age: 0,
            clock_us: 0.0,
            tone: Tone::new(hertz),
            held: [0; 2],
        }
    }

    fn seconds(&self) -> f64 {
        f64::from(self.age) * DT
    }

    /// The event has happened.
    fn event(&self) -> Event {
        if self.age < self.circuit.at {
            Event::None
        } else {
            self.circuit.event
        }
    }

    /// A sample later, with the switches as they are asked to be; `None` where it is lost.
    pub(crate) fn next(&mut self, drive: Drive) -> Option<Sample> {
        let circuit = self.circuit;
        let event = self.event();
        let tone = self.tone.next();
        let pack = circuit.volts + self.moved_pack(tone);
        let done = match event {
            Event::SwitchOpen(open) if open == drive => Drive::Rest,
            _ => drive,
        };
        self.carry(done, pack, event);
        let v = self.v + circuit.noise * self.from.normal() + self.added(tone);
        let pack = pack + 0.2 * circuit.noise * self.from.normal();
        let volts = if circuit.rail_pair {
            [pack - v, v]
        } else {
            [v, pack]
        };
        let codes = self.codes(volts, event);
        self.age += 1;
        self.clock_us += match event {
            Event::Clock(factor) => 1000.0 * factor,
            _ => 1000.0,
        };
        let lost = circuit.disturbance == Disturbance::Gaps && self.age % 700 < 30;
        (!lost).then_some(Sample {
            at_us: self.clock_us as u32,
            drive,
            codes,
        })
    }

    fn moved_pack(&self, tone: f64) -> f64 {
        let circuit = self.circuit;
        match circuit.disturbance {
            Disturbance::RippleOnPack(_) => circuit.size * tone,
            Disturbance::Ramp => {
                let s = self.seconds();
                -(0.125 * circuit.volts).min(50.0 * (s - 2.3).max(0.0))
            }
            Disturbance::Step if self.seconds() > 3.13 => -0.1 * circuit.volts,
            _ => 0.0,
        }
    }

    /// What reaches the reading of v alone.
    fn added(&mut self, tone: f64) -> f64 {
        match self.circuit.disturbance {
            Disturbance::Hum(_) => 3.0 * self.circuit.size * tone,
            Disturbance::Drift => 0.2 * self.seconds(),
            Disturbance::Outliers if self.from.uniform() < 0.01 => self.from.between(-100.0, 100.0),
            _ => 0.0,
        }
    }

    /// The exact solution a sample on, with Vb and the drive as they stand.
    fn carry(&mut self, drive: Drive, pack: f64, event: Event) {
        let circuit = self.circuit;
        let row = circuit.config.network().row(drive);
        let [mut g, mut p] = [row.g, row.p].map(|g| g.get().to_num::<f64>());
        let mut i = row.i.get().to_num::<f64>();
        if let Event::DriveDrift(factor) = event {
            [g, p, i] = [g * factor, p * factor, i * factor];
        }
        let [mut gp, mut gn] = circuit.leak;
        let mut capacitance = circuit.capacitance;
        match event {
            Event::Leak(more, x) => [gp, gn] = [gp + more * x, gn + more * (1.0 - x)],
            Event::Capacitance(factor) => capacitance *= factor,
            _ => {}
        }
        let load = gp + gn + g;
        let end = ((gp + p) * pack + i) / load;
        self.v = end + (self.v - end) * decay(load * DT / capacitance);
    }

    fn codes(&mut self, volts: [f64; 2], event: Event) -> [i32; 2] {
        let [span, codes] = self.circuit.scale;
        let mut told = volts;
        if let Event::ChannelGain(channel, factor) = event {
            told[channel] *= factor;
        }
        let half = codes / 2.0;
        let mut told = told.map(|volts| {
            let code = (volts / span * codes + half + 0.5).floor();
            code.clamp(0.0, codes - 1.0) as i32
        });
        match event {
            Event::StuckCode(channel) => told[channel] = self.held[channel],
            Event::DeadBit(channel, bit) => told[channel] &= !(1 << bit),
            Event::Saturated(channel) => told[channel] = codes as i32 - 1,
            _ => {}
        }
        self.held = told;
        told
    }
}
