//! Noise, seeds, part errors: what the readings are off by.

use fixed::types::I32F32;
use ohmsplit::config::{Channel, Divider, Drive, Element, FrontEnd, Landing};
use ohmsplit::units::{Ohms, Ratio, Volts};

use super::*;
use crate::scenario::{ChannelErrors, Disturbance, Leak, PartErrors};

#[test]
fn a_disturbance_leaves_the_draws_of_the_others_as_they_were() {
    let config = &drives()[0];
    let quiet = World {
        leaks: vec![Leak::at(1e6, 0.3)],
        capacitance: micro(0.5, 0.5),
        disturbance: Disturbance {
            noise_chassis_v: Some(0.1),
            ..Disturbance::default()
        },
        ..World::default()
    };
    let mut louder = quiet.clone();
    louder.disturbance.noise_pack_v = Some(1.0);
    louder.parts.draw = true;
    let mut reseeded = quiet.clone();
    reseeded.seed = 2;
    let codes = |world: &World| {
        let mut plant = plant(config, world);
        (0..50)
            .map(|_| plant.step(Drive::Raise).sample.codes)
            .collect::<Vec<_>>()
    };
    let (a, b, c) = (codes(&quiet), codes(&louder), codes(&reseeded));
    assert_eq!(a, codes(&quiet));
    assert!(a.iter().zip(&b).all(|(a, b)| a[0] == b[0] && a[1] != b[1]));
    assert!(a.iter().zip(&c).all(|(a, c)| a[0] != c[0]));
}

/// A rail pair behind dividers, each part off by a known error, against the
/// nodal solution with the parts as built.
#[test]
fn parts_that_are_off_shift_circuit_and_readings() {
    let channel = Channel::bipolar(24, Volts::from_int(20))
        .behind(Divider {
            top: Ohms::from_int(9_900_000),
            bottom: Ohms::from_int(100_000),
        })
        .expect("bottom resistor");
    let front_end = FrontEnd::RailPair {
        positive: channel,
        negative: channel,
    };
    let bleed = Element::permanent(MEG, Landing::Positive);
    let config = with_front_end(front_end, &[Element::source_to_negative(FORTY, MEG), bleed]);
    let off = |gain_percent, offset_v, load_percent| {
        Some(ChannelErrors {
            gain_percent: Some(gain_percent),
            offset_v: Some(offset_v),
            load_percent,
        })
    };
    let world = World {
        leaks: vec![Leak::at(1e6, 0.4)],
        parts: PartErrors {
            amplitude_percent: Some(2.0),
            negative_resistance_percent: Some(-3.0),
            permanent_percent: vec![5.0],
            positive: off(1.0, 0.5, 4.0),
            negative: off(-1.0, -0.25, 0.0),
            ..PartErrors::default()
        },
        ..World::default()
    };
    let row = hold(&mut plant(&config, &world), Drive::Raise, 1.0);
    let (source, bleed, up, down) = (1.0 / 0.97e6, 1.0 / 1.05e6, 1.0 / 10.4e6, 1e-7);
    let to_positive = 0.4e-6 + bleed + up;
    let all = 1e-6 + source + bleed + up + down;
    let volts = (to_positive * 400.0 + 40.8 * source) / all;
    assert!((row.chassis_v - volts).abs() < 1e-9, "{row:?} {volts}");
    let step = 2000.0 / f64::from(1 << 24);
    let readings = row
        .sample
        .codes
        .map(|code| f64::from(code - (1 << 23)) * step);
    assert!((readings[0] - ((400.0 - volts) * 1.01 + 0.5)).abs() < step);
    assert!((readings[1] - (volts * 0.99 - 0.25)).abs() < step);
}

#[test]
fn drawn_errors_fill_the_declared_limits_and_stay_within() {
    // u of a limit of 1 % is 1 %/√3.
    let u = Ratio::new(I32F32::from_num(0.01 / 3f64.sqrt()));
    let part = Element::source_to_negative(FORTY, MEG).with_uncertainty(u, u);
    let config = config(&[part]);
    let mut conductances = Vec::new();
    for seed in 0..400 {
        let world = World {
            seed,
            parts: PartErrors {
                draw: true,
                ..PartErrors::default()
            },
            ..World::default()
        };
        let none = Faults::new(&[], stream(1, Concern::FaultNoise));
        let row = parts::build(&config, &world, &none).rows[Drive::Raise.index()];
        conductances.push(1e-6 / row.conductance - 1.0);
        let amplitude = row.current / row.conductance / 40.0 - 1.0;
        assert!(amplitude.abs() <= 0.010_001, "{amplitude}");
    }
    let largest = conductances.iter().fold(0f64, |a, &b| a.max(b.abs()));
    assert!((0.009..=0.010_001).contains(&largest), "{largest}");
    let mean = conductances.iter().sum::<f64>() / 400.0;
    // Five standard errors of an even distribution.
    assert!(mean.abs() < 5.0 * 0.01 / 3f64.sqrt() / 20.0, "{mean}");
}
