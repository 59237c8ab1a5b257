//! The record of a dwell against plain means; the proof, and the reading with its uncertainty, against what the
//! documentation says, in f64.

use super::fit_tests::{Data, near, record};
use super::{Dwell, Lead, Settled, Settling, Slot};
use crate::config::{Channel, Config, Drive, Element, FrontEnd, Judged, Limits, Timing};
use crate::front::Block;
use crate::num::ONE;
use crate::reason::Reason;
use crate::transient::plant::Noise;
use crate::units::{Microfarads, Ohms, Volts};
use std::vec::Vec;

pub(super) fn volts(x: f64) -> Volts {
    Volts::from_bits((x * ONE as f64).round() as i64)
}

pub(super) fn real(bits: i64) -> f64 {
    bits as f64 / ONE as f64
}

/// Slots are blocks of 20 ms with 20 samples; a source of ±40 µA through 1 MΩ.
pub(super) const SLOT_S: f64 = 0.02;
pub(super) const SAMPLES: u32 = 20;
/// Standard uncertainty of a step of a converter that spans 4096 V.
pub(super) fn step_u(bits: i32) -> f64 {
    4096.0 / 2f64.powi(bits) / 12f64.sqrt()
}

pub(super) fn config(converter_bits: u8, capacitance_max: i32) -> Config {
    let channel = Channel::bipolar(converter_bits, Volts::from_int(4096));
    let front_end = FrontEnd::ChassisAndPack {
        chassis: channel,
        pack: channel,
    };
    let source = Element::source_to_negative(Volts::from_int(40), Ohms::from_int(1_000_000));
    let mut timing = Timing::default();
    timing.block_us = 20_000;
    timing.capacitance_max = Microfarads::from_int(capacitance_max);
    let limits = Limits::new(Volts::from_int(400), Judged::WeakestRail);
    Config::try_new(front_end, &[source], timing, limits).expect("sound")
}

/// A dwell with a block a slot, of which the samples scatter so much that their mean is as uncertain as told.
pub(super) fn dwell(data: &Data, scatter: f64) -> Dwell {
    let mut dwell = Dwell::new(Drive::Raise);
    let mut missing = 0;
    for slot in data {
        let Some([chassis, pack]) = *slot else {
            missing += 1;
            continue;
        };
        dwell.push(&Block {
            missing,
            count: SAMPLES,
            chassis: volts(chassis),
            pack: volts(pack),
            chassis_scatter: volts(scatter),
            ..Block::default()
        });
        missing = 0;
    }
    dwell
}

/// The dwell before, which ended at so many volts.
pub(super) fn lead(v: f64) -> Option<Lead> {
    let mut before = record(&std::vec![Some([v, 400.0]); 12]);
    before.drive = Drive::Lower;
    Lead::after(&before)
}

pub(super) fn judge(config: &Config, dwell: &Dwell, lead: Option<Lead>) -> Result<Settled, Reason> {
    let mut settling = Settling::none(false);
    settling.start(config, dwell, lead)?;
    while settling.step(dwell) {}
    settling.result(config, dwell)
}

/// v at slots of a circuit that settles, with noise.
pub(super) fn course(slots: usize, v: impl Fn(f64) -> f64, sigma: f64, seed: u64) -> Data {
    let mut noise = Noise(seed);
    let slot = |place| Some([v(place as f64) + sigma * noise.normal(), 400.0]);
    (0..slots).map(slot).collect()
}

#[test]
fn slots_are_means_of_equal_numbers_of_blocks() {
    let mut noise = Noise(3);
    let mut dwell = Dwell::new(Drive::Raise);
    let mut blocks: Vec<[f64; 4]> = Vec::new();
    for count in 1..=400usize {
        let block = [0; 4].map(|_| 100.0 + 10.0 * noise.normal());
        blocks.push(block);
        dwell.push(&Block {
            count: SAMPLES,
            chassis: volts(block[0]),
            pack: volts(block[1]),
            chassis_scatter: volts(block[2]),
            pack_scatter: volts(block[3]),
            ..Block::default()
        });
        let per_slot = dwell.per_slot() as usize;
        assert!(per_slot.is_power_of_two());
        let slots = dwell.slots();
        assert_eq!(slots.len(), count / per_slot, "{count}");
        assert!(
            slots.len() < 24 && (per_slot == 1 || slots.len() >= 12),
            "{count}"
        );
        for (slot, part) in slots.iter().zip(blocks.chunks(per_slot)) {
            let slot = slot.expect("data");
            for (at, told) in [slot.chassis(), slot.pack()].into_iter().enumerate() {
                let mean = part.iter().map(|block| block[at]).sum::<f64>() / per_slot as f64;
                near(real(told), mean, 6e-6, "mean");
            }
        }
        assert_eq!(
            dwell.samples_per_slot() as usize,
            SAMPLES as usize * per_slot
        );
        // From half of the latest power of two on, the transient is spent.
        let from = (1usize << count.ilog2()) / 2;
        let later = &blocks[from.max(1) - 1..];
        for (at, told) in dwell.scatter().into_iter().enumerate() {
            let squares = later.iter().map(|block| block[2 + at].powi(2)).sum::<f64>();
            near(
                real(told),
                (squares / later.len() as f64).sqrt(),
                1e-5,
                "scatter",
            );
        }
    }
}

