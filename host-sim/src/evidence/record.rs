//! What the report needs of a run, collected as it goes, in bounded memory.

use std::collections::BTreeMap;

use ohmsplit::config::{Config, Drive, Row};
use ohmsplit::units::{Microsiemens, Volts};
use ohmsplit::{Basis, Estimate, Kind, Reading, Reason, Report, Verdict};

use super::thin::{Marks, Stretches, Thinned};
use crate::output::{Figures, Outcome, ReadingFigures, Trace};
use crate::rig::Event;

/// Most answers drawn.
const ANSWERS: usize = 480;
/// Most settled readings drawn.
const READINGS: usize = 400;

/// An answer of the core.
#[derive(Debug, Clone, Copy)]
pub(super) struct Answer {
    pub(super) time_s: f64,
    pub(super) figures: Figures,
    pub(super) basis: Basis,
}

/// A settled reading of the core.
#[derive(Debug, Clone, Copy)]
pub(super) struct Settled {
    pub(super) time_s: f64,
    pub(super) drive: Drive,
    pub(super) figures: ReadingFigures,
    /// How far v may trail behind a moving pack voltage, in volts.
    pub(super) lag_v: f64,
    /// Reading less the voltage that the answer before it predicts, in
    /// standard uncertainties of the reading.
    pub(super) residual: Option<f64>,
}

/// What a finding is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Topic {
    /// A dwell gave no figure.
    Answer,
    /// There is a figure, and no verdict follows from it.
    Verdict,
    /// A dwell gave no settled reading.
    Reading,
}

/// A run, as far as a report shows it.
#[derive(Debug, Clone)]
pub struct Record {
    /// What the run comes to.
    pub outcome: Outcome,
    pub(super) trace: Trace,
    pub(super) answers: Thinned<Answer>,
    pub(super) settled: Thinned<Settled>,
    pub(super) verdicts: Stretches,
    /// By topic and code of the reason.
    pub(super) findings: BTreeMap<(Topic, u8), (Reason, Marks)>,
    /// Answers by what they rest on: settled, transient, sudden.
    pub(super) bases: [u64; 3],
    rows: [Row; 4],
    /// The newest answers of this dwell and of one before it.
    newest: Option<(u32, Estimate)>,
    earlier: Option<Estimate>,
}

impl Record {
    /// A record of nothing yet.
    #[must_use]
    pub fn new(config: &Config) -> Self {
        Self {
            outcome: Outcome::default(),
            trace: Trace::new(config),
            answers: Thinned::new(ANSWERS),
            settled: Thinned::new(READINGS),
            verdicts: Stretches::default(),
            findings: BTreeMap::new(),
            bases: [0; 3],
            rows: Drive::ALL.map(|drive| config.network().row(drive)),
            newest: None,
            earlier: None,
        }
    }

    /// When the last eighth of the run begins, in seconds: the stretch for
    /// which a truth that holds at the end is drawn.
    #[must_use]
    pub fn last_part_s(&self) -> f64 {
        let [start, end] = self.trace.span_s();
        end - (end - start) / 8.0
    }

    /// Takes a sample.
    #[inline]
    pub fn sample(&mut self, time_s: f64, codes: [i32; 2]) {
        self.outcome.samples += 1;
        self.outcome.end_s = time_s;
        self.trace.push(time_s, codes);
    }

    /// Takes a report of the core.
    pub fn event(&mut self, event: &Event) {
        self.outcome.take(event);
        let report = &event.report;
        // A dwell that the end of the samples cut short says nothing.
        if event.unfinished && report.reading.is_err() && report.estimate.is_err() {
            return;
        }
        self.verdicts.push(event.time_s, report.verdict);
        if let Ok(reading) = &report.reading {
            self.settled.push(Settled {
                time_s: event.time_s,
                drive: report.drive,
                figures: ReadingFigures::of(reading),
                lag_v: reading.lag.get().to_num::<f64>(),
                residual: self.residual(report.sequence, reading),
            });
        }
        if let Ok(estimate) = &report.estimate {
            self.answers.push(Answer {
                time_s: event.time_s,
                figures: Figures::of(estimate),
                basis: report.basis,
            });
            self.remember(report, estimate);
        }
        self.find(event.time_s, report);
    }

    /// Every reason that a report names, under what it is about.
    fn find(&mut self, time_s: f64, report: &Report) {
        let verdict = match (report.estimate, report.verdict) {
            (Ok(_), Verdict::Undetermined(reason)) => Some(reason),
            _ => None,
        };
        let over = report.dwell_over;
        let found = [
            (Topic::Answer, report.estimate.err().filter(|_| over)),
            (Topic::Verdict, verdict.filter(|_| over)),
            (Topic::Reading, report.reading.err().filter(|_| over)),
        ];
        for (topic, reason) in found {
            let Some(reason) = reason else { continue };
            let place = self.findings.entry((topic, reason.code()));
            let (_, marks) = place.or_insert_with(|| (reason, Marks::default()));
            marks.push(time_s);
        }
    }

