//! The program without arguments, and its help.

use std::process::{Command, Stdio};

use super::Bench;

#[test]
fn without_arguments_a_demo_runs_in_any_folder_and_says_how_to_go_on() {
    let bench = Bench::new();
    let run = bench.run(&[]);
    assert_eq!(run.code, Some(0), "{}", run.err);
    for words in [
        "DEMO 1 of 2",
        "DEMO 2 of 2",
        // The netlist of the second has 300 kohm to P and 600 kohm to N.
        "200.0 kΩ",
        "ALARM: ",
        "WARNING: ",
        "Voltages of a battery can kill",
        "How to go on",
    ] {
        assert!(run.out.contains(words), "{words}: {}", run.out);
    }
    assert_eq!(run.err.trim(), "as expected");
    assert!(bench.files().is_empty());
}

#[test]
fn help_teaches_commands_examples_and_exit_codes() {
    let bench = Bench::new();
    let run = bench.run(&["--help"]);
    assert_eq!(run.code, Some(0));
    for words in [
        "simulate",
        "replay",
        "bound",
        "campaign",
        "formats",
        "Examples:",
        "Exit codes:",
        "can kill",
    ] {
        assert!(run.out.contains(words), "{words}");
    }
    for command in ["simulate", "replay", "bound", "campaign", "formats"] {
        assert_eq!(bench.run(&[command, "--help"]).code, Some(0));
    }
}

#[test]
fn formats_describes_every_file_on_one_page() {
    let run = Bench::new().run(&["formats"]);
    assert_eq!(run.code, Some(0));
    for words in [
        "chassis_code",
        "ohmsplit-network-1",
        "ohmsplit-scenario-1",
        "isolation_ohm",
    ] {
        assert!(run.out.contains(words), "{words}");
    }
}

#[test]
fn a_reader_who_has_seen_enough_is_no_error() {
    for arguments in [&["formats"][..], &[]] {
        let mut child = Command::new(env!("CARGO_BIN_EXE_ohmsplit"))
            .args(arguments)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program starts");
        drop(child.stdout.take());
        let output = child.wait_with_output().expect("it ends");
        assert_eq!(output.status.code(), Some(0));
        assert!(!String::from_utf8_lossy(&output.stderr).contains("panicked"));
    }
}