#[test]
fn lost_blocks_take_their_time_and_their_slots() {
    let mut dwell = Dwell::new(Drive::Raise);
    let block = |v: f64, missing| Block {
        missing,
        count: SAMPLES,
        chassis: volts(v),
        pack: volts(400.0),
        ..Block::default()
    };
    for _ in 0..23 {
        dwell.push(&block(10.0, 0));
    }
    // The 24th merges the record; two lost make a slot without data.
    dwell.push(&block(20.0, 0));
    assert_eq!((dwell.per_slot(), dwell.slots().len()), (2, 12));
    near(
        real(dwell.slots()[11].expect("data").chassis()),
        15.0,
        1e-6,
        "both",
    );
    assert!(dwell.push(&block(30.0, 2)));
    assert_eq!((dwell.blocks, dwell.seen, dwell.missing), (27, 25, 2));
    assert_eq!(dwell.slots()[12], None);
    assert_eq!(dwell.slots().len(), 13);
    // One of two is all that the slot has.
    assert!(dwell.push(&block(40.0, 1)) || dwell.slots().len() == 14);
    near(
        real(dwell.slots()[13].expect("data").chassis()),
        30.0,
        1e-6,
        "one",
    );
    // A block that a drive change cuts short brings nothing but its flags.
    let mut cut = block(99.0, 0);
    (cut.flags.cut, cut.flags.saturated) = (true, true);
    let before = dwell.blocks;
    assert!(!dwell.push(&cut));
    assert_eq!((dwell.blocks, dwell.saturated), (before, true));
}

/// 300 dwells: the error of y is what its uncertainty says, and the time constant as well.
#[test]
fn a_transient_that_is_seen_is_read_as_well_as_it_says() {
    let config = config(24, 5);
    let (mut error, mut told, mut tau_error) = (0.0, 0.0, 0.0);
    let (sigma, tau, runs) = (0.01, 2.5, 300);
    for seed in 0..runs {
        let data = course(20, |i| 150.0 - 30.0 * (-i / tau).exp(), sigma, seed * 7 + 1);
        let settled = judge(&config, &dwell(&data, sigma), lead(100.0)).expect("settled");
        let reading = settled.reading();
        let u = real(reading.chassis.u.to_bits());
        error += ((real(reading.chassis.value.to_bits()) - 150.0) / u).powi(2);
        told += u;
        let time_constant = reading.time_constant.expect("τ shows");
        let (value, u) = (time_constant.value.to_bits(), time_constant.u.to_bits());
        tau_error += ((real(value) - tau * SLOT_S) / real(u)).powi(2);
        assert!(real(u) < 0.01 * real(value));
        assert_eq!(reading.lag, Volts::ZERO);
    }
    let runs = runs as f64;
    for error in [error / runs, tau_error / runs] {
        assert!((0.75..1.25).contains(&error), "{error}");
    }
    // About the deviation of the mean of the twelve slots that are past the transient.
    let told = told / runs;
    assert!((0.2 * sigma..0.35 * sigma).contains(&told), "{told}");
}

