//! The simulated plant: a battery, its leak and capacitance to the chassis,
//! the monitor's parts as built, disturbances and converters. It answers a
//! drive state with the codes that the firmware would read.
//!
//! The switches and sources come from the core's configuration as data; every
//! formula here is the plant's own.

mod circuit;
mod converter;
mod disturb;
mod fault;
mod leak;
mod pack;
pub(crate) mod parts;
mod random;

pub use leak::{LeakConductance, LeakStage, stages};

use std::collections::VecDeque;

use ohmsplit::Sample;
use ohmsplit::config::{Config, Drive, FrontEnd};
use rand::RngExt;

use crate::document::FieldFault;
use crate::scenario::World;
use circuit::{Node, Phasor, Stretch};
use converter::Converter;
use disturb::{Noise, Tone};
use fault::Faults;
use pack::Pack;
use random::{Concern, stream};

/// One sampling instant: what the monitor reads, and what is there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SampleRow {
    /// Time in seconds.
    pub time_s: f64,
    /// What the converters read.
    pub sample: Sample,
    /// Chassis voltage v = V(E) - V(N) in volts, before noise and converter.
    pub chassis_v: f64,
    /// Pack voltage Vb = V(P) - V(N) in volts, before noise and converter.
    pub pack_v: f64,
}

/// The circuit in one drive state.
#[derive(Debug, Clone, Copy, Default)]
struct State {
    node: Node,
    /// The exact step over one sampling period.
    stretch: Stretch,
    /// Response of the chassis to ripple on the pack.
    ripple: Phasor,
}

/// The plant.
#[derive(Debug)]
pub struct Plant {
    rate: f64,
    rail_pair: bool,
    built: parts::Built,
    faults: Faults,
    /// The parts as they are from a time on, where faults change them.
    later: VecDeque<(f64, parts::Built)>,
    /// The share of the leak that conducts: less than one while the chassis is
    /// below the place of one that rectifies.
    share: f64,
    /// Highest code of each channel.
    highest: [i32; 2],
    /// Capacitances Cp and Cn in farads.
    capacitances: [f64; 2],
    leaks: Vec<LeakStage>,
    /// The leak stage that comes next.
    next_leak: usize,
    pack: Pack,
    /// The next time at which leak or pack change.
    next_change: f64,
    states: [State; 4],
    drive: Drive,
    /// Samples made.
    count: u64,
    time: f64,
    /// u = v - κ·Vb of the circuit without ripple and hum.
    u: f64,
    /// Vb without ripple.
    volts: f64,
    ripple: Tone,
    hum: Tone,
    noise: [Noise; 2],
    converters: [Converter; 2],
}

impl Plant {
    /// A plant at 0 s, the monitor just switched on: the drive at rest and the
    /// chassis at its steady voltage.
    ///
    /// # Errors
    /// The first field of `world` that is out of range or does not suit the monitor.
    pub fn new(config: &Config, world: &World) -> Result<Self, FieldFault> {
        world.check(config)?;
        let rate = world.sample_rate_hz;
        let disturbance = &world.disturbance;
        let mut phases = stream(world.seed, Concern::Phases);
        let [ripple_start, hum_start]: [f64; 2] = [phases.random(), phases.random()];
        let rail_pair = matches!(config.front_end(), FrontEnd::RailPair { .. });
        let mut faults = Faults::new(&world.faults, stream(world.seed, Concern::FaultNoise));
        let built = parts::build(config, world, &faults);
        let later = later(config, world, &mut faults);
        let working = config.limits().working_voltage.get().to_num::<f64>();
        let pack = Pack::new(&world.pack_profile, working);
        let [first, second] = disturbance.noise(rail_pair);
        let [a, b] = config.front_end().channels();
        let mut plant = Self {
            rate,
            rail_pair,
            built,
            faults,
            later,
            share: 1.0,
            highest: [a, b].map(|channel| channel.highest),
            capacitances: world.capacitance.farads(),
            leaks: stages(&world.leaks),
            next_leak: 1,
            volts: pack.volts(0.0),
            pack,
            next_change: 0.0,
            states: [State::default(); 4],
            drive: Drive::Rest,
            count: 0,
            time: 0.0,
            u: 0.0,
            ripple: Tone::new(
                disturbance.ripple_v,
                disturbance.ripple_hz,
                rate,
                ripple_start,
            ),
            hum: Tone::new(disturbance.hum_v, disturbance.hum_hz, rate, hum_start),
            noise: [
                Noise::new(first, stream(world.seed, Concern::FirstChannelNoise)),
                Noise::new(second, stream(world.seed, Concern::SecondChannelNoise)),
            ],
            converters: [
                Converter::new(a, built.channels[0]),
                Converter::new(b, built.channels[1]),
            ],
        };
        plant.find_states();
        plant.next_change = plant.find_next_change();
        plant.u = plant.state().node.resting(plant.volts);
        Ok(plant)
    }

