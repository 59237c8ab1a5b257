//! Checks of the arithmetic. Circuits by algebra from their resistors; the
//! form of the formula is UN R100 Rev.2, REESS annex, 1.2.3.4.

use rand::{RngExt, SeedableRng, rngs::SmallRng};

use super::*;

const METER: Meter = Meter {
    resistance_ohm: 10e6,
    resistance_tolerance_percent: 1.0,
    accuracy_percent: 0.5,
    accuracy_digits: 2.0,
    resolution_v: 0.01,
};

/// A circuit as the meters see it.
#[derive(Clone, Copy)]
pub(super) struct Truth {
    pub(super) wiring: Wiring,
    pub(super) pack: f64,
    pub(super) rp: f64,
    pub(super) rn: f64,
    pub(super) ro: f64,
    pub(super) meter: f64,
}

impl Truth {
    /// V1, V2, and the reading of the higher side with Ro.
    pub(super) fn read(&self) -> (f64, f64, Side, f64) {
        let g = 1.0 / self.meter;
        let (gp, gn, go) = (1.0 / self.rp, 1.0 / self.rn, 1.0 / self.ro);
        let both = f64::from(u8::from(self.wiring == Wiring::TwoMeters));
        // Chassis to negative, with extra conductance at either rail.
        let chassis = |at_p: f64, at_n: f64| self.pack * (gp + at_p) / (gp + gn + at_p + at_n);
        let v1 = chassis(both * g, g);
        let v2 = self.pack - chassis(g, both * g);
        if v1 >= v2 {
            (v1, v2, Side::Negative, chassis(both * g, g + go))
        } else {
            (
                v1,
                v2,
                Side::Positive,
                self.pack - chassis(g + go, both * g),
            )
        }
    }

    fn sheet(&self, meter: Meter, tolerance: f64) -> Sheet {
        let (v1, v2, side, with) = self.read();
        sheet(
            self,
            meter,
            tolerance,
            side,
            [self.pack, v1, v2, with, self.pack],
        )
    }
}

fn sheet(truth: &Truth, meter: Meter, tolerance: f64, side: Side, volts: [f64; 5]) -> Sheet {
    let [pack_v, negative_v, positive_v, with_inserted_v, again] = volts;
    let inserted = Inserted {
        resistance_ohm: truth.ro,
        tolerance_percent: tolerance,
        side,
    };
    let readings = Readings {
        pack_v,
        negative_v,
        positive_v,
        with_inserted_v,
        pack_with_inserted_v: Some(again),
    };
    Sheet::new(truth.wiring, truth.pack, meter, inserted, readings).expect("a sheet")
}

const LOADED: Truth = Truth {
    wiring: Wiring::OneMeterMoved,
    pack: 400.0,
    rp: 2e6,
    rn: 3e6,
    ro: 200e3,
    meter: 10e6,
};

#[test]
fn the_meter_does_not_change_the_figures_however_it_is_wired() {
    for wiring in [Wiring::OneMeterMoved, Wiring::TwoMeters] {
        for (rp, rn) in [(2e6, 3e6), (3e6, 2e6), (35e3, 70e3), (1e6, 40e3)] {
            let truth = Truth {
                wiring,
                rp,
                rn,
                ..LOADED
            };
            let Findings {
                answer, warnings, ..
            } = compute(&truth.sheet(METER, 1.0));
            assert!(warnings.is_empty(), "{warnings:?}");
            let near = |of: &Bounded, wanted: f64| {
                let ohm = of.ohm.expect("a figure");
                assert!((ohm / wanted - 1.0).abs() < 1e-9, "{ohm} {wanted}");
            };
            near(&answer.weakest, f64::min(rp, rn));
            near(&answer.stronger, f64::max(rp, rn));
            near(&answer.parallel, 1.0 / (1.0 / rp + 1.0 / rn));
        }
    }
}

