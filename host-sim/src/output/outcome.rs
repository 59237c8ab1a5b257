//! What a run comes to: the last report that counts, and how many answered.

use std::collections::BTreeMap;

use ohmsplit::config::{Config, Judged};
use ohmsplit::{Estimate, Finding, Findings, Reason, Verdict};
use serde::Serialize;

use super::direction::{BACKWARDS, Direction, NO_CHANGE};
use super::figures::{AnswerLine, verdict_words};
use crate::rig::Event;

/// Collects events into an outcome.
#[derive(Debug, Clone, Default)]
pub struct Outcome {
    /// The report that the verdict at the end rests on.
    pub last: Option<Event>,
    /// When the first answer came, in seconds.
    pub first_s: Option<f64>,
    /// The newest answer and its time.
    pub newest: Option<(f64, Estimate)>,
    /// What the self-diagnosis found, and when it first did, in seconds.
    pub found: BTreeMap<&'static str, f64>,
    /// Dwells reported.
    pub dwells: u64,
    /// Dwells that completed an estimate.
    pub answered: u64,
    /// Dwells without one, by the name of the reason.
    pub refused: BTreeMap<&'static str, u64>,
    /// Whether v went where the drive pushes it.
    pub direction: Direction,
    /// Samples taken.
    pub samples: u64,
    /// Time of the last sample, in seconds.
    pub end_s: f64,
}

impl Outcome {
    /// Takes the next event.
    ///
    /// A dwell that the end of the samples cut short, and that therefore holds
    /// no settled reading, says nothing about the circuit: firmware would
    /// still be in it. The verdict stays that of the report before.
    pub fn take(&mut self, event: &Event) {
        let report = &event.report;
        let cut_short = event.unfinished && report.reading.is_err() && report.estimate.is_err();
        if cut_short && self.last.is_some() {
            return;
        }
        self.direction.driven(report.drive);
        if let Ok(reading) = &report.reading {
            self.direction.take(reading);
        }
        let dwells = u64::from(report.dwell_over);
        self.dwells += dwells;
        for finding in report.findings.iter() {
            self.found.entry(finding.name()).or_insert(event.time_s);
        }
        match &report.estimate {
            Ok(estimate) => {
                self.answered += dwells;
                self.first_s.get_or_insert(event.time_s);
                self.newest = Some((event.time_s, *estimate));
            }
            Err(reason) if report.dwell_over => {
                *self.refused.entry(reason.name()).or_default() += 1;
            }
            Err(_) => {}
        }
        self.last = Some(*event);
    }

    /// The verdict at the end.
    #[must_use]
    pub fn verdict(&self) -> Verdict {
        self.last
            .map_or(Verdict::Undetermined(Reason::NotYetMeasured), |event| {
                event.report.verdict
            })
    }

    /// What the self-diagnosis finds at the end.
    #[must_use]
    pub fn findings(&self) -> Findings {
        self.last
            .map_or(Findings::NONE, |event| event.report.findings)
    }

    /// The answer at the end, or why there is none.
    ///
    /// # Errors
    /// The reason of the last report.
    pub fn answer(&self) -> Result<&Estimate, Reason> {
        match &self.last {
            Some(event) => event.report.estimate.as_ref().map_err(|reason| *reason),
            None => Err(Reason::NotYetMeasured),
        }
    }

    /// What may be wrong with the recording, when the readings give it away.
    #[must_use]
    pub fn hint(&self) -> Option<&'static str> {
        let odd = self.answer() == Err(Reason::Implausible) && self.direction.is_backwards();
        let still = self.newest.is_none() && self.direction.is_one_state();
        odd.then_some(BACKWARDS).or(still.then_some(NO_CHANGE))
    }
}

/// The limits in ohms at the declared working voltage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LimitFigures {
    /// Working voltage in volts.
    pub working_v: f64,
    /// Alarm and warning limits in ohms per volt.
    pub per_volt: [f64; 2],
    /// The same in ohms.
    pub ohm: [f64; 2],
    /// Which figure is judged.
    pub judged: Judged,
}

