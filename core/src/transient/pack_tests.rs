//! How the pack voltage went between its readings, and whether it stood still, on records made by hand.

use super::pack::{Climb, Survey, parts};
use super::plant::{Noise, real};
use super::record::{Record, View, WHOLE};
use super::scaled::Scaled;
use crate::config::Drive;
use crate::front::{Block, Flags};
use crate::num::ONE;
use crate::units::Volts;

fn bits(x: f64) -> i64 {
    (x * ONE as f64).round() as i64
}

/// A record with an entry of 20 ms for each pack voltage, in dwells of so many.
fn record(packs: &[f64], dwell: usize) -> Record {
    let mut record = Record::new(20_000);
    for (place, &pack) in packs.iter().enumerate() {
        // With nothing that counts as still, each block is an entry.
        record.push(
            &Block {
                drive: if (place / dwell).is_multiple_of(2) {
                    Drive::Raise
                } else {
                    Drive::Lower
                },
                flags: Flags {
                    first_in_dwell: place % dwell == 0,
                    ..Flags::default()
                },
                duration_us: 20_000,
                count: 20,
                chassis: Volts::from_int(100),
                pack: Volts::from_bits(bits(pack)),
                ..Block::default()
            },
            -1,
        );
    }
    record.close();
    assert_eq!(record.len(), packs.len());
    record
}

/// Share, Vb and climb of the parts of an entry.
fn told(packs: &[f64], at: usize) -> ([f64; 3], Option<[f64; 3]>) {
    let record = record(packs, 100);
    let entry = record.get(at).expect("an entry");
    let [first, second] = parts(View::new(&record, record.len()), at, &entry);
    let part = |part: super::model::Part| [part.share, part.pack, part.climb].map(real);
    (part(first.expect("a part")), second.map(part))
}

#[track_caller]
fn near(told: [f64; 3], due: [f64; 3]) {
    let same = told
        .iter()
        .zip(due)
        .all(|(told, due)| (told - due).abs() < 1e-5);
    assert!(same, "{told:?} is not {due:?}");
}

/// A step from b₀ to b₁ with the mean b came after the share (b₁ − b)/(b₁ − b₀).
#[test]
fn a_step_inside_an_entry_parts_it() {
    for (mean, share) in [(397.0, 0.7), (391.0, 0.1), (399.5, 0.95)] {
        let (first, second) = told(&[400.0, 400.0, mean, 390.0, 390.0], 2);
        near(first, [share, 400.0, 0.0]);
        near(second.expect("two parts"), [1.0 - share, 390.0, 0.0]);
    }
    // Less than a fiftieth of an entry is none.
    for mean in [390.1, 399.9] {
        assert!(
            told(&[400.0, 400.0, mean, 390.0, 390.0], 2).1.is_none(),
            "{mean}"
        );
    }
    // Half a volt, and four times what it moves on either side.
    for (packs, parted) in [
        ([400.0, 400.0, 400.25, 400.51, 400.51], true),
        ([400.0, 400.0, 400.25, 400.49, 400.49], false),
        ([401.0, 400.0, 402.0, 404.6, 404.6], true),
        ([401.0, 400.0, 402.0, 404.4, 404.4], false),
        ([400.0, 400.0, 402.0, 404.6, 403.6], true),
        ([400.0, 400.0, 402.0, 404.4, 405.4], false),
    ] {
        assert_eq!(told(&packs, 2).1.is_some(), parted, "{packs:?}");
    }
}

