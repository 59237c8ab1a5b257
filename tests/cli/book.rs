//! The book: every command in it is run, and the output shown is its output.
//!
//! A block `console` holds `$ ` lines, commands, each with the output that
//! follows; `...` stands for any lines, or for the rest of one. A block
//! `file NAME` is written into the folder in which the chapter's commands run.
//!
//! `OHMSPLIT_BLESS=1 cargo test -p ohmsplit-host --test cli book` writes what
//! is printed into the chapters, where what they show does not hold.

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

/// Runs one command; what is to be shown for it, which is `shown` when that holds.
fn run(bench: &Bench, command: &str, shown: &[&str]) -> Vec<String> {
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
    assert!(commands >= 19, "only {commands} commands found");
}

#[test]
fn dots_stand_for_any_lines_and_nothing_else_does() {
    assert!(matches(&["a", "...", "d"], &["a", "b", "c", "d"]));
    assert!(matches(&["a..."], &["abc"]));
    assert!(!matches(&["a"], &["b"]));
    assert!(!matches(&["a"], &["a", "b"]));
    assert!(!matches(&["...", "d"], &["a"]));
}
