//! `ohmsplit fleet`

use indicatif::{ProgressBar, ProgressStyle};

use super::End;
use super::args::FleetArgs;
use super::show::note;
use crate::error::HostError;
use crate::fleet::{FILES, Open, Plan};
use crate::interrupt;

pub(super) fn run(args: &FleetArgs) -> Result<End, HostError> {
    let plan = Plan {
        captures: args.captures.clone(),
        unit_column: args.unit_column.clone(),
        out: args.out.clone(),
        network: args.network.clone(),
        resume: args.resume,
        threads: args.threads,
    };
    let open = Open::new(&plan)?;
    stop_between_rows(&open);
    let bar = ProgressBar::new(0);
    if let Ok(style) = ProgressStyle::with_template("{pos} of {len} rows, {eta} left  {wide_bar}") {
        bar.set_style(style);
    }
    let failed = open.run(&plan, |progress| {
        bar.set_length(progress.all as u64);
        bar.set_position(progress.done as u64);
    })?;
    bar.finish_and_clear();
    for name in FILES {
        note(format_args!("written: {}", args.out.join(name).display()));
    }
    if failed > 0 {
        note(format_args!(
            "{failed} rows have no result; their column `error` says why"
        ));
        return Ok(End::SomeUnusable);
    }
    Ok(End::Done)
}

/// Ctrl-C ends the program when no row is being written.
fn stop_between_rows(open: &Open) {
    let open = open.clone();
    interrupt::instead(move || {
        open.while_quiet(|rows| {
            note(format_args!(
                "\nstopped after {rows} rows; the same command with --resume goes on"
            ));
            interrupt::end();
        });
    });
}
