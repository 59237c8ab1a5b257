//! What a healthy fit may leave unexplained, against the description in f64; and what the watch is told of a fit.

use super::circuits::{fitted, found_suddenly, is_sharp, known};
use super::haste::Haste;
use super::unexplained::hides_a_leak;
use crate::config::{Config, Drive};
use crate::num::ONE;
use crate::sudden::{self, Known};
use crate::test_reports::config;
use crate::transient::Fit;
use crate::units::{Measured, Microfarads, Microsiemens, Ratio, Seconds, Volts};

fn bits(x: f64) -> i64 {
    (x * ONE as f64).round() as i64
}

fn real(bits: i64) -> f64 {
    bits as f64 / ONE as f64
}

fn micro(value: f64, u: f64) -> Measured<Microsiemens> {
    Measured {
        value: Microsiemens::from_bits(bits(value)),
        u: Microsiemens::from_bits(bits(u)),
    }
}

pub(super) fn fit(conductance: f64, capacitance: Option<f64>, noise: f64, scatter: f64) -> Fit {
    Fit {
        conductance: micro(conductance, 0.01),
        positive_conductance: micro(conductance * 0.25, 0.02),
        negative_conductance: micro(conductance * 0.75, 0.03),
        position: Some(Measured {
            value: Ratio::from_bits(bits(0.25)),
            u: Ratio::from_bits(bits(0.004)),
        }),
        capacitance: capacitance.map(|c| Measured {
            value: Microfarads::from_bits(bits(c)),
            u: Microfarads::from_bits(bits(c / 100.0)),
        }),
        coupling: Measured {
            value: Ratio::from_bits(bits(0.5)),
            u: Ratio::from_bits(bits(0.3)),
        },
        drift: Measured {
            value: Volts::ZERO,
            u: Volts::MAX,
        },
        slide: Volts::ZERO,
        slide_conductance: Microsiemens::ZERO,
        time_constant: Seconds::from_bits(bits(0.5)),
        noise: Volts::from_bits(bits(noise)),
        scatter: Volts::from_bits(bits(scatter)),
        misfit: Ratio::from_bits(ONE),
        span: Seconds::from_bits(bits(8.0)),
        dwell_us: 500_000,
        rows: 100,
        rejected: 0,
    }
}

/// What a leak at the warning limit moves v by: a thirty-second of the pack, times its share of all that holds the
/// chassis: the fit's own, the source's 1 µS, the limit, and two thirds of C over a block of 20 ms.
fn moved(config: &Config, conductance: f64, capacitance: f64, pack: f64) -> f64 {
    let limits = config.limits();
    let limit = 1e6 / (f64::from(limits.warning_ohm_per_volt) * 400.0);
    let held = conductance.max(0.0) + 1.0 + limit + capacitance / 0.02 * 2.0 / 3.0;
    pack / 32.0 * limit / held
}

#[test]
fn readings_that_miss_as_much_as_a_leak_would_make_them_hide_one() {
    let config = config();
    for conductance in [-0.2, 0.0, 0.5, 2.0] {
        for capacitance in [0.01, 0.3, 5.0] {
            for pack in [100.0, 400.0] {
                let due = moved(&config, conductance, capacitance, pack);
                let hides = |noise: f64, scatter: f64| {
                    let fit = fit(conductance, Some(capacitance), noise, scatter);
                    hides_a_leak(&fit, &config, Volts::from_bits(bits(pack)))
                };
                assert!(!hides(0.999 * due, 0.0), "{conductance} {capacitance}");
                assert!(hides(1.001 * due, 0.0), "{conductance} {capacitance}");
                // Single blocks, beyond what mains leave in them.
                let hum = due.max(pack / 32.0);
                assert!(!hides(0.0, 0.999 * hum) && hides(0.0, 1.001 * hum));
            }
        }
    }
    // Where no C shows there is none to hold the chassis.
    let due = moved(&config, 0.5, 0.0, 400.0);
    let hides =
        |noise: f64| hides_a_leak(&fit(0.5, None, noise, 0.0), &config, Volts::from_int(400));
    assert!(!hides(0.999 * due) && hides(1.001 * due));
    // A fit that has a leak of the limit itself hides none.
    let limit = 1e6 / (f64::from(config.limits().warning_ohm_per_volt) * 400.0);
    for (times, hidden) in [(0.999, true), (1.001, false)] {
        let fit = fit(limit * times, Some(0.1), 100.0, 100.0);
        assert_eq!(hides_a_leak(&fit, &config, Volts::from_int(400)), hidden);
    }
}

