//! Circuits at random from the whole grid, exact parts, white noise of 50 mV on both readings, and one disturbance of
//! random size, phase and time. What is asked is by how many of its own half-widths a figure misses the truth, from the
//! first answer on.

use std::f64::consts::TAU;

use ohmsplit::{Estimate, Kind};
use ohmsplit_host::rig::{Event, MonitorKind, Rig};
use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal};

use crate::bench::{Figures, Lead, converted, feed_at};
use crate::design::{Design, swift_drives};
use crate::reference::{Circuit, Drive, Leak, State};

const NOISE: f64 = 0.05;

/// Seconds after a change of the leak in which an answer may still be of the one before.
const CHANGING: f64 = 3.0;

/// What goes on besides.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Trouble {
    /// Nothing.
    Quiet,
    /// The pack ramps by up to so many V/s, within a tenth of its voltage.
    Ramp(f64),
    /// The pack steps by up to a tenth, within a sample.
    Step,
    /// 10 V of 50, 60, 100 or 120 Hz on v.
    Hum,
    /// 5 V anywhere from 2 to 20 kHz on the pack, which the circuit passes on to v.
    Ripple,
    /// The same within 2 Hz of a multiple of the rate of samples.
    SlowAlias,
    /// Two stretches of up to 0.15 s in which v is off, by anything up to 100 V or by one figure.
    Bursts,
    /// Up to this share of the samples is lost, and two stretches of up to 0.3 s.
    Lost(f64),
    /// The zero of v drifts by up to so many V/s, from the first sample on.
    Drift(f64),
    /// The leak becomes another, anywhere in the stack.
    Change,
    /// The times of samples are off by up to this share of a period to either side.
    Jitter(f64),
}

/// Two stretches of time: from, and for so long.
type Stretches = [[f64; 2]; 2];

/// What a run is made of.
#[derive(Debug, Clone)]
pub struct Case {
    /// The circuit.
    pub circuit: Circuit,
    trouble: Trouble,
    seconds: f64,
    pack: f64,
    lead: Lead,
    /// V/s, from a time on.
    ramp: [f64; 2],
    /// Share of the samples that is lost.
    lost: f64,
    stretches: Stretches,
    /// V/s.
    drift: f64,
    /// Peak, V, frequency, Hz, and phase, turns.
    wave: [f64; 3],
    /// V, at a time.
    step: [f64; 2],
    /// V, of either stretch; whether it is the same all the time.
    bursts: [(f64, bool); 2],
    /// When the leak is another, and which.
    change: (f64, Leak),
}

fn stretches(random: &mut ChaCha8Rng, seconds: f64, longest: f64) -> Stretches {
    [(); 2].map(|()| {
        [
            random.random_range(0.0..seconds),
            random.random_range(0.005..longest),
        ]
    })
}

fn drive(random: &mut ChaCha8Rng) -> Drive {
    let [source, equal, unequal] = swift_drives();
    let to_both_rails = Drive::SourceToBothRails {
        amplitude: 40.0,
        series: 1e6,
    };
    let logic = Drive::LogicSource {
        low: 0.0,
        high: 3.3,
        series: 1e5,
    };
    let drives = [source, to_both_rails, equal, unequal, logic];
    drives[random.random_range(0..drives.len())]
}

