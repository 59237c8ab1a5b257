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
    // The capture itself, with its network beside it, gives the same figure.
    let capture = fixture("captures/source-400v-1m-inside.csv");
    let replayed = bench.run(&["in-situ", "s.toml", "--monitor", &capture]);
    assert_eq!((replayed.code, replayed.out), (run.code, run.out));
    bench.write("none.jsonl", "{}\n");
    refused(
        &bench.run(&["in-situ", "s.toml", "--monitor", "none.jsonl"]),
        &["none.jsonl", "weakest_ohm", "replay CAPTURE --show lines"],
    );
}

#[test]
fn a_monitor_that_ends_without_a_figure_is_told_and_not_compared() {
    let bench = Bench::new();
    bench.write(
        "s.toml",
        sheet([400.0, 300.0, 100.0, 218.1818], 400.0, 200e3, "negative"),
    );
    let figure = r#"{"record":"report","answer":"figure","weakest_ohm":1e5,"weakest_low_ohm":9e4,"weakest_high_ohm":1.1e5}"#;
    let refusal =
        r#"{"record":"final","answer":"refused","answer_reason":"saturated","weakest_ohm":null}"#;
    let cut = r#"{"record":"report","answer":"refused","answer_reason":"record_too_short","unfinished":true,"settled":false}"#;
    bench.write("refused.jsonl", format!("{figure}\n{refusal}\n"));
    let run = bench.run(&["in-situ", "s.toml", "--monitor", "refused.jsonl"]);
    assert_eq!(run.code, Some(30), "{}{}", run.out, run.err);
    assert!(
        run.out.contains("The monitor gives no figure: saturated"),
        "{}",
        run.out
    );
    assert!(!run.out.contains("Check and monitor"), "{}", run.out);
    // A dwell that only the end of the samples cut short is no refusal.
    bench.write("cut.jsonl", format!("{figure}\n{cut}\n"));
    let run = bench.run(&["in-situ", "s.toml", "--monitor", "cut.jsonl"]);
    assert!(run.out.contains("Check and monitor agree"), "{}", run.out);
    bench.write("half.jsonl", format!("{figure}\n{}", &refusal[..40]));
    refused(
        &bench.run(&["in-situ", "s.toml", "--monitor", "half.jsonl"]),
        &["half.jsonl, line 2", "not JSON"],
    );
    bench.write("report.html", "<!DOCTYPE html>\n");
    refused(
        &bench.run(&["in-situ", "s.toml", "--monitor", "report.html"]),
        &["report.html", "name the capture"],
    );
    // This capture's dwells never settle.
    let capture = fixture("captures/source-400v-unsettled-half.csv.gz");
    let run = bench.run(&["in-situ", "s.toml", "--monitor", &capture]);
    assert_eq!(run.code, Some(30), "{}{}", run.out, run.err);
    assert!(run.out.contains("gives no figure"), "{}", run.out);
}

const INSTRUMENTS: &str = "--working 400 --meter-ohm 1000G --accuracy-percent 0.01 --accuracy-digits 1 --resolution 0.001 --inserted-percent 0.1";
const READINGS: &str =
    "in-situ --pack 400 --negative 300 --positive 100 --inserted-ohm 200k --with-inserted 218.1818";

/// UN R100 Rev.2, REESS annex, 1.2.3.4, as options: the same as its sheet.
#[test]
fn readings_may_be_options() {
    let [instruments, readings] =
        [INSTRUMENTS, READINGS].map(|words| words.split(' ').collect::<Vec<_>>());
    let bench = Bench::new();
    let all = [&readings[..], &instruments, &["--save", "s.toml"]].concat();
    let run = bench.run(&all);
    let wanted = check(
        &sheet([400.0, 300.0, 100.0, 218.1818], 400.0, 200e3, "negative"),
        &[],
    );
    assert_eq!(
        (run.code, &run.out),
        (wanted.code, &wanted.out),
        "{}",
        run.err
    );
    assert_eq!(bench.run(&["in-situ", "s.toml"]).out, run.out);
    let change = |from: &str, to: &'static str| -> Vec<&str> {
        let all = [&readings[..], &instruments].concat();
        all.into_iter()
            .map(|word| if word == from { to } else { word })
            .collect()
    };
    refused(
        &bench.run(&change("218.1818", "318")),
        &["--with-inserted", "cannot raise it"],
    );
    refused(
        &bench.run(&change("300", "-300")),
        &["--negative", "out of range"],
    );
    // Wrong usage: the unit, some missing, a sheet besides.
    let both = [&all[..1], &["s.toml"], &all[1..]].concat();
    for (arguments, words) in [
        (change("200k", "200m"), "200k or 0.2M"),
        (readings.to_vec(), "--resolution <V>"),
        (both, "cannot be used with"),
    ] {
        let run = bench.run(&arguments);
        assert_eq!(run.code, Some(2), "{}", run.out);
        assert!(run.err.contains(words) && run.out.is_empty(), "{}", run.err);
    }
}

/// 49 CFR 571.305 S7.6.6 (from memory, not verified) takes V1 + V2 for Vb: with a
/// 10 Mohm meter that is moved, 2 and 3 Mohm read low by (V1 + V2)/Vb = 0.893.
#[test]
fn the_us_form_is_shown_beside_where_the_meter_makes_it_differ() {
    let moved = sheet(
        [400.0, 214.2857, 142.8571, 33.70787],
        400.0,
        200e3,
        "negative",
    )
    .replace("1000000000000.0", "10e6");
    let run = check(&moved, &[]);
    for words in [
        "weaker   2.000 MΩ",
        "49 CFR 571.305 S7.6.6 (from memory, not verified)   1.786 MΩ",
        "V1 + V2, 357.1 V",
        "the sum falls short",
    ] {
        assert!(run.out.contains(words), "{words}: {}{}", run.out, run.err);
    }
    let ideal = sheet([400.0, 300.0, 100.0, 218.1818], 400.0, 200e3, "negative");
    assert!(!check(&ideal, &[]).out.contains("S7.6.6"));
}

#[test]
fn the_sheet_that_the_formats_show_can_be_used() {
    let bench = Bench::new();
    let page = bench.run(&["formats"]).out;
    let sheet = page
        .split("```")
        .find(|block| block.contains("ohmsplit-in-situ-1"))
        .expect("a sheet on the page");
    bench.write("s.toml", sheet.trim_start_matches("toml"));
    let run = bench.run(&["in-situ", "s.toml"]);
    assert_eq!(run.code, Some(0), "{}{}", run.out, run.err);
    let help = bench.run(&["in-situ", "--help"]).out;
    assert!(help.contains("IEC 61557-8"), "{help}");
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