impl LimitFigures {
    /// From the core's configuration.
    #[must_use]
    pub fn of(config: &Config) -> Self {
        let limits = config.limits();
        let working_v = limits.working_voltage.get().to_num::<f64>();
        let per_volt = [limits.alarm_ohm_per_volt, limits.warning_ohm_per_volt].map(f64::from);
        Self {
            working_v,
            per_volt,
            ohm: per_volt.map(|limit| limit * working_v),
            judged: limits.judged,
        }
    }

    /// The word for the judged figure.
    #[must_use]
    pub const fn judged_word(&self) -> &'static str {
        match self.judged {
            Judged::WeakestRail => "weakest_rail",
            Judged::BothInParallel => "both_in_parallel",
        }
    }
}

/// The outcome as a JSON object.
#[derive(Debug, Serialize)]
#[allow(
    non_snake_case,
    reason = "the names are those of the format, with SI unit symbols"
)]
pub struct FinalLine {
    record: &'static str,
    end_s: f64,
    samples: u64,
    dwells: u64,
    answered: u64,
    first_answer_s: Option<f64>,
    refused: BTreeMap<&'static str, u64>,
    findings: Vec<&'static str>,
    first_found_s: BTreeMap<&'static str, f64>,
    verdict: &'static str,
    verdict_reason: Option<&'static str>,
    judged: &'static str,
    working_voltage_V: f64,
    alarm_ohm: f64,
    warning_ohm: f64,
    cells_in_series: Option<u32>,
    hint: Option<&'static str>,
    #[serde(flatten)]
    answer: AnswerLine,
}

impl FinalLine {
    /// From an outcome.
    #[must_use]
    pub fn of(outcome: &Outcome, limits: &LimitFigures, cells_in_series: Option<u32>) -> Self {
        let (verdict, verdict_reason) = verdict_words(outcome.verdict());
        Self {
            record: "final",
            end_s: outcome.end_s,
            samples: outcome.samples,
            dwells: outcome.dwells,
            answered: outcome.answered,
            first_answer_s: outcome.first_s,
            refused: outcome.refused.clone(),
            findings: outcome.findings().iter().map(Finding::name).collect(),
            first_found_s: outcome.found.clone(),
            verdict,
            verdict_reason,
            judged: limits.judged_word(),
            working_voltage_V: limits.working_v,
            alarm_ohm: limits.ohm[0],
            warning_ohm: limits.ohm[1],
            cells_in_series,
            hint: outcome.hint(),
            answer: AnswerLine::of(outcome.answer().map_err(Reason::name)),
        }
    }
}

#[cfg(test)]
mod tests {
    use ohmsplit::config::Drive;
    use ohmsplit::{Basis, Findings, Report};

    use super::*;

    fn refused(reason: Reason, verdict: Verdict, unfinished: bool) -> Event {
        Event {
            time_s: 1.0,
            unfinished,
            report: Report {
                sequence: 0,
                drive: Drive::Raise,
                dwell_over: true,
                reading: Err(reason),
                basis: Basis::Settled,
                estimate: Err(reason),
                judged: Judged::WeakestRail,
                findings: Findings::NONE,
                verdict,
            },
        }
    }

    #[test]
    fn a_dwell_that_the_end_of_the_samples_cut_short_does_not_change_the_verdict() {
        let short = Verdict::Undetermined(Reason::RecordTooShort);
        let mut outcome = Outcome::default();
        assert_eq!(outcome.answer(), Err(Reason::NotYetMeasured));
        outcome.take(&refused(Reason::NotSettled, Verdict::Alarm, false));
        outcome.take(&refused(Reason::RecordTooShort, short, true));
        assert_eq!(outcome.verdict(), Verdict::Alarm);
        assert_eq!(outcome.answer(), Err(Reason::NotSettled));
        assert_eq!((outcome.dwells, outcome.refused.len()), (1, 1));
    }

    #[test]
    fn the_only_dwell_counts_even_when_cut_short() {
        let short = Verdict::Undetermined(Reason::RecordTooShort);
        let mut outcome = Outcome::default();
        outcome.take(&refused(Reason::RecordTooShort, short, true));
        assert_eq!(outcome.verdict(), short);
    }
}
