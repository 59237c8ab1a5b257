//! Runs the core on samples exactly as firmware does: each sample to the
//! interrupt side, each block it completes to the background side, which is
//! then worked off.

use ohmsplit::config::{Config, Drive};
use ohmsplit::{Monitor, RawBlock, Report, Sample, Sampler, Step, SwiftMonitor, Verdict};
use serde::{Deserialize, Serialize};

/// A report, and when it came.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Event {
    /// Time of the sample that brought it, in seconds.
    pub time_s: f64,
    /// What the core says.
    pub report: Report,
    /// The samples ended in the middle of this dwell.
    pub unfinished: bool,
}

/// Which of the core's monitors runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum MonitorKind {
    /// Reports from the transient, and sudden leaks at once.
    #[default]
    Swift,
    /// Reports settled readings only, in a quarter of the memory.
    Settled,
}

#[derive(Debug, Clone)]
#[allow(clippy::large_enum_variant, reason = "one a run, never moved")]
enum Either<'c> {
    Swift(SwiftMonitor<'c>),
    Settled(Monitor<'c>),
}

impl Either<'_> {
    fn drive(&self) -> Drive {
        match self {
            Self::Swift(monitor) => monitor.drive(),
            Self::Settled(monitor) => monitor.drive(),
        }
    }

    fn accept(&mut self, raw: &RawBlock) {
        match self {
            Self::Swift(monitor) => monitor.accept(raw),
            Self::Settled(monitor) => monitor.accept(raw),
        };
    }

    fn step(&mut self) -> Step {
        match self {
            Self::Swift(monitor) => monitor.step(),
            Self::Settled(monitor) => monitor.step(),
        }
    }

    fn finish(&mut self) {
        match self {
            Self::Swift(monitor) => monitor.finish(),
            Self::Settled(monitor) => monitor.finish(),
        }
    }
}

/// Both sides of the core.
#[derive(Debug, Clone)]
pub struct Rig<'c> {
    sampler: Sampler,
    monitor: Either<'c>,
    time_s: f64,
}

impl<'c> Rig<'c> {
    /// A monitor that has just been switched on.
    #[must_use]
    pub fn new(config: &'c Config, kind: MonitorKind) -> Self {
        Self {
            sampler: Sampler::new(config),
            monitor: match kind {
                MonitorKind::Swift => Either::Swift(SwiftMonitor::new(config)),
                MonitorKind::Settled => Either::Settled(Monitor::new(config)),
            },
            time_s: 0.0,
        }
    }

    /// The drive state that the core wants next.
    #[must_use]
    pub fn drive(&self) -> Drive {
        self.monitor.drive()
    }

    /// The verdict as it stands.
    #[must_use]
    pub fn verdict(&self) -> Verdict {
        match &self.monitor {
            Either::Swift(monitor) => monitor.verdict(),
            Either::Settled(monitor) => monitor.verdict(),
        }
    }

    /// Leaves the bus to another monitor.
    pub fn yield_bus(&mut self) {
        match &mut self.monitor {
            Either::Swift(monitor) => monitor.yield_bus(),
            Either::Settled(monitor) => monitor.yield_bus(),
        }
    }

    /// Takes the bus back.
    pub fn resume_bus(&mut self) {
        match &mut self.monitor {
            Either::Swift(monitor) => monitor.resume_bus(),
            Either::Settled(monitor) => monitor.resume_bus(),
        }
    }

    /// Takes a sample; `on_event` gets what comes of it. True when a block
    /// was completed, after which the core may want another drive state.
    #[inline]
    pub fn push(
        &mut self,
        time_s: f64,
        sample: &Sample,
        on_event: &mut impl FnMut(&Event),
    ) -> bool {
        self.time_s = time_s;
        let Some(raw) = self.sampler.push(sample) else {
            return false;
        };
        self.accept(&raw, on_event);
        true
    }

    /// The samples are over: closes the dwell under way.
    pub fn finish(mut self, on_event: &mut impl FnMut(&Event)) {
        if let Some(raw) = self.sampler.finish() {
            self.accept(&raw, on_event);
        }
        self.monitor.finish();
        self.work(true, on_event);
    }

    fn accept(&mut self, raw: &RawBlock, on_event: &mut impl FnMut(&Event)) {
        self.monitor.accept(raw);
        self.work(false, on_event);
    }

    fn work(&mut self, unfinished: bool, on_event: &mut impl FnMut(&Event)) {
        loop {
            match self.monitor.step() {
                Step::Idle => return,
                Step::Busy => {}
                Step::Answer(report) => on_event(&Event {
                    time_s: self.time_s,
                    report,
                    unfinished,
                }),
            }
        }
    }
}

/// A firmware's microsecond counter for times in seconds. It wraps at 2³².
#[derive(Debug, Clone, Copy, Default)]
pub struct Clock {
    last_us: Option<i64>,
    at_us: u32,
}

/// Longest step of the counter. A longer gap would look shorter once the
/// counter has wrapped; cut to this, half an hour, it still is a gap after
/// which no reading belongs to the ones before.
const STEP_MAX_US: i64 = 1 << 31;

impl Clock {
    /// The counter at `time_s`, which must not be before the time of the call before.
    #[inline]
    pub fn at(&mut self, time_s: f64) -> u32 {
        let us = (time_s * 1e6).round() as i64;
        let step = us - self.last_us.unwrap_or(us);
        self.last_us = Some(us);
        // At most 2^31: fits.
        self.at_us = self.at_us.wrapping_add(step.clamp(0, STEP_MAX_US) as u32);
        self.at_us
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_counter_wraps_and_long_gaps_do_not_look_short() {
        let mut clock = Clock::default();
        assert_eq!(clock.at(-5.0), 0);
        assert_eq!(clock.at(-4.999_999), 1);
        assert_eq!(clock.at(1_995.000_001), 2_000_000_001);
        assert_eq!(clock.at(3_995.000_001), 4_000_000_001);
        // 5995.000001 s less 2^32 µs.
        assert_eq!(
            clock.at(5_995.000_001),
            (6_000_000_001u64 % (1 << 32)) as u32
        );
        let before = clock.at(6000.0);
        // A day and 100 µs would be 100 µs after twenty wraps.
        let gap = 20.0 * 4_294.967_296 + 1e-4;
        assert_eq!(clock.at(6000.0 + gap).wrapping_sub(before), 1 << 31);
    }
}
