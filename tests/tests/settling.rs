//! Settling times and the extrapolation from three points.
//!
//! Three equally spaced samples predict the settled voltage: the idea of Du,
//! Zheng, Yan et al., Appl. Sci. 9(13) 2607, 2019 (abstract read); formula and
//! numbers are algebra. A response value within 15 % is IEC 61557-8 (from
//! memory, not verified).

use ohmsplit::Reason;
use ohmsplit_tests::bench::{Bench, Figures, Lead};
use ohmsplit_tests::bounds::{FOUR_DIGITS, SAME_ALGEBRA, SEVEN_DIGITS, TIME_CONSTANT};
use ohmsplit_tests::design::{Design, drives, state_of};
use ohmsplit_tests::reference::formulas::{three_points, time_constants_until};
use ohmsplit_tests::reference::{Circuit, Drive, Leak, State};

#[test]
fn time_constants_until_a_share_is_left() {
    for (left, time_constants) in [(0.15, 1.897), (0.05, 2.996), (0.01, 4.605), (0.001, 6.908)] {
        let exact = time_constants_until(left);
        assert!((exact - time_constants).abs() < 5e-4, "{exact}");
        // And the circuit does so: from 0 V, the share left of the final value.
        let circuit = Circuit::new(Leak::inside(300e3, 0.3), 2e-6, drives()[0]);
        let seconds = exact * circuit.time_constant(State::Raise);
        let v = circuit.after(State::Raise, 0.0, [400.0; 2], seconds);
        let end = circuit.settled(State::Raise, 400.0);
        SAME_ALGEBRA.relative(1.0 - v / end, left, "share left");
    }
    // R 1 MΩ, C 2 µF: 1 % after 9.210 s, 0.1 % after 13.816 s.
    FOUR_DIGITS.relative(2.0 * time_constants_until(0.01), 9.210, "1 %");
    FOUR_DIGITS.relative(2.0 * time_constants_until(0.001), 13.816, "0.1 %");
}

#[test]
fn the_inserted_resistor_shortens_the_time_constant() {
    // 100 kΩ and 300 kΩ, 1 µF: 75 ms at rest, 54.545 ms with Ro 200 kΩ.
    let drive = Drive::SwitchedResistors {
        positive: 200e3,
        negative: 200e3,
    };
    let circuit = Circuit::new(Leak::of_rails(100e3, 300e3), 1e-6, drive);
    SAME_ALGEBRA.relative(circuit.time_constant(State::Rest), 75e-3, "rest");
    FOUR_DIGITS.relative(circuit.time_constant(State::Lower), 54.545e-3, "with Ro");
}

#[test]
fn three_points_of_one_exponential() {
    let (end, tau) = three_points([200.0, 222.119_921_69, 239.346_934_03], 0.5);
    SEVEN_DIGITS.relative(end, 300.0, "settled");
    SEVEN_DIGITS.relative(tau, 2.0, "time constant");
    // Rounded to 0.1 V.
    let (end, tau) = three_points([200.0, 222.1, 239.3], 0.5);
    assert!((end - 299.6755).abs() < 5e-5, "{end}");
    assert!((tau - 1.99467).abs() < 5e-6, "{tau}");
}

#[test]
fn the_core_settles_where_three_points_extrapolate_to() {
    for drive in drives() {
        // A time constant of 0.3 s in the slower state, 3 s in each.
        let bare = Circuit::new(Leak::inside(200e3, 0.3), 1.0, drive);
        let load = bare.load(State::Raise).min(bare.load(State::Lower));
        let circuit = Circuit::new(bare.leak, 0.3 * load, drive);
        let config = Design::new(drive, 400.0, 24).config();
        let reports = Bench {
            start: Some(90.0),
            ..Bench::new(circuit, 400.0)
        }
        .run(&config, 500.0, 18.0, &Lead::alternating(3.0));
        let report = reports.last().expect("a report");
        let reading = report.reading.expect("a settled reading");
        let state = state_of(reading.drive);
        let spacing = 0.15;
        let mut points = [100.0; 3];
        for place in 1..3 {
            points[place] = circuit.after(state, points[place - 1], [400.0; 2], spacing);
        }
        let (end, tau) = three_points(points, spacing);
        let case = format!("{drive:?}");
        SEVEN_DIGITS.relative(reading.chassis.value.get().to_num(), end, &case);
        let seen = reading.time_constant.expect("a time constant").value;
        TIME_CONSTANT.relative(seen.get().to_num(), tau, &case);
        let figures = Figures::from(&report.estimate.expect("an estimate"));
        let [farad, u] = figures.capacitance.expect("a capacitance");
        TIME_CONSTANT.relative(farad, circuit.farad(), &case);
        assert!(u < 0.05 * farad, "{case}: {farad} ± {u}");
    }
}

#[test]
fn a_reading_at_fifteen_percent_is_never_taken() {
    // Half-period 1.897 τ in the faster state: what an early reading would be
    // off by is the whole allowance of the standard.
    for drive in drives() {
        let bare = Circuit::new(Leak::inside(200e3, 0.3), 1.0, drive);
        let load = bare.load(State::Raise).max(bare.load(State::Lower));
        let circuit = Circuit::new(bare.leak, load / 1.897, drive);
        let config = Design::new(drive, 400.0, 24).config();
        let reports = Bench::new(circuit, 400.0).run(&config, 500.0, 12.0, &Lead::alternating(1.0));
        for report in reports.iter().skip(1) {
            assert_eq!(report.reading, Err(Reason::NotSettled), "{drive:?}");
        }
    }
}
