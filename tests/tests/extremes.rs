//! Hard short and open circuit are named as such at every position, and no
//! input makes the core panic.

use ohmsplit::{Kind, Monitor, Report, Sample, Sampler, Step, Verdict};
use ohmsplit_tests::bench::{Bench, Figures, Lead};
use ohmsplit_tests::bounds::POSITION_OF_SHORT;
use ohmsplit_tests::design::{Design, Front, core_state, drives};
use ohmsplit_tests::reference::{Circuit, Leak, State};
use proptest::prelude::*;

const VOLTAGES: [f64; 7] = [12.0, 48.0, 60.0, 333.0, 400.0, 800.0, 1500.0];

/// The estimates of all dwells but the first two.
fn estimates<'a>(
    reports: &'a [Report],
    case: &'a str,
) -> impl Iterator<Item = (Kind, Figures)> + 'a {
    assert!(reports.len() > 5, "{case}: {reports:?}");
    reports.iter().skip(2).map(move |report| {
        let estimate = report
            .estimate
            .unwrap_or_else(|reason| panic!("{case}: {reason:?}"));
        (estimate.kind, Figures::from(&estimate))
    })
}

#[test]
fn a_hard_short_is_named_with_its_position_and_alarms() {
    for drive in drives() {
        for pack in VOLTAGES {
            for bits in [16, 24] {
                let config = Design::new(drive, pack, bits).config();
                for ohm in [0.001, 1.0, 20.0, 50.0] {
                    for place in 0..=10 {
                        let x = f64::from(place) / 10.0;
                        let circuit = Circuit::new(Leak::inside(ohm, x), 1e-7, drive);
                        let reports = Bench::new(circuit, pack).run(
                            &config,
                            500.0,
                            8.0,
                            &Lead::alternating(1.0),
                        );
                        let case = format!("{drive:?}, {pack} V, {bits} bits, {ohm} Ω at {x}");
                        for (kind, figures) in estimates(&reports, &case) {
                            assert_eq!(kind, Kind::Short, "{case}: {figures:?}");
                            let [got, _] = figures.position.expect("a position");
                            POSITION_OF_SHORT.absolute(got, x, &case);
                        }
                        let verdict = reports.last().expect("a report").verdict;
                        assert_eq!(verdict, Verdict::Alarm, "{case}");
                    }
                }
            }
        }
    }
}

#[test]
fn an_open_circuit_is_named_and_is_healthy() {
    for drive in drives() {
        for pack in VOLTAGES {
            for bits in [16, 24] {
                for (front, divider) in
                    [(Front::ChassisAndPack, None), (Front::RailPair, Some(20e6))]
                {
                    let design = Design {
                        front,
                        divider,
                        ..Design::new(drive, pack, bits)
                    };
                    let circuit = Circuit {
                        permanent: design.permanent(),
                        ..Circuit::new(Leak::NONE, 1e-8, drive)
                    };
                    let reports = Bench {
                        start: Some(0.4 * pack),
                        ..Bench::new(circuit, pack)
                    }
                    .run(&design.config(), 500.0, 8.0, &Lead::alternating(1.0));
                    let case = format!("{drive:?}, {pack} V, {bits} bits, {front:?}");
                    for (kind, figures) in estimates(&reports, &case) {
                        assert_eq!(kind, Kind::Open, "{case}: {figures:?}");
                        assert_eq!(figures.position, None, "{case}");
                    }
                    let verdict = reports.last().expect("a report").verdict;
                    assert_eq!(verdict, Verdict::Healthy, "{case}");
                }
            }
        }
    }
}

/// Feeds anything; the result is not looked at, only that it comes.
fn feed(design: &Design, samples: &[Sample]) {
    let Ok(config) = design.try_config() else {
        return;
    };
    let mut sampler = Sampler::new(&config);
    let mut monitor = Monitor::new(&config);
    for sample in samples {
        if let Some(raw) = sampler.push(sample) {
            monitor.accept(&raw);
            while !matches!(monitor.step(), Step::Idle) {}
        }
        let _ = monitor.drive();
    }
    if let Some(raw) = sampler.finish() {
        monitor.accept(&raw);
    }
    monitor.finish();
    while !matches!(monitor.step(), Step::Idle) {}
}

fn any_state() -> impl Strategy<Value = State> {
    prop_oneof![Just(State::Rest), Just(State::Raise), Just(State::Lower)]
}

/// A code at random, or one of the ends.
fn any_code() -> impl Strategy<Value = i32> {
    prop_oneof![
        4 => any::<i32>(),
        4 => 0i32..1 << 24,
        1 => Just(i32::MIN),
        1 => Just(i32::MAX),
        2 => Just(1 << 15),
    ]
}

prop_compose! {
    fn any_design()(
        kind in 0..4usize,
        pack in 1.0f64..4000.0,
        bits in 4u8..31,
        span in prop_oneof![0.001f64..1.0, 1.0f64..1e6],
        zero_code in any_code(),
        pair in any::<bool>(),
        divider in prop::option::of(1.0f64..1e9),
        bleeds in [prop::option::of(1.0f64..1e9), prop::option::of(1.0f64..1e9)],
        block_us in 100u32..100_000,
        capacitance_max_uf in 1e-6f64..1e5,
    ) -> Design {
        Design {
            span,
            zero_code,
            front: if pair { Front::RailPair } else { Front::ChassisAndPack },
            divider,
            bleeds,
            block_us,
            dwell_min_us: 8 * block_us,
            capacitance_max_uf,
            ..Design::new(drives()[kind], pack, bits)
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, ..ProptestConfig::default() })]

    /// Codes, times and drive states that mean nothing: runs of a state with
    /// any step of time, also backwards.
    #[test]
    fn nonsense_never_panics(
        design in any_design(),
        runs in prop::collection::vec(
            (any_state(), prop_oneof![1u32..200_000, any::<u32>()], prop::collection::vec([any_code(), any_code()], 1..300)),
            1..12,
        ),
        start in any::<u32>(),
    ) {
        let mut at_us = start;
        let mut samples = Vec::new();
        for (state, step, codes) in runs {
            for codes in codes {
                at_us = at_us.wrapping_add(step);
                samples.push(Sample { at_us, drive: core_state(state), codes });
            }
        }
        feed(&design, &samples);
    }

    /// Steady codes at random levels, long enough for every proof to run.
    #[test]
    fn steady_nonsense_never_panics(
        design in any_design(),
        levels in prop::collection::vec((any_state(), [any_code(), any_code()], 8u32..64), 1..12),
    ) {
        let mut at_us = 0u32;
        let mut samples = Vec::new();
        for (state, codes, blocks) in levels {
            for _ in 0..2 * blocks {
                at_us = at_us.wrapping_add(design.block_us / 2);
                samples.push(Sample { at_us, drive: core_state(state), codes });
            }
        }
        feed(&design, &samples);
    }
}
