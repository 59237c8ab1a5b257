//! The arguments.

use std::path::PathBuf;

use clap::{Parser, Subcommand, ValueEnum};

use crate::sweep::Shard;

const AFTER: &str = "\
Examples:
  ohmsplit                                          run the demo that comes with the program
  ohmsplit simulate SCENARIO.toml                   let the core measure a simulated battery
  ohmsplit simulate SCENARIO.toml --capture RUN.csv.gz --picture RUN.svg
  ohmsplit replay RUN.csv.gz                        the same capture once more; RUN.toml is read with it
  ohmsplit replay RUN.csv --show lines | jq .isolation_ohm
  ohmsplit live RUN.csv                             watch a capture while it is being recorded
  ohmsplit evidence RUN.csv.gz --out report.html    one run as a report to read, print and keep
  ohmsplit bound SCENARIO.toml                      the Cramér-Rao bound, and what is achieved
  ohmsplit campaign efficiency --out FOLDER         the same over a grid of circuits, as a table
  ohmsplit campaign sweep PLAN.toml --out FOLDER    vary any fields of a scenario, many trials each
  ohmsplit journal FLASH.bin                        the event records that firmware kept
  ohmsplit design PACK.toml --out FOLDER            propose a monitor for a pack, with configurations that compile
  ohmsplit in-situ                                  the check by hand, with voltmeter and resistor
  ohmsplit regress FOLDER --baseline FILE.json      a team's captures, held against the last release
  ohmsplit fleet FOLDER --out TABLES                one row a capture, as CSV and Parquet
  ohmsplit formats                                  how captures and the other files are written

Exit codes:
   0  the verdict at the end is healthy, or the command has none
  10  warning        20  alarm        30  undetermined: it cannot be told, the output says why
  40  --expect or regress: something else was found than was due
   2  wrong usage, or a file that cannot be used; one message says where, what, and how to mend it
   1  the system refused, for example a full disk
 130  stopped by Ctrl-C; nothing half-written stays, and --resume goes on where a command has it

Voltages of a battery can kill. The figures are estimates and certify nothing: treat the pack as live,
follow the local electrical code, and leave work on it to licensed people.";

/// Isolation resistance of a floating battery, and its split between the rails.
///
/// Runs the same code that runs in a battery management system, on simulated
/// batteries and on recorded captures, and says what it finds: the leakage
/// resistance to the chassis, where in the stack it sits, how certain that
/// is, and what it means against the limits. Without a command it runs a demo.
#[derive(Debug, Parser)]
#[command(name = "ohmsplit", version, after_help = AFTER)]
pub(super) struct Args {
    #[command(subcommand)]
    pub(super) command: Option<Command>,
}

#[derive(Debug, Subcommand)]
pub(super) enum Command {
    /// Simulate a battery; the core measures it and leads the drive.
    Simulate(SimulateArgs),
    /// Run a recorded capture through the core.
    Replay(ReplayArgs),
    /// Watch a capture or a stream as it arrives.
    Live(super::live::LiveArgs),
    /// How well a scenario's battery can be known at all, beside what the core achieves.
    Bound(BoundArgs),
    /// Try the estimator on thousands of simulated records and hold it against the bound.
    Campaign(CampaignArgs),
    /// Write a report of one run: a single HTML file that needs nothing else.
    Evidence(EvidenceArgs),
    /// Print the event records in a copy of firmware's memory.
    Journal(JournalArgs),
    /// Propose a monitor for a pack: drive, dividers, filter, timing, and configurations that compile.
    Design(DesignArgs),
    /// Check by hand with a voltmeter and a known resistor, led step by step.
    InSitu(super::insitu::InSituArgs),
    /// Run a folder of captures with expected results, and tell what moved since a baseline.
    Regress(RegressArgs),
    /// Replay all captures of a folder tree into one table, a row each.
    Fleet(FleetArgs),
    /// Print how captures and the other files are written, with units.
    Formats,
    /// Print a completion script for a shell.
    Completions(super::shell::CompletionsArgs),
    /// Print the manual page.
    Man(super::shell::ManArgs),
}

/// What is printed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum Show {
    /// One line a dwell, like ones folded together, then the final figures.
    Timeline,
    /// JSON: one object a dwell, then one with the final figures. Names end in the unit.
    Lines,
    /// The final figures only.
    Final,
}

/// How the result is shown.
#[derive(Debug, clap::Args)]
pub(super) struct ShowArgs {
    /// What is printed.
    #[arg(long, value_enum, value_name = "WHAT", default_value = "timeline")]
    pub(super) show: Show,
    /// Also draw the run into this SVG file.
    #[arg(long, value_name = "FILE.svg")]
    pub(super) picture: Option<PathBuf>,
}

