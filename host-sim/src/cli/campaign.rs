//! `ohmsplit campaign`

use std::io::{IsTerminal, Write};
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use super::End;
use super::args::{Campaign, CampaignArgs, EfficiencyArgs, FaultsArgs, MergeArgs, SweepArgs};
use super::show::{note, say};
use crate::bulk::threads;
use crate::campaign::{self, Grid, Plan, SWIFT};
use crate::error::HostError;
use crate::injection::{FAULTS, HEALTHY};
use crate::interrupt;
use crate::sweep::{self, Run, SWEEP, Shard, Study};

pub(super) fn run(args: &CampaignArgs) -> Result<End, HostError> {
    match &args.campaign {
        Campaign::Efficiency(args) => efficiency(args),
        Campaign::Sweep(args) => study(&SWEEP, args),
        Campaign::Faults(args) => faults(args),
        Campaign::Merge(args) => merge(args),
    }
}

fn efficiency(args: &EfficiencyArgs) -> Result<End, HostError> {
    let grid = if args.quick { Grid::QUICK } else { Grid::FULL };
    let plan = match &args.again {
        Some(table) => Plan::again(table, SWIFT, args.records, args.seed)?,
        None => Plan::new(grid, SWIFT, args.records, args.seed),
    };
    let mut progress = Progress::new(plan.cells.len(), "cells");
    let threads = threads(args.threads);
    let rows = campaign::run(
        &plan,
        &args.out,
        args.resume,
        threads,
        stop(),
        |begun, done| {
            progress.show(begun, done);
        },
    )?;
    progress.end();
    tell(&args.out, &campaign::FILES, rows.len() == plan.cells.len())
}

fn faults(args: &FaultsArgs) -> Result<End, HostError> {
    let asked = if args.healthy { &HEALTHY } else { &FAULTS };
    let Some(trial) = args.show_trial else {
        return study(asked, &args.sweep);
    };
    let plan = sweep::Plan::read(&args.sweep.plan)?;
    if trial >= plan.all_trials() {
        return Err(HostError::input(format!("there is no trial {trial}"))
            .expected(format!("0 to {}", plan.all_trials() - 1)));
    }
    let (document, _) = plan.document(trial, asked.without)?;
    say(document.text())?;
    Ok(End::Done)
}

fn study(study: &Study, args: &SweepArgs) -> Result<End, HostError> {
    let plan = sweep::Plan::read(&args.plan)?;
    let how = Run {
        shard: args.shard.unwrap_or(Shard::WHOLE),
        resume: args.resume,
        threads: threads(args.threads),
        stop: stop(),
    };
    let share = how.shard.trials(plan.all_trials()).len();
    let mut progress = Progress::new(share, "trials");
    let complete = sweep::run(study, &plan, &args.out, how, |begun, done| {
        progress.show(begun, done)
    })?;
    progress.end();
    let files = if how.shard == Shard::WHOLE {
        study.files
    } else {
        &study.files[..1]
    };
    tell(&args.out, files, complete)
}

fn merge(args: &MergeArgs) -> Result<End, HostError> {
    let plan = sweep::Plan::read(&args.plan)?;
    let study = sweep::merge(&[&SWEEP, &FAULTS, &HEALTHY], &plan, &args.shards, &args.out)?;
    tell(&args.out, study.files, true)
}

/// Says what is written, or how to go on.
fn tell(folder: &Path, files: &[&str], complete: bool) -> Result<End, HostError> {
    if !complete {
        note(format_args!(
            "{}: stopped before the end\n  what is done is kept; the same command with --resume goes on",
            folder.display()
        ));
        return Ok(End::Stopped);
    }
    for name in files {
        note(format_args!("written: {}", folder.join(name).display()));
    }
    Ok(End::Done)
}

/// Set by the first Ctrl-C, or by a request to terminate; a second one ends the program at once.
pub(super) fn stop() -> &'static AtomicBool {
    static STOP: AtomicBool = AtomicBool::new(false);
    interrupt::instead(|| {
        if STOP.swap(true, Ordering::Relaxed) {
            interrupt::end();
        }
    });
    &STOP
}

/// Tells how far a campaign is: one line that is written anew on a terminal,
/// now and then a new line elsewhere.
struct Progress {
    all: usize,
    what: &'static str,
    started: Instant,
    shown: Option<Instant>,
    terminal: bool,
}

impl Progress {
    fn new(all: usize, what: &'static str) -> Self {
        Self {
            all,
            what,
            started: Instant::now(),
            shown: None,
            terminal: std::io::stderr().is_terminal(),
        }
    }

    fn show(&mut self, begun: usize, done: usize) {
        let pause = Duration::from_millis(if self.terminal { 500 } else { 20_000 });
        if self.shown.is_some_and(|shown| shown.elapsed() < pause) && done < self.all {
            return;
        }
        self.shown = Some(Instant::now());
        let here = (done - begun) as f64;
        let left =
            self.started.elapsed().as_secs_f64() / here * self.all.saturating_sub(done) as f64;
        let line = format!(
            "{done} of {} {}, {} left",
            self.all,
            self.what,
            minutes(left)
        );
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
            note("");
        }
    }
}

fn minutes(seconds: f64) -> String {
    let seconds = seconds.round() as u64;
    format!("{} min {:02} s", seconds / 60, seconds % 60)
}
