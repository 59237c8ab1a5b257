//! What comes from the system: Ctrl-C in the middle, a full disk, a standard error that nobody reads.

use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use super::bad_input::LEAK;
use super::{Bench, Run, fixture, interrupt, text_of};

/// Sends Ctrl-C once the program has begun to write; what it printed and how it ended.
#[cfg(unix)]
fn interrupted(
    bench: &Bench,
    begun: impl Fn() -> bool,
    arguments: &[&str],
) -> (Option<i32>, String) {
    let mut child = Command::new(env!("CARGO_BIN_EXE_ohmsplit"))
        .args(arguments)
        .current_dir(bench.folder.path())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    let late = Instant::now() + Duration::from_secs(600);
    while !begun() {
        if Instant::now() > late {
            let _ = child.kill();
            panic!("{arguments:?} does not begin");
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    interrupt(&child);
    let output = child.wait_with_output().expect("the end");
    let printed = String::from_utf8_lossy(&output.stderr).into_owned();
    (output.status.code(), printed)
}

#[cfg(unix)]
#[test]
fn ctrl_c_in_the_middle_leaves_nothing_half_written() {
    let scenario = text_of("scenarios/city-drive.toml");
    let long = scenario.lines().map(|line| {
        if line.starts_with("duration_s") {
            "duration_s = 100000.0"
        } else {
            line
        }
    });
    for capture in ["run.csv.gz", "run.parquet"] {
        let bench = Bench::new();
        bench.write("s.toml", long.clone().collect::<Vec<_>>().join("\n"));
        bench.write(capture, "an older one\n");
        let begun = || {
            bench
                .files()
                .iter()
                .any(|name| name.starts_with(".ohmsplit-"))
        };
        let (code, _) = interrupted(&bench, begun, &["simulate", "s.toml", "--capture", capture]);
        assert_eq!(code, Some(130));
        assert_eq!(bench.files(), [capture, "s.toml"]);
        let kept = std::fs::read_to_string(bench.path(capture)).expect("kept");
        assert_eq!(kept, "an older one\n");
    }
}

/// A campaign keeps whole rows and says how to go on.
#[cfg(unix)]
#[test]
fn ctrl_c_in_a_campaign_keeps_what_is_done() {
    let bench = Bench::new();
    let scenario = fixture("scenarios/parked-car-connector-gets-wet.toml");
    bench.write("p.toml", format!(
        "format = \"ohmsplit-plan-1\"\nname = \"p\"\nscenario = \"{scenario}\"\ntrials = 100000\nseed = 1\n[set]\nduration_s = 2.0\n"
    ));
    let table = bench.path("out/trials.csv");
    let rows = || std::fs::read_to_string(&table).unwrap_or_default();
    let arguments = ["campaign", "sweep", "p.toml", "--out", "out"];
    let (code, printed) = interrupted(&bench, || rows().lines().count() > 3, &arguments);
    assert_eq!(code, Some(130), "{printed}");
    assert!(
        printed.contains("stopped before the end") && printed.contains("--resume"),
        "{printed}"
    );
    assert!(rows().ends_with('\n'));
}

/// Nobody may read standard error: the work is done all the same.
#[cfg(target_os = "linux")]
#[test]
fn standard_error_that_cannot_be_written_changes_no_exit_code() {
    let capture = fixture(&format!("captures/{LEAK}.csv"));
    let bench = Bench::new();
    for (arguments, code) in [
        (&["evidence", &*capture, "--out", "r.html"][..], 0),
        (&["replay", "none.csv"], 2),
    ] {
        let full = std::fs::OpenOptions::new().write(true).open("/dev/full");
        let status = Command::new(env!("CARGO_BIN_EXE_ohmsplit"))
            .args(arguments)
            .current_dir(bench.folder.path())
            .stdout(Stdio::null())
            .stderr(full.expect("device"))
            .status()
            .expect("the program starts");
        assert_eq!(status.code(), Some(code), "{arguments:?}");
    }
    assert_eq!(bench.files(), ["r.html"]);
}

/// A full disk is no fault of the input: exit code 1.
#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_has_its_own_exit_code() {
    let full = std::fs::OpenOptions::new()
        .write(true)
        .open("/dev/full")
        .expect("device");
    let output = Command::new(env!("CARGO_BIN_EXE_ohmsplit"))
        .arg("formats")
        .stdout(full)
        .output()
        .expect("the program starts");
    let run = Run::of(&output);
    assert_eq!(run.code, Some(1), "{}", run.err);
    assert!(run.err.starts_with("error: standard output"), "{}", run.err);
}
