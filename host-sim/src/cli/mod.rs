//! The command line: arguments in, exit code out. No formula lives here.

mod args;
mod bound;
mod campaign;
mod demo;
mod design;
mod evidence;
mod files;
mod fleet;
mod formats;
mod insitu;
mod journal;
mod live;
mod regress;
mod replay;
mod shell;
mod show;
mod simulate;

use std::process::ExitCode;

use clap::Parser;
use ohmsplit::Verdict;

use crate::error::{Cause, HostError};
use crate::interrupt;
use args::{Args, Command};

/// What a run came to; each has its own exit code.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum End {
    /// Nothing is judged, or all that was expected was found.
    Done,
    /// The verdict at the end.
    Judged(Verdict),
    /// Something else was found than expected.
    Differs,
    /// All was done but for files that cannot be used.
    SomeUnusable,
    /// Ctrl-C, and what is done is kept.
    Stopped,
}

impl End {
    const fn code(self) -> u8 {
        match self {
            Self::Done | Self::Judged(Verdict::Healthy) => 0,
            Self::Judged(Verdict::Warning) => 10,
            Self::Judged(Verdict::Alarm) => 20,
            Self::Judged(Verdict::Undetermined(_)) => 30,
            Self::Differs => 40,
            Self::SomeUnusable => 2,
            Self::Stopped => interrupt::EXIT_CODE,
        }
    }
}

/// Runs the program on its arguments.
#[must_use]
pub fn main() -> ExitCode {
    // Wrong usage ends in clap, with exit code 2.
    let args = Args::parse();
    let end = interrupt::listen().and_then(|()| match args.command {
        None => demo::run(),
        Some(Command::Simulate(args)) => simulate::run(&args),
        Some(Command::Replay(args)) => replay::run(&args),
        Some(Command::Live(args)) => live::run(&args),
        Some(Command::Bound(args)) => bound::run(&args),
        Some(Command::Campaign(args)) => campaign::run(&args),
        Some(Command::Evidence(args)) => evidence::run(&args),
        Some(Command::Journal(args)) => journal::run(&args),
        Some(Command::Design(args)) => design::run(&args),
        Some(Command::InSitu(args)) => insitu::run(&args),
        Some(Command::Regress(args)) => regress::run(&args),
        Some(Command::Fleet(args)) => fleet::run(&args),
        Some(Command::Formats) => formats::run(),
        Some(Command::Completions(args)) => shell::completions(&args),
        Some(Command::Man(args)) => shell::man(&args),
    });
    match end {
        Ok(end) => ExitCode::from(end.code()),
        Err(error) => {
            show::note(format_args!("error: {error}"));
            ExitCode::from(failure(&error))
        }
    }
}

/// The exit code of an error.
fn failure(error: &HostError) -> u8 {
    match error.cause {
        Cause::Input => 2,
        Cause::System => 1,
    }
}