/// What the converter, dither and hum make of the uncertainty of a v that stands still, each alone.
#[test]
fn a_step_of_the_converter_counts_unless_noise_averages_it_and_hum_leaves_a_residue() {
    let still = |sigma: f64, scatter: f64, bits: u8| {
        let (mut sum, runs) = (0.0, 40);
        for seed in 0..runs {
            let data = course(20, |_| 120.0, sigma, seed);
            let settled = judge(&config(bits, 5), &dwell(&data, scatter), lead(60.0));
            let reading = settled.expect("it jumped").reading();
            assert_eq!(reading.time_constant, None);
            sum += real(reading.chassis.u.to_bits()) / runs as f64;
        }
        sum
    };
    // Nothing moves by a step of 62.5 mV: in the mean, and as the noise of each of ten slots.
    near(
        still(0.0, 0.0, 16),
        step_u(16) * 1.1f64.sqrt(),
        1e-5,
        "a step",
    );
    // Dither of twice a step's uncertainty a sample: ten slots of 20 samples average it, and 0.58 steps are needed.
    let root = f64::from(SAMPLES).sqrt();
    let dithered = |times: f64| times * step_u(16) / root;
    let covered = still(dithered(2.05), dithered(2.05), 16);
    let bare = still(dithered(1.95), dithered(1.95), 16);
    assert!(covered < 0.5 * step_u(16), "{covered}");
    assert!(bare > step_u(16) && bare < 1.2 * step_u(16), "{bare}");
    // The later half of the slots is averaged; what an unseen transient may leave comes on top.
    let expected = dithered(2.05) / 10f64.sqrt();
    assert!(
        (0.9 * expected..2.0 * expected).contains(&covered),
        "{covered} {expected}"
    );
    // Neighbouring samples, a millisecond apart, scatter by a volt about a mean that does not: hum of 4.5 times
    // that, of which 0.01/√3 stays.
    let hum = still(0.0, 1.0 / root, 24);
    near(hum, 4.502 * 0.01 / 3f64.sqrt(), 2e-4, "hum");
    // Where slots scatter by half as much, it is noise.
    assert!(still(0.6 / root, 1.0 / root, 24) > 0.5 / root / 10f64.sqrt());
    let noise = still(1.0 / root, 1.0 / root, 24);
    assert!(noise < 2.0 / root / 10f64.sqrt(), "{noise}");
}

/// v trails a ramp of the pack by τ times its slope.
#[test]
fn a_moving_pack_makes_v_lag_by_the_time_constant() {
    let config = config(24, 5);
    let (tau, slope) = (2.0, 0.4);
    let v = |i: f64| 150.0 - 30.0 * (-i / tau).exp() + 0.3 * slope * i;
    let mut data = course(20, v, 0.001, 9);
    for (place, slot) in data.iter_mut().enumerate() {
        *slot = slot.map(|[v, _]| [v, 390.0 + slope * place as f64]);
    }
    let settled = judge(&config, &dwell(&data, 0.001), lead(100.0)).expect("settled");
    let reading = settled.reading();
    near(real(reading.lag.to_bits()), tau * slope, 0.01, "lag");
    near(
        real(settled.course().pack),
        slope * 19.0 / 2.0,
        1e-4,
        "course of Vb",
    );
    near(
        real(settled.course().chassis),
        0.3 * slope * 19.0 / 2.0,
        0.01,
        "course of v",
    );
    // Vb is the median of the later half; rounded anew in each state, as it moves.
    near(
        real(reading.pack.value.to_bits()),
        390.0 + slope * 14.5,
        1e-4,
        "Vb",
    );
    near(real(reading.pack.u.to_bits()), step_u(24), 1e-6, "u(Vb)");
}

/// Nothing moves by more than three steps' worth of doubt: still, as long as 0.2·ΔI·t/C is more.
#[test]
fn what_stands_still_is_settled_if_any_slow_circuit_would_have_moved() {
    let data = course(20, |_| 100.0, 0.0, 1);
    // 80 µA for 0.4 s; a converter of 16 bits leaves 3 · 18 mV of doubt.
    let limit = 0.2 * 80.0 * 20.0 * SLOT_S / (3.0 * step_u(16));
    for (capacitance, settled) in [(0.9 * limit, true), (1.1 * limit, false)] {
        let told = judge(
            &config(16, capacitance as i32),
            &dwell(&data, 0.0),
            lead(100.0),
        );
        assert_eq!(told.is_ok(), settled, "{capacitance}");
        if !settled {
            assert_eq!(told.err(), Some(Reason::StimulusTooWeak));
        }
    }
    // Nor is it known without the dwell before.
    let told = judge(&config(16, 5), &dwell(&data, 0.0), None);
    assert_eq!(told.err(), Some(Reason::NotYetMeasured));
}

/// A jump beyond what v may have moved since proves it too, whatever the capacitance.
#[test]
fn a_jump_at_the_switch_is_a_proof() {
    let data = course(20, |_| 100.0, 0.0, 1);
    // Six times the step: doubt of the movement since, and of the jump.
    for (jump, settled) in [(5.8, false), (6.3, true), (-5.8, false), (-6.3, true)] {
        let from = 100.0 - jump * step_u(16);
        let told = judge(&config(16, 900), &dwell(&data, 0.0), lead(from));
        assert_eq!(told.is_ok(), settled, "{jump}");
    }
}

