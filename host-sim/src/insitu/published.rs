//! Published forms and worked figures, computed from readings as they stand there.
//!
//! UN form: UN R100 Rev.2, REESS annex, 1.2.3.4. US form: 49 CFR 571.305 S7.6.6
//! and S7.6.7 (from memory, not verified). Two meters: GB 18384-2020, 6.2.1
//! (from memory, not verified). The readings follow from the resistors by algebra.

use super::tests::Truth;
use super::*;

/// All but ideal: the figure counts here, not the interval.
const fn meter(resistance_ohm: f64) -> Meter {
    Meter {
        resistance_ohm,
        resistance_tolerance_percent: 0.0,
        accuracy_percent: 0.001,
        accuracy_digits: 1.0,
        resolution_v: 1e-4,
    }
}

fn findings(wiring: Wiring, r: f64, ro: f64, volts: [f64; 4]) -> Findings {
    let [pack_v, negative_v, positive_v, with_inserted_v] = volts;
    let inserted = Inserted {
        resistance_ohm: ro,
        tolerance_percent: 0.1,
        side: Side::higher(negative_v, positive_v),
    };
    let readings = Readings {
        pack_v,
        negative_v,
        positive_v,
        with_inserted_v,
        pack_with_inserted_v: None,
    };
    let sheet = Sheet::new(wiring, pack_v, meter(r), inserted, readings);
    compute(&sheet.expect("a sheet"))
}

fn near(of: &Bounded, wanted: f64, relative: f64) {
    let ohm = of.ohm.expect("a figure");
    assert!((ohm / wanted - 1.0).abs() < relative, "{ohm} {wanted}");
}

const MOVED: Wiring = Wiring::OneMeterMoved;
const IDEAL: f64 = 1e12;

/// UN R100, limits at 100 and 500 Ω/V (5.1.3.1): 250 Ω/V; its mirror; 1250 Ω/V by
/// the US example; exactly 100.0 Ω/V twice. Both in parallel is another figure.
#[test]
fn the_worked_figures_come_out() {
    for (ro, volts, weak, ri, parallel) in [
        (
            200e3,
            [400.0, 300.0, 100.0, 218.181_818_18],
            Side::Positive,
            100e3,
            75e3,
        ),
        (
            200e3,
            [400.0, 100.0, 300.0, 218.181_818_18],
            Side::Negative,
            100e3,
            75e3,
        ),
        (
            400e3,
            [800.0, 266.666_666_7, 533.333_333_3, 200.0],
            Side::Negative,
            1e6,
            2e6 / 3.0,
        ),
        (
            35e3,
            [350.0, 233.333_333_3, 116.666_666_7, 140.0],
            Side::Positive,
            35e3,
            70e3 / 3.0,
        ),
        (
            48e3,
            [96.0, 95.087_163, 0.912_837, 79.365_079],
            Side::Positive,
            9.6e3,
            9.6e9 / 1009.6e3,
        ),
    ] {
        let Findings {
            answer,
            us_form_ohm,
            ..
        } = findings(MOVED, IDEAL, ro, volts);
        assert_eq!(answer.weak, weak);
        near(&answer.weakest, ri, 1e-6);
        near(&answer.parallel, parallel, 1e-6);
        // An ideal meter: V1 + V2 = Vb, and both wordings agree.
        assert_eq!(us_form_ohm, None);
    }
    // V1' rounded to four places: 100,000.031 Ω.
    let rounded = findings(MOVED, IDEAL, 200e3, [400.0, 300.0, 100.0, 218.1818]);
    let ohm = rounded.answer.weakest.ohm.expect("a figure");
    assert!((ohm - 100_000.031).abs() < 1e-3, "{ohm}");
}

/// 2 MΩ and 3 MΩ read with one 10 MΩ meter that is moved, or with two.
#[test]
fn a_moved_meter_leaves_the_un_form_exact_and_the_us_form_low() {
    let volts = [400.0, 214.285_714, 142.857_143, 33.707_865];
    let moved = findings(MOVED, 10e6, 200e3, volts);
    near(&moved.answer.weakest, 2e6, 1e-6);
    near(&moved.answer.stronger, 3e6, 1e-6);
    let us = moved.us_form_ohm.expect("the wordings differ");
    assert!((us / 1_785_714.3 - 1.0).abs() < 1e-6, "{us}");
    assert!((us / 2e6 - (volts[1] + volts[2]) / 400.0).abs() < 1e-6);

    let volts = [400.0, 232.258_065, 167.741_935, 39.779_006];
    let two = findings(Wiring::TwoMeters, 10e6, 200e3, volts);
    near(&two.answer.weakest, 2e6, 1e-6);
    assert_eq!(two.us_form_ohm, None);
    // The same readings taken for those of an ideal meter: Rp in parallel with it.
    let raw = findings(MOVED, IDEAL, 200e3, volts).answer;
    near(&raw.weakest, 1_666_666.7, 1e-6);
}

/// dRi/Ri = -(1 + Ro/(Rp ‖ Rn)) dV1'/V1' (exact algebra from the UN form).
#[test]
fn a_wrong_reading_moves_ri_by_the_law_of_its_sensitivity() {
    for (pack, rp, rn, ro, factor) in [
        (400.0, 100e3, 300e3, 200e3, 11.0 / 3.0),
        (800.0, 1e6, 1e6, 200e3, 1.4),
        (800.0, 5e6, 5e6, 400e3, 1.16),
        (800.0, 1e6, 1e6, 2e6, 5.0),
        (800.0, 100e3, 100e3, 2e6, 41.0),
    ] {
        let truth = Truth {
            wiring: MOVED,
            pack,
            rp,
            rn,
            ro,
            meter: IDEAL,
        };
        let (v1, v2, _, with) = truth.read();
        let ri = |change: f64| {
            let volts = [pack, v1, v2, with * (1.0 + change)];
            findings(MOVED, IDEAL, ro, volts)
                .answer
                .weakest
                .ohm
                .expect("a figure")
        };
        let slope = (ri(1e-5) - ri(-1e-5)) / 2e-5 / ri(0.0);
        assert!((slope / -factor - 1.0).abs() < 1e-5, "{slope} {factor}");
    }
    // 0.1 V and 0.4 V too much in the first circuit.
    for (more, percent) in [(0.1, -0.168), (0.4, -0.671)] {
        let with = 2400.0 / 11.0 + more;
        let of = findings(MOVED, IDEAL, 200e3, [400.0, 300.0, 100.0, with])
            .answer
            .weakest;
        let change = 100.0 * (of.ohm.expect("a figure") / 100e3 - 1.0);
        assert!((change - percent).abs() < 5e-4, "{change}");
    }
}
