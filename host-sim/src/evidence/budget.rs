//! The error budget: which declared tolerance makes how much of the uncertainty.
//!
//! The core combines all sources into one standard uncertainty. Here it is
//! asked once more for each source alone: a circuit that settles at once, with
//! the conductances that were found and free of noise, is measured by the core
//! with one tolerance switched on at a time. Independent sources add as
//! u² = Σ u_k² (JCGM 100:2008, 5.1.2; from memory, not verified), so what the
//! reported uncertainty has beyond their sum comes from this record: noise,
//! resolution, fit, reading lag, what the insulation absorbs.

use ohmsplit::Estimate;
use ohmsplit::config::Judged;

use crate::network::{ChannelPart, FrontEndKind, NetworkFile, Rail, Readings, TimingPart};
use crate::output::{Figures, Outcome};
use crate::rig::MonitorKind;
use crate::scenario::{Capacitance, Leak, PackProfile, Scenario, World};
use crate::simulate;

/// Long enough for several drive cycles of the shortest dwells.
const DURATION_S: f64 = 8.0;
/// Too little capacitance for anything but a circuit that settles at once.
const CAPACITANCE_UF: f64 = 1e-4;

/// One source of error.
#[derive(Debug, Clone, PartialEq)]
pub struct Share {
    /// What it is.
    pub source: String,
    /// Its declared limit of error.
    pub declared: String,
    /// Standard uncertainty that it alone gives the judged conductance, in siemens.
    pub u_s: f64,
}

/// The budget of the judged figure.
#[derive(Debug, Clone, PartialEq)]
pub struct Budget {
    /// Declared sources, in the order of the network document.
    pub shares: Vec<Share>,
    /// What this record adds: noise, resolution, fit, reading lag, absorption.
    pub record_u_s: f64,
    /// The uncertainty as reported.
    pub reported_u_s: f64,
    /// The judged conductance, in siemens.
    pub conductance_s: f64,
}

/// Takes one tolerance out of a document that has only this one.
type Switch = Box<dyn Fn(&NetworkFile, &mut NetworkFile)>;

impl Budget {
    /// The budget of an estimate; none when the core gives no figure for its circuit.
    #[must_use]
    pub fn of(network: &NetworkFile, judged: Judged, estimate: &Estimate) -> Option<Self> {
        let [conductance_s, reported_u_s] = judged_conductance(judged, estimate);
        let none = without_tolerances(network);
        let floor = settled_u(&none, judged, estimate)?;
        let mut shares = Vec::new();
        for (source, declared, switch) in sources(network) {
            let mut one = none.clone();
            switch(network, &mut one);
            let u = settled_u(&one, judged, estimate)?;
            shares.push(Share {
                source,
                declared,
                u_s: (u * u - floor * floor).max(0.0).sqrt(),
            });
        }
        let declared: f64 = shares.iter().map(|share| share.u_s * share.u_s).sum();
        Some(Self {
            shares,
            record_u_s: (reported_u_s * reported_u_s - declared).max(0.0).sqrt(),
            reported_u_s,
            conductance_s,
        })
    }
}

/// Value and standard uncertainty of the conductance whose inverse is judged, in siemens.
fn judged_conductance(judged: Judged, estimate: &Estimate) -> [f64; 2] {
    let measured = match judged {
        Judged::BothInParallel => estimate.conductance,
        Judged::WeakestRail if Figures::of(estimate).weakest_is_positive => {
            estimate.positive_conductance
        }
        Judged::WeakestRail => estimate.negative_conductance,
    };
    [measured.value, measured.u].map(|g| g.get().to_num::<f64>() * 1e-6)
}

/// The standard uncertainty that the core gives the judged conductance in a
/// settled circuit with the conductances and the pack voltage of `estimate`.
fn settled_u(network: &NetworkFile, judged: Judged, estimate: &Estimate) -> Option<f64> {
    let ohm = |siemens: f64| (siemens > 0.0).then(|| 1.0 / siemens);
    let conductances = [estimate.positive_conductance, estimate.negative_conductance];
    let [positive_ohm, negative_ohm] =
        conductances.map(|g| ohm(g.value.get().to_num::<f64>() * 1e-6).or(Some(f64::INFINITY)));
    let config = network.config(Readings::Volts).ok()?;
    let world = World {
        leaks: vec![Leak {
            positive_ohm,
            negative_ohm,
            ..Leak::default()
        }],
        capacitance: Capacitance {
            positive_uf: CAPACITANCE_UF,
            negative_uf: CAPACITANCE_UF,
        },
        pack_profile: PackProfile {
            start_v: Some(estimate.pack.get().to_num::<f64>()),
            ..PackProfile::default()
        },
        ..World::default()
    };
    let scenario = Scenario {
        name: String::new(),
        description: String::new(),
        duration_s: DURATION_S,
        half_period_s: Some(1.0),
        network: network.clone(),
        config,
        world,
    };
    let mut outcome = Outcome::default();
    simulate::run(&scenario, |_| (), |event| outcome.take(event)).ok()?;
    let settled = outcome.answer().ok()?;
    // The rail that is weaker in the estimate, whatever rounding makes of it here.
    let measured = match (judged, Figures::of(estimate).weakest_is_positive) {
        (Judged::BothInParallel, _) => settled.conductance,
        (Judged::WeakestRail, true) => settled.positive_conductance,
        (Judged::WeakestRail, false) => settled.negative_conductance,
    };
    Some(measured.u.get().to_num::<f64>() * 1e-6)
}

