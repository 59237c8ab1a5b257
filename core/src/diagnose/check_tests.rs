//! The check resistor: what two driven states hide it shows, and nothing else.

use super::tests::settled;
use super::*;
use crate::Verdict;
use crate::config::{Check, Contact, Element, Landing};
use crate::test_reports::{config, open, report};
use crate::units::{Ohms, Ratio};
use std::vec::Vec;

const VB: f64 = 400.0;
/// Limit of error of every part and channel.
const LIMIT: f64 = 1e-3;

/// Relative errors of a circuit: the first drive part's resistance, all sources, the
/// check resistor, and the gains of v and Vb.
#[derive(Debug, Clone, Copy, Default)]
struct Off {
    resistance: f64,
    source: f64,
    check: f64,
    gains: [f64; 2],
}

/// A drive with the check resistor that suits it.
fn monitor(drive: &[Element], known: Element) -> Config {
    let usual = config();
    let u = Ratio::from_ppm(578);
    let mut front_end = *usual.front_end();
    let FrontEnd::ChassisAndPack { chassis, pack } = &mut front_end else {
        unreachable!("the usual one")
    };
    (chassis.gain_u, pack.gain_u) = (u, u);
    let parts: Vec<Element> = drive
        .iter()
        .chain([&known])
        .map(|part| part.with_uncertainty(u, u))
        .collect();
    let mut timing = usual.timing().clone();
    timing.check = Check::Every(1);
    Config::try_new(front_end, &parts, timing, *usual.limits()).expect("sound")
}

