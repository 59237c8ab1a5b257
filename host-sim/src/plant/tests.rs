//! The plant against closed forms, symmetries and itself at other step sizes.

use fixed::types::I32F32;
use ohmsplit::config::{
    Channel, Config, Divider, Drive, Element, FrontEnd, Judged, Landing, Limits, Timing,
};
use ohmsplit::units::{Ohms, Ratio, Volts};
use proptest::prelude::*;

use super::*;
use crate::scenario::{
    Capacitance, ChannelErrors, Disturbance, Leak, PackProfile, PackRamp, PackStep, PartErrors,
};

const MEG: Ohms = Ohms::from_int(1_000_000);
const FORTY: Volts = Volts::from_int(40);

/// Readings in microvolts, no divider, 400 V working voltage.
fn config(parts: &[Element]) -> Config {
    let ideal = Channel {
        zero_code: 0,
        bits: 32,
        lowest: i32::MIN,
        highest: i32::MAX,
        ..Channel::bipolar(16, Volts::new(I32F32::from_num(4294.967_296)))
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

/// Worlds over the whole range that the plant must hold, with changes of leak
/// and pack inside a sampling period of the slow run.
fn any_world() -> impl Strategy<Value = World> {
    (
        (-3.0..8.0f64, 0.0..=1.0f64, -3.0..8.0f64, 0.0..=1.0f64),
        (-3.0..1.7f64, 0.0..=1.0f64),
        (12.0..1500.0f64, -200.0..200.0f64, -50.0..50.0f64),
        (0.01..0.99f64, 0.01..0.99f64),
    )
        .prop_map(
            |((r, x, later, xl), (c, share), (start, ramp, jump), (t, tj))| {
                let c = 10f64.powf(c);
                World {
                    leaks: vec![
                        Leak::at(10f64.powf(r), x),
                        Leak {
                            from_s: t,
                            ..Leak::at(10f64.powf(later), xl)
                        },
                    ],
                    capacitance: micro(c * share, c * (1.0 - share)),
                    pack_profile: PackProfile {
                        start_v: Some(start),
                        step: vec![PackStep {
                            time_s: tj,
                            change_v: jump,
                        }],
                        ramp: vec![PackRamp {
                            from_s: 0.0,
                            to_s: 1.0,
                            change_v: ramp,
                        }],
                        ..PackProfile::default()
                    },
                    ..World::default()
                }
            },
        )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// The solution is exact, so the step size does not show.
    #[test]
    fn one_step_of_a_second_equals_a_thousand_of_a_millisecond(
        world in any_world(), kind in 0usize..4, state in 0usize..3,
    ) {
        let config = &drives()[kind];
        let drive = Drive::ALL[state];
        let slow = World { sample_rate_hz: 1.0, ..world.clone() };
        let one = hold(&mut plant(config, &slow), drive, 1.0);
        let many = hold(&mut plant(config, &world), drive, 1.0);
        let scale = one.pack_v.abs().max(one.chassis_v.abs()).max(40.0);
        prop_assert!((one.pack_v - many.pack_v).abs() <= 1e-12 * scale);
        prop_assert!(
            (one.chassis_v - many.chassis_v).abs() <= 1e-12 * scale,
            "{} {}", one.chassis_v, many.chassis_v
        );
    }

    /// Whatever charge the chassis gains came through its conductances: the
    /// currents, integrated by Simpson's rule over fine samples, balance
    /// C Δv - Cp ΔVb.
    #[test]
    fn charge_is_conserved(
        r in 4.0..8.0f64, x in 0.0..=1.0f64, c in 0.1..20.0f64, share in 0.0..=1.0f64,
        ramp in -100.0..100.0f64,
    ) {
        let config = &drives()[0];
        let world = World {
            sample_rate_hz: 20_000.0,
            leaks: vec![Leak::at(10f64.powf(r), x)],
            capacitance: micro(c * share, c * (1.0 - share)),
            pack_profile: PackProfile {
                ramp: vec![PackRamp { from_s: 0.0, to_s: 1.0, change_v: ramp }],
                ..PackProfile::default()
            },
            ..World::default()
        };
        let mut plant = plant(config, &world);
        let rows: Vec<SampleRow> = (0..401).map(|_| plant.step(Drive::Raise)).collect();
        let g = 1.0 / 10f64.powf(r);
        let pushed = |row: &SampleRow| {
            g * x * (row.pack_v - row.chassis_v) - g * (1.0 - x) * row.chassis_v
                + (40.0 - row.chassis_v) / 1e6 - row.chassis_v / 20e6
        };
        let simpson: f64 = rows.windows(3).step_by(2)
            .map(|w| (pushed(&w[0]) + 4.0 * pushed(&w[1]) + pushed(&w[2])) / 20_000.0 / 3.0)
            .sum();
        let (first, last) = (rows[0], rows[400]);
        let gained = c * 1e-6 * (last.chassis_v - first.chassis_v)
            - c * 1e-6 * share * (last.pack_v - first.pack_v);
        prop_assert!((gained - simpson).abs() <= 1e-9 * (c * 1e-6 * 400.0), "{gained} {simpson}");
    }

    /// The plant has no favourite rail: with rails and polarity swapped the
    /// chassis is as far from P as it was from N.
    #[test]
    fn swapping_the_rails_mirrors_the_chassis(
        r in 2.0..8.0f64, x in 0.0..=1.0f64, c in 0.01..20.0f64, share in 0.0..=1.0f64,
    ) {
        let both = config(&[Element::source_to_both_rails(FORTY, MEG)]);
        let pair = |up, down| config(&[
            Element::switched_to_positive(up), Element::switched_to_negative(down),
        ]);
        let (a, b) = (Ohms::from_int(300_000), Ohms::from_int(900_000));
        for (straight, mirrored) in [(both.clone(), both), (pair(a, b), pair(b, a))] {
            let world = |x: f64, share: f64| World {
                leaks: vec![Leak::at(10f64.powf(r), x)],
                capacitance: micro(c * share, c * (1.0 - share)),
                pack_profile: PackProfile {
                    step: vec![PackStep { time_s: 0.4, change_v: -35.0 }],
                    ..PackProfile::default()
                },
                ..World::default()
            };
            let mut one = plant(&straight, &world(x, share));
            let mut other = plant(&mirrored, &world(1.0 - x, 1.0 - share));
            for (drive, opposite) in [(Drive::Raise, Drive::Lower), (Drive::Lower, Drive::Raise)] {
                let row = hold(&mut one, drive, 0.3);
                let image = hold(&mut other, opposite, 0.3);
                prop_assert!((row.chassis_v + image.chassis_v - row.pack_v).abs() < 1e-9);
            }
        }
    }
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
            capacitance: micro(0.0, 1e-9),
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
        .map(|row| crate::scenario::PackPoint {
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
        let row = parts::build(&config, &world).rows[Drive::Raise.index()];
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