#[derive(Debug, clap::Args)]
#[command(after_help = "Exit codes are those of `ohmsplit --help`.")]
pub(super) struct SimulateArgs {
    /// The scenario: a TOML file, see `ohmsplit formats`.
    #[arg(value_name = "SCENARIO.toml")]
    pub(super) scenario: PathBuf,
    /// Random draws follow from this number instead of the scenario's own.
    #[arg(long, value_name = "NUMBER")]
    pub(super) seed: Option<u64>,
    /// Also write the samples as a capture, gzip if the name ends in .gz, Parquet
    /// if it ends in .parquet, and the network that describes it beside it (.toml), ready for replay.
    #[arg(long, value_name = "FILE")]
    pub(super) capture: Option<PathBuf>,
    #[command(flatten)]
    pub(super) output: ShowArgs,
}

#[derive(Debug, clap::Args)]
#[command(after_help = "\
The recorded drive leads: the core measures with the drive states that the capture tells.
Exit codes are those of `ohmsplit --help`; with --expect it is 0 when all is as expected, and else 40.")]
pub(super) struct ReplayArgs {
    /// The capture: CSV, plain or gzip, Parquet or MDF 4, see `ohmsplit formats`.
    #[arg(value_name = "CAPTURE")]
    pub(super) capture: PathBuf,
    /// The network file; by default the one beside the capture with the same stem.
    #[arg(long, value_name = "FILE.toml")]
    pub(super) network: Option<PathBuf>,
    /// Hold the result against this file of expected results.
    #[arg(long, value_name = "FILE.toml")]
    pub(super) expect: Option<PathBuf>,
    #[command(flatten)]
    pub(super) output: ShowArgs,
}

/// What `bound` prints.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum ShowBound {
    /// One line a report.
    Table,
    /// JSON: one object a report. Names end in the unit.
    Lines,
}

#[derive(Debug, clap::Args)]
#[command(after_help = "\
The bound is the Cramér-Rao bound: what no method can do better on the same record with white noise. The
exit code is 0, or that of an error; see `ohmsplit --help`.")]
pub(super) struct BoundArgs {
    /// The scenario: a TOML file, see `ohmsplit formats`.
    #[arg(value_name = "SCENARIO.toml")]
    pub(super) scenario: PathBuf,
    /// Only the last report at or before this time.
    #[arg(long, value_name = "SECONDS")]
    pub(super) at: Option<f64>,
    /// What is printed.
    #[arg(long, value_enum, value_name = "WHAT", default_value = "table")]
    pub(super) show: ShowBound,
}

#[derive(Debug, clap::Args)]
pub(super) struct CampaignArgs {
    #[command(subcommand)]
    pub(super) campaign: Campaign,
}

#[derive(Debug, Subcommand)]
pub(super) enum Campaign {
    /// Mean squared error, bias, coverage and time to answer over drive, pack voltage, leak and capacitance.
    Efficiency(EfficiencyArgs),
    /// Vary any fields of a scenario, over axes and at random, and try each combination many times.
    Sweep(SweepArgs),
    /// Break the measuring circuit in every way, and count what is detected, missed and harmless.
    Faults(FaultsArgs),
    /// Make one result of the shards of a sweep or of a fault campaign.
    Merge(MergeArgs),
}

#[derive(Debug, clap::Args)]
#[command(after_help = "\
Writes trials.csv row by row while it runs, then trials.parquet, cells.csv, cells.parquet and sweep.svg. The same
plan gives the same bytes whatever the number of threads or shards. Ctrl-C keeps what is done; go on with --resume.

Shards run anywhere, in any order, each into a folder of its own, and are merged afterwards:
  ohmsplit campaign sweep PLAN.toml --out part-3 --shard 3/8
  ohmsplit campaign merge PLAN.toml part-1 part-2 ... part-8 --out whole
In an array of Slurm the number is $SLURM_ARRAY_TASK_ID, in an indexed job of Kubernetes $JOB_COMPLETION_INDEX + 1.")]
pub(super) struct SweepArgs {
    /// The plan: a TOML file, see `ohmsplit formats`.
    #[arg(value_name = "PLAN.toml")]
    pub(super) plan: PathBuf,
    /// The folder to write into; it is made when missing.
    #[arg(long, value_name = "FOLDER")]
    pub(super) out: PathBuf,
    /// Only one of N equal parts, counted from 1.
    #[arg(long, value_name = "K/N", value_parser = shard)]
    pub(super) shard: Option<Shard>,
    /// Go on where the same sweep was stopped.
    #[arg(long)]
    pub(super) resume: bool,
    /// Trials worked on at the same time; by default as many as there are processors.
    #[arg(long, value_name = "NUMBER")]
    pub(super) threads: Option<std::num::NonZeroUsize>,
}

