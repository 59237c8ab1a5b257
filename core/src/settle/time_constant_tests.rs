//! The time constant of a dwell: where it is short, and where a part of the dwell is lost.

use super::Dwell;
use super::fit_tests::near;
use super::tests::{SAMPLES, SLOT_S, config, course, dwell, judge, lead, real, volts};
use crate::config::Drive;
use crate::front::Block;

/// Over within a quarter of a slot: τ is told by what the first slot still shows of the step.
#[test]
fn a_short_time_constant_is_told_by_the_first_slot() {
    let config = config(24, 5);
    for tau in [0.08, 0.15, 0.25] {
        // Mean of the first slot, from 100 V at the switch to 150 V.
        let shown = -50.0 * tau * (1.0 - (-1.0f64 / tau).exp());
        let v = |i: f64| 150.0 + if i == 0.0 { shown } else { 0.0 };
        let data = course(20, v, 0.001, 5);
        let settled = judge(&config, &dwell(&data, 0.001), lead(100.0)).expect("settled");
        let told = settled.reading().time_constant.expect("τ shows");
        // Samples at the end of their period are late by half of it, the switch by the rest: a quarter.
        let period = SLOT_S / f64::from(SAMPLES);
        let (value, u) = (real(told.value.to_bits()), real(told.u.to_bits()));
        near(
            value,
            tau * SLOT_S + period / 4.0,
            0.03 * tau * SLOT_S,
            "tau",
        );
        near(u, period / 12f64.sqrt(), 0.1 * period, "u(tau)");
    }
    // Beyond half of the step it is no such transient.
    let data = course(20, |i| if i == 0.0 { 124.0 } else { 150.0 }, 0.001, 5);
    let settled = judge(&config, &dwell(&data, 0.001), lead(100.0)).expect("settled");
    assert_eq!(settled.reading().time_constant, None);
}

/// Where blocks have not as many samples each, τ is in doubt by half a period to either side, however well it shows; where
/// blocks are missing nobody knows when the rest began, and there is none.
#[test]
fn what_is_lost_of_a_dwell_is_in_doubt_of_the_time_constant() {
    let config = config(24, 5);
    let period = SLOT_S / f64::from(SAMPLES);
    for tau in [0.15f64, 2.5] {
        let shown = |i: f64| match tau {
            short if short < 1.0 && i == 0.0 => short * (1.0 - (-1.0 / short).exp()),
            _ => (-i / tau).exp(),
        };
        let data = course(20, |i| 150.0 - 50.0 * shown(i), 1e-5, 5);
        let told = |spoil: fn(&mut Block, usize)| {
            let mut dwell = Dwell::new(Drive::Raise);
            for (at, slot) in data.iter().flatten().enumerate() {
                let mut block = Block {
                    count: SAMPLES,
                    chassis: volts(slot[0]),
                    pack: volts(slot[1]),
                    ..Block::default()
                };
                spoil(&mut block, at);
                dwell.push(&block);
            }
            let settled = judge(&config, &dwell, lead(100.0)).expect("settled");
            let tau = settled.reading().time_constant;
            tau.map(|tau| real(tau.u.to_bits()))
        };
        let even = told(|_, _| {}).expect("τ shows");
        assert!(even < 0.3 * period, "{even}");
        for spoil in [
            (|block, at| block.count -= u32::from(at == 7)) as fn(&mut Block, usize),
            |block, at| block.count -= u32::from(at == 0),
            // As many lost as there are blocks.
            |block, at| block.count -= if at == 3 { 19 } else { u32::from(at == 4) },
        ] {
            let uneven = told(spoil).expect("τ shows");
            near(uneven, period / 3f64.sqrt(), 0.02 * period, "u(tau)");
        }
        assert_eq!(told(|block, at| block.missing = u16::from(at == 0)), None);
        assert_eq!(told(|block, at| block.missing = u16::from(at == 9)), None);
    }
}

/// Of what the residuals show of the noise and what the samples show the larger counts, and of the samples no more than
/// twice the other: the residuals of few slots are small by chance now and then, hum is in the samples alone.
#[test]
fn the_noise_of_the_samples_counts_in_the_time_constant() {
    let config = config(24, 5);
    let data = course(20, |i| 150.0 - 50.0 * (-i / 2.5).exp(), 0.01, 5);
    let shown = real(super::fit_tests::run(&data, 1e-3).noise);
    let told = |scatter: f64| {
        let settled = judge(&config, &dwell(&data, scatter * shown), lead(100.0)).expect("settled");
        let tau = settled.reading().time_constant.expect("τ shows");
        real(tau.u.to_bits())
    };
    let least = told(0.1);
    for (scatter, due) in [(0.9, 1.0), (1.5, 1.5), (2.0, 2.0), (6.0, 2.0)] {
        near(told(scatter), due * least, 0.02 * least, "u(tau)");
    }
}