    /// Puts the chassis at `chassis_v` volts at 0 s instead of its steady
    /// voltage: a record that begins in mid-operation.
    pub fn start_at(&mut self, chassis_v: f64) {
        self.u = chassis_v - self.state().node.coupling * self.volts;
    }

    /// Goes on to the next sampling instant with `drive` in force since the
    /// last one. The first instant is one sampling period after 0 s.
    pub fn step(&mut self, drive: Drive) -> SampleRow {
        if drive != self.drive {
            self.turn(drive);
        }
        self.rectify();
        self.count += 1;
        let end = self.count as f64 / self.rate;
        if end < self.next_change {
            let volts = self.pack.volts(end);
            let stretch = &self.states[drive.index()].stretch;
            self.u = stretch.advance(self.u, self.volts, volts);
            self.volts = volts;
        } else {
            self.go_through_changes(end);
        }
        self.time = end;
        self.ripple.go_to(self.count);
        self.hum.go_to(self.count);
        self.read()
    }

    /// The leak at the last sampling instant.
    #[must_use]
    pub fn leak(&self) -> LeakConductance {
        self.leaks
            .get(self.next_leak.wrapping_sub(1))
            .map_or_else(LeakConductance::default, |stage| stage.leak)
    }

    fn state(&self) -> &State {
        &self.states[self.drive.index()]
    }

    /// Switches the drive at the last sampling instant.
    fn turn(&mut self, drive: Drive) {
        let before = self.state().ripple;
        self.drive = drive;
        self.hand_over(before, self.ripple.now());
    }

    /// Keeps the chassis voltage continuous when the response to ripple
    /// changes: what the ripple no longer carries, the state takes over.
    fn hand_over(&mut self, before: Phasor, ripple: Phasor) {
        if !self.ripple.is_silent() {
            let after = self.state().ripple;
            self.u += self.ripple.volts(before.times(ripple));
            self.u -= self.ripple.volts(after.times(ripple));
        }
    }

    /// Advances to `end` through all changes of leak and pack on the way.
    fn go_through_changes(&mut self, end: f64) {
        let mut from = self.time;
        while self.next_change <= end {
            let at = self.next_change;
            let volts = if at < self.pack.next_change() {
                self.pack.volts(at)
            } else {
                self.pack.volts_before_change()
            };
            self.advance(at - from, volts);
            if self.pack.next_change() <= at {
                self.pack.pass();
                self.volts = self.pack.volts(at);
            }
            let leaks = self.leaks.get(self.next_leak);
            self.next_leak += usize::from(leaks.is_some_and(|stage| stage.from_s <= at));
            self.faults.go_to(at);
            if self.later.front().is_some_and(|(from, _)| *from <= at) {
                self.built = self
                    .later
                    .pop_front()
                    .map_or(self.built, |(_, built)| built);
            }
            self.time = at;
            self.change_states(self.ripple.at(at));
            from = at;
            self.next_change = self.find_next_change();
        }
        self.advance(end - from, self.pack.volts(end));
    }

