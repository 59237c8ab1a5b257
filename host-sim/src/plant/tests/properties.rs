//! What holds over the whole range of circuits.

use proptest::prelude::*;

use super::*;
use crate::scenario::PackRamp;

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
