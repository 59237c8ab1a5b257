//! The evidence report: what is in it, that it needs nothing else, that it repeats.

use std::path::PathBuf;
use std::process::Command;

use super::{Bench, Run, fixture};

const CAPTURE: &str = "captures/switched-600v-12bit.csv.gz";
const EXPECTED: &str = "expected/switched-600v-12bit.toml";

/// Runs `evidence` on a fixture and reads the report.
fn report(subject: &str, more: &[&str]) -> (Run, String) {
    let bench = Bench::new();
    let run = bench.run(
        &[
            &["evidence", &fixture(subject), "--out", "report.html"],
            more,
        ]
        .concat(),
    );
    let text = std::fs::read_to_string(bench.path("report.html"));
    let text = text.unwrap_or_else(|error| panic!("{subject}: {error}: {}", run.err));
    assert_eq!(bench.files(), ["report.html"], "nothing else is written");
    (run, text)
}

/// What stands between two pieces of text.
fn between<'t>(text: &'t str, start: &str, end: &str) -> &'t str {
    let (_, rest) = text.split_once(start).expect(start);
    rest.split_once(end).expect(end).0
}

#[test]
fn the_exit_code_is_that_of_a_replay() {
    for (subject, code) in [
        ("captures/source-400v-1m-inside.csv", 0),
        ("captures/switched-800v-both-rails.csv.gz", 10),
        ("captures/source-400v-short-positive.csv", 20),
        ("captures/source-400v-unsettled-half.csv.gz", 30),
    ] {
        let (run, _) = report(subject, &[]);
        assert_eq!(run.code, Some(code), "{subject}: {}", run.err);
    }
}

#[test]
fn the_verdict_comes_first_and_every_section_is_there() {
    let (_, text) = report(CAPTURE, &[]);
    let order = [
        "id=\"verdict\"",
        "class=\"cautions\"",
        "id=\"estimates\"",
        "id=\"network\"",
        "id=\"timeline\"",
        "id=\"settling\"",
        "id=\"findings\"",
        "id=\"budget\"",
        "id=\"limits\"",
        "id=\"origin\"",
    ];
    let places: Vec<usize> = order
        .iter()
        .map(|part| text.find(part).expect(part))
        .collect();
    assert!(places.is_sorted(), "{places:?}");
    assert!(between(&text, "id=\"verdict-word\">", "<").contains("warning"));
}

#[test]
fn figures_stand_beside_the_truth_of_the_netlist() {
    // 500 kohm to P, 200 kohm to N, 2.2 µF: the resistors of the netlist that ngspice ran.
    let expected = fixture(EXPECTED);
    let (run, text) = report(CAPTURE, &["--expect", &expected]);
    assert_eq!(run.code, Some(0), "{}", run.err);
    let table = between(&text, "id=\"estimates\"", "</section>");
    for words in [
        "142.9 kΩ",
        "500.0 kΩ",
        "200.0 kΩ",
        "2.2000",
        "0.2857",
        "netlist resistors",
        "yes",
    ] {
        assert!(table.contains(words), "{words}: {table}");
    }
    assert!(!table.contains("missed"), "{table}");
    // The truth is held against the interval, not the other way round.
    let bench = Bench::new();
    let other = std::fs::read_to_string(&expected).expect("expected");
    let other = other.replace("positive_ohm = 500000.0", "positive_ohm = 400000.0");
    let other = bench.write(
        "other.toml",
        other.replace("isolation_ohm = 14", "isolation_ohm = 15"),
    );
    let (run, text) = report(CAPTURE, &["--expect", other.to_str().expect("UTF-8")]);
    assert_eq!(run.code, Some(40), "{}", run.err);
    assert_eq!(
        between(&text, "id=\"estimates\"", "</section>")
            .matches("no: missed")
            .count(),
        2
    );
}

#[test]
fn the_same_input_gives_the_same_bytes_and_another_seed_others() {
    let scenario = "scenarios/cheap-parts.toml";
    let (_, first) = report(scenario, &["--seed", "5"]);
    let (_, again) = report(scenario, &["--seed", "5"]);
    let (_, other) = report(scenario, &["--seed", "6"]);
    assert!(first == again, "the report does not repeat");
    assert!(first.contains("<dd>5: all random draws") && first != other);
}

