//! The plant against closed forms, symmetries and itself at other step sizes.

use fixed::types::I32F32;
use ohmsplit::config::{
    Channel, Config, Drive, Element, FrontEnd, Judged, Landing, Limits, Timing,
};
use ohmsplit::units::{Ohms, Volts};

use super::*;
use crate::scenario::{Capacitance, Disturbance, Leak, PackPoint, PackProfile, PackStep};

mod faults;
mod properties;
mod readings;

const MEG: Ohms = Ohms::from_int(1_000_000);
const FORTY: Volts = Volts::from_int(40);

/// Readings in microvolts, no divider, 400 V working voltage.
fn config(parts: &[Element]) -> Config {
    let ideal = Channel {
        zero_code: 0,
        bits: 32,
        lowest: i32::MIN,
        highest: i32::MAX,
        ..Channel::bipolar(16, Volts::new(I32F32::from_num(4_294.967_296)))
    };
    with_front_end(
        FrontEnd::ChassisAndPack {
            chassis: ideal,
            pack: ideal,
        },
        parts,
    )
}

fn with_front_end(front_end: FrontEnd, parts: &[Element]) -> Config {
    let limits = Limits::new(Volts::from_int(400), Judged::WeakestRail);
    Config::try_new(front_end, parts, Timing::default(), limits).expect("a sound configuration")
}

/// Every kind of drive, with a bleed so that the chassis is never left alone.
fn drives() -> Vec<Config> {
    let bleed = Element::permanent(Ohms::from_int(20_000_000), Landing::Negative);
    let low = Volts::ZERO;
    vec![
        config(&[Element::source_to_negative(FORTY, MEG), bleed]),
        config(&[Element::source_to_both_rails(FORTY, MEG), bleed]),
        config(&[
            Element::switched_to_positive(Ohms::from_int(500_000)),
            Element::switched_to_negative(Ohms::from_int(700_000)),
            bleed,
        ]),
        config(&[Element::logic_source(low, Volts::from_int(3), MEG), bleed]),
    ]
}

fn micro(positive_uf: f64, negative_uf: f64) -> Capacitance {
    Capacitance {
        positive_uf,
        negative_uf,
    }
}

/// Runs `seconds` in one drive state.
fn hold(plant: &mut Plant, drive: Drive, seconds: f64) -> SampleRow {
    let count = (seconds * plant.rate).round() as u32;
    (0..count)
        .map(|_| plant.step(drive))
        .last()
        .expect("at least one sample")
}

fn plant(config: &Config, world: &World) -> Plant {
    Plant::new(config, world).expect("a sound world")
}

/// Settled voltages by nodal analysis, written out for each row of the drive
/// table: (Gp Vb + i)/(G + g).
#[test]
fn settles_where_nodal_analysis_puts_it() {
    let (rp, rn, vb, bleed) = (2e6, 3e6, 400.0, 20e6);
    let settled = |g: f64, i: f64| (vb / rp + i) / (1.0 / rp + 1.0 / rn + 1.0 / bleed + g);
    let rest = settled(0.0, 0.0);
    let expected = [
        [rest, settled(1e-6, 40e-6), settled(1e-6, -40e-6)],
        [rest, settled(2e-6, 480e-6), settled(2e-6, 320e-6)],
        [rest, settled(2e-6, 800e-6), settled(1.0 / 700e3, 0.0)],
        [settled(1e-6, 0.0), settled(1e-6, 3e-6), settled(1e-6, 0.0)],
    ];
    let world = World {
        leaks: vec![Leak {
            positive_ohm: Some(rp),
            negative_ohm: Some(rn),
            ..Leak::default()
        }],
        capacitance: micro(0.1, 0.3),
        ..World::default()
    };
    for (config, by_state) in drives().iter().zip(expected) {
        for (drive, volts) in Drive::ALL.into_iter().zip(by_state) {
            let row = hold(&mut plant(config, &world), drive, 30.0);
            assert!((row.chassis_v - volts).abs() < 1e-9, "{drive:?} {row:?}");
            assert!((f64::from(row.sample.codes[0]) * 1e-6 - volts).abs() < 1e-6);
            assert_eq!(row.sample.codes[1], 400_000_000);
        }
    }
}

