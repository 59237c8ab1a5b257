//! The book: every command in it is run, and the output shown is its output.
//!
//! A block `console` holds `$ ` lines, commands, each with the output that
//! follows; `...` stands for any lines, or for the rest of one. A block
//! `file NAME` is written into the folder in which the chapter's commands run.

use std::path::Path;

use super::Bench;

/// Whether the lines are as shown.
fn matches(shown: &[&str], printed: &[&str]) -> bool {
    match shown.split_first() {
        None => printed.is_empty(),
        Some((&"...", rest)) => (0..=printed.len()).any(|skip| matches(rest, &printed[skip..])),
        Some((line, rest)) => printed.split_first().is_some_and(|(first, others)| {
            let same = match line.strip_suffix("...") {
                Some(start) => first.starts_with(start),
                None => first == line,
            };
            same && matches(rest, others)
        }),
    }
}

/// Runs one command with the output that is shown for it.
fn run(bench: &Bench, command: &str, shown: &[&str]) {
    let words: Vec<&str> = command.split_whitespace().collect();
    let (program, arguments) = words.split_first().expect("a command");
    assert_eq!(*program, "ohmsplit", "{command}");
    let run = bench.run(arguments);
    // 2 and 1: wrong usage, or the system refused.
    assert!(
        !matches!(run.code, Some(1 | 2) | None),
        "{command}: {}",
        run.err
    );
    let printed = format!("{}{}", run.out, run.err);
    let printed: Vec<&str> = printed.lines().collect();
    assert!(
        matches(shown, &printed),
        "{command} printed\n{}",
        printed.join("\n")
    );
}

/// Runs a chapter; says how many commands it has.
fn chapter(text: &str) -> usize {
    let bench = Bench::new();
    let fixtures = super::fixture("");
    std::os::unix::fs::symlink(fixtures, bench.path("hil-fixtures")).expect("a link");
    let mut commands = 0;
    // Every second part stands between fences.
    for block in text.split("```").skip(1).step_by(2) {
        let (kind, body) = block.split_once('\n').expect("a block");
        if let Some(name) = kind.strip_prefix("file ") {
            bench.write(name, body);
        }
        if kind != "console" {
            continue;
        }
        for command in body.split("$ ").skip(1) {
            let (command, shown) = command.split_once('\n').expect("a line");
            run(&bench, command, &shown.lines().collect::<Vec<_>>());
            commands += 1;
        }
    }
    commands
}

#[test]
fn every_command_in_the_book_prints_what_is_shown() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("book");
    let contents = std::fs::read_to_string(folder.join("README.md")).expect("contents");
    let mut commands = 0;
    for entry in std::fs::read_dir(&folder).expect("the book") {
        let path = entry.expect("entry").path();
        let name = path
            .file_name()
            .expect("a name")
            .to_string_lossy()
            .into_owned();
        assert!(
            name == "README.md" || contents.contains(&format!("({name})")),
            "{name} is not in the contents"
        );
        commands += chapter(&std::fs::read_to_string(&path).expect("a chapter"));
    }
    assert!(commands >= 7, "only {commands} commands found");
}

#[test]
fn dots_stand_for_any_lines_and_nothing_else_does() {
    assert!(matches(&["a", "...", "d"], &["a", "b", "c", "d"]));
    assert!(matches(&["a..."], &["abc"]));
    assert!(!matches(&["a"], &["b"]));
    assert!(!matches(&["a"], &["a", "b"]));
    assert!(!matches(&["...", "d"], &["a"]));
}
