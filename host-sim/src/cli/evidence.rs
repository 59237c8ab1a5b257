//! `ohmsplit evidence`

use std::cell::RefCell;
use std::path::{Path, PathBuf};
use std::time::Duration;

use indicatif::{ProgressBar, ProgressStyle};
use ohmsplit::config::Config;

use super::End;
use super::args::EvidenceArgs;
use super::files::{ends_in, keep_apart};
use super::replay::{compare, true_at_the_end};
use super::show::{note, title};
use super::simulate::{truth as true_course, warn_of_the_end};
use crate::capture::{Reader, network_beside};
use crate::document::Document;
use crate::error::HostError;
use crate::evidence::{
    Evidence, Input, Provenance, Record, TrueFigures, Truth, command_line, page,
};
use crate::expected::Expected;
use crate::network::NetworkFile;
use crate::output::AtomicFile;
use crate::scenario::Scenario;
use crate::{network, replay, scenario, simulate};

/// How the name of a report ends.
const REPORT: &[&str] = &[".html", ".htm"];

pub(super) fn run(args: &EvidenceArgs) -> Result<End, HostError> {
    let is_document = args
        .subject
        .extension()
        .is_some_and(|found| found.eq_ignore_ascii_case("toml"));
    if is_document {
        of_scenario(args)
    } else {
        of_capture(args)
    }
}

/// A scenario, simulated.
fn of_scenario(args: &EvidenceArgs) -> Result<End, HostError> {
    for (given, option) in [(&args.network, "--network"), (&args.expect, "--expect")] {
        if given.is_some() {
            return Err(HostError::input(format!("a scenario takes no {option}"))
                .in_file(args.subject.display().to_string())
                .expected("network and truth inside the scenario")
                .mend(format!(
                    "leave out {option}, or name a capture instead of the scenario"
                )));
        }
    }
    keep_apart(&[&args.subject], &[&args.out])?;
    ends_in(&args.out, REPORT, "a report")?;
    let document = Document::read(&args.subject)?;
    no_network(&document)?;
    let mut scenario = Scenario::parse(&document)?;
    if let Some(seed) = args.seed {
        scenario.world.seed = seed;
    }
    warn_of_the_end(&scenario);
    let seed = scenario.world.seed;
    let provenance = provenance(args, &[("scenario", &args.subject)], Some(seed))?;
    let progress = Progress::new(Some(scenario.samples()));
    let record = RefCell::new(Record::new(&scenario.config));
    simulate::run(
        &scenario,
        |row| {
            progress.one_more();
            record.borrow_mut().sample(row.time_s, row.sample.codes);
        },
        |event| record.borrow_mut().event(event),
    )?;
    progress.done();
    let record = record.into_inner();
    let evidence = Evidence {
        title: &title(&scenario.name, &args.subject),
        description: &scenario.description,
        network: &scenario.network,
        config: &scenario.config,
        record: &record,
        truth: &truth_of(&scenario),
        provenance: &provenance,
    };
    write(args, &evidence)?;
    Ok(End::Judged(record.outcome.verdict()))
}

