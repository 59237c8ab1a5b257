//! The whole program, as a user or a script meets it.

mod bad_input;
mod book;
mod bound;
mod browser;
mod bulk;
mod campaign;
mod demo;
mod design;
mod evidence;
mod fleet;
mod in_situ;
mod journal;
mod live;
mod mistakes;
mod replay;
mod shell;
mod simulate;
mod system;

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// A folder for one test, and the program run in it.
struct Bench {
    folder: tempfile::TempDir,
}

impl Bench {
    fn new() -> Self {
        Self {
            folder: tempfile::tempdir().expect("a folder"),
        }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn write(&self, name: &str, content: impl AsRef<[u8]>) -> PathBuf {
        std::fs::write(self.path(name), content).expect("write");
        self.path(name)
    }

    /// Names of all files in the folder, hidden ones too.
    fn files(&self) -> Vec<String> {
        let mut names: Vec<String> = std::fs::read_dir(self.folder.path())
            .expect("folder")
            .map(|entry| {
                entry
                    .expect("entry")
                    .file_name()
                    .to_string_lossy()
                    .into_owned()
            })
            .collect();
        names.sort();
        names
    }

    fn run(&self, arguments: &[&str]) -> Run {
        let output = Command::new(env!("CARGO_BIN_EXE_ohmsplit"))
            .args(arguments)
            .current_dir(self.folder.path())
            // A backtrace after a user's error would show.
            .env("RUST_BACKTRACE", "1")
            .output()
            .expect("the program starts");
        Run::of(&output)
    }
}

/// What a run printed and how it ended.
struct Run {
    code: Option<i32>,
    out: String,
    err: String,
}

impl Run {
    fn of(output: &Output) -> Self {
        let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).expect("UTF-8");
        Self {
            code: output.status.code(),
            out: text(&output.stdout),
            err: text(&output.stderr),
        }
    }

    /// Every line of the output as a JSON object.
    fn objects(&self) -> Vec<serde_json::Value> {
        self.out
            .lines()
            .map(|line| serde_json::from_str(line).expect(line))
            .collect()
    }
}

/// Sends Ctrl-C. Every shell has `kill`; a program of that name is not on every machine.
#[cfg(unix)]
fn interrupt(child: &std::process::Child) {
    let kill = format!("kill -INT {}", child.id());
    let sent = Command::new("sh").args(["-c", &kill]).status();
    assert!(sent.expect("a shell").success());
}

fn fixture(name: &str) -> String {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../hil-fixtures")
        .join(name)
        .display()
        .to_string()
}

fn text_of(name: &str) -> String {
    std::fs::read_to_string(fixture(name)).expect("a fixture")
}
