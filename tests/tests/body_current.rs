//! 100 and 500 Ω/V are body currents: 10 mA and 2 mA at any voltage.
//!
//! Limits: UN R100 5.1.3.1 (read). Origin of the ohms per volt, GTR 13/20 and
//! FMVSS 305 preambles: 10 mA d.c. lies inside zone DC-2 and 2 mA inside AC-2
//! of IEC 60479-1 (from memory, not verified).

use ohmsplit::Verdict;
use ohmsplit::config::{Judged, Limits};
use ohmsplit_tests::bench::{Bench, Lead, last};
use ohmsplit_tests::bounds::{ISOLATION, SEVEN_DIGITS};
use ohmsplit_tests::design::{Design, drives, volts};
use ohmsplit_tests::reference::formulas::{energy, monitor_test_window};
use ohmsplit_tests::reference::{Circuit, Leak};

/// Upper limit of zone DC-1 (slight pricking at make and break) in amperes;
/// IEC 60479-1 (from memory, not verified).
const DC_1: f64 = 2e-3;
/// Upper limit of zone DC-2 (line b) for long exposure, 25 to 30 mA, the lower
/// figure; IEC 60479-1 (from memory, not verified).
const DC_2: f64 = 25e-3;

#[test]
fn limits_are_the_published_resistances_and_currents() {
    // Exact products; PV: R >= Vmax/30 mA, IEC 62109-2 4.8.2.1 (from memory, not verified).
    for (pack, at_100, at_500, pv) in [
        (96.0, 9.6e3, 48e3, 3.2e3),
        (350.0, 35e3, 175e3, 11.667e3),
        (400.0, 40e3, 200e3, 13.333e3),
        (750.0, 75e3, 375e3, 25e3),
        (800.0, 80e3, 400e3, 26.667e3),
        (1000.0, 100e3, 500e3, 33.333e3),
        (1500.0, 150e3, 750e3, 50e3),
    ] {
        let limits = Limits::new(volts(pack), Judged::WeakestRail);
        for (ohm_per_volt, ohm, ampere) in [
            (limits.alarm_ohm_per_volt, at_100, 10e-3),
            (limits.warning_ohm_per_volt, at_500, 2e-3),
        ] {
            let limit = f64::from(ohm_per_volt) * pack;
            SEVEN_DIGITS.relative(limit, ohm, format!("{ohm_per_volt} Ω/V at {pack} V"));
            SEVEN_DIGITS.relative(pack / limit, ampere, "body current");
            assert!(pack / limit < DC_2 && pack / limit > 0.999 * DC_1);
        }
        assert!((pack / 30e-3 / pv - 1.0).abs() < 5e-5);
    }
}

#[test]
fn the_core_states_the_touch_current_through_the_weaker_rail() {
    for drive in drives() {
        for pack in [60.0, 400.0, 800.0, 1500.0] {
            for (ohm_per_volt, ampere) in [(100.0, 10e-3), (500.0, 2e-3)] {
                let rail = ohm_per_volt * pack;
                for leak in [
                    Leak::of_rails(rail, 3.0 * rail),
                    Leak::of_rails(2.0 * rail, rail),
                ] {
                    let circuit = Circuit::new(leak, 1e-8, drive);
                    let config = Design::new(drive, pack, 28).config();
                    let reports =
                        Bench::new(circuit, pack).run(&config, 500.0, 4.0, &Lead::alternating(1.0));
                    let (_, figures) = last(&reports).expect("an estimate");
                    ISOLATION.relative(figures.touch_current, ampere, format!("{drive:?} {pack}"));
                }
            }
        }
    }
}

#[test]
fn the_warning_comes_within_the_monitor_test_of_the_regulations() {
    // Windows of FMVSS 305 S8 (from memory, not verified; algebra exact).
    for (pack, ri, least, most) in [
        (400.0, 2e6, 38_735.98, 40_816.33),
        (800.0, 4e6, 77_471.97, 81_632.65),
        (350.0, 500e3, 35_618.64, 37_634.41),
    ] {
        let window = monitor_test_window(pack, ri);
        SEVEN_DIGITS.relative(window.0, least, "lower end");
        SEVEN_DIGITS.relative(window.1, most, "upper end");
        // Inside it, and with the total just above 100 Ω/V, where UN R100
        // Annex 6 (read) already demands the warning.
        let above = 1.0 / (1.0 / (101.0 * pack) - 1.0 / ri);
        for inserted in [least, (least + most) / 2.0, most, above] {
            let total = 1.0 / (1.0 / inserted + 1.0 / ri);
            let drive = drives()[0];
            let circuit = Circuit::new(Leak::of_rails(f64::INFINITY, total), 1e-7, drive);
            let config = Design::new(drive, pack, 16).config();
            let reports =
                Bench::new(circuit, pack).run(&config, 500.0, 8.0, &Lead::alternating(1.0));
            let verdict = reports.last().expect("a report").verdict;
            assert!(
                matches!(verdict, Verdict::Warning | Verdict::Alarm),
                "{inserted} Ω at {pack} V: {verdict:?}"
            );
            if total < 99.0 * pack {
                assert_eq!(verdict, Verdict::Alarm, "{inserted} Ω at {pack} V");
            }
        }
    }
}

#[test]
fn stored_energy_values() {
    // E = C·V²/2 (read). 0.2 J is the low-energy option of GTR 13/20 (from
    // memory, not verified).
    for (pack, farad) in [(400.0, 2.5e-6), (800.0, 0.625e-6), (1500.0, 0.177_777_8e-6)] {
        SEVEN_DIGITS.relative(energy(farad, pack), 0.2, format!("{pack} V"));
    }
    SEVEN_DIGITS.relative(energy(0.94e-6, 400.0), 0.0752, "0.94 µF at 400 V");
}