    fn remember(&mut self, report: &Report, estimate: &Estimate) {
        let basis = match report.basis {
            Basis::Settled => 0,
            Basis::Transient => 1,
            Basis::Sudden => 2,
        };
        self.bases[basis] += 1;
        if let Some((sequence, newest)) = self.newest
            && sequence != report.sequence
        {
            self.earlier = Some(newest);
        }
        self.newest = Some((report.sequence, *estimate));
    }

    /// The current that is left over at the chassis node (Kirchhoff's current
    /// law) when the reading is put into the circuit as the answer before this
    /// dwell describes it, as a voltage: divided by all conductance on the node.
    fn residual(&self, sequence: u32, reading: &Reading) -> Option<f64> {
        let before = match &self.newest {
            Some((newest, estimate)) if *newest != sequence => Some(estimate),
            _ => self.earlier.as_ref(),
        }?;
        if before.kind == Kind::Short {
            return None;
        }
        let siemens = |g: Microsiemens| g.get().to_num::<f64>();
        let volts = |v: Volts| v.get().to_num::<f64>();
        let row = self.rows[reading.drive.index()];
        let [gp, gn] = [before.positive_conductance, before.negative_conductance]
            .map(|measured| siemens(measured.value));
        let (v, pack) = (volts(reading.chassis.value), volts(reading.pack.value));
        let pushed = row.current(reading.chassis.value, reading.pack.value);
        let left = gp * (pack - v) - gn * v + pushed.get().to_num::<f64>();
        let residual = left / (gp + gn + siemens(row.g)) / volts(reading.chassis.u);
        // Positive when the reading is higher than predicted.
        residual.is_finite().then_some(-residual)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::document::Document;
    use crate::scenario::Scenario;
    use crate::simulate;
    use crate::test_car::scenario_with;

    /// 1 MΩ at 0.3 that wanders to 0.6 at 40 s: the chassis rises.
    fn car() -> String {
        scenario_with(&[
            ("duration_s = 20.0", "duration_s = 80.0"),
            (
                "[network.pack]",
                "[network]\nmonitor = \"settled\"\n[network.pack]",
            ),
            (
                "[capacitance]",
                "[[leak]]\nfrom_s = 40.0\nresistance_ohm = 1.0e6\nposition = 0.6\n[capacitance]",
            ),
            ("positive_uF = 0.1", "positive_uF = 0.02"),
            ("negative_uF = 0.1", "negative_uF = 0.02"),
        ]) + "[disturbance]\nnoise_chassis_V = 0.1\nnoise_pack_V = 0.1\n"
    }

    fn record() -> Record {
        let scenario = Scenario::parse(&Document::embedded("car", &car())).expect("sound");
        let record = std::cell::RefCell::new(Record::new(&scenario.config));
        simulate::run(
            &scenario,
            |row| record.borrow_mut().sample(row.time_s, row.sample.codes),
            |event| record.borrow_mut().event(event),
        )
        .expect("a sound run");
        record.into_inner()
    }

    #[test]
    fn residuals_are_of_the_size_of_u_until_the_circuit_changes() {
        let record = record();
        let of = |from: f64, to: f64| -> Vec<f64> {
            let readings = record.settled.iter();
            readings
                .filter(|reading| (from..to).contains(&reading.time_s))
                .filter_map(|reading| reading.residual)
                .collect()
        };
        for quiet in [of(2.0, 40.0), of(50.0, 80.0)] {
            let mean_square = quiet.iter().map(|r| r * r).sum::<f64>() / quiet.len() as f64;
            assert!(quiet.len() > 20, "{quiet:?}");
            assert!((0.3..2.5).contains(&mean_square.sqrt()), "{mean_square}");
        }
        // Higher than the answer before it predicts.
        let largest = of(40.0, 45.0).into_iter().fold(0.0, f64::max);
        assert!(largest > 50.0, "{largest}");
    }

    #[test]
    fn refusals_are_counted_as_the_final_figures_count_them() {
        let record = record();
        let counted: u64 = record
            .findings
            .iter()
            .filter(|((topic, _), _)| *topic == Topic::Answer)
            .map(|(_, (_, marks))| marks.count)
            .sum();
        assert_eq!(counted, record.outcome.refused.values().sum::<u64>());
        let answers: u64 = record.bases.iter().sum();
        // The settled monitor answers once a dwell, from settled readings alone.
        assert_eq!(
            (record.bases[0], answers),
            (record.outcome.answered, record.outcome.answered)
        );
    }
}
