//! Whatever the circuit, the converter and the disturbance: what the core
//! reports is right within its stated uncertainty, or it says that it cannot
//! tell.

use ohmsplit::{Kind, Report};
use ohmsplit_tests::bench::{Bench, Figures, Lead};
use ohmsplit_tests::bounds::{HONEST, UNEXPLAINED};
use ohmsplit_tests::design::{Design, Front};
use ohmsplit_tests::reference::{Circuit, Drive, Leak, State};
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

impl Setting {
    /// Mean conductance that the monitor hangs on the chassis.
    fn load(&self) -> f64 {
        let circuit = &self.bench.circuit;
        (circuit.row(State::Raise).g + circuit.row(State::Lower).g) / 2.0
    }
}

/// Fails when a report is confidently wrong.
fn honest(report: &Report, setting: &Setting) -> Result<(), TestCaseError> {
    let Ok(estimate) = report.estimate else {
        return Ok(());
    };
    let figures = Figures::from(&estimate);
    let leak = &setting.bench.circuit.leak;
    let truth = leak.conductance();
    let case = || format!("{:?} {figures:?}, truth {truth:e} S", estimate.kind);
    let [g, u] = figures.conductance;
    match estimate.kind {
        Kind::Figure => {
            // What is measured is the swing, so the error is normal in
            // 1/(G + g): a low resistance has a skew interval.
            let load = setting.load();
            let (got, want) = (1.0 / (g + load), 1.0 / (truth + load));
            let off = ((got - want) / (u * got * got)).abs();
            let free = UNEXPLAINED.allowed * truth / u;
            prop_assert!(off <= HONEST.allowed + free, "{off} u: {}", case());
        }
        Kind::Short => {
            prop_assert!(
                leak.isolation() < 1.5 * figures.isolation_interval[1],
                "{}",
                case()
            );
        }
        Kind::Open => prop_assert!(
            leak.isolation() > figures.isolation_interval[0] * 0.5,
            "{}",
            case()
        ),
    }
    // A quotient of two uncertain conductances is near normal only when its
    // divisor is well known.
    if let Some([x, u_x]) = figures.position
        && u < 0.05 * g
    {
        let allowed = HONEST.allowed * u_x + UNEXPLAINED.allowed;
        prop_assert!((x - leak.position()).abs() <= allowed, "x: {}", case());
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 600, ..ProptestConfig::default() })]

    #[test]
    fn what_is_reported_is_right_within_its_stated_uncertainty(setting in any_setting()) {
        let config = setting.design.config();
        let reports = setting.bench.run(&config, setting.rate, 30.0, &setting.lead);
        for report in &reports {
            honest(report, &setting)?;
        }
    }
}
