//! A simulated run: the plant answers the drive, the core measures as it does
//! in firmware, and its sequencer decides the next drive state.

use ohmsplit::config::{Config, Drive, Judged};
use ohmsplit::{Monitor, RawBlock, Report, Sampler, Step, Verdict};

use crate::document::FieldFault;
use crate::error::{HostError, Place};
use crate::plant::{LeakConductance, Plant, SampleRow, stages};
use crate::scenario::Scenario;

/// What is true of the leak from a time on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Truth {
    /// From when on, in seconds.
    pub from_s: f64,
    /// The leak, its resistances and its position.
    pub leak: LeakConductance,
    /// The verdict that an ideal monitor gives: the judged figure against the
    /// limits, without hysteresis and confirmations.
    pub verdict: Verdict,
}

/// What a run came to.
#[derive(Debug, Clone, PartialEq)]
pub struct Summary {
    /// Samples taken.
    pub samples: u64,
    /// Reports of the core.
    pub reports: u64,
    /// The core's verdict at the end.
    pub verdict: Verdict,
    /// What was true, in order of time.
    pub truth: Vec<Truth>,
}

/// Runs a scenario. `on_sample` gets every sample as the firmware would read
/// it, with the voltages that were there; `on_report` gets every report of the
/// core with the time of the sample that brought it, in seconds.
///
/// # Errors
/// When the scenario's world does not suit its monitor, which a parsed
/// scenario rules out.
pub fn run(
    scenario: &Scenario,
    mut on_sample: impl FnMut(&SampleRow),
    mut on_report: impl FnMut(f64, &Report),
) -> Result<Summary, HostError> {
    let config = &scenario.config;
    let mut plant = Plant::new(config, &scenario.world).map_err(without_document)?;
    let mut schedule = Schedule::of(scenario);
    let mut sampler = Sampler::new(config);
    let mut core = Core {
        monitor: Monitor::new(config),
        reports: 0,
    };
    let samples = scenario.samples();
    let mut drive = core.monitor.drive();
    let mut time_s = 0.0;
    for count in 0..samples {
        if let Some(schedule) = schedule.as_mut() {
            drive = schedule.drive_after(count);
        }
        let row = plant.step(drive);
        time_s = row.time_s;
        on_sample(&row);
        if let Some(raw) = sampler.push(&row.sample) {
            core.take(&raw, time_s, &mut on_report);
            drive = core.monitor.drive();
        }
    }
    if let Some(raw) = sampler.finish() {
        core.take(&raw, time_s, &mut on_report);
    }
    core.monitor.finish();
    core.work(time_s, &mut on_report);
    Ok(Summary {
        samples,
        reports: core.reports,
        verdict: core.monitor.verdict(),
        truth: truth(scenario),
    })
}

/// What is true of the leak over the whole run, whatever the core makes of it.
#[must_use]
pub fn truth(scenario: &Scenario) -> Vec<Truth> {
    stages(&scenario.world.leaks)
        .into_iter()
        .filter(|stage| stage.from_s < scenario.duration_s)
        .map(|stage| Truth {
            from_s: stage.from_s,
            leak: stage.leak,
            verdict: true_verdict(&scenario.config, &stage.leak),
        })
        .collect()
}

fn true_verdict(config: &Config, leak: &LeakConductance) -> Verdict {
    let limits = config.limits();
    let judged = match limits.judged {
        Judged::WeakestRail => leak.weakest_ohm(),
        Judged::BothInParallel => leak.isolation_ohm(),
    };
    let per_volt = judged / limits.working_voltage.get().to_num::<f64>();
    if per_volt <= f64::from(limits.alarm_ohm_per_volt) {
        Verdict::Alarm
    } else if per_volt <= f64::from(limits.warning_ohm_per_volt) {
        Verdict::Warning
    } else {
        Verdict::Healthy
    }
}

/// The background side, worked off after every block.
struct Core<'c> {
    monitor: Monitor<'c>,
    reports: u64,
}

impl Core<'_> {
    fn take(&mut self, raw: &RawBlock, time_s: f64, on_report: &mut impl FnMut(f64, &Report)) {
        self.monitor.accept(raw);
        self.work(time_s, on_report);
    }

    fn work(&mut self, time_s: f64, on_report: &mut impl FnMut(f64, &Report)) {
        loop {
            match self.monitor.step() {
                Step::Idle => return,
                Step::Busy => {}
                Step::Answer(report) => {
                    self.reports += 1;
                    on_report(time_s, &report);
                }
            }
        }
    }
}

/// Dwells of one length, whatever the core would like.
struct Schedule<'c> {
    cycle: &'c [Drive],
    /// Sampling periods in a dwell; need not be whole.
    dwell: f64,
    /// Dwells begun.
    begun: u64,
    /// The sample after which the next dwell begins.
    next: u64,
    drive: Drive,
}

impl<'c> Schedule<'c> {
    fn of(scenario: &'c Scenario) -> Option<Self> {
        Some(Self {
            cycle: scenario.config.timing().cycle(),
            dwell: scenario.half_period_s? * scenario.world.sample_rate_hz,
            begun: 0,
            next: 0,
            drive: Drive::Rest,
        })
    }

    /// The drive state in force from sample number `count` on.
    fn drive_after(&mut self, count: u64) -> Drive {
        if count >= self.next {
            let place = self.begun % self.cycle.len() as u64;
            self.drive = self.cycle[place as usize];
            self.begun += 1;
            self.next = (self.begun as f64 * self.dwell).round() as u64;
        }
        self.drive
    }
}

/// A fault of a world that was not read from a file.
fn without_document(fault: FieldFault) -> HostError {
    HostError::input(fault.problem)
        .at(Place::Field {
            path: fault.path,
            position: None,
        })
        .expected(fault.expected)
        .mend(fault.mend)
}