#[derive(Debug, clap::Args)]
#[command(after_help = "\
The plan is that of a sweep; each of its scenarios has one fault and a leak that stays as it is. Writes
trials.csv row by row while it runs, then trials.parquet, faults.csv, faults.parquet and faults.md: runs,
detected, safe, missed, latency and diagnostic coverage of each fault and drive; with --healthy the names
begin with healthy. The folder `deceived` holds scenarios of runs that were confident and wrong, the first
of each fault and drive. Shards, Ctrl-C and --resume are as with a sweep.")]
pub(super) struct FaultsArgs {
    #[command(flatten)]
    pub(super) sweep: SweepArgs,
    /// Run the scenarios without their faults: whatever is told then is false.
    #[arg(long)]
    pub(super) healthy: bool,
    /// Print the scenario of this trial, and run nothing.
    #[arg(long, value_name = "NUMBER")]
    pub(super) show_trial: Option<usize>,
}

#[derive(Debug, clap::Args)]
pub(super) struct MergeArgs {
    /// The plan that the shards were run with.
    #[arg(value_name = "PLAN.toml")]
    pub(super) plan: PathBuf,
    /// The folders of all shards, in any order.
    #[arg(value_name = "SHARD", required = true)]
    pub(super) shards: Vec<PathBuf>,
    /// The folder to write into; it is made when missing.
    #[arg(long, value_name = "FOLDER")]
    pub(super) out: PathBuf,
}

fn shard(text: &str) -> Result<Shard, String> {
    let parsed = text.split_once('/').and_then(|(number, of)| {
        Some(Shard {
            number: number.parse().ok()?,
            of: of.parse().ok()?,
        })
    });
    parsed
        .filter(|shard| (1..=shard.of).contains(&shard.number))
        .ok_or_else(|| "expected K/N with K from 1 to N, as in 3/8".to_owned())
}

#[derive(Debug, clap::Args)]
#[command(after_help = "\
Writes efficiency.csv row by row while it runs, then efficiency.md and efficiency.svg. The same seed gives the
same bytes whatever the number of threads. When it was stopped, run it again with --resume.")]
pub(super) struct EfficiencyArgs {
    /// The folder to write into; it is made when missing.
    #[arg(long, value_name = "FOLDER")]
    pub(super) out: PathBuf,
    /// Simulated records in each cell of the grid.
    #[arg(long, value_name = "NUMBER", default_value_t = 200, value_parser = clap::value_parser!(u32).range(2..=1_000_000))]
    pub(super) records: u32,
    /// Random draws follow from this number.
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    pub(super) seed: u64,
    /// A small part of the grid, to see whether all works.
    #[arg(long)]
    pub(super) quick: bool,
    /// Only those cells of an earlier efficiency.csv whose squared error was above 1.3 times the bound: give another
    /// seed, and fresh records tell whether it was chance.
    #[arg(long, value_name = "TABLE.csv", conflicts_with = "quick")]
    pub(super) again: Option<PathBuf>,
    /// Go on where a campaign with the same options was stopped.
    #[arg(long)]
    pub(super) resume: bool,
    /// Cells worked on at the same time; by default as many as there are processors.
    #[arg(long, value_name = "NUMBER")]
    pub(super) threads: Option<std::num::NonZeroUsize>,
}

#[derive(Debug, clap::Args)]
#[command(after_help = "\
The report holds verdict, cautions, estimates with intervals, the circuit drawn, timeline, settling, findings,
error budget, limits with sources, hashes of the files and the command that makes it again. It reads offline,
prints on A4, and the same input gives the same bytes.
Exit codes are those of `ohmsplit --help`; with --expect it is 0 when all is as expected, and else 40.")]
pub(super) struct EvidenceArgs {
    /// A capture (CSV, plain or gzip), or a scenario (TOML), see `ohmsplit formats`.
    #[arg(value_name = "CAPTURE|SCENARIO.toml")]
    pub(super) subject: PathBuf,
    /// The report; what had this name is replaced.
    #[arg(long, value_name = "FILE.html")]
    pub(super) out: PathBuf,
    /// The network file of a capture; by default the one beside it with the same stem.
    #[arg(long, value_name = "FILE.toml")]
    pub(super) network: Option<PathBuf>,
    /// Show the truth from this file of expected results of a capture, and hold the result against it.
    #[arg(long, value_name = "FILE.toml")]
    pub(super) expect: Option<PathBuf>,
    /// Random draws of a scenario follow from this number instead of its own.
    #[arg(long, value_name = "NUMBER")]
    pub(super) seed: Option<u64>,
    /// A date to print in the report; the clock is never read.
    #[arg(long, value_name = "TEXT")]
    pub(super) date: Option<String>,
}