/// A recorded capture, replayed.
fn of_capture(args: &EvidenceArgs) -> Result<End, HostError> {
    if args.seed.is_some() {
        return Err(HostError::input("a capture has no seed: nothing is drawn")
            .in_file(args.subject.display().to_string())
            .mend("leave out --seed, or name a scenario"));
    }
    let beside = network_beside(&args.subject);
    let path = args.network.as_ref().unwrap_or(&beside);
    let files: Vec<(&'static str, &Path)> = [("capture", &*args.subject), ("network", path)]
        .into_iter()
        .chain(
            args.expect
                .iter()
                .map(|path| ("expected results", path.as_path())),
        )
        .collect();
    let read: Vec<&Path> = files.iter().map(|file| file.1).collect();
    keep_apart(&read, &[&args.out])?;
    ends_in(&args.out, REPORT, "a report")?;
    let expected = match &args.expect {
        Some(path) => Some(Expected::parse(&Document::read(path)?)?),
        None => None,
    };
    let mut reader = Reader::open(&args.subject)?;
    let document = super::replay::network_document(path, args.network.is_some())?;
    let network = NetworkFile::parse(&document)?;
    let config = reader
        .bind(&network)
        .map_err(|fault| document.locate(fault))?;
    let provenance = provenance(args, &files, None)?;
    let record = replayed(&mut reader, &config, &network)?;
    let evidence = Evidence {
        title: &title(&network.name, &args.subject),
        description: &network.description,
        network: &network,
        config: &config,
        record: &record,
        truth: &expected
            .as_ref()
            .map_or_else(Truth::default, |due| truth_due(due, &record)),
        provenance: &provenance,
    };
    write(args, &evidence)?;
    Ok(match &expected {
        Some(expected) => compare(expected, &record.outcome),
        None => End::Judged(record.outcome.verdict()),
    })
}

fn replayed(
    reader: &mut Reader,
    config: &Config,
    network: &NetworkFile,
) -> Result<Record, HostError> {
    let progress = Progress::new(None);
    let record = RefCell::new(Record::new(config));
    replay::run(
        reader,
        config,
        network.monitor,
        |row| {
            progress.one_more();
            record.borrow_mut().sample(row.time_s, row.codes);
        },
        |event| record.borrow_mut().event(event),
    )?;
    progress.done();
    Ok(record.into_inner())
}

/// A network document where a scenario is due is a slip of a beginner.
fn no_network(document: &Document) -> Result<(), HostError> {
    #[derive(serde::Deserialize)]
    struct Head {
        format: Option<String>,
    }
    let head: Head = document.parse()?;
    if head.format.as_deref() != Some(network::FORMAT) {
        return Ok(());
    }
    Err(
        HostError::input("is the network of a capture, not a scenario")
            .in_file(document.name())
            .expected(format!(
                "a capture, or a document of format {}",
                scenario::FORMAT
            ))
            .mend("name the capture; its network is found beside it"),
    )
}

fn truth_of(scenario: &Scenario) -> Truth {
    let last = simulate::truth(scenario).pop();
    let world = &scenario.world.capacitance;
    Truth {
        source: "the scenario".to_owned(),
        course: true_course(scenario),
        end: last.map(|truth| TrueFigures {
            isolation_ohm: truth.leak.isolation_ohm(),
            positive_ohm: 1.0 / truth.leak.positive,
            negative_ohm: 1.0 / truth.leak.negative,
            position: truth.leak.position(),
            capacitance_f: Some((world.positive_uf + world.negative_uf) * 1e-6),
        }),
    }
}

fn truth_due(expected: &Expected, record: &Record) -> Truth {
    let ohm = |value: Option<f64>| value.unwrap_or(f64::INFINITY);
    let truth = &expected.truth;
    Truth {
        source: expected.source.clone(),
        course: vec![true_at_the_end(truth, record.last_part_s())],
        end: Some(TrueFigures {
            isolation_ohm: ohm(truth.isolation_ohm),
            positive_ohm: ohm(truth.positive_ohm),
            negative_ohm: ohm(truth.negative_ohm),
            position: truth.position,
            capacitance_f: truth.capacitance_uf.map(|c| c * 1e-6),
        }),
    }
}

fn provenance(
    args: &EvidenceArgs,
    files: &[(&'static str, &Path)],
    seed: Option<u64>,
) -> Result<Provenance, HostError> {
    let inputs = files.iter().map(|(role, path)| Input::of(role, path));
    let path = |path: &PathBuf| path.display().to_string();
    let mut words = vec![
        "ohmsplit".to_owned(),
        "evidence".to_owned(),
        path(&args.subject),
    ];
    for (option, value) in [
        ("--network", args.network.as_ref().map(path)),
        ("--expect", args.expect.as_ref().map(path)),
        ("--seed", args.seed.map(|seed| seed.to_string())),
        ("--date", args.date.clone()),
        ("--out", Some(path(&args.out))),
    ] {
        words.extend(
            value
                .into_iter()
                .flat_map(|value| [option.to_owned(), value]),
        );
    }
    Ok(Provenance {
        inputs: inputs.collect::<Result<_, _>>()?,
        command: command_line(&words),
        seed,
        date: args.date.clone(),
    })
}

fn write(args: &EvidenceArgs, evidence: &Evidence<'_>) -> Result<(), HostError> {
    AtomicFile::write(&args.out, &page(evidence))?;
    note(format_args!("report: {}", args.out.display()));
    Ok(())
}

/// Rows worked off, on a terminal.
struct Progress {
    bar: ProgressBar,
    count: std::cell::Cell<u64>,
}

impl Progress {
    fn new(total: Option<u64>) -> Self {
        let bar = match total {
            Some(total) => ProgressBar::new(total),
            None => ProgressBar::new_spinner(),
        };
        let template = match total {
            Some(_) => "{wide_bar} {percent} %, {eta} left",
            None => "{spinner} {human_pos} samples, {elapsed}",
        };
        if let Ok(style) = ProgressStyle::with_template(template) {
            bar.set_style(style);
        }
        bar.enable_steady_tick(Duration::from_millis(200));
        Self {
            bar,
            count: std::cell::Cell::new(0),
        }
    }

    #[inline]
    fn one_more(&self) {
        let count = self.count.get() + 1;
        self.count.set(count);
        // The clock is looked at seldom enough not to be noticed.
        if count.is_multiple_of(1 << 16) {
            self.bar.set_position(count);
        }
    }

    fn done(&self) {
        self.bar.finish_and_clear();
    }
}