/// JCGM 101:2008: the propagation of distributions by a Monte Carlo is the
/// reference for the propagation of uncertainty.
#[test]
fn intervals_hold_the_truth_and_u_is_the_spread_of_a_monte_carlo() {
    let mut random = SmallRng::seed_from_u64(11);
    for wiring in [Wiring::OneMeterMoved, Wiring::TwoMeters] {
        for (rp, rn) in [(5e3, 1e6), (100e3, 300e3), (2e6, 3e6), (20e6, 30e6)] {
            let truth = Truth {
                wiring,
                rp,
                rn,
                ..LOADED
            };
            let (v1, v2, _, with) = truth.read();
            let (mut held, mut sum, mut squares, trials) = (0, 0.0, 0.0, 4000);
            for _ in 0..trials {
                let mut off = || random.random_range(-1.0..1.0);
                let mut draw = |volts: f64| volts + off() * METER.half_width(volts);
                let volts = [truth.pack, v1, v2, with, truth.pack].map(&mut draw);
                let mut read = truth.sheet(METER, 1.0);
                read.readings = Readings {
                    pack_v: volts[0],
                    negative_v: volts[1],
                    positive_v: volts[2],
                    with_inserted_v: volts[3],
                    pack_with_inserted_v: Some(volts[4]),
                };
                read.inserted.resistance_ohm *= 1.0 + 0.01 * off();
                read.meter.resistance_ohm *= 1.0 + 0.01 * off();
                let of = compute(&read).answer.weakest;
                let weakest = rp.min(rn);
                let inside =
                    of.low_ohm <= weakest && of.high_ohm.is_none_or(|high| weakest <= high);
                held += u32::from(inside);
                let y = of
                    .ohm
                    .map_or(truth.ro, |ohm| ohm * truth.ro / (ohm + truth.ro));
                sum += y;
                squares += y * y;
            }
            let trials = f64::from(trials);
            let share = f64::from(held) / trials;
            assert!(
                (0.935..=0.985).contains(&share),
                "{wiring:?} {rp} {rn}: {share}"
            );
            let spread = (squares / trials - (sum / trials).powi(2)).sqrt();
            let of = compute(&truth.sheet(METER, 1.0)).answer.weakest;
            let (_, u) = compute::in_y(truth.ro, &of);
            // A figure that is not resolved is cut at Ro, and an interval at its ends.
            if of.high_ohm.is_some() && of.low_ohm > 0.0 {
                assert!(
                    (spread / u - 1.0).abs() < 0.06,
                    "{wiring:?} {rp} {rn}: {spread} {u}"
                );
            }
        }
    }
}

#[test]
fn no_leak_and_a_hard_short_are_bounded_on_one_side() {
    let open = Truth {
        rp: 1e12,
        rn: 1e12,
        ..LOADED
    };
    let of = compute(&open.sheet(METER, 1.0)).answer.weakest;
    assert!(
        of.ohm.is_none() && of.high_ohm.is_none() && of.low_ohm > 1e9,
        "{of:?}"
    );
    let short = Truth {
        rp: 1.0,
        rn: 1e6,
        ..LOADED
    };
    let of = compute(&short.sheet(METER, 1.0)).answer.weakest;
    assert!(
        of.low_ohm == 0.0 && of.high_ohm.expect("bounded") < 5e3,
        "{of:?}"
    );
}

#[test]
fn a_pack_that_moved_is_followed_and_told() {
    let (v1, v2, side, with) = LOADED.read();
    let volts = [400.0, v1, v2, with * 0.9, 360.0];
    let Findings {
        answer, warnings, ..
    } = compute(&sheet(&LOADED, METER, 1.0, side, volts));
    assert!((answer.weakest.ohm.expect("a figure") / 2e6 - 1.0).abs() < 1e-9);
    assert!(
        warnings.len() == 1 && warnings[0].contains("moved by -40.000 V"),
        "{warnings:?}"
    );
}

#[test]
fn readings_that_contradict_each_other_are_told_or_refused() {
    let (v1, v2, side, with) = LOADED.read();
    let off = sheet(
        &LOADED,
        METER,
        1.0,
        side,
        [400.0, v1, v2 * 0.8, with, 400.0],
    );
    let warnings = compute(&off).warnings;
    assert!(
        warnings[0].contains("contradict each other"),
        "{warnings:?}"
    );
    for (change, path) in [
        (
            (|s: &mut Sheet| s.inserted.side = Side::Positive) as fn(&mut Sheet),
            "inserted.side",
        ),
        (
            |s| s.readings.with_inserted_v = 300.0,
            "readings.with_inserted_V",
        ),
        (|s| s.readings.negative_v = 500.0, "readings.negative_V"),
        (
            |s| s.meter.accuracy_percent = f64::NAN,
            "meter.accuracy_percent",
        ),
    ] {
        let mut wrong = LOADED.sheet(METER, 1.0);
        change(&mut wrong);
        let fault = Sheet::new(
            wrong.wiring,
            400.0,
            wrong.meter,
            wrong.inserted,
            wrong.readings,
        )
        .expect_err("refused");
        assert_eq!(fault.path, path);
    }
}

const ANSWERS: &str = "1\n10e6\n5\n0.5\n2\n0.1\n400\nfour hundred\n400\n300\n100\n200e3\n1\n";

fn led(answers: &str) -> (Result<Sheet, crate::error::HostError>, String) {
    let mut shown = Vec::new();
    let sheet = guide(answers.as_bytes(), &mut shown, &mut toml::Table::new());
    (sheet, String::from_utf8(shown).expect("UTF-8"))
}

#[test]
fn the_guide_asks_again_cautions_each_step_and_computes_the_same() {
    let (sheet, shown) = led(&format!("{ANSWERS}218.2\n400\n"));
    let sheet = sheet.expect("a sheet");
    // Five readings and the resistor.
    assert_eq!(shown.matches("CAUTION").count(), 6, "{shown}");
    assert!(
        shown.contains("\"four hundred\" is not a number"),
        "{shown}"
    );
    assert!(shown.contains("Ro from the negative rail"), "{shown}");
    assert_eq!(sheet.inserted.side, Side::Negative);
    assert!((sheet.meter.resistance_tolerance_percent - 5.0).abs() < 1e-12);
    assert!(led("1\n").0.is_err());
}