impl Case {
    /// One that lasts so long, sampled at a rate.
    #[must_use]
    pub fn random(seed: u64, trouble: Trouble, seconds: f64, rate: f64) -> Self {
        let random = &mut ChaCha8Rng::seed_from_u64(seed);
        let mut log = |low: f64, high: f64| (random.random_range(low.ln()..high.ln())).exp();
        let (ohm, farad) = (log(1e4, 1e7), log(1e-8, 2e-5));
        let drive = drive(random);
        let position = [0.0, 0.3, 0.5, 1.0][random.random_range(0..4)];
        let share = random.random_range(0.2..0.8);
        let [steepest, most_lost, drifting] = match trouble {
            Trouble::Ramp(steepest) => [steepest, 0.0, 0.0],
            Trouble::Lost(share) => [0.0, share, 0.0],
            Trouble::Drift(steepest) => [0.0, 0.0, steepest],
            _ => [0.0; 3],
        };
        let pack = [60.0, 400.0, 800.0, 1500.0][random.random_range(0..4)];
        let ramp = [
            random.random_range(-1.0..1.0) * steepest,
            random.random_range(0.0..seconds),
        ];
        let lead = if random.random() {
            Lead::alternating(1.0)
        } else {
            Lead::Sequencer
        };
        let lost = random.random_range(0.0..1.0) * most_lost;
        let longest = if trouble == Trouble::Bursts {
            0.15
        } else {
            0.3
        };
        let stretches = stretches(random, seconds, longest);
        Self {
            circuit: Circuit {
                positive_farad: share * farad,
                negative_farad: (1.0 - share) * farad,
                ..Circuit::new(Leak::inside(ohm, position), farad, drive)
            },
            trouble,
            seconds,
            pack,
            lead,
            ramp,
            lost,
            stretches,
            drift: random.random_range(-1.0..1.0) * drifting,
            wave: wave(random, trouble, rate),
            step: [
                random.random_range(-0.1..0.1) * pack,
                random.random_range(0.0..seconds),
            ],
            bursts: [(); 2].map(|()| (random.random_range(-100.0..100.0), random.random())),
            change: change(random, trouble, seconds),
        }
    }

    /// The circuit at a time.
    fn at(&self, t: f64) -> Circuit {
        let (from, leak) = self.change;
        let leak = if t < from { self.circuit.leak } else { leak };
        Circuit {
            leak,
            ..self.circuit
        }
    }

    /// The stretch that goes on.
    fn stretch(&self, t: f64) -> Option<usize> {
        let on = |[from, long]: &[f64; 2]| (0.0..*long).contains(&(t - from));
        self.stretches.iter().position(on)
    }

    /// Whether a sample is lost.
    fn loses(&self, t: f64, random: &mut ChaCha8Rng) -> bool {
        let apart = self.lost > 0.0 && random.random::<f64>() < self.lost;
        apart || self.lost > 0.0 && self.stretch(t).is_some()
    }

    /// Vb without its ripple; a pack that ramps does so within a tenth.
    fn volts(&self, t: f64) -> f64 {
        let [slope, from] = self.ramp;
        let most = 0.1 * self.pack;
        let [step, at] = self.step;
        let stepped = if self.trouble == Trouble::Step && t >= at {
            step
        } else {
            0.0
        };
        self.pack + stepped + (slope * (t - from).max(0.0)).clamp(-most, most)
    }

    /// What the disturbance adds to the readings of v and Vb.
    fn added(&self, state: State, t: f64, random: &mut ChaCha8Rng) -> [f64; 2] {
        let [peak, hertz, turn] = self.wave;
        let sine = |lead: f64| peak * (TAU * (hertz * t + turn).fract() + lead).sin();
        match self.trouble {
            Trouble::Hum => [sine(0.0), 0.0],
            Trouble::Ripple | Trouble::SlowAlias => {
                let [gain, lead] = self.circuit.response(state, hertz);
                [gain * sine(lead), sine(0.0)]
            }
            Trouble::Bursts => match self.stretch(t).map(|which| self.bursts[which]) {
                Some((volts, true)) => [volts, 0.0],
                Some((volts, false)) => [volts * random.random_range(-1.0..1.0), 0.0],
                None => [0.0; 2],
            },
            _ => [self.drift * t, 0.0],
        }
    }

    /// What a monitor makes of it.
    #[must_use]
    pub fn events(&self, kind: MonitorKind, rate: f64, seed: u64) -> Vec<Event> {
        let config = Design::new(self.circuit.drive, self.pack, 24).config();
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut noise = move || NOISE * Distribution::<f64>::sample(&StandardNormal, &mut random);
        let mut losses = ChaCha8Rng::seed_from_u64(seed ^ 0x1057);
        let mut v = self.circuit.settled(State::Rest, self.pack);
        let readings = |state: State, from: f64, to: f64| {
            let packs = [from, to].map(|t| self.volts(t));
            v = self.at(from).after(state, v, packs, to - from);
            let [of_v, of_pack] = self.added(state, to, &mut losses);
            let read = [v + of_v + noise(), packs[1] + of_pack + noise()];
            (!self.loses(to, &mut losses)).then_some(read)
        };
        let mut off = ChaCha8Rng::seed_from_u64(seed ^ 0x71be);
        let most = match self.trouble {
            Trouble::Jitter(most) => most,
            _ => 0.0,
        };
        let times = (1..=(self.seconds * rate).round() as u64)
            .map(|sample| (sample as f64 + most * off.random_range(-1.0..1.0)) / rate);
        let rig = Rig::new(&config, kind);
        feed_at(rig, times, &self.lead, converted(&config, readings))
    }