#[test]
fn the_command_in_the_report_makes_it_again() {
    let bench = Bench::new();
    // A name that a shell would take apart.
    let capture = std::fs::read(fixture("captures/source-400v-1m-inside.csv")).expect("capture");
    bench.write("bench's run $1.csv", capture);
    let network = fixture("captures/source-400v-1m-inside.toml");
    let run = bench.run(&[
        "evidence",
        "bench's run $1.csv",
        "--network",
        &network,
        "--date",
        "26 November, afternoon",
        "--out",
        "report.html",
    ]);
    assert_eq!(run.code, Some(0), "{}", run.err);
    let first = std::fs::read_to_string(bench.path("report.html")).expect("report");
    let command = between(&first, "<code class=\"block\">", "</code>");
    let command = command.replace("&quot;", "\"").replace("&amp;", "&");
    std::fs::remove_file(bench.path("report.html")).expect("remove");
    let program = PathBuf::from(env!("CARGO_BIN_EXE_ohmsplit"));
    let path = program.parent().expect("folder").display().to_string();
    let shell = Command::new("sh")
        .args(["-c", &command])
        .current_dir(bench.folder.path())
        .env(
            "PATH",
            format!("{path}:{}", std::env::var("PATH").expect("PATH")),
        )
        .status()
        .expect("a shell");
    assert!(shell.success(), "{command}");
    let again = std::fs::read_to_string(bench.path("report.html")).expect("report");
    assert!(first == again && first.contains("26 November, afternoon"));
}

#[test]
fn hashes_are_those_of_the_systems_own_tool() {
    // GNU coreutils, sha256sum.
    let (_, text) = report(CAPTURE, &["--expect", &fixture(EXPECTED)]);
    for name in [CAPTURE, "captures/switched-600v-12bit.toml", EXPECTED] {
        let output = Command::new("sha256sum")
            .arg(fixture(name))
            .output()
            .expect("sha256sum");
        let hash = String::from_utf8(output.stdout).expect("UTF-8");
        let hash = hash.split_whitespace().next().expect("a hash");
        assert!(text.contains(hash), "{name}: {hash}");
    }
}

#[test]
fn nothing_outside_the_file_is_referred_to() {
    let (_, text) = report("scenarios/parked-car-connector-gets-wet.toml", &[]);
    for forbidden in [
        "src=", "<link", "@import", "<base", "<iframe", "<object", "<embed", "fetch(", "XMLHttp",
        "//fonts", "poster=",
    ] {
        assert!(!text.contains(forbidden), "{forbidden}");
    }
    // The name space of SVG is a name, not an address.
    let addresses = text.matches("://").count();
    assert_eq!(
        addresses,
        text.matches("http://www.w3.org/2000/svg").count()
    );
    for (place, _) in text.match_indices("url(") {
        assert!(
            text[place..].starts_with("url(#"),
            "{}",
            &text[place..place + 40]
        );
    }
    for (place, _) in text.match_indices("href=\"") {
        assert!(
            text[place..].starts_with("href=\"#"),
            "{}",
            &text[place..place + 40]
        );
    }
    assert!(text.contains("default-src 'none'"));
}

#[test]
fn tables_and_drawings_can_be_read_without_seeing_them() {
    for subject in [
        CAPTURE,
        "scenarios/storage-rack-leak-at-mid-stack.toml",
        "captures/source-400v-open.csv",
    ] {
        let (_, text) = report(subject, &[]);
        assert!(text.contains("<html lang=\"en\">") && text.matches("<h1>").count() == 1);
        for table in text.split("<table>").skip(1) {
            let table = table.split("</table>").next().expect("an end");
            assert!(
                table.contains("scope=\"col\"") && table.contains("scope=\"row\""),
                "{table}"
            );
        }
        let drawings: Vec<&str> = text.split("<svg ").skip(1).collect();
        assert!(drawings.len() >= 6);
        for svg in drawings {
            let head = svg.split('>').next().expect("a tag");
            // Panels lie within a drawing that has a title.
            let panel = head.starts_with("width=\"808\"");
            let named =
                head.contains("role=\"img\"") && svg.contains("<title") && svg.contains("<desc");
            assert!(named || head.contains("aria-hidden") || panel, "{head}");
        }
        // Every name that something refers to is there.
        for list in text.split("aria-labelledby=\"").skip(1) {
            for id in list.split('"').next().expect("an end").split(' ') {
                assert!(text.contains(&format!("id=\"{id}\"")), "{id}");
            }
        }
    }
}