/// Half of the way to each neighbour: their mean, the smaller where they differ by more than twice, and nothing where
/// they turn or where it is less than 30 mV.
#[test]
fn a_climb_is_that_of_both_sides() {
    for (packs, climb) in [
        ([396.0, 398.0, 400.0, 402.0, 404.0], 1.0),
        ([397.0, 398.0, 400.0, 401.2, 402.4], 0.8),
        ([397.0, 398.0, 400.0, 400.8, 401.6], 0.4),
        ([400.0, 399.6, 400.0, 402.0, 404.0], 0.2),
        ([403.0, 401.0, 400.0, 401.0, 403.0], 0.0),
        ([404.0, 402.0, 400.0, 398.0, 396.0], -1.0),
        ([399.86, 399.93, 400.0, 400.07, 400.14], 0.035),
        ([399.9, 399.95, 400.0, 400.05, 400.1], 0.0),
    ] {
        let (first, second) = told(&packs, 2);
        near(first, [1.0, 400.0, climb]);
        assert!(second.is_none());
    }
    // At either end there is one side; alone there is none.
    near(told(&[398.0, 400.0, 402.0], 0).0, [1.0, 398.0, 1.0]);
    near(told(&[398.0, 400.0, 402.0], 2).0, [1.0, 402.0, 1.0]);
    near(told(&[398.0], 0).0, [1.0, 398.0, 0.0]);
}

/// Steps are left out, slopes are not.
#[test]
fn a_climb_since_the_start_leaves_steps_out() {
    let follow = |packs: &[f64]| {
        let record = record(packs, 100);
        let view = View::new(&record, record.len());
        let mut climb = Climb::new(bits(packs[0]));
        let mut climbed = std::vec::Vec::new();
        for (at, entry) in record.iter().enumerate() {
            let parts = parts(view, at, &entry);
            climbed.push(real(climb.at(view, at, &entry, &parts)));
        }
        climbed
    };
    let slope = follow(&[400.0, 401.0, 402.0, 403.0, 404.0]);
    let due = [0.0, 1.0, 2.0, 3.0, 4.0];
    assert!(
        slope
            .iter()
            .zip(due)
            .all(|(told, due)| (told - due).abs() < 1e-5),
        "{slope:?}"
    );
    // At a border of entries, and inside one.
    for packs in [
        [400.0, 400.0, 400.0, 390.0, 390.0, 390.0, 390.1],
        [400.0, 400.0, 393.0, 390.0, 390.0, 390.0, 390.1],
    ] {
        let told = follow(&packs);
        let last = told[6];
        assert!((last - 0.1).abs() < 1e-5, "{told:?}");
        assert!(
            told[..6].iter().all(|climbed| climbed.abs() < 1e-5),
            "{told:?}"
        );
    }
}

fn survey(packs: &[f64], dwell: usize, unit: Scaled, least: Scaled) -> Survey {
    let record = record(packs, dwell);
    let view = View::new(&record, record.len());
    let mut survey = Survey::default();
    let mut slices = 0;
    while survey.step(view, unit, least) {
        slices += 1;
        assert!(slices < 100);
    }
    survey
}

/// Noise of a block of 10 mV.
fn unit() -> Scaled {
    Scaled::of(bits(0.01))
        .square()
        .times(Scaled::int(i64::from(WHOLE)))
}

#[test]
fn a_pack_that_stands_still_is_its_mean() {
    let packs: std::vec::Vec<f64> = (0..120)
        .map(|at| 400.0 + 0.005 * f64::from(at % 3))
        .collect();
    let survey = survey(&packs, 40, unit(), unit());
    assert_eq!(
        (survey.length_us, survey.dwell_us()),
        (120 * 20_000, 40 * 20_000)
    );
    assert_eq!(survey.weight, 120 * i64::from(WHOLE));
    let level = survey.level(unit(), unit()).expect("still");
    assert!(
        (real(level.value) - 400.005).abs() < 2e-6,
        "{}",
        real(level.value)
    );
    let due = 0.01 / 120f64.sqrt();
    assert!((real(level.u.bits()) / due - 1.0).abs() < 1e-4);
}

