//! The kept answers: both monitors on circuits, disturbances and faults at random, every
//! report and every change of the drive bit by bit as when they were kept.
//!
//! That they are right is shown elsewhere. This shows that a change of the core changes no
//! answer that nobody looked at: one that is meant is kept anew, and its commit says why, with
//!
//! ```sh
//! OHMSPLIT_BLESS=1 cargo test -p ohmsplit --test kept
//! ```
//!
//! A line of `answers.txt` is a circuit: its seed, R_iso in ohms, what disturbs it and what happens, and of either
//! monitor the reports, the CRC-32 of all of them as text, and the last verdict with R_iso in ohms.

mod circuit;
mod course;

use circuit::{Circuit, Event, Seeded};
use course::Course;
use crc::{CRC_32_ISO_HDLC, Crc, Digest};
use ohmsplit::config::{Config, Drive};
use ohmsplit::{Monitor, RawBlock, Report, Sampler, Step, SwiftMonitor};
use std::fmt::Write as _;

static SUM: Crc<u32> = Crc::<u32>::new(&CRC_32_ISO_HDLC);
const KEPT: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/kept/answers.txt");
const CIRCUITS: u64 = 400;
/// Samples of a circuit.
const LENGTH: u32 = 9000;

/// What both monitors have in common.
trait Either<'c> {
    fn begin(config: &'c Config) -> Self;
    fn accept(&mut self, block: &RawBlock) -> bool;
    fn step(&mut self) -> Step;
    fn drive(&self) -> Drive;
    fn finish(&mut self);
    fn yield_bus(&mut self);
    fn resume_bus(&mut self);
}

macro_rules! either {
    ($monitor:ident) => {
        impl<'c> Either<'c> for $monitor<'c> {
            fn begin(config: &'c Config) -> Self {
                $monitor::new(config)
            }
            fn accept(&mut self, block: &RawBlock) -> bool {
                $monitor::accept(self, block)
            }
            fn step(&mut self) -> Step {
                $monitor::step(self)
            }
            fn drive(&self) -> Drive {
                $monitor::drive(self)
            }
            fn finish(&mut self) {
                $monitor::finish(self);
            }
            fn yield_bus(&mut self) {
                $monitor::yield_bus(self);
            }
            fn resume_bus(&mut self) {
                $monitor::resume_bus(self);
            }
        }
    };
}
either!(Monitor);
either!(SwiftMonitor);

/// All that a monitor says.
struct Said {
    digest: Digest<'static, u32>,
    reports: u32,
    last: Option<Report>,
}

impl Said {
    fn note(&mut self, what: &dyn std::fmt::Debug) {
        self.digest.update(format!("{what:?}").as_bytes());
    }

    fn tell(self) -> String {
        let last = self.last.map_or_else(String::new, |report| {
            let verdict = format!("{:?}", report.verdict);
            match report.estimate {
                Ok(estimate) => {
                    let interval = estimate.isolation_interval;
                    let [low, value, high] = [interval.low, estimate.isolation, interval.high]
                        .map(|ohms| ohms.get().to_num::<f64>());
                    format!("{verdict} {low:.0}<{value:.0}<{high:.0}")
                }
                Err(reason) => format!("{verdict} {}", reason.name()),
            }
        });
        format!("{} {:08x} {last}", self.reports, self.digest.finalize())
    }
}

fn work<'c>(monitor: &mut impl Either<'c>, said: &mut Said) {
    loop {
        match monitor.step() {
            Step::Idle => return,
            Step::Busy => {}
            Step::Answer(report) => {
                said.note(&report);
                said.reports += 1;
                said.last = Some(report);
            }
        }
    }
}

fn listen<'c, M: Either<'c>>(circuit: &'c Circuit, seed: u64) -> String {
    let mut said = Said {
        digest: SUM.digest(),
        reports: 0,
        last: None,
    };
    let mut sampler = Sampler::new(&circuit.config);
    let mut monitor = M::begin(&circuit.config);
    let mut course = Course::new(circuit, seed);
    let mut drive = monitor.drive();
    for age in 0..LENGTH {
        if age == circuit.at {
            match circuit.event {
                Event::Pause => {
                    monitor.finish();
                    work(&mut monitor, &mut said);
                }
                Event::Yielded => monitor.yield_bus(),
                _ => {}
            }
        }
        if age == circuit.at + 700 && circuit.event == Event::Yielded {
            monitor.resume_bus();
        }
        let Some(block) = course.next(drive).and_then(|sample| sampler.push(&sample)) else {
            continue;
        };
        let lost = circuit.event == Event::LostBlocks && age.abs_diff(circuit.at) < 50;
        if !lost {
            said.note(&monitor.accept(&block));
            work(&mut monitor, &mut said);
        }
        if monitor.drive() != drive {
            drive = monitor.drive();
            said.note(&(age, drive));
        }
    }
    monitor.finish();
    work(&mut monitor, &mut said);
    said.tell()
}

fn answers() -> String {
    let mut all = String::new();
    for seed in 1..=CIRCUITS {
        let circuit = Circuit::draw(&mut Seeded::new(seed));
        let waits = listen::<Monitor<'_>>(&circuit, seed);
        let swift = listen::<SwiftMonitor<'_>>(&circuit, seed);
        let (disturbance, event) = (circuit.disturbance, circuit.event);
        let ohms = circuit.isolation();
        writeln!(
            all,
            "{seed} {ohms:.0} {disturbance:?} {event:?} | {waits} | {swift}"
        )
        .expect("a string");
    }
    all
}

#[test]
fn answers_are_those_that_were_kept() {
    let now = answers();
    if std::env::var_os("OHMSPLIT_BLESS").is_some() {
        std::fs::write(KEPT, &now).expect("the file of answers");
        return;
    }
    let kept = std::fs::read_to_string(KEPT).expect("the file of answers");
    let differing: Vec<String> = kept
        .lines()
        .zip(now.lines())
        .filter(|(kept, now)| kept != now)
        .map(|(kept, now)| format!("kept {kept}\nnow  {now}"))
        .collect();
    assert!(
        differing.is_empty() && kept.lines().count() == now.lines().count(),
        "{} of {CIRCUITS} circuits answer otherwise; keep what is meant with OHMSPLIT_BLESS=1. The first:\n{}",
        differing.len(),
        differing.first().map_or("", |first| first),
    );
}
