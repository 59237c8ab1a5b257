//! Whatever the circuit, the converter and the disturbance: what the core
//! reports is right within its stated uncertainty, or it says that it cannot
//! tell.

use ohmsplit_tests::bench::{Bench, Lead};
use ohmsplit_tests::design::{Design, Front};
use ohmsplit_tests::honest::wrong;
use ohmsplit_tests::reference::{Circuit, Drive, Leak};
use ohmsplit_tests::series::nearest_e96;
use proptest::prelude::*;

/// A drive of any kind and size, with resistors that can be bought.
fn any_drive() -> impl Strategy<Value = Drive> {
    let ohm = (5.0f64..6.5).prop_map(|decades| nearest_e96(10f64.powf(decades)));
    (0..4usize, 3.3f64..100.0, ohm.clone(), ohm).prop_map(|(kind, volt, one, two)| match kind {
        0 => Drive::SourceToNegative {
            amplitude: volt,
            series: one,
        },
        1 => Drive::SourceToBothRails {
            amplitude: volt,
            series: one,
        },
        2 => Drive::SwitchedResistors {
            positive: one,
            negative: two,
        },
        _ => Drive::LogicSource {
            low: 0.0,
            high: volt.min(12.0),
            series: one,
        },
    })
}

#[derive(Debug, Clone)]
struct Setting {
    design: Design,
    bench: Bench,
    rate: f64,
    lead: Lead,
}

prop_compose! {
    fn any_setting()(
        drive in any_drive(),
        (ohm, x) in (3.0f64..7.7, 0.0f64..1.0),
        (farad, kappa) in (-9.0f64..-4.3, 0.0f64..1.0),
        pack in 12.0f64..1500.0,
        bits in 10u8..25,
        (noise, ripple) in (prop_oneof![Just(0.0), -3.0f64..-0.5], prop_oneof![Just(0.0), 0.0f64..0.02]),
        (turns, share) in (1.0f64..20.0, 0.1f64..0.5),
        rate in prop_oneof![Just(100.0), Just(500.0), Just(1000.0)],
        half in prop_oneof![Just(None), (0.3f64..4.0).prop_map(Some)],
        slope in prop_oneof![3 => Just(0.0), 1 => -0.003f64..0.003],
        pair in any::<bool>(),
        seed in any::<u64>(),
    ) -> Setting {
        let mut design = Design::new(drive, pack, bits);
        if pair {
            design.front = Front::RailPair;
            design.divider = Some(20e6);
            design.zero_code = 1 << (bits - 1);
            design.span = 2.2 * (pack + 100.0);
        }
        let farad = 10f64.powf(farad);
        let circuit = Circuit {
            positive_farad: kappa * farad,
            negative_farad: (1.0 - kappa) * farad,
            permanent: design.permanent(),
            ..Circuit::new(Leak::inside(10f64.powf(ohm), x), farad, drive)
        };
        let bench = Bench {
            noise: if noise == 0.0 { 0.0 } else { 10f64.powf(noise) },
            // Readings are point samples: an alias near 0 Hz is beyond any
            // estimator, one of some tens of hertz is not.
            ripple: [ripple * pack, (turns.floor() + share) * rate],
            pack_slope: slope * pack,
            start: Some(0.3 * pack),
            seed,
            ..Bench::new(circuit, pack)
        };
        Setting {
            design,
            bench,
            rate,
            lead: half.map_or(Lead::Sequencer, Lead::alternating),
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 600, ..ProptestConfig::default() })]

    #[test]
    fn what_is_reported_is_right_within_its_stated_uncertainty(setting in any_setting()) {
        let config = setting.design.config();
        let reports = setting.bench.run(&config, setting.rate, 30.0, &setting.lead);
        for estimate in reports.iter().filter_map(|report| report.estimate.as_ref().ok()) {
            if let Some(what) = wrong(estimate, &setting.bench.circuit) {
                return Err(TestCaseError::fail(what));
            }
        }
    }
}