/// One entry beyond five standard deviations of the mean, or one dwell beyond four.
#[test]
fn a_pack_that_moves_has_no_level() {
    let one = |off: f64| {
        let mut packs = [400.0; 200];
        packs[77] += off;
        survey(&packs, 50, unit(), unit())
            .level(unit(), unit())
            .is_ok()
    };
    // The entry is a two-hundredth of the mean itself.
    let edge = 0.05 / (1.0 - 1.0 / 200.0);
    for sign in [1.0, -1.0] {
        assert!(one(sign * 0.99 * edge) && !one(sign * 1.01 * edge));
    }
    for dwell in [0, 1, 3] {
        let whole = |off: f64| {
            let mut packs = [400.0; 200];
            packs[dwell * 50..][..50].fill(400.0 + off);
            survey(&packs, 50, unit(), unit())
                .level(unit(), unit())
                .is_ok()
        };
        let edge = 0.04 / 50f64.sqrt() / (1.0 - 0.25);
        for sign in [1.0, -1.0] {
            assert!(
                whole(sign * 0.99 * edge) && !whole(sign * 1.01 * edge),
                "{dwell}"
            );
        }
    }
}

/// Samples that a ripple scatters by 3.5 V, of which a few millivolts are left in a block,
/// hide no ramp of 0.2 V; white noise of the same scatter does.
#[test]
fn a_ripple_hides_no_ramp() {
    let scatter = Scaled::of(bits(3.5 / 20f64.sqrt()));
    let unit = scatter.square().times(Scaled::int(i64::from(WHOLE)));
    let mut noise = Noise(5);
    for (left, stands) in [(0.004, false), (3.5 / 20f64.sqrt(), true)] {
        let mut packs = [400.0; 100];
        for (at, pack) in packs.iter_mut().enumerate() {
            *pack += left * noise.normal() + 0.002 * at as f64;
        }
        let survey = survey(&packs, 50, unit, Scaled::ZERO);
        assert_eq!(survey.level(unit, Scaled::ZERO).is_ok(), stands, "{left}");
    }
}

/// Where the ripple leaves half of the noise, Vb is held against that.
#[test]
fn a_movement_is_held_against_the_noise_that_is_left() {
    let scatter = Scaled::of(bits(0.02));
    let unit = scatter.square().times(Scaled::int(i64::from(WHOLE)));
    for (off, stands) in [(0.06, true), (0.08, false)] {
        let mut packs = [400.0; 200];
        for (at, pack) in packs.iter_mut().enumerate() {
            *pack += if at % 2 == 0 { 0.01 } else { -0.01 };
        }
        packs[77] = 400.0 + off;
        let survey = survey(&packs, 50, unit, Scaled::ZERO);
        assert_eq!(survey.level(unit, Scaled::ZERO).is_ok(), stands, "{off}");
    }
}

/// A Vb that stands still is its mean; of one that moves the noise comes along, as samples scatter or, where that is
/// less, as neighbours differ.
#[test]
fn readings_of_a_pack_that_moves_bring_their_noise_along() {
    let mut noise = Noise(5);
    let mut jitter = |sigma: f64, slope: f64, scatter: f64| {
        let mut packs = [400.0; 200];
        for (at, pack) in packs.iter_mut().enumerate() {
            *pack += sigma * noise.normal() + slope * at as f64;
        }
        let scatter = Scaled::of(bits(scatter));
        let unit = scatter.square().times(Scaled::int(i64::from(WHOLE)));
        let told = survey(&packs, 50, unit, Scaled::ZERO).level(unit, Scaled::ZERO);
        let noise = told.err()?.shifted(-4).root();
        Some(noise.bits() as f64 / ONE as f64)
    };
    assert_eq!(jitter(0.01, 0.0, 0.01), None);
    let all = jitter(0.01, 0.001, 0.01).expect("it moves");
    assert!((0.008..=0.01).contains(&all), "{all}");
    let left = jitter(0.01, 0.001, 0.03).expect("it moves");
    assert!((0.008..0.012).contains(&left), "{left}");
}
