//! `in-situ`: sheets from published check values to figures, limits, exit codes.

use super::bad_input::refused;
use super::{Bench, Run, fixture};

/// A sheet with an all but ideal meter.
fn sheet(readings: [f64; 4], working: f64, ro: f64, side: &str) -> String {
    let [pack, negative, positive, with] = readings;
    format!(
        "format = \"ohmsplit-in-situ-1\"\nwiring = \"one_meter_moved\"\nworking_voltage_V = {working:?}\n\
         [meter]\nresistance_ohm = 1e12\naccuracy_percent = 0.01\naccuracy_digits = 1.0\nresolution_V = 0.001\n\
         [inserted]\nresistance_ohm = {ro:?}\ntolerance_percent = 0.1\nside = \"{side}\"\n\
         [readings]\npack_V = {pack:?}\nnegative_V = {negative:?}\npositive_V = {positive:?}\nwith_inserted_V = {with:?}\n"
    )
}

fn check(sheet: &str, more: &[&str]) -> Run {
    let bench = Bench::new();
    bench.write("s.toml", sheet);
    bench.run(&[&["in-situ", "s.toml"], more].concat())
}

/// UN R100 Rev.2, REESS annex, 1.2.3.4: 400 V, 100 kΩ and 300 kΩ, Ro 200 kΩ;
/// the mirrored case; 49 CFR 571.305 S7.6 (from memory, not verified) at 800 V.
#[test]
fn the_published_formula_gives_the_weaker_rail() {
    for (readings, ro, side, shown, passes) in [
        (
            [400.0, 300.0, 100.0, 218.1818],
            200e3,
            "negative",
            "positive rail, weaker   100.0 kΩ",
            10,
        ),
        (
            [400.0, 100.0, 300.0, 218.1818],
            200e3,
            "positive",
            "negative rail, weaker   100.0 kΩ",
            10,
        ),
        (
            [800.0, 266.6667, 533.3333, 200.0],
            400e3,
            "positive",
            "negative rail, weaker   1.000 MΩ",
            0,
        ),
    ] {
        let run = check(&sheet(readings, readings[0], ro, side), &[]);
        assert_eq!(run.code, Some(passes), "{}{}", run.out, run.err);
        assert!(run.out.contains(shown), "{}", run.out);
        assert!(run.out.contains("Caution"), "{}", run.out);
        assert!(!run.out.contains("warning:"), "{}", run.out);
    }
}

/// 350 V, 35 kΩ and 70 kΩ: exactly 100 Ω/V, which no meter can tell from less.
#[test]
fn a_figure_on_the_limit_is_not_passed() {
    let run = check(
        &sheet([350.0, 233.3333, 116.6667, 140.0], 350.0, 35e3, "negative"),
        &[],
    );
    assert!(run.out.contains("35.00 kΩ: cannot tell"), "{}", run.out);
    assert!(run.out.contains("175.0 kΩ: not met"), "{}", run.out);
    assert_eq!(run.code, Some(20), "{}", run.out);
}

#[test]
fn the_monitor_is_held_against_the_check() {
    let readings = sheet([400.0, 300.0, 100.0, 218.1818], 400.0, 200e3, "negative");
    let agrees = check(
        &readings,
        &["--monitor-ohm", "104e3", "--monitor-percent", "5"],
    );
    assert_eq!(agrees.code, Some(10), "{}", agrees.out);
    assert!(
        agrees.out.contains("Check and monitor agree"),
        "{}",
        agrees.out
    );
    // 75 kΩ is both rails in parallel.
    let half = ["--monitor-ohm", "75e3", "--monitor-percent", "5"];
    let differs = check(&readings, &half);
    assert_eq!(differs.code, Some(40), "{}", differs.out);
    assert!(
        differs.out.contains("fits both rails in parallel"),
        "{}",
        differs.out
    );
    let named = [&half[..], &["--monitor-figure", "both-in-parallel"]].concat();
    assert_eq!(check(&readings, &named).code, Some(10));
}

#[test]
fn the_monitor_may_speak_in_json_lines() {
    let bench = Bench::new();
    // The capture's leak: 1 MΩ at three tenths of the stack; Rn = 1/0.7 MΩ is the weaker rail.
    let lines = bench.run(&[
        "replay",
        &fixture("captures/source-400v-1m-inside.csv"),
        "--show",
        "lines",
    ]);
    bench.write("monitor.jsonl", &lines.out);
    let (gp, gn, go) = (0.3e-6, 0.7e-6, 5e-6);
    let v1 = 400.0 * gp / (gp + gn);
    let with = 400.0 - 400.0 * (gp + go) / (gp + gn + go);
    bench.write(
        "s.toml",
        sheet([400.0, v1, 400.0 - v1, with], 400.0, 200e3, "positive"),
    );
    let run = bench.run(&["in-situ", "s.toml", "--monitor", "monitor.jsonl"]);
    assert!(
        run.out.contains("Check and monitor agree"),
        "{}{}",
        run.out,
        run.err
    );
    assert_eq!(run.code, Some(0), "{}", run.out);
    bench.write("none.jsonl", "{}\n");
    refused(
        &bench.run(&["in-situ", "s.toml", "--monitor", "none.jsonl"]),
        &["none.jsonl", "weakest_ohm", "replay CAPTURE --show lines"],
    );
}

#[test]
fn mistakes_at_the_sheet_are_told_with_field_and_cure() {
    let good = sheet([400.0, 300.0, 100.0, 218.1818], 400.0, 200e3, "negative");
    for (from, to, words) in [
        (
            "\"negative\"",
            "\"positive\"",
            ["inserted.side", "repeat the reading"],
        ),
        (
            "with_inserted_V = 218.1818",
            "with_inserted_V = 318.0",
            ["with_inserted_V", "cannot raise it"],
        ),
        (
            "pack_V = 400.0",
            "pack_V = 0.4",
            ["readings.pack_V", "check the unit"],
        ),
        ("pack_V = 400.0\n", "", ["pack_V", "missing field"]),
    ] {
        refused(&check(&good.replace(from, to), &[]), &words);
    }
    // No terminal and no sheet.
    refused(
        &Bench::new().run(&["in-situ"]),
        &["no terminal", "name a sheet"],
    );
}
