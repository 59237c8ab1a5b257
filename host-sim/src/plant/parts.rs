//! The monitor's parts as built: the switches and sources that the
//! configuration declares, each off by its given or drawn error.

use ohmsplit::config::{Config, Drive, Element, FrontEnd, Landing};
use ohmsplit::units::Ratio;
use rand::RngExt;
use rand::rngs::ChaCha8Rng;

use super::fault::Faults;
use super::random::{Concern, stream};
use crate::scenario::{ChannelErrors, PartErrors, World};

/// What the monitor does to the chassis in one drive state, SI units: it
/// pushes `current + to_positive·Vb - conductance·v`.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Pushed {
    pub(super) conductance: f64,
    pub(super) to_positive: f64,
    pub(super) current: f64,
}

/// What one channel is off by: a reading is `v·(1 + gain) + offset`.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct ChannelOffBy {
    pub(super) gain: f64,
    pub(super) offset: f64,
}

/// The parts as built.
#[derive(Debug, Clone, Copy)]
pub(super) struct Built {
    /// By [`Drive::index`].
    pub(super) rows: [Pushed; 4],
    pub(super) channels: [ChannelOffBy; 2],
}

/// What an element of the network is there for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Role {
    /// Part of the drive.
    Drive,
    /// The check resistor.
    Check,
    /// A permanent part, by its place among them.
    Permanent(usize),
    /// The measuring divider of a channel.
    Load(usize),
}

/// The role of each element of the network. The configuration appends the
/// loading dividers to the parts; a part whose contacts never change and
/// that has no source is permanent.
pub(crate) fn roles(config: &Config) -> Vec<Role> {
    let elements = config.network().elements();
    let loading = loading_channels(config);
    let own = elements.len() - loading.len();
    let mut permanent = 0..;
    let mut roles: Vec<Role> = elements[..own]
        .iter()
        .map(|element| {
            if is_permanent(element) {
                Role::Permanent(permanent.next().unwrap_or(0))
            } else if element.checks {
                Role::Check
            } else {
                Role::Drive
            }
        })
        .collect();
    roles.extend(loading.into_iter().map(Role::Load));
    roles
}

/// True when a part of the monitor connects the chassis to a rail in this state.
pub(crate) fn monitor_holds_chassis(config: &Config, drive: Drive) -> bool {
    let mut contacts = config.network().contacts(drive);
    contacts.any(|contact| contact.closed)
}

fn is_permanent(element: &Element) -> bool {
    *element
        == Element::permanent(element.resistance, element.landing)
            .with_uncertainty(element.resistance_u, element.emf_u)
}

/// Channels whose divider current flows through the chassis.
fn loading_channels(config: &Config) -> Vec<usize> {
    let touching: &[usize] = match config.front_end() {
        FrontEnd::ChassisAndPack { .. } => &[0],
        FrontEnd::RailPair { .. } => &[0, 1],
    };
    let channels = config.front_end().channels();
    touching
        .iter()
        .copied()
        .filter(|&n| channels[n].divider.is_some())
        .collect()
}

/// The given errors of the two channels, in the order of the front end.
pub(crate) fn channel_errors(config: &Config, parts: &PartErrors) -> [ChannelErrors; 2] {
    let [first, second] = match config.front_end() {
        FrontEnd::ChassisAndPack { .. } => [parts.chassis, parts.pack],
        FrontEnd::RailPair { .. } => [parts.positive, parts.negative],
    };
    [first.unwrap_or_default(), second.unwrap_or_default()]
}

/// Builds the parts.
pub(super) fn build(config: &Config, world: &World, faults: &Faults) -> Built {
    let mut draw = Draw {
        stream: stream(world.seed, Concern::Parts),
        wanted: world.parts.draw,
    };
    let given = channel_errors(config, &world.parts);
    let mut rows = [Pushed::default(); 4];
    for (element, role) in config.network().elements().iter().zip(roles(config)) {
        let errors = element_errors(element, role, &world.parts, &given, &mut draw);
        let Some(part) = faults.part(element, role) else {
            continue;
        };
        for drive in Drive::ALL {
            add(&part, drive, errors, &mut rows[drive.index()]);
        }
    }
    let declared = config.front_end().channels();
    let channels = [0, 1].map(|n| ChannelOffBy {
        gain: draw.or_given(given[n].gain_percent, declared[n].gain_u),
        offset: draw.limit_or(
            given[n].offset_v,
            declared[n].offset_u.get().to_num::<f64>(),
        ),
    });
    Built { rows, channels }
}

/// Relative errors of one element.
#[derive(Debug, Clone, Copy)]
struct ElementOffBy {
    emf: f64,
    positive: f64,
    negative: f64,
}

fn element_errors(
    element: &Element,
    role: Role,
    parts: &PartErrors,
    channels: &[ChannelErrors; 2],
    draw: &mut Draw,
) -> ElementOffBy {
    let (emf, positive, negative) = match role {
        Role::Drive => (
            parts.amplitude_percent,
            parts.positive_resistance_percent,
            parts.negative_resistance_percent,
        ),
        Role::Check => {
            let given = parts.check_resistance_percent;
            (None, given, given)
        }
        Role::Permanent(place) => {
            let given = parts.permanent_percent.get(place).copied();
            (None, given, given)
        }
        Role::Load(channel) => {
            let given = Some(channels[channel].load_percent);
            (None, given, given)
        }
    };
    ElementOffBy {
        emf: draw.or_given(emf, element.emf_u),
        positive: draw.or_given(positive, element.resistance_u),
        negative: draw.or_given(negative, element.resistance_u),
    }
}

/// Adds what an element does in a drive state: a source in series with a
/// resistor from a rail pushes (rail + emf - v)/R.
fn add(element: &Element, drive: Drive, off_by: ElementOffBy, row: &mut Pushed) {
    let contact = element.contact(drive);
    if !contact.closed {
        return;
    }
    let ohms = element.resistance.get().to_num::<f64>();
    let emf = contact.emf.get().to_num::<f64>() * (1.0 + off_by.emf);
    if element.landing != Landing::Positive {
        let conductance = 1.0 / (ohms * (1.0 + off_by.negative));
        row.conductance += conductance;
        row.current += conductance * emf;
    }
    if element.landing != Landing::Negative {
        let conductance = 1.0 / (ohms * (1.0 + off_by.positive));
        row.conductance += conductance;
        row.to_positive += conductance;
        row.current += conductance * emf;
    }
}

/// Draws errors; every error takes its turn whether wanted or not, so that
/// giving one leaves the others as they were.
struct Draw {
    stream: ChaCha8Rng,
    wanted: bool,
}

impl Draw {
    /// A relative error: the given percentage, or drawn.
    fn or_given(&mut self, percent: Option<f64>, standard: Ratio) -> f64 {
        let given = percent.map(|percent| percent / 100.0);
        self.limit_or(given, standard.get().to_num::<f64>())
    }

    /// The given error, or one drawn evenly within the limits that belong to
    /// a standard uncertainty: limit = √3·u.
    fn limit_or(&mut self, given: Option<f64>, standard: f64) -> f64 {
        let place = self.stream.random::<f64>() * 2.0 - 1.0;
        match given {
            Some(given) => given,
            None if self.wanted => place * standard * 3f64.sqrt(),
            None => 0.0,
        }
    }
}
