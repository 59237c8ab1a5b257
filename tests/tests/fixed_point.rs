//! Fixed point costs less than 0.05 % against the same formula in `f64`, over
//! the whole range that must work.

use ohmsplit::{Kind, Reading, Report};
use ohmsplit_tests::bench::{Figures, Lead, run_volts};
use ohmsplit_tests::bounds::{FIXED_POINT, FIXED_POINT_POSITION};
use ohmsplit_tests::design::{Design, state_of};
use ohmsplit_tests::reference::{Circuit, Drive, Leak, Settled, State, solve};
use proptest::prelude::*;

fn any_drive() -> impl Strategy<Value = Drive> {
    (0..4usize, 3.3f64..100.0, 4.7f64..6.3, 4.7f64..6.3).prop_map(|(kind, volt, one, two)| {
        let (one, two) = (10f64.powf(one).round(), 10f64.powf(two).round());
        match kind {
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
                high: volt,
                series: one,
            },
        }
    })
}

/// A reading as the formula in `f64` takes it.
fn settled(circuit: &Circuit, reading: &Reading) -> Settled {
    Settled {
        row: circuit.row(state_of(reading.drive)),
        v: reading.chassis.value.get().to_num(),
        vb: reading.pack.value.get().to_num(),
    }
}

/// The last estimate and the two readings that it comes from.
fn last_pair(reports: &[Report]) -> Option<(ohmsplit::Estimate, [Reading; 2])> {
    let [.., before, last] = reports else {
        return None;
    };
    Some((
        last.estimate.ok()?,
        [before.reading.ok()?, last.reading.ok()?],
    ))
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 2000, ..ProptestConfig::default() })]

    /// The same readings through both.
    #[test]
    fn the_solve_costs_less_than_five_per_myriad(
        drive in any_drive(),
        ohm in 3.0f64..7.699,
        x in 0.0f64..1.0,
        pack in 12.0f64..1500.0,
        sag in 0.9f64..1.0,
    ) {
        let design = Design {
            block_us: 100_000,
            dwell_min_us: 800_000,
            span: 4096.0,
            zero_code: 1 << 29,
            ..Design::new(drive, pack, 30)
        };
        let circuit = Circuit::new(Leak::inside(10f64.powf(ohm), x), 0.0, drive);
        let lead = Lead::alternating(1.0);
        let reports = run_volts(&design.config(), 100.0, 4.0, &lead, |state, _, _| {
            let pack = if state == State::Lower { pack * sag } else { pack };
            [circuit.settled(state, pack), pack]
        });
        let (estimate, readings) = last_pair(&reports)
            .ok_or_else(|| TestCaseError::fail(format!("{:?}", reports.last())))?;
        prop_assert_eq!(estimate.kind, Kind::Figure);
        let [one, two] = readings.map(|reading| settled(&circuit, &reading));
        let exact = solve(&one, &two);
        let figures = Figures::from(&estimate);
        FIXED_POINT.relative(figures.isolation, exact.isolation(), "R_iso");
        FIXED_POINT.relative(figures.weakest, exact.weakest(), "weakest rail");
        FIXED_POINT_POSITION.absolute(
            figures.position.expect("a position")[0],
            exact.position(),
            "x",
        );
        // And the readings are the voltages: 30 bits over 4096 V are 4 µV.
        let touch = two.vb / exact.weakest();
        FIXED_POINT.relative(figures.touch_current, touch, "touch current");
    }
}