#[test]
fn hostile_names_are_shown_and_do_nothing() {
    const HOSTILE: &str =
        "</title></style><script>alert(1)</script><img src=x onerror=alert(2)> & \"'";
    let bench = Bench::new();
    let capture = std::fs::read(fixture("captures/source-400v-1m-inside.csv")).expect("capture");
    bench.write("a<b>&.csv", capture);
    let network =
        std::fs::read_to_string(fixture("captures/source-400v-1m-inside.toml")).expect("network");
    let network = network
        .lines()
        .filter(|line| !line.starts_with("name") && !line.starts_with("description"))
        .map(|line| format!("{line}\n"))
        .collect::<String>();
    let named = format!("name = '''{HOSTILE}'''\ndescription = '''{HOSTILE}'''\n{network}");
    bench.write("a<b>&.toml", named);
    let run = bench.run(&[
        "evidence",
        "a<b>&.csv",
        "--date",
        HOSTILE,
        "--out",
        "report.html",
    ]);
    assert_eq!(run.code, Some(0), "{}", run.err);
    let text = std::fs::read_to_string(bench.path("report.html")).expect("report");
    assert_eq!(text.matches("<script").count(), 1, "only the report's own");
    assert_eq!(text.matches("</style").count(), 1);
    assert_eq!(text.matches("<img").count(), 0);
    assert_eq!(
        text.matches("</title>").count() - text.matches("<title").count(),
        0
    );
    // Title, heading, description, command and date show it as it is.
    assert!(
        text.matches("&lt;script&gt;alert(1)&lt;/script&gt;")
            .count()
            >= 5
    );
    assert!(text.contains("a&lt;b&gt;&amp;.csv"));
}

#[test]
fn a_long_run_makes_no_larger_a_page() {
    let bench = Bench::new();
    let text = std::fs::read_to_string(fixture("scenarios/city-drive.toml")).expect("scenario");
    let (head, rest) = text.split_once("duration_s = ").expect("a duration");
    let (_, rest) = rest.split_once('\n').expect("a line");
    let size = |duration: &str| {
        bench.write(
            "long.toml",
            format!("{head}duration_s = {duration}\n{rest}"),
        );
        bench.run(&["evidence", "long.toml", "--out", "long.html"]);
        let text = std::fs::read_to_string(bench.path("long.html")).expect("report");
        assert!(
            text.contains("the lowest and highest of every"),
            "it says what is left out"
        );
        text.len()
    };
    let (short, long) = (size("40.0"), size("400.0"));
    assert!(short < 1_000_000 && long < 1_000_000, "{short} {long}");
}

#[test]
fn what_cannot_be_used_is_refused_and_leaves_what_was_there() {
    let bench = Bench::new();
    let scenario = fixture("scenarios/cheap-parts.toml");
    let capture = fixture("captures/source-400v-1m-inside.csv");
    let network = fixture("captures/source-400v-1m-inside.toml");
    let cut = std::fs::read_to_string(&capture).expect("capture");
    bench.write("cut.csv", cut.replacen(",raise,", ",up,", 1));
    bench.write("report.html", "what was there");
    for (arguments, words) in [
        (&["evidence", &*network][..], "name the capture"),
        (&["evidence", &scenario, "--network", &network], "--network"),
        (&["evidence", &scenario, "--expect", &network], "--expect"),
        (&["evidence", &capture, "--seed", "3"], "--seed"),
        (
            &["evidence", "cut.csv", "--network", &network],
            "cut.csv, line",
        ),
        (&["evidence", "nowhere.csv"], "nowhere.csv"),
    ] {
        let run = bench.run(&[arguments, &["--out", "report.html"]].concat());
        assert!(
            matches!(run.code, Some(1 | 2)),
            "{arguments:?}: {}",
            run.err
        );
        assert!(run.err.contains(words), "{arguments:?}: {}", run.err);
        assert_eq!(bench.files(), ["cut.csv", "report.html"]);
        let there = std::fs::read_to_string(bench.path("report.html")).expect("file");
        assert_eq!(there, "what was there", "{arguments:?}");
    }
    // Over its own input.
    let run = bench.run(&[
        "evidence",
        "cut.csv",
        "--network",
        &network,
        "--out",
        "cut.csv",
    ]);
    assert_eq!(run.code, Some(2), "{}", run.err);
}