/// v(t) = v∞ + (v₀ - v∞)·exp(-t/τ), τ = C/(G + g).
#[test]
fn relaxes_with_the_time_constant_of_the_circuit() {
    let config = config(&[Element::source_to_negative(FORTY, MEG)]);
    let world = World {
        leaks: vec![Leak::at(500e3, 0.25)],
        capacitance: micro(0.0, 2.0),
        ..World::default()
    };
    let tau = 2e-6 / 3e-6;
    let (start, end) = (100.0, (400.0 * 0.5e-6 + 40e-6) / 3e-6);
    let mut plant = plant(&config, &world);
    for n in 1..=3000u32 {
        let row = plant.step(Drive::Raise);
        let t = f64::from(n) / 1e3;
        let exact = end + (start - end) * (-t / tau).exp();
        assert!((row.chassis_v - exact).abs() < 1e-9, "{t} {row:?}");
        assert_eq!((row.time_s, row.sample.at_us), (t, n * 1000));
    }
}

#[test]
fn without_capacitance_the_chassis_follows_at_once() {
    let config = &drives()[0];
    let world = World {
        leaks: vec![Leak::at(1e6, 0.5)],
        ..World::default()
    };
    let mut bare = plant(config, &world);
    let mut tiny = plant(
        config,
        &World {
            capacitance: micro(0.0, 1e-5),
            ..world
        },
    );
    for drive in [Drive::Raise, Drive::Lower, Drive::Rest] {
        let (bare, tiny) = (bare.step(drive), tiny.step(drive));
        assert!((bare.chassis_v - tiny.chassis_v).abs() < 1e-9, "{drive:?}");
    }
}

#[test]
fn a_jump_of_the_pack_moves_the_chassis_by_the_capacitive_divider() {
    let config = &drives()[0];
    let world = World {
        sample_rate_hz: 1e6,
        leaks: vec![Leak::at(1e6, 0.5)],
        capacitance: micro(3.0, 1.0),
        pack_profile: PackProfile {
            step: vec![PackStep {
                time_s: 10e-6,
                change_v: -40.0,
            }],
            ..PackProfile::default()
        },
        ..World::default()
    };
    let mut plant = plant(config, &world);
    let before = hold(&mut plant, Drive::Rest, 9e-6);
    let after = plant.step(Drive::Rest);
    assert_eq!((before.pack_v, after.pack_v), (400.0, 360.0));
    let moved = after.chassis_v - before.chassis_v;
    assert!((moved + 30.0).abs() < 1e-4, "{moved}");
}

#[test]
fn a_hard_short_holds_the_chassis_and_no_leak_leaves_it_to_the_monitor() {
    let config = &drives()[0];
    let short = World {
        leaks: vec![Leak::at(0.0, 0.7)],
        capacitance: micro(1.0, 1.0),
        ..World::default()
    };
    let mut shorted = plant(config, &short);
    for drive in [Drive::Raise, Drive::Lower] {
        let row = hold(&mut shorted, drive, 1.0);
        assert!((row.chassis_v - 280.0).abs() < 1e-6, "{row:?}");
    }
    let open = World {
        leaks: Vec::new(),
        ..short
    };
    let row = hold(&mut plant(config, &open), Drive::Raise, 60.0);
    assert!((row.chassis_v - 40.0 / 1.05).abs() < 1e-9, "{row:?}");
    assert_eq!(shorted.leak().isolation_ohm(), 1e-3);
}

/// The same ripple, once as a tone and once as the corners of a pack profile:
/// the chassis must answer alike, also when the drive changes in between.
#[test]
fn ripple_reaches_the_chassis_as_the_circuit_passes_it_on() {
    let config = &drives()[2];
    let world = World {
        sample_rate_hz: 20_000.0,
        leaks: vec![Leak::at(1e6, 0.3)],
        capacitance: micro(0.01, 0.02),
        disturbance: Disturbance {
            ripple_v: 5.0,
            ripple_hz: 7.0,
            ..Disturbance::default()
        },
        ..World::default()
    };
    let drives = |n: u32| match n / 8000 {
        0 => Drive::Rest,
        1 => Drive::Raise,
        _ => Drive::Lower,
    };
    let mut toned = plant(config, &world);
    let rows: Vec<SampleRow> = (0..24_000).map(|n| toned.step(drives(n))).collect();
    let point = rows
        .iter()
        .map(|row| PackPoint {
            time_s: row.time_s,
            voltage_v: row.pack_v,
        })
        .collect();
    let mut traced = plant(
        config,
        &World {
            disturbance: Disturbance::default(),
            pack_profile: PackProfile {
                point,
                ..PackProfile::default()
            },
            ..world
        },
    );
    for (n, row) in (0..).zip(&rows) {
        let other = traced.step(drives(n));
        // The start is forgotten after 14 time constants; the corners cut the
        // sine by up to (ω dt)²/8 = 6·10⁻⁷ of 5 V.
        if n >= 7000 {
            let apart = row.chassis_v - other.chassis_v;
            assert!(apart.abs() < 1e-5, "{n}: {apart}");
        }
    }
}
