//! One run as it went: its reports, and its time in drive periods.

use ohmsplit::{Reason, Verdict};

use crate::error::HostError;
use crate::rig::Event;
use crate::scenario::{Fault, Scenario};
use crate::simulate;

/// What a run left behind.
#[derive(Debug, Clone)]
pub(super) struct Course {
    /// Reports of dwells that were not cut short by the end.
    pub(super) events: Vec<Event>,
    /// The fault, when it came before the end.
    pub(super) fault: Option<Fault>,
    /// When each dwell began.
    starts: Vec<f64>,
    end_s: f64,
    /// Dwells in a drive period.
    cycle: f64,
}

impl Course {
    /// Runs a scenario.
    pub(super) fn record(scenario: &Scenario) -> Result<Self, HostError> {
        let mut events = Vec::new();
        let (mut starts, mut drive) = (vec![0.0], None);
        let period = 1.0 / scenario.world.sample_rate_hz;
        simulate::run(
            scenario,
            |row| {
                if drive.is_some_and(|drive| drive != row.sample.drive) {
                    starts.push(row.time_s - period);
                }
                drive = Some(row.sample.drive);
            },
            |event| {
                if !event.unfinished {
                    events.push(*event);
                }
            },
        )?;
        let fault = scenario.world.faults.first().copied();
        Ok(Self {
            events,
            fault: fault.filter(|fault| fault.from_s < scenario.duration_s),
            starts,
            end_s: scenario.duration_s,
            cycle: scenario.config.timing().cycle().len() as f64,
        })
    }

    /// A time in drive periods since the start: whole dwells and the part of the one under way.
    pub(super) fn periods(&self, time_s: f64) -> f64 {
        let begun = self.starts.partition_point(|&start| start <= time_s).max(1);
        let start = self.starts[begun - 1];
        let end = self.starts.get(begun).copied().unwrap_or(self.end_s);
        let part = ((time_s - start) / (end - start).max(f64::MIN_POSITIVE)).clamp(0.0, 1.0);
        ((begun - 1) as f64 + part) / self.cycle
    }

    /// Drive periods from the fault to a time, while it is there.
    pub(super) fn age(&self, time_s: f64) -> Option<f64> {
        let fault = self.fault.filter(|fault| fault.is_there(time_s))?;
        Some(self.periods(time_s) - self.periods(fault.from_s))
    }

    /// Drive periods that the fault was there.
    pub(super) fn lasted(&self) -> f64 {
        self.fault.map_or(0.0, |fault| {
            let until = fault
                .until_s
                .map_or(self.end_s, |until| until.min(self.end_s));
            self.periods(until) - self.periods(fault.from_s)
        })
    }

    /// The verdict at the end.
    pub(super) fn verdict(&self) -> Verdict {
        self.events
            .last()
            .map_or(Verdict::Undetermined(Reason::NotYetMeasured), |event| {
                event.report.verdict
            })
    }

    #[cfg(test)]
    pub(super) fn with(events: Vec<Event>, fault: Option<Fault>, starts: &[f64]) -> Self {
        Self {
            events,
            fault,
            starts: starts.to_vec(),
            end_s: 20.0,
            cycle: 2.0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn time_is_counted_in_dwells_whatever_their_length() {
        // Dwells of 1, 2 and 4 s, then one to the end at 20 s; two are a period.
        let course = Course::with(Vec::new(), None, &[0.0, 1.0, 3.0, 7.0]);
        for (time, periods) in [
            (0.0, 0.0),
            (0.5, 0.25),
            (1.0, 0.5),
            (2.0, 0.75),
            (5.0, 1.25),
            (20.0, 2.0),
        ] {
            assert!((course.periods(time) - periods).abs() < 1e-12, "{time}");
        }
    }
}
