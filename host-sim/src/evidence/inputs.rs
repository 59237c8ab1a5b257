//! What a report was made from and by: files with their hashes, versions, the command.

use std::fmt::Write as _;
use std::fs::File;
use std::io::Read;
use std::path::Path;

use sha2::{Digest, Sha256};

use crate::error::HostError;

/// A file that was read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Input {
    /// What it is: capture, network, scenario, expected results.
    pub role: &'static str,
    /// Its name as the user gave it.
    pub name: String,
    /// Its length.
    pub bytes: u64,
    /// SHA-256 in hexadecimal (FIPS 180-4).
    pub sha256: String,
}

impl Input {
    /// Reads a file through and hashes it.
    ///
    /// # Errors
    /// When it cannot be read.
    pub fn of(role: &'static str, path: &Path) -> Result<Self, HostError> {
        let name = path.display().to_string();
        let failed = |error: std::io::Error| HostError::system(&*name, "cannot read", &error);
        let mut file = File::open(path).map_err(failed)?;
        let mut digest = Sha256::new();
        let mut bytes = 0;
        let mut piece = vec![0; 1 << 16];
        loop {
            let count = file.read(&mut piece).map_err(failed)?;
            if count == 0 {
                break;
            }
            bytes += count as u64;
            digest.update(&piece[..count]);
        }
        let mut sha256 = String::with_capacity(64);
        for byte in digest.finalize() {
            // Writing to a string cannot fail.
            let _ = write!(sha256, "{byte:02x}");
        }
        Ok(Self {
            role,
            name,
            bytes,
            sha256,
        })
    }
}

/// Version of this program.
pub(super) const VERSION: &str = env!("CARGO_PKG_VERSION");
/// The commit it was built from, when whoever built it said so.
pub(super) const COMMIT: Option<&str> = option_env!("OHMSPLIT_COMMIT");

/// Where a report comes from.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Provenance {
    /// The files that were read.
    pub inputs: Vec<Input>,
    /// The command that makes the report again.
    pub command: String,
    /// All random draws of a simulation follow from it; none for a capture.
    pub seed: Option<u64>,
    /// As the user gave it; the clock is never read.
    pub date: Option<String>,
}

/// A command line that a POSIX shell takes apart into these words again.
#[must_use]
pub fn command_line(words: &[String]) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || "-_./=+:,@%".contains(c);
    let quoted = |word: &String| {
        if !word.is_empty() && word.chars().all(plain) {
            word.clone()
        } else {
            format!("'{}'", word.replace('\'', "'\\''"))
        }
    };
    words.iter().map(quoted).collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_hash_is_that_of_the_standards_example() {
        // FIPS 180-4, SHA-256 of "abc" (from memory, not verified; `sha256sum` agrees).
        let file = tempfile::NamedTempFile::new().expect("a file");
        std::fs::write(file.path(), "abc").expect("write");
        let input = Input::of("capture", file.path()).expect("readable");
        assert_eq!(
            (input.bytes, &*input.sha256),
            (
                3,
                "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
            )
        );
    }

    #[test]
    fn a_shell_takes_a_command_line_apart_again() {
        let words = ["ohmsplit", "a b.csv", "it's", "$(x)", ""].map(str::to_owned);
        let line = command_line(&words);
        let shell = std::process::Command::new("sh")
            .args(["-c", &format!("printf '%s|' {line}")])
            .output()
            .expect("a shell");
        assert_eq!(
            String::from_utf8_lossy(&shell.stdout),
            "ohmsplit|a b.csv|it's|$(x)||"
        );
    }
}
