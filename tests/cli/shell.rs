//! `completions` and `man` name every command.

use super::Bench;

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
