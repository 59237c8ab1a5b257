//! What is known at a moment, and how it came about.

use ohmsplit::Estimate;
use ohmsplit::config::{Config, Drive};

use super::Flow;
use crate::capture::Row;
use crate::error::HostError;
use crate::output::{Figures, LimitFigures, Outcome, ReadingFigures, Resistance};
use crate::rig::Event;

/// Most marks kept, more than a terminal has columns; then two become one.
const MARKS: usize = 2048;

/// One report in the history.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Mark {
    pub(super) time_s: f64,
    /// R_iso; none where nothing is known of it.
    pub(super) isolation: Option<Resistance>,
}

impl Mark {
    fn of(time_s: f64, estimate: Option<&Estimate>) -> Self {
        Self {
            time_s,
            isolation: estimate
                .map(|estimate| Figures::of(estimate).isolation)
                // That it is above nothing says nothing.
                .filter(|found| found.value.or(found.high).is_some() || found.low >= 1.0),
        }
    }

    /// The one with the lower resistance: what must not be lost.
    fn worse(self, other: Self) -> Self {
        let low = |mark: &Self| mark.isolation.map_or(f64::INFINITY, |found| found.low);
        if low(&other) < low(&self) {
            other
        } else {
            self
        }
    }
}

/// All that is shown.
#[derive(Debug, Clone)]
pub struct State {
    pub(super) title: String,
    pub(super) limits: LimitFigures,
    pub(super) outcome: Outcome,
    /// Drive state of the newest sample.
    pub(super) drive: Option<Drive>,
    /// The newest time constant that a transient showed, and when: value and u.
    pub(super) time_constant: Option<(f64, [f64; 2])>,
    pub(super) history: Vec<Mark>,
    pub(super) flow: Flow,
    /// Lines that were no rows, and what was wrong with the last one.
    pub(super) skipped: (u64, String),
}

impl State {
    /// Nothing has come yet.
    #[must_use]
    pub fn new(title: &str, config: &Config) -> Self {
        Self {
            title: title.to_owned(),
            limits: LimitFigures::of(config),
            outcome: Outcome::default(),
            drive: None,
            time_constant: None,
            history: Vec::new(),
            flow: Flow::Open(std::time::Duration::ZERO),
            skipped: (0, String::new()),
        }
    }

    /// What the run comes to.
    #[must_use]
    pub const fn outcome(&self) -> &Outcome {
        &self.outcome
    }

    /// Limits of the verdict.
    #[must_use]
    pub const fn limits(&self) -> &LimitFigures {
        &self.limits
    }

    /// Takes a sample.
    pub fn sample(&mut self, row: &Row) {
        self.outcome.samples += 1;
        self.outcome.end_s = row.time_s;
        self.drive = Some(row.drive);
    }

    /// Takes note of a line that is no row.
    pub fn skipped(&mut self, error: &HostError) {
        self.skipped = (self.skipped.0 + 1, error.problem.clone());
    }

    /// Takes a report.
    pub fn event(&mut self, event: &Event) {
        self.outcome.take(event);
        let report = &event.report;
        let reading = report.reading.as_ref().ok().map(ReadingFigures::of);
        if let Some(tau) = reading.and_then(|reading| reading.time_constant_s) {
            self.time_constant = Some((event.time_s, tau));
        }
        if report.dwell_over || report.estimate.is_ok() {
            self.remember(Mark::of(event.time_s, report.estimate.as_ref().ok()));
        }
    }

    /// Whether samples still come.
    pub const fn flow(&mut self, flow: Flow) {
        self.flow = flow;
    }

    fn remember(&mut self, mark: Mark) {
        if self.history.len() == MARKS {
            self.history = self
                .history
                .chunks(2)
                .map(|pair| pair.iter().skip(1).fold(pair[0], |a, b| a.worse(*b)))
                .collect();
        }
        self.history.push(mark);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_history_keeps_its_worst_moment() {
        let config = crate::test_car::config();
        let mut state = State::new("", &config);
        for n in 0..100_000 {
            let low = if n == 4321 { 10.0 } else { 1e6 };
            state.remember(Mark {
                time_s: f64::from(n),
                isolation: (n % 3 == 0 || n == 4321).then_some(Resistance {
                    value: Some(2.0 * low),
                    low,
                    high: None,
                }),
            });
        }
        assert!(state.history.len() <= MARKS);
        let worst = state.history.iter().filter_map(|mark| mark.isolation);
        assert_eq!(worst.filter(|found| found.low < 100.0).count(), 1);
        assert!(state.history.is_sorted_by(|a, b| a.time_s < b.time_s));
    }
}
