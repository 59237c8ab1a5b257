//! `completions` and `man` name every command.

use std::process::{Command, Output};

use super::Bench;

/// Runs another program in the bench's folder; none when it is not installed.
fn other(bench: &Bench, program: &str, arguments: &[&str]) -> Option<Output> {
    let ran = Command::new(program)
        .args(arguments)
        .current_dir(bench.path("."))
        .output();
    match ran {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
            eprintln!("skipped: no {program} here");
            None
        }
        ran => Some(ran.expect("it starts")),
    }
}

#[test]
fn completion_scripts_and_the_manual_know_every_command() {
    let bench = Bench::new();
    for arguments in [
        &["completions", "bash"][..],
        &["completions", "zsh"],
        &["completions", "fish"],
        &["man"],
    ] {
        let run = bench.run(arguments);
        assert_eq!(run.code, Some(0), "{}", run.err);
        // roff writes a hyphen with a backslash.
        let text = run.out.replace("\\-", "-");
        for command in [
            "simulate", "replay", "bound", "campaign", "in-situ", "formats",
        ] {
            assert!(text.contains(command), "{command} in {arguments:?}");
        }
    }
    let run = bench.run(&["man", "--out", "."]);
    assert_eq!(run.code, Some(0), "{}", run.err);
    let pages = bench.files();
    for page in [
        "ohmsplit.1",
        "ohmsplit-in-situ.1",
        "ohmsplit-campaign-efficiency.1",
    ] {
        assert!(pages.iter().any(|name| name == page), "{pages:?}");
    }
    assert_eq!(bench.run(&["man", "--out", "missing"]).code, Some(2));
}

/// The script in the shell that it is for: loaded, registered, and it completes.
#[test]
fn bash_loads_the_script_and_completes_with_it() {
    let bench = Bench::new();
    let program = env!("CARGO_BIN_EXE_ohmsplit");
    let script = format!(
        "set -eu; source <('{program}' completions bash); complete -p ohmsplit; set +eu; \
         COMP_WORDS=(ohmsplit in-situ --monitor-f); COMP_CWORD=2; \
         _ohmsplit ohmsplit --monitor-f in-situ; echo \"${{COMPREPLY[@]}}\""
    );
    let Some(ran) = other(&bench, "bash", &["--norc", "-c", &script]) else {
        return;
    };
    let out = String::from_utf8_lossy(&ran.stdout);
    let err = String::from_utf8_lossy(&ran.stderr);
    assert!(ran.status.success() && err.is_empty(), "{out}{err}");
    let lines: Vec<&str> = out.lines().collect();
    assert!(lines[0].ends_with(" -F _ohmsplit ohmsplit"), "{out}");
    assert_eq!(lines[1], "--monitor-figure", "{out}");
}

#[test]
fn every_manual_page_is_set_without_a_warning() {
    let bench = Bench::new();
    assert_eq!(bench.run(&["man", "--out", "."]).code, Some(0));
    for page in bench.files() {
        let arguments = ["-man", "-ww", "-z", "-K", "utf8", "-T", "utf8", &page];
        let Some(ran) = other(&bench, "groff", &arguments) else {
            return;
        };
        let told = String::from_utf8_lossy(&ran.stderr);
        assert!(ran.status.success() && told.is_empty(), "{page}: {told}");
    }
}
