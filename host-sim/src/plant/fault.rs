//! Faults as the plant lives them: parts as they are while a fault is there,
//! readings and codes on their way to the monitor.

use ohmsplit::config::{Contact, Element};
use ohmsplit::units::{Ohms, Volts};
use rand::rngs::ChaCha8Rng;

use super::disturb::Noise;
use super::parts::{Pushed, Role};
use crate::scenario::{Cause, Driven, Fault, Which};

/// A resistance that is an open circuit.
const OPEN: Ohms = Ohms::from_int(i32::MAX);

/// All faults of a run, and those that are there now.
#[derive(Debug)]
pub(super) struct Faults {
    all: Vec<Fault>,
    present: Vec<Fault>,
    /// Codes that stuck converters repeat.
    stuck: [Option<i32>; 2],
    noise: Noise,
}

impl Faults {
    pub(super) fn new(all: &[Fault], stream: ChaCha8Rng) -> Self {
        let mut faults = Self {
            all: all.to_vec(),
            present: Vec::new(),
            stuck: [None; 2],
            noise: Noise::new(0.0, stream),
        };
        faults.go_to(0.0);
        faults
    }

    /// The faults at a time.
    pub(super) fn go_to(&mut self, time_s: f64) {
        let there = self.all.iter().filter(|fault| fault.is_there(time_s));
        self.present = there.copied().collect();
        let noise = self.causes().find_map(|cause| match cause {
            Cause::Noise { noise_v } => Some(noise_v),
            _ => None,
        });
        self.noise.set(noise.unwrap_or(0.0));
    }

    /// Times at which one comes or goes.
    pub(super) fn changes(&self) -> impl Iterator<Item = f64> {
        let ends = |fault: &Fault| [Some(fault.from_s), fault.until_s];
        self.all.iter().flat_map(ends).flatten()
    }

    /// The next time after `time_s` at which the circuit changes.
    pub(super) fn next_change(&self, time_s: f64) -> f64 {
        let flips = self.present.iter().filter_map(|fault| match fault.what {
            Cause::OtherMonitor { period_s, .. } => {
                let half = period_s / 2.0;
                let past = ((time_s - fault.from_s) / half + 1e-9).floor();
                Some(fault.from_s + (past + 1.0) * half)
            }
            _ => None,
        });
        let comes = self.changes().filter(|&at| at > time_s);
        comes.chain(flips).fold(f64::INFINITY, f64::min)
    }

    fn causes(&self) -> impl Iterator<Item = Cause> {
        self.present.iter().map(|fault| fault.what)
    }

    /// A part as it is now; none when it is disconnected.
    pub(super) fn part(&self, element: &Element, role: Role) -> Option<Element> {
        let mut part = *element;
        for cause in self.causes() {
            match (cause, role) {
                (Cause::SenseOpen { channel }, Role::Load(place)) if place == channel as usize => {
                    return None;
                }
                (_, Role::Drive) => alter(&mut part, cause),
                (
                    Cause::SwitchOpen {
                        drive: Driven::Check,
                    },
                    Role::Check,
                ) => return None,
                (
                    Cause::SwitchClosed {
                        drive: Driven::Check,
                    },
                    Role::Check,
                ) => {
                    part.contacts = [Contact::CLOSED; 3];
                }
                (
                    Cause::DriveDrift {
                        drive: Driven::Check,
                        change_percent,
                    },
                    Role::Check,
                ) => drift(&mut part, change_percent),
                _ => {}
            }
        }
        Some(part)
    }

    /// What others hang on the chassis.
    pub(super) fn others(&self, time_s: f64) -> Pushed {
        let mut pushed = Pushed::default();
        for fault in &self.present {
            if let Cause::OtherMonitor {
                amplitude_v,
                series_ohm,
                period_s,
            } = fault.what
            {
                let halves = ((time_s - fault.from_s) / (period_s / 2.0) + 1e-9).floor();
                let sign = if halves % 2.0 == 0.0 { 1.0 } else { -1.0 };
                pushed.conductance += 1.0 / series_ohm;
                pushed.current += sign * amplitude_v / series_ohm;
            }
        }
        pushed
    }