/// The same monitor with perfect parts and plain timing.
fn without_tolerances(network: &NetworkFile) -> NetworkFile {
    let mut none = network.clone();
    none.monitor = MonitorKind::Settled;
    none.timing = TimingPart {
        cycle: network.timing.cycle.clone(),
        reading_lag_us: Some(0.0),
        ..TimingPart::default()
    };
    none.drive.amplitude_tolerance_percent = 0.0;
    none.drive.resistance_tolerance_percent = 0.0;
    for part in &mut none.permanent {
        part.tolerance_percent = 0.0;
    }
    for channel in channels(&mut none).into_iter().flatten() {
        channel.gain_tolerance_percent = 0.0;
        channel.offset_tolerance_v = 0.0;
    }
    none
}

fn channels(network: &mut NetworkFile) -> [Option<&mut ChannelPart>; 2] {
    let front_end = &mut network.front_end;
    match front_end.kind {
        FrontEndKind::ChassisAndPack => [front_end.chassis.as_mut(), front_end.pack.as_mut()],
        FrontEndKind::RailPair => [front_end.positive.as_mut(), front_end.negative.as_mut()],
    }
}

/// A source: its name, its limit in words, how to switch it on alone.
type Source = (String, String, Switch);

/// Every tolerance that the document declares.
fn sources(network: &NetworkFile) -> Vec<Source> {
    let drive = &network.drive;
    let mut found = vec![
        source(
            "drive source voltage",
            drive.amplitude_tolerance_percent,
            "%",
            |from, to| {
                to.drive.amplitude_tolerance_percent = from.drive.amplitude_tolerance_percent;
            },
        ),
        source(
            "drive resistance",
            drive.resistance_tolerance_percent,
            "%",
            |from, to| {
                to.drive.resistance_tolerance_percent = from.drive.resistance_tolerance_percent;
            },
        ),
    ];
    for (place, part) in network.permanent.iter().enumerate() {
        let rail = match part.to {
            Rail::Positive => "positive",
            Rail::Negative => "negative",
        };
        let name = format!("permanent resistor R{} to the {rail} rail", place + 1);
        found.push(source(
            &name,
            part.tolerance_percent,
            "%",
            move |from, to| {
                to.permanent[place].tolerance_percent = from.permanent[place].tolerance_percent;
            },
        ));
    }
    found.extend(channel_sources(network));
    found.into_iter().flatten().collect()
}

fn channel_sources(network: &NetworkFile) -> Vec<Option<Source>> {
    let mut found = Vec::new();
    let names = network.front_end.kind.channels();
    for (place, part) in network.front_end.channels().iter().enumerate() {
        let name = names[place];
        let gain = part.gain_tolerance_percent;
        found.push(source(
            &format!("gain of the {name} channel"),
            gain,
            "%",
            move |_, to| {
                if let Some(part) = channels(to).into_iter().nth(place).flatten() {
                    part.gain_tolerance_percent = gain;
                }
            },
        ));
        let offset = part.offset_tolerance_v;
        found.push(source(
            &format!("offset of the {name} channel"),
            offset,
            "V",
            move |_, to| {
                if let Some(part) = channels(to).into_iter().nth(place).flatten() {
                    part.offset_tolerance_v = offset;
                }
            },
        ));
    }
    found
}

/// A source, when its limit of error is not nothing.
fn source(
    name: &str,
    limit: f64,
    unit: &str,
    switch: impl Fn(&NetworkFile, &mut NetworkFile) + 'static,
) -> Option<Source> {
    (limit > 0.0).then(|| {
        (
            name.to_owned(),
            format!("±{limit} {unit}"),
            Box::new(switch) as Switch,
        )
    })
}

#[cfg(test)]
mod tests;