#[test]
fn the_estimate_takes_what_the_fit_says() {
    let fit = fit(2.0, Some(0.5), 0.01, 0.01);
    let told = fitted(&fit, Volts::ZERO);
    assert_eq!(told.conductance, fit.conductance);
    assert_eq!(told.positive, fit.positive_conductance);
    assert_eq!(told.negative, fit.negative_conductance);
    assert_eq!(told.position_u, Ratio::from_bits(bits(0.004)));
    assert_eq!(
        (told.capacitance, told.dwell_us),
        (fit.capacitance, 500_000)
    );
    let nowhere = Fit {
        position: None,
        ..fit
    };
    assert_eq!(fitted(&nowhere, Volts::ZERO).position_u, Ratio::MAX);
}

#[test]
fn a_sudden_leak_is_split_by_where_it_sits() {
    for x in [0.0, 0.25, 0.9] {
        let told = found_suddenly(&sudden::Found {
            conductance: micro(40.0, 2.0),
            position: Ratio::from_bits(bits(x)),
        });
        let near = |told: Measured<Microsiemens>, share: f64| {
            assert!((real(told.value.to_bits()) - 40.0 * share).abs() < 1e-6);
            assert!((real(told.u.to_bits()) - 2.0).abs() < 1e-6);
        };
        near(told.conductance, 1.0);
        near(told.positive, x);
        near(told.negative, 1.0 - x);
        assert!((real(told.position_u.to_bits()) - 0.05).abs() < 1e-8);
        assert_eq!((told.capacitance, told.dwell_us), (None, 0));
    }
}

#[test]
fn what_the_watch_knows_is_sharp_to_a_twentieth() {
    let known = |positive: [f64; 2], negative: [f64; 2]| Known {
        capacitance: Measured {
            value: Microfarads::from_int(1),
            u: Microfarads::ZERO,
        },
        positive_share: Measured {
            value: Ratio::from_bits(ONE / 2),
            u: Ratio::ZERO,
        },
        positive: micro(positive[0], positive[1]),
        negative: micro(negative[0], negative[1]),
    };
    for (positive, negative, sharp) in [
        ([1.0, 0.0999], [1.0, 0.0], true),
        ([1.0, 0.1001], [1.0, 0.0], false),
        ([1.0, 0.0], [1.0, 0.0999], true),
        ([1.0, 0.0], [1.0, 0.1001], false),
        // Of the sum, whatever its sign.
        ([-3.0, 0.09], [1.0, 0.09], true),
        ([3.0, 0.11], [-1.0, 0.09], false),
    ] {
        assert_eq!(
            is_sharp(&known(positive, negative)),
            sharp,
            "{positive:?} {negative:?}"
        );
    }
}

#[test]
fn a_capacitance_that_does_not_show_is_small_and_unknown() {
    let config = config();
    let shown = fit(2.0, Some(0.5), 0.01, 0.01);
    let told = known(&shown, &config);
    assert_eq!(Some(told.capacitance), shown.capacitance);
    assert_eq!(told.positive_share, shown.coupling);
    assert_eq!(told.positive, shown.positive_conductance);
    assert_eq!(told.negative, shown.negative_conductance);
    // A 256th of G times a block, and as uncertain; never nothing.
    let told = known(&fit(2.0, None, 0.01, 0.01), &config).capacitance;
    assert!((real(told.value.to_bits()) - 2.0 * 0.02 / 256.0).abs() < 1e-8);
    assert_eq!(told.value, told.u);
    let least = known(&fit(0.0, None, 0.01, 0.01), &config).capacitance;
    assert_eq!(least.value.to_bits(), 1 << 16);
}

/// A dwell may be cut short; twice in a row in one state only once in eight dwells.
#[test]
fn a_state_is_seldom_cut_short_twice_in_a_row() {
    let mut haste = Haste::new();
    let round = |haste: &mut Haste| {
        let allowed = haste.allows(Drive::Raise, false);
        haste.over(Drive::Raise);
        haste.over(Drive::Lower);
        allowed
    };
    // The second in a row spends what eight calm dwells have earned.
    assert!(round(&mut haste) && round(&mut haste));
    let told: std::vec::Vec<bool> = (0..12).map(|_| round(&mut haste)).collect();
    // Refused, it is a dwell that was not cut short: the next may be, and the one after it not.
    let due = [
        false, true, false, true, true, false, true, false, true, true, false, true,
    ];
    assert_eq!(told, due);
    // Where a check needs each state heard out, never twice in a row.
    let mut haste = Haste::new();
    let told: std::vec::Vec<bool> = (0..4)
        .map(|_| {
            let allowed = haste.allows(Drive::Raise, true);
            haste.over(Drive::Raise);
            allowed
        })
        .collect();
    assert_eq!(told, [true, false, true, false]);
    // The other state has its own.
    let mut haste = Haste::new();
    assert!(haste.allows(Drive::Raise, false) && haste.allows(Drive::Lower, false));
}