    /// By how many of its half-widths each figure of a report misses, as [`NAMES`] has them; nothing where it tells
    /// none. Within three seconds of a change, of either circuit, whichever it misses less.
    #[must_use]
    pub fn misses(&self, event: &Event) -> [f64; NAMES.len()] {
        let Ok(estimate) = &event.report.estimate else {
            return [0.0; NAMES.len()];
        };
        let [before, now] = [event.time_s - CHANGING, event.time_s].map(|t| self.at(t).leak);
        let of = |leak| self.misses_of(estimate, leak);
        let worst =
            |misses: &[f64; NAMES.len()]| misses.iter().fold(0f64, |worst, one| worst.max(*one));
        let [before, now] = [of(before), of(now)];
        if worst(&before) < worst(&now) {
            before
        } else {
            now
        }
    }

    fn misses_of(&self, estimate: &Estimate, leak: Leak) -> [f64; NAMES.len()] {
        let told = Figures::from(estimate);
        let beyond = |told: Option<[f64; 2]>, truth: f64| {
            told.map_or(0.0, |[value, u]| (value - truth).abs() / (2.0 * u))
        };
        let ohms = |[low, high]: [f64; 2], truth: f64| match estimate.kind {
            Kind::Figure => (truth - (low + high) / 2.0).abs() / ((high - low) / 2.0),
            _ => 0.0,
        };
        [
            beyond(Some(told.conductance), leak.conductance()),
            beyond(Some(told.positive), leak.positive),
            beyond(Some(told.negative), leak.negative),
            beyond(told.capacitance, self.circuit.farad()),
            beyond(told.position, leak.position()),
            ohms(told.isolation_interval, leak.isolation()),
            ohms(told.weakest_interval, leak.weakest()),
        ]
    }
}

/// The figures that are judged: conductances, C and x by twice their standard uncertainty, resistances in ohms by their
/// intervals, which is harder where these reach far up.
pub const NAMES: [&str; 7] = ["G", "Gp", "Gn", "C", "x", "R", "weaker rail"];

/// When the leak is another, if ever, and which: anything from 10 kΩ to 10 MΩ.
fn change(random: &mut ChaCha8Rng, trouble: Trouble, seconds: f64) -> (f64, Leak) {
    let ohm = random.random_range(1e4f64.ln()..1e7f64.ln()).exp();
    let leak = Leak::inside(ohm, [0.0, 0.3, 0.5, 1.0][random.random_range(0..4)]);
    let at = random.random_range(1.0..seconds / 2.0);
    let never = trouble != Trouble::Change;
    (if never { f64::INFINITY } else { at }, leak)
}

/// Peak, frequency and phase of the wave that a disturbance has.
fn wave(random: &mut ChaCha8Rng, trouble: Trouble, rate: f64) -> [f64; 3] {
    let hertz = match trouble {
        Trouble::Hum => [50.0, 60.0, 100.0, 120.0][random.random_range(0..4)],
        Trouble::SlowAlias => {
            let multiple = random.random_range(2..=20);
            f64::from(multiple) * rate + random.random_range(-2.0..2.0)
        }
        _ => random.random_range(2e3..20e3),
    };
    let peak = if trouble == Trouble::Hum { 10.0 } else { 5.0 };
    [peak, hertz, random.random()]
}

/// The worst miss of each figure in a run.
#[must_use]
pub fn worst(case: &Case, kind: MonitorKind, rate: f64, seed: u64) -> [f64; NAMES.len()] {
    let mut worst = [0f64; NAMES.len()];
    for event in case.events(kind, rate, seed ^ 0x5eed) {
        for (worst, miss) in worst.iter_mut().zip(case.misses(&event)) {
            *worst = worst.max(miss);
        }
    }
    worst
}