/// All four drives.
fn monitors() -> [(&'static str, Config); 4] {
    let ohms = |kilo: i32| Ohms::from_int(kilo * 1000);
    let to = |rail, kilo| Element::check_resistor(ohms(kilo), rail);
    let (u, high) = (Volts::from_int(40), Volts::from_int(5));
    [
        (
            "source to negative",
            monitor(
                &[Element::source_to_negative(u, ohms(1000))],
                to(Landing::Negative, 300),
            ),
        ),
        (
            "source to both rails",
            monitor(
                &[Element::source_to_both_rails(u, ohms(1000))],
                to(Landing::Positive, 820),
            ),
        ),
        (
            "switched resistors",
            monitor(
                &[
                    Element::switched_to_positive(ohms(1000)),
                    Element::switched_to_negative(ohms(1000)),
                ],
                to(Landing::Positive, 500),
            ),
        ),
        (
            "logic source",
            monitor(
                &[Element::logic_source(Volts::ZERO, high, ohms(100))],
                to(Landing::Positive, 400),
            ),
        ),
    ]
}

/// Where a part stands in a state; `None` where it is disconnected.
type Stands = fn(&Element, Drive) -> Contact;

/// What the channels read with a leak in this state.
fn reads(
    config: &Config,
    (ohms, x): (f64, f64),
    drive: Drive,
    off: &Off,
    as_built: Stands,
) -> [f64; 2] {
    let leak = 1e6 / ohms;
    let (mut g, mut pushed) = (leak, leak * x * VB);
    for (place, part) in config.network().elements().iter().enumerate() {
        let contact = as_built(part, drive);
        if !contact.closed {
            continue;
        }
        let error = match place {
            _ if part.checks => off.check,
            0 => off.resistance,
            _ => 0.0,
        };
        let one = 1e6 / (part.resistance.get().to_num::<f64>() * (1.0 + error));
        let emf = contact.emf.get().to_num::<f64>() * (1.0 + off.source);
        let rails: &[f64] = match part.landing {
            Landing::Negative => &[0.0],
            Landing::Positive => &[VB],
            Landing::BothRails => &[0.0, VB],
        };
        for rail in rails {
            g += one;
            pushed += one * (rail + emf);
        }
    }
    let [gain, pack_gain] = off.gains;
    [pushed / g * (1.0 + gain), VB * (1.0 + pack_gain)]
}

/// What is found of a leak after four cycles with a check each.
fn found(config: &Config, leak: (f64, f64), off: &Off, as_built: Stands) -> Findings {
    let mut diagnosis = Diagnosis::default();
    let cycle = [Drive::Raise, Drive::Lower, Drive::Check];
    for (sequence, drive) in (0..).zip(cycle.into_iter().cycle().take(12)) {
        let [v, pack] = reads(config, leak, drive, off, as_built);
        let mut dwell = report(sequence, Verdict::Healthy, Ok(open()));
        dwell.drive = drive;
        dwell.reading = settled(drive, v, pack);
        diagnosis.concludes(config, &dwell);
    }
    diagnosis.findings(config)
}

const LEAKS: [f64; 4] = [10e3, 100e3, 1e6, 10e6];

#[test]
fn parts_and_channels_at_their_limits_are_no_finding() {
    for (name, config) in monitors() {
        for ohms in LEAKS {
            for x in [0.0, 0.3, 0.7, 1.0] {
                for signs in 0..32 {
                    let at = |bit: u32| if signs >> bit & 1 == 1 { LIMIT } else { -LIMIT };
                    let off = Off {
                        resistance: at(0),
                        source: at(1),
                        check: at(2),
                        gains: [at(3), at(4)],
                    };
                    let found = found(&config, (ohms, x), &off, Element::contact);
                    assert!(found.is_empty(), "{name} {ohms} {x} {off:?}: {found:?}");
                }
            }
        }
    }
}

#[test]
fn a_scale_that_is_off_contradicts_the_known_resistor() {
    let none = Off::default();
    let all = [
        Off {
            resistance: 0.05,
            ..none
        },
        Off {
            resistance: -0.2,
            ..none
        },
        Off {
            source: 0.05,
            ..none
        },
        Off {
            source: -0.5,
            ..none
        },
        Off {
            check: 0.05,
            ..none
        },
        Off {
            check: -0.2,
            ..none
        },
        Off {
            gains: [0.05, 0.0],
            ..none
        },
        Off {
            gains: [-0.2, 0.0],
            ..none
        },
    ];
    for (name, config) in monitors() {
        for leak in [(100e3, 0.4), (1e6, 0.5), (1e6, 0.3)] {
            for off in all {
                // Switched resistors have no source.
                if name == "switched resistors" && off.source != 0.0 {
                    continue;
                }
                let found = found(&config, leak, &off, Element::contact);
                let told = found.contains(Finding::StatesContradict);
                assert!(told, "{name} {leak:?} {off:?}: {found:?}");
            }
        }
    }
}

#[test]
fn a_check_resistor_that_never_or_always_connects_is_found() {
    let open: Stands = |part, drive| match part.checks {
        true => Contact::OPEN,
        false => part.contact(drive),
    };
    let stuck: Stands = |part, drive| match part.checks {
        true => Contact::CLOSED,
        false => part.contact(drive),
    };
    for (name, config) in monitors() {
        for leak in [(100e3, 0.4), (1e6, 0.5), (10e6, 0.6)] {
            for (how, as_built) in [("open", open), ("stuck", stuck)] {
                let found = found(&config, leak, &Off::default(), as_built);
                let told = found.contains(Finding::StatesContradict)
                    || found.contains(Finding::SwitchStuck);
                assert!(told, "{name} {how} {leak:?}: {found:?}");
            }
        }
    }
}

/// With a source to the negative rail and the resistor to the same, a leak wholly to
/// that rail keeps the chassis at 0 V in the check: no drift shows, and none is told.
#[test]
fn a_leak_at_the_rail_of_the_resistor_hides_what_the_check_would_show() {
    let [(_, config), ..] = monitors();
    let off = Off {
        resistance: 0.05,
        ..Off::default()
    };
    assert!(found(&config, (1e6, 0.0), &off, Element::contact).is_empty());
    assert!(!found(&config, (1e6, 0.05), &off, Element::contact).is_empty());
}