/// What `journal` prints.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum ShowJournal {
    /// One line a record, then what the memory came to.
    Table,
    /// JSON: one object a record. Names end in the unit.
    Lines,
}

#[derive(Debug, clap::Args)]
#[command(after_help = "\
The file is a copy of all pages of the journal, in binary. Its layout, for programs in other languages, stands in
the documentation of the core's module `journal`. Slots whose write was cut short are counted and skipped. The
exit code is 0, or that of an error; see `ohmsplit --help`.")]
pub(super) struct JournalArgs {
    /// The copy of the memory.
    #[arg(value_name = "FILE")]
    pub(super) image: PathBuf,
    /// What is printed.
    #[arg(long, value_enum, value_name = "WHAT", default_value = "table")]
    pub(super) show: ShowJournal,
}

#[derive(Debug, clap::Args)]
#[command(after_help = "\
Without PACK.toml an example is printed, to begin with: ohmsplit design > my-pack.toml
Writes design.md, design.svg, network.toml, scenario.toml, ohmsplit_config.rs and ohmsplit_config.c: all, or nothing
when no design does what is wanted; then the error says which change of one field would make one possible.")]
pub(super) struct DesignArgs {
    /// The pack's data sheet: a TOML file, see `ohmsplit formats`.
    #[arg(value_name = "PACK.toml", requires = "out")]
    pub(super) pack: Option<PathBuf>,
    /// The folder to write into; it is made when missing.
    #[arg(long, value_name = "FOLDER", requires = "pack")]
    pub(super) out: Option<PathBuf>,
    /// Take this place of the ranking instead of the first.
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    pub(super) pick: usize,
    /// Random draws follow from this number.
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    pub(super) seed: u64,
    /// Write over an earlier design in the folder.
    #[arg(long)]
    pub(super) replace: bool,
}

#[derive(Debug, clap::Args)]
#[command(after_help = "\
A capture belongs to the folder when its network is beside it, or when a document of expected results names it.
The exit code is 0 when all is as expected and nothing moved too far, 40 when not; a capture that cannot be read
is not as expected. A word, such as the verdict, must not change at all; a time to answer may.")]
pub(super) struct RegressArgs {
    /// The folder, searched to any depth.
    #[arg(value_name = "FOLDER")]
    pub(super) folder: PathBuf,
    /// Also tell what moved since this file was recorded.
    #[arg(long, value_name = "FILE.json")]
    pub(super) baseline: Option<PathBuf>,
    /// Record the figures of this run, to be the baseline of later ones.
    #[arg(long, value_name = "FILE.json")]
    pub(super) record: Option<PathBuf>,
    /// How far a figure may move from the baseline, in standard uncertainties.
    #[arg(long, value_name = "U", default_value_t = 1.0)]
    pub(super) allow: f64,
    /// Captures in work at a time; by default as many as there are processors.
    #[arg(long, value_name = "NUMBER")]
    pub(super) threads: Option<std::num::NonZeroUsize>,
}

#[derive(Debug, clap::Args)]
#[command(after_help = "\
Writes fleet.csv row by row, then fleet.parquet. A capture that cannot be used becomes a row with its error, and
the exit code is 2 at the end. The network of a capture is the file beside it, else network.toml in a folder above.
The same captures give the same bytes whatever the number of threads.")]
pub(super) struct FleetArgs {
    /// The folder of captures, searched to any depth: files ending in .csv, .csv.gz, .mf4 or .parquet. Or one such file.
    #[arg(value_name = "CAPTURES")]
    pub(super) captures: PathBuf,
    /// The column that says which unit a row is of, where one CSV or Parquet file has the rows of many: one result a unit.
    #[arg(long, value_name = "COLUMN")]
    pub(super) unit_column: Option<String>,
    /// The folder to write into; it is made when missing.
    #[arg(long, value_name = "FOLDER")]
    pub(super) out: PathBuf,
    /// The network of all captures.
    #[arg(long, value_name = "FILE.toml")]
    pub(super) network: Option<PathBuf>,
    /// Go on where the same command was stopped.
    #[arg(long)]
    pub(super) resume: bool,
    /// Captures in work at a time; by default as many as there are processors.
    #[arg(long, value_name = "NUMBER")]
    pub(super) threads: Option<std::num::NonZeroUsize>,
}
