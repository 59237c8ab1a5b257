//! `ohmsplit campaign`

use std::io::{IsTerminal, Write};
use std::num::NonZeroUsize;
use std::time::{Duration, Instant};

use super::End;
use super::args::{Campaign, CampaignArgs, EfficiencyArgs};
use crate::campaign::{self, Grid, Plan, SWIFT};
use crate::error::HostError;

pub(super) fn run(args: &CampaignArgs) -> Result<End, HostError> {
    match &args.campaign {
        Campaign::Efficiency(args) => efficiency(args),
    }
}

fn efficiency(args: &EfficiencyArgs) -> Result<End, HostError> {
    let grid = if args.quick { Grid::QUICK } else { Grid::FULL };
    let plan = Plan::new(grid, SWIFT, args.records, args.seed);
    let threads = args
        .threads
        .unwrap_or_else(|| std::thread::available_parallelism().unwrap_or(NonZeroUsize::MIN));
    let mut progress = Progress::new(plan.cells.len());
    campaign::run(&plan, &args.out, args.resume, threads, |begun, done| {
        progress.show(begun, done);
    })?;
    progress.end();
    for name in campaign::FILES {
        eprintln!("written: {}", args.out.join(name).display());
    }
    Ok(End::Done)
}

/// Tells how far a campaign is: one line that is written anew on a terminal,
/// now and then a new line elsewhere.
struct Progress {
    cells: usize,
    started: Instant,
    shown: Option<Instant>,
    terminal: bool,
}

impl Progress {
    fn new(cells: usize) -> Self {
        Self {
            cells,
            started: Instant::now(),
            shown: None,
            terminal: std::io::stderr().is_terminal(),
        }
    }

    fn show(&mut self, begun: usize, done: usize) {
        let pause = Duration::from_millis(if self.terminal { 500 } else { 20_000 });
        if self.shown.is_some_and(|shown| shown.elapsed() < pause) && done < self.cells {
            return;
        }
        self.shown = Some(Instant::now());
        let here = (done - begun) as f64;
        let left = self.started.elapsed().as_secs_f64() / here * (self.cells - done) as f64;
        let line = format!("{done} of {} cells, {} left", self.cells, minutes(left));
        let mut err = std::io::stderr();
        // Progress that cannot be shown is no reason to stop.
        let _ = if self.terminal {
            write!(err, "\r{line:<60}")
        } else {
            writeln!(err, "{line}")
        };
    }

    fn end(&self) {
        if self.terminal {
            eprintln!();
        }
    }
}

fn minutes(seconds: f64) -> String {
    let seconds = seconds.round() as u64;
    format!("{} min {:02} s", seconds / 60, seconds % 60)
}
