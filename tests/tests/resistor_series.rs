//! IEC 60063 preferred numbers: the lists that the tests pick resistors from
//! are the published ones.

use ohmsplit_tests::design::drives;
use ohmsplit_tests::reference::Drive;
use ohmsplit_tests::series::{E24, by_rule, e96, nearest_e96};

/// E96 as published (read; check values, section 6).
const E96: [u32; 96] = [
    100, 102, 105, 107, 110, 113, 115, 118, 121, 124, 127, 130, 133, 137, 140, 143, 147, 150, 154,
    158, 162, 165, 169, 174, 178, 182, 187, 191, 196, 200, 205, 210, 215, 221, 226, 232, 237, 243,
    249, 255, 261, 267, 274, 280, 287, 294, 301, 309, 316, 324, 332, 340, 348, 357, 365, 374, 383,
    392, 402, 412, 422, 432, 442, 453, 464, 475, 487, 499, 511, 523, 536, 549, 562, 576, 590, 604,
    619, 634, 649, 665, 681, 698, 715, 732, 750, 768, 787, 806, 825, 845, 866, 887, 909, 931, 953,
    976,
];

#[test]
fn e96_is_the_published_list_at_all_places() {
    for (n, value) in (0..).zip(E96) {
        assert_eq!(e96(n), value, "place {n}");
    }
    assert_eq!(E96.iter().sum::<u32>(), 37_070);
    for (n, value) in [(0, 100), (17, 150), (48, 316), (68, 511), (95, 976)] {
        assert_eq!(e96(n), value);
    }
}

#[test]
fn e24_is_the_published_list_which_breaks_the_rule_at_eight_places() {
    assert_eq!(E24.iter().sum::<u32>(), 901);
    let broken: Vec<(u32, u32)> = (0..)
        .zip(E24)
        .map(|(n, value)| (by_rule(n, 24, 10.0), value))
        .filter(|(rule, value)| rule != value)
        .collect();
    let published = [26, 29, 32, 35, 38, 42, 46, 83];
    let series = [27, 30, 33, 36, 39, 43, 47, 82];
    assert_eq!(
        broken,
        published.into_iter().zip(series).collect::<Vec<_>>()
    );
    // E12 is every other value (read).
    let e12: Vec<u32> = E24.into_iter().step_by(2).collect();
    assert_eq!(e12, [10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82]);
}

#[test]
fn e192_breaks_the_rule_at_one_place() {
    // The series has 920 where the rule gives 919 (read).
    assert_eq!(by_rule(185, 192, 100.0), 919);
}

#[test]
fn nearest_values() {
    // 16,834.2 Ω is nearest to 16.9 kΩ (read).
    assert!((nearest_e96(16_834.2) - 16.9e3).abs() < 1e-6);
    for ohm in [1e3, 9.76e3, 9.9e3, 1.02e6, 510e3] {
        let near = nearest_e96(ohm);
        assert!((near / ohm).ln().abs() < 0.0125, "{ohm}: {near}");
    }
}

#[test]
fn the_tests_own_drives_have_resistors_that_can_be_bought() {
    let is_e24 = |ohm: f64| {
        let digits = ohm / 10f64.powf(ohm.log10().floor() - 1.0);
        E24.iter()
            .any(|&value| (digits - f64::from(value)).abs() < 1e-6)
    };
    for drive in drives() {
        let own = match drive {
            Drive::SourceToNegative { series, .. }
            | Drive::SourceToBothRails { series, .. }
            | Drive::LogicSource { series, .. } => vec![series],
            Drive::SwitchedResistors { positive, negative } => vec![positive, negative],
        };
        assert!(own.into_iter().all(is_e24), "{drive:?}");
    }
}