#[test]
fn a_wrong_reading_at_the_end_is_asked_for_again_and_nothing_else_is() {
    let (sheet, shown) = led(&format!("{ANSWERS}318\n400\n218.2\n400\n"));
    let right = led(&format!("{ANSWERS}218.2\n400\n")).0;
    assert!(shown.contains("a resistor cannot raise it"), "{shown}");
    assert_eq!(sheet.expect("a sheet"), right.expect("a sheet"));
    // V1 above Vb is told before Ro is put on. The mistake may be in Vb.
    let wrong = ANSWERS.replace("\n300\n100\n", "\n500\n100\n400\n300\n");
    let (sheet, shown) = led(&format!("{wrong}218.2\n400\n"));
    let told = shown.find("more than the pack voltage").expect("told");
    assert!(told < shown.find("Step 4").expect("a step"), "{shown}");
    assert_eq!(sheet.expect("a sheet").readings.negative_v, 300.0);
}

/// Both rails read (next to) nothing: R+ = r (Vb - V1 - V2)/V1, likewise R-
/// (two readings without Ro, textbook form, from memory, not verified; exact algebra).
#[test]
fn nothing_read_on_either_rail_bounds_both_by_the_meter() {
    let of = |v: f64| {
        let sheet = sheet(&LOADED, METER, 1.0, Side::Negative, [400.0, v, v, v, 400.0]);
        compute(&sheet).answer
    };
    // Up to two half-widths of 20 mV nothing is told from zero.
    for v in [0.0, 0.01, 0.02, 0.04] {
        let answer = of(v);
        assert!(answer.weakest.ohm.is_none() && answer.weakest.high_ohm.is_none());
        let most = v + METER.half_width(v);
        let at_least = 9.9e6 * (400.0 - METER.half_width(400.0) - 2.0 * most) / most;
        assert!(
            (answer.weakest.low_ohm / at_least - 1.0).abs() < 1e-12,
            "{v}"
        );
        assert!(
            (answer.parallel.low_ohm / at_least - 0.5).abs() < 1e-12,
            "{v}"
        );
    }
    // 3 GΩ on both rails reads 1.3 V each, and is not excluded at a reading below that.
    let read = Truth {
        rp: 3e9,
        rn: 3e9,
        ..LOADED
    }
    .read()
    .0;
    assert!(read > 1.0 && of(0.04).weakest.low_ohm > 3e9);
}

#[test]
fn zero_with_ro_is_no_leak_on_the_other_rail_and_zero_without_is_a_short() {
    // Ro pulls the chassis all the way: nothing holds against it.
    for with in [0.0, 0.01] {
        let volts = [400.0, 210.0, 190.0, with, 400.0];
        let of = compute(&sheet(&LOADED, METER, 1.0, Side::Negative, volts))
            .answer
            .weakest;
        assert!(of.high_ohm.is_none() && of.low_ohm > 1e9, "{with} {of:?}");
    }
    // All of Vb on one side, nothing on the other, and Ro moves nothing.
    let volts = [400.0, 400.0, 0.0, 400.0, 400.0];
    let of = compute(&sheet(&LOADED, METER, 1.0, Side::Negative, volts))
        .answer
        .weakest;
    assert!(
        of.low_ohm == 0.0 && of.high_ohm.is_some_and(|high| high < 10e3),
        "{of:?}"
    );
}

#[test]
fn two_meters_that_read_nothing_are_not_connected() {
    let two = |pack: f64, v: f64, meter: Meter| {
        let inserted = Inserted {
            resistance_ohm: 200e3,
            tolerance_percent: 1.0,
            side: Side::Negative,
        };
        let readings = Readings {
            pack_v: pack,
            negative_v: v,
            positive_v: v,
            with_inserted_v: v,
            pack_with_inserted_v: None,
        };
        Sheet::new(Wiring::TwoMeters, pack, meter, inserted, readings)
    };
    for v in [0.0, 0.01, 190.0] {
        let fault = two(400.0, v, METER).expect_err("no circuit");
        assert_eq!(fault.path, "readings.negative_V");
        assert!(
            fault.problem.contains("two meters share"),
            "{}",
            fault.problem
        );
    }
    // A pack that the meter cannot read: nothing is claimed.
    let coarse = Meter {
        resolution_v: 1.0,
        ..METER
    };
    let of = compute(&two(2.0, 0.0, coarse).expect("a sheet"))
        .answer
        .weakest;
    assert!(
        of.ohm.is_none() && of.low_ohm == 0.0 && of.high_ohm.is_none(),
        "{of:?}"
    );
}