    /// More capacitance, in farads.
    pub(super) fn capacitance(&self) -> f64 {
        self.causes()
            .map(|cause| match cause {
                Cause::Capacitance { more_uf } => more_uf * 1e-6,
                _ => 0.0,
            })
            .sum()
    }

    /// The share of a leak that is left below its place in the stack.
    pub(super) fn reverse_share(&self) -> f64 {
        self.causes().fold(1.0, |share, cause| match cause {
            Cause::LeakRectifies { reverse_percent } => share * reverse_percent / 100.0,
            _ => share,
        })
    }

    /// The time stamp's time.
    pub(super) fn stamp(&self, time_s: f64) -> f64 {
        self.present
            .iter()
            .fold(time_s, |stamp, fault| match fault.what {
                Cause::TimeBase { change_percent } => {
                    stamp + (time_s - fault.from_s) * change_percent / 100.0
                }
                _ => stamp,
            })
    }

    /// A voltage at the terminals as the channel gets it.
    pub(super) fn reading(&mut self, place: usize, volts: f64) -> f64 {
        if self.present.is_empty() {
            return volts;
        }
        let mut volts = volts;
        for cause in self.causes() {
            let here = |channel: Which| channel as usize == place;
            match cause {
                Cause::SenseOpen { channel } | Cause::SenseShorted { channel } if here(channel) => {
                    volts = 0.0;
                }
                Cause::Offset { channel, offset_v } if here(channel) => volts += offset_v,
                Cause::ReferenceDrift {
                    channel,
                    change_percent,
                } if here(channel) => volts *= 1.0 + change_percent / 100.0,
                _ => {}
            }
        }
        volts + self.noise.next()
    }

    /// A code as it reaches the monitor.
    pub(super) fn code(&mut self, place: usize, code: i32, highest: i32) -> i32 {
        let mut out = code;
        let mut stuck = None;
        for cause in self.causes() {
            let here = |channel: Which| channel as usize == place;
            match cause {
                Cause::ConverterStuck { channel } if here(channel) => {
                    out = self.stuck[place].unwrap_or(code);
                    stuck = Some(out);
                }
                Cause::ConverterSaturated { channel } if here(channel) => out = highest,
                Cause::DeadBit { channel, bit } if here(channel) => out &= !(1 << bit),
                _ => {}
            }
        }
        self.stuck[place] = stuck;
        out
    }
}

fn alter(part: &mut Element, cause: Cause) {
    let [rest, raise, lower] = part.contacts;
    match cause {
        // A part of the drive knows nothing of the check resistor's switch.
        Cause::SwitchOpen {
            drive: Driven::Check,
        }
        | Cause::SwitchClosed {
            drive: Driven::Check,
        }
        | Cause::DriveDrift {
            drive: Driven::Check,
            ..
        } => {}
        Cause::SwitchOpen { drive } => part.contacts[drive.state().index()] = rest,
        Cause::SwitchClosed { drive } => {
            let stuck = part.contact(drive.state());
            if stuck.closed {
                part.contacts = [stuck; 3];
            }
        }
        Cause::DriveDrift {
            drive,
            change_percent,
        } if part.contact(drive.state()).closed => drift(part, change_percent),
        Cause::SourceDrift { change_percent } => {
            for contact in &mut part.contacts {
                let emf = contact.emf.get().to_num::<f64>() * (1.0 + change_percent / 100.0);
                contact.emf = Volts::from_bits((emf * 4_294_967_296.0).round() as i64);
            }
        }
        Cause::DriveOpen => part.resistance = OPEN,
        Cause::StimulusMissing => {
            let silent = |contact: Contact| {
                let closed = contact.closed && contact.emf.to_bits() != 0;
                if closed {
                    Contact::CLOSED
                } else {
                    Contact::OPEN
                }
            };
            part.contacts = part.contacts.map(silent);
        }
        Cause::PolarityReversed => part.contacts = [rest, lower, raise],
        _ => {}
    }
}

/// The resistance off by this much.
fn drift(part: &mut Element, change_percent: f64) {
    let ohms = part.resistance.get().to_num::<f64>() * (1.0 + change_percent / 100.0);
    part.resistance = Ohms::from_bits((ohms * 65_536.0).round() as i64);
}
