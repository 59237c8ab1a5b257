//! The book: every command in it is run, and the output shown is its output.
//!
//! A block `console` holds `$ ` lines, commands for a shell, each with the output that
//! follows; `...` stands for any lines, or for the rest of one. A block
//! `file NAME` is written into the folder in which the chapter's commands run.
//!
//! What cannot be run here, for want of a serial line or of hours, stands in `sh` blocks; of
//! those, and of commands in the text, the arguments are tried.
//!
//! `OHMSPLIT_BLESS=1 cargo test -p ohmsplit-host --test cli book` writes what
//! is printed into the chapters, where what they show does not hold.

use std::path::Path;
use std::process::Command;

use super::{Bench, Run};

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

/// Runs a command as a reader would, in a shell that finds the program.
fn in_shell(bench: &Bench, command: &str) -> Run {
    let program = Path::new(env!("CARGO_BIN_EXE_ohmsplit"));
    let folder = program.parent().expect("a folder").display();
    let others = std::env::var("PATH").unwrap_or_default();
    let output = Command::new("sh")
        .args(["-c", command])
        .current_dir(bench.folder.path())
        .env("PATH", format!("{folder}:{others}"))
        .output()
        .expect("a shell");
    Run::of(&output)
}

/// Runs one command; what is to be shown for it, which is `shown` when that holds.
fn run(bench: &Bench, command: &str, shown: &[&str]) -> Vec<String> {
    let run = in_shell(bench, command);
    // 2 and 1: wrong usage, or the system refused. 126 and 127: there is no such program.
    assert!(
        !matches!(run.code, Some(1 | 2 | 126 | 127) | None),
        "{command}: {}",
        run.err
    );
    let printed = format!("{}{}", run.out, run.err);
    let printed: Vec<&str> = printed.lines().collect();
    let right = if matches(shown, &printed) {
        shown
    } else {
        println!("{command} printed\n{}", printed.join("\n"));
        &printed
    };
    right.iter().map(|line| (*line).to_owned()).collect()
}

/// Runs the commands of a console block; the block as it should be, and how many there are.
fn console(bench: &Bench, body: &str) -> (String, usize) {
    let lines: Vec<&str> = body.lines().collect();
    let mut right = String::new();
    let mut commands = 0;
    for part in lines.chunk_by(|_, next| !next.starts_with("$ ")) {
        let command = part[0].strip_prefix("$ ").expect("a command comes first");
        right += &format!("{}\n", part[0]);
        for line in run(bench, command, &part[1..]) {
            right += &format!("{line}\n");
        }
        commands += 1;
    }
    (right, commands)
}

/// Runs a chapter; the chapter as it should be, and how many commands it has.
fn chapter(text: &str) -> (String, usize) {
    let bench = Bench::new();
    let fixtures = super::fixture("");
    std::os::unix::fs::symlink(fixtures, bench.path("hil-fixtures")).expect("a link");
    let mut commands = 0;
    let mut parts: Vec<String> = text.split("```").map(ToOwned::to_owned).collect();
    // Every second part stands between fences.
    for block in parts.iter_mut().skip(1).step_by(2) {
        let (kind, body) = block.split_once('\n').expect("a block");
        if let Some(name) = kind.strip_prefix("file ") {
            bench.write(name, body);
        }
        if kind == "console" {
            let (right, count) = console(&bench, body);
            *block = format!("console\n{right}");
            commands += count;
        }
    }
    (parts.join("```"), commands)
}

#[test]
fn every_command_in_the_book_prints_what_is_shown() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("book");
    let contents = std::fs::read_to_string(folder.join("README.md")).expect("contents");
    let bless = std::env::var_os("OHMSPLIT_BLESS").is_some();
    let mut commands = 0;
    let mut wrong = Vec::new();
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
        let text = std::fs::read_to_string(&path).expect("a chapter");
        let (right, count) = chapter(&text);
        commands += count;
        if right != text {
            if bless {
                std::fs::write(&path, right).expect("write");
            } else {
                wrong.push(name);
            }
        }
    }
    assert!(
        wrong.is_empty(),
        "other output than shown in {wrong:?}; OHMSPLIT_BLESS=1 writes it"
    );
    assert!(commands >= 32, "only {commands} commands found");
}

/// Commands of a text that are shown and not run: of its `sh` blocks, and those in backticks.
fn commands_shown(text: &str) -> Vec<String> {
    let mut shown = Vec::new();
    for (place, part) in text.split("```").enumerate() {
        if place % 2 == 0 {
            let spans = part.split('`').skip(1).step_by(2);
            shown.extend(spans.map(str::to_owned));
        } else if let Some(body) = part.strip_prefix("sh\n") {
            let lines = body.lines().flat_map(|line| line.split(['|', ';', '#']));
            shown.extend(lines.map(str::to_owned));
        }
    }
    let first = |command: &String| {
        command
            .split(['>', '|'])
            .next()
            .unwrap_or_default()
            .trim()
            .to_owned()
    };
    let ours = |command: &String| command == "ohmsplit" || command.starts_with("ohmsplit ");
    shown.iter().map(first).filter(ours).collect()
}

/// Whether the program takes these arguments: asked for help behind them, it refuses what it does not know.
fn is_taken(bench: &Bench, command: &str) -> bool {
    let words: Vec<&str> = command.split_whitespace().skip(1).collect();
    let taken = |more: &[&str]| bench.run(&[&words[..], more].concat()).code == Some(0);
    // An option may be shown without its value.
    taken(&["--help"]) || taken(&["1", "--help"])
}

#[test]
fn every_command_that_is_only_shown_has_arguments_that_exist() {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    let chapters = std::fs::read_dir(here.join("book")).expect("the book");
    let chapters = chapters.map(|entry| entry.expect("entry").path());
    let readme = here.join("../README.md");
    let bench = Bench::new();
    let mut tried = 0;
    for path in chapters.chain([readme]) {
        let text = std::fs::read_to_string(&path).expect("a chapter");
        for command in commands_shown(&text) {
            assert!(is_taken(&bench, &command), "{}: {command}", path.display());
            tried += 1;
        }
    }
    assert!(tried >= 30, "only {tried} commands found");
    assert!(!is_taken(&bench, "ohmsplit replay RUN.csv --colour"));
    assert!(!is_taken(&bench, "ohmsplit measure"));
}

#[test]
fn dots_stand_for_any_lines_and_nothing_else_does() {
    assert!(matches(&["a", "...", "d"], &["a", "b", "c", "d"]));
    assert!(matches(&["a..."], &["abc"]));
    assert!(!matches(&["a"], &["b"]));
    assert!(!matches(&["a"], &["a", "b"]));
    assert!(!matches(&["...", "d"], &["a"]));
}