    /// One stretch of any length without change.
    fn advance(&mut self, seconds: f64, volts: f64) {
        if seconds > 0.0 {
            let stretch = self.state().node.over(seconds);
            self.u = stretch.advance(self.u, self.volts, volts);
        }
        self.volts = volts;
    }

    fn find_next_change(&self) -> f64 {
        let leak = self.leaks.get(self.next_leak);
        let leak = leak.map_or(f64::INFINITY, |stage| stage.from_s);
        let fault = self.faults.next_change(self.time);
        self.pack.next_change().min(leak).min(fault)
    }

    /// The circuit has changed where the ripple has this phasor: v goes on
    /// from where it is.
    fn change_states(&mut self, ripple: Phasor) {
        let (ripple_before, coupling) = (self.state().ripple, self.state().node.coupling);
        self.find_states();
        self.u += (coupling - self.state().node.coupling) * self.volts;
        self.hand_over(ripple_before, ripple);
    }

    /// A leak that rectifies conducts less while the chassis is below its place.
    fn rectify(&mut self) {
        let leak = self.leak();
        let reverse = self.faults.reverse_share();
        let share = if reverse < 1.0 {
            let chassis = self.u + self.state().node.coupling * self.volts;
            let place = leak.position().unwrap_or(0.0) * self.volts;
            if chassis < place { reverse } else { 1.0 }
        } else {
            1.0
        };
        if share != self.share {
            self.share = share;
            self.change_states(self.ripple.now());
        }
    }

    /// The circuit in each drive state with the present leak.
    fn find_states(&mut self) {
        let leak = self.leak();
        let [to_positive, to_negative] = [leak.positive, leak.negative].map(|g| g * self.share);
        let more = self.faults.capacitance() / 2.0;
        let [positive, negative] = self.capacitances.map(|farads| farads + more);
        let capacitance = positive + negative;
        let others = self.faults.others(self.time);
        self.states = self.built.rows.map(|row| {
            let node = Node {
                conductance: to_positive + to_negative + row.conductance + others.conductance,
                to_positive: to_positive + row.to_positive,
                current: row.current + others.current,
                capacitance,
                coupling: if capacitance > 0.0 {
                    positive / capacitance
                } else {
                    0.0
                },
            };
            State {
                node,
                stretch: node.over(1.0 / self.rate),
                ripple: self.ripple.response(&node),
            }
        });
    }

    /// What is there and what is read at the current instant.
    fn read(&mut self) -> SampleRow {
        let state = &self.states[self.drive.index()];
        let mut chassis = self.u + state.node.coupling * self.volts;
        let mut pack = self.volts;
        if !self.ripple.is_silent() {
            let now = self.ripple.now();
            pack += self.ripple.volts(now);
            chassis += self.ripple.volts(state.ripple.times(now));
        }
        chassis += self.hum.volts(self.hum.now());
        let terminals = if self.rail_pair {
            [pack - chassis, chassis]
        } else {
            [chassis, pack]
        };
        let codes = [0, 1].map(|place| {
            let reading = self.faults.reading(place, terminals[place]);
            let code = self.converters[place].code(reading + self.noise[place].next());
            self.faults.code(place, code, self.highest[place])
        });
        let stamp = self.faults.stamp(self.time);
        SampleRow {
            time_s: self.time,
            sample: Sample {
                at_us: (stamp * 1e6 + 0.5) as u64 as u32,
                drive: self.drive,
                codes,
            },
            chassis_v: chassis,
            pack_v: pack,
        }
    }
}

/// The parts from each time on at which a fault comes or goes.
fn later(config: &Config, world: &World, faults: &mut Faults) -> VecDeque<(f64, parts::Built)> {
    let mut times: Vec<f64> = faults.changes().filter(|&at| at > 0.0).collect();
    times.sort_by(f64::total_cmp);
    times.dedup();
    let built = times.into_iter().map(|at| {
        faults.go_to(at);
        (at, parts::build(config, world, faults))
    });
    let built = built.collect();
    faults.go_to(0.0);
    built
}

#[cfg(test)]
mod tests;