#[test]
fn what_has_not_settled_is_refused_by_name() {
    let fine = config(24, 5);
    let told = |data: &Data, scatter| judge(&fine, &dwell(data, scatter), lead(100.0)).err();
    let slow = course(20, |i| 150.0 - 30.0 * (-i / 12.0).exp(), 0.001, 2);
    assert_eq!(told(&slow, 0.001), Some(Reason::NotSettled));
    // It settles to 1 % within the dwell, or does not.
    for (tau, settled) in [(4.0, true), (4.7, false)] {
        let data = course(20, |i| 150.0 - 30.0 * (-i / tau).exp(), 0.0, 2);
        assert_eq!(told(&data, 0.001).is_none(), settled, "{tau}");
    }
    let step = |i: f64| if i < 9.0 { 150.0 } else { 130.0 };
    let changed = course(20, step, 0.01, 2);
    assert_eq!(told(&changed, 0.01), Some(Reason::CircuitChanged));
    let mut moving = changed.clone();
    for (place, slot) in moving.iter_mut().enumerate() {
        *slot = slot.map(|[v, _]| [v, 400.0 + 3.0 * (place as f64).sin()]);
    }
    assert_eq!(told(&moving, 0.01), Some(Reason::PackVoltageMoving));
}

#[test]
fn a_record_with_too_little_in_it_is_refused_by_name() {
    let fine = config(24, 5);
    let told = |data: &Data| judge(&fine, &dwell(data, 0.001), lead(100.0)).err();
    let steady = |slots: usize| course(slots, |_| 120.0, 0.001, 4);
    assert_eq!(told(&steady(7)), Some(Reason::RecordTooShort));
    assert_eq!(told(&steady(8)), None);
    // A quarter of the blocks may be missing.
    for (lost, enough) in [(5, true), (6, false)] {
        let mut data = steady(20);
        for slot in data.iter_mut().skip(6).take(lost) {
            *slot = None;
        }
        let due = (!enough).then_some(Reason::SamplesMissing);
        assert_eq!(told(&data), due, "{lost}");
    }
    let mut saturated = dwell(&steady(20), 0.001);
    saturated.saturated = true;
    let told = judge(&fine, &saturated, lead(100.0)).err();
    assert_eq!(told, Some(Reason::Saturated));
}

/// A proof whose slices lie between the blocks of the same dwell, or of the next, says what it says at once.
#[test]
fn a_proof_under_way_does_not_see_what_comes_after() {
    let config = config(24, 5);
    let data = course(20, |i| 150.0 - 30.0 * (-i / 2.5).exp(), 0.01, 3);
    let recorded = dwell(&data, 0.01);
    let at_once = judge(&config, &recorded, lead(100.0)).expect("settled");
    for over in [false, true] {
        let mut dwell = recorded.clone();
        let mut settling = Settling::none(over);
        settling
            .start(&config, &dwell, lead(100.0))
            .expect("a record");
        if over {
            dwell.keep();
            dwell.begin(Drive::Lower);
        }
        // Three more slots are all that the same dwell takes before it merges.
        let slices = if over { 1 } else { 20 };
        loop {
            for _ in 0..slices - 1 {
                settling.step(&dwell);
            }
            if !settling.step(&dwell) {
                break;
            }
            dwell.push(&Block {
                count: SAMPLES,
                chassis: volts(7.0),
                pack: volts(300.0),
                ..Block::default()
            });
        }
        let settled = settling.result(&config, &dwell).expect("settled");
        assert_eq!(settled.reading(), at_once.reading(), "over: {over}");
    }
}

/// While the longest record is kept the next dwell merges at twelve slots, so that no slot kept is lost.
#[test]
fn slots_that_are_kept_stay_however_long_the_next_dwell_lasts() {
    let data: Data = (0..23).map(|at| Some([f64::from(at), 400.0])).collect();
    let mut dwell = dwell(&data, 0.01);
    let before = dwell.slots().to_vec();
    assert_eq!(before.len(), 23);
    dwell.keep();
    dwell.begin(Drive::Lower);
    let block = Block {
        count: SAMPLES,
        chassis: volts(50.0),
        pack: volts(400.0),
        ..Block::default()
    };
    for count in 1..=100usize {
        dwell.push(&block);
        let (slots, per_slot) = (dwell.slots(), dwell.per_slot() as usize);
        assert_eq!(slots.len(), count / per_slot, "{count}");
        assert!(slots.len() < 12 && (per_slot == 1 || slots.len() >= 6));
        let right = |slot: &Option<Slot>| slot.is_some_and(|slot| slot.chassis() == 50 << 32);
        assert!(slots.iter().all(right));
        assert_eq!(dwell.kept(), before, "{count}");
    }
    // Then there is room again.
    dwell.release();
    let most = (0..400).map(|_| {
        dwell.push(&block);
        dwell.slots().len()
    });
    assert_eq!(most.max(), Some(23));
}
