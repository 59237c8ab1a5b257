//! What one run came to, before its fault and after it.

use ohmsplit::{Finding, Report, Verdict};

use super::PERIODS_MAX;
use super::course::Course;
use crate::output::LimitFigures;
use crate::plant::LeakConductance;
use crate::scenario::{Cause, Scenario};
use crate::simulate::{Truth, judged_ohm};
use crate::sweep::{DECEIVED, Miss, Recent, below};
use crate::table::Cell;

/// What deceives.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Wrong {
    /// The interval of this figure misses the truth by more than three half-widths.
    Figure(&'static str),
    /// The verdict is not that of the truth.
    Verdict,
    /// Healthy stands, and nothing has been measured for three periods.
    Stale,
}

impl Wrong {
    const fn word(self) -> &'static str {
        match self {
            Self::Figure(figure) => figure,
            Self::Verdict => "verdict",
            Self::Stale => "stale",
        }
    }
}

/// A part of a run.
#[derive(Debug, Clone, Copy, Default)]
struct Part {
    wrong: Option<Wrong>,
    worst_miss: Option<f64>,
}

impl Part {
    fn take(&mut self, wrong: Option<Wrong>, miss: Option<Miss>) {
        self.wrong = self.wrong.or(wrong);
        if let Some(miss) = miss.map(|miss| miss.half_widths) {
            self.worst_miss = Some(self.worst_miss.map_or(miss, |worst| worst.max(miss)));
        }
    }
}

/// The assessment of a run.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Assessment {
    faulty: bool,
    /// A verdict was given before the fault.
    judged: bool,
    before: Part,
    /// What was found before the fault.
    found: Option<&'static str>,
    /// What withheld the verdict after one had been given, before the fault.
    refused: Option<&'static str>,
    /// Later than three periods after the fault, with no finding.
    after: Part,
    /// What told the fault first, and after how many periods.
    told: Option<(&'static str, f64)>,
    /// Drive periods that the fault was there.
    lasted: f64,
}

/// A finding that withholds `healthy`.
fn finding(report: &Report) -> Option<&'static str> {
    let mut findings = report.findings.iter();
    findings.find(|found| found.withholds()).map(Finding::name)
}

/// The reason that withholds a verdict.
fn refusal(report: &Report) -> Option<&'static str> {
    match report.verdict {
        Verdict::Undetermined(reason) => Some(reason.name()),
        _ => None,
    }
}

impl Assessment {
    /// Assesses a run.
    pub(super) fn of(scenario: &Scenario, truths: &[Truth], course: &Course) -> Self {
        let mut recent = Recent::new(truths);
        let farads = scenario.world.capacitance.farads().iter().sum();
        let (mut measured_s, mut newest) = (0.0, None);
        let mut all = Self {
            faulty: course.fault.is_some(),
            lasted: course.lasted(),
            ..Self::default()
        };
        for event in &course.events {
            let (report, time_s) = (&event.report, event.time_s);
            let age = course.age(time_s);
            let cause = age.and(course.fault).map(|fault| fault.what);
            let leaks: Vec<Possible> = recent
                .at(time_s)
                .map(|t| Possible::of(&t.leak, cause))
                .collect();
            // One that repeats to the last bit is told again, not measured again.
            let measured = report.estimate.as_ref().ok().map(|found| found.conductance);
            if measured.is_some() && measured != newest {
                (measured_s, newest) = (time_s, measured);
            }
            // What a fault does to the other figures, a false gain for instance, is no business of its finding.
            let of = |estimate, leak: &Possible| match age {
                None => Miss::worst(estimate, &leak.leaks[0], farads),
                Some(_) => Miss::of_conductance(estimate, leak.range),
            };
            let miss = report.estimate.as_ref().ok().and_then(|estimate| {
                let all = leaks.iter().map(|leak| of(estimate, leak));
                all.min_by(|a, b| a.half_widths.total_cmp(&b.half_widths))
            });
            let silent = course.periods(time_s) - course.periods(measured_s);
            let beyond = miss.filter(|miss| miss.half_widths > DECEIVED);
            let wrong = if let Some(miss) = beyond {
                Some(Wrong::Figure(miss.figure))
            } else if !leaks.is_empty()
                && leaks
                    .iter()
                    .all(|leak| leak.contradicts(report.verdict, scenario))
            {
                Some(Wrong::Verdict)
            } else if report.verdict == Verdict::Healthy && silent > PERIODS_MAX {
                Some(Wrong::Stale)
            } else {
                None
            };
            match age {
                None if course.fault.is_none_or(|fault| time_s < fault.from_s) => {
                    all.take_healthy(report, wrong, miss);
                }
                Some(age) => all.take_faulty(report, age, wrong, miss),
                // The fault is over.
                None => {}
            }
            recent.take(event);
        }
        all
    }

    fn take_healthy(&mut self, report: &Report, wrong: Option<Wrong>, miss: Option<Miss>) {
        self.found = self.found.or(finding(report));
        match refusal(report) {
            None => self.judged = true,
            Some(reason) if self.judged => self.refused = self.refused.or(Some(reason)),
            Some(_) => {}
        }
        self.before.take(wrong, miss);
    }

    fn take_faulty(&mut self, report: &Report, age: f64, wrong: Option<Wrong>, miss: Option<Miss>) {
        let found = finding(report);
        let named = found.or(refusal(report));
        self.told = self.told.or(named.map(|name| (name, age)));
        if age > PERIODS_MAX && found.is_none() {
            self.after.take(wrong, miss);
        }
    }

    /// Something was confident and wrong.
    pub(super) const fn deceived(&self) -> bool {
        self.before.wrong.is_some() || self.after.wrong.is_some()
    }

    /// The word for the part before the fault.
    pub(super) const fn before(&self) -> &'static str {
        if self.before.wrong.is_some() {
            "wrong"
        } else if self.found.is_some() {
            "found"
        } else if !self.judged {
            "blind"
        } else if self.refused.is_some() {
            "refused"
        } else {
            "quiet"
        }
    }

    /// The word for what the fault came to.
    pub(super) fn outcome(&self) -> Option<&'static str> {
        let in_time = self.told.is_some_and(|(_, age)| age <= PERIODS_MAX);
        self.faulty.then_some(if self.after.wrong.is_some() {
            "missed"
        } else if !self.judged {
            "withheld"
        } else if in_time {
            "detected"
        } else if self.lasted <= PERIODS_MAX {
            "short"
        } else {
            "safe"
        })
    }

    pub(super) fn before_cells(&self) -> [Cell; 2] {
        let by = self
            .before
            .wrong
            .map(Wrong::word)
            .or(self.found)
            .or(self.refused);
        [Cell::Text(self.before().to_owned()), word(by)]
    }

    pub(super) fn after_cells(&self) -> [Cell; 6] {
        [
            word(self.outcome()),
            word(self.told.map(|(name, _)| name)),
            Cell::real(self.told.map(|(_, age)| age)),
            word(self.after.wrong.map(Wrong::word)),
            Cell::real(self.before.worst_miss),
            Cell::real(self.after.worst_miss),
        ]
    }
}

fn word(text: Option<&str>) -> Cell {
    text.map_or(Cell::None, |text| Cell::Text(text.to_owned()))
}

/// What may be said of a leak while a fault is there.
struct Possible {
    /// G, in siemens: anything between these.
    range: [f64; 2],
    /// What the verdict may be on.
    leaks: [LeakConductance; 2],
}

impl Possible {
    fn of(leak: &LeakConductance, cause: Option<Cause>) -> Self {
        let g = leak.positive + leak.negative;
        match cause {
            Some(Cause::OtherMonitor { series_ohm, .. }) => {
                let more = LeakConductance {
                    negative: leak.negative + 1.0 / series_ohm,
                    ..*leak
                };
                Self {
                    range: [g, g + 1.0 / series_ohm],
                    leaks: [*leak, more],
                }
            }
            Some(Cause::LeakRectifies { reverse_percent }) => Self {
                range: [g * reverse_percent / 100.0, g],
                leaks: [*leak; 2],
            },
            _ => Self {
                range: [g; 2],
                leaks: [*leak; 2],
            },
        }
    }

    /// The verdict is wrong of all that the leak may be.
    fn contradicts(&self, verdict: Verdict, scenario: &Scenario) -> bool {
        self.leaks
            .iter()
            .all(|leak| contradicts(verdict, leak, scenario))
    }
}

fn contradicts(verdict: Verdict, leak: &LeakConductance, scenario: &Scenario) -> bool {
    let config = &scenario.config;
    let judged = judged_ohm(config, leak);
    let [alarm, warning] = LimitFigures::of(config).ohm;
    match verdict {
        Verdict::Healthy => below(config, leak),
        Verdict::Warning => judged < 0.98 * alarm || judged > 2.0 * warning,
        Verdict::Alarm => judged > warning,
        Verdict::Undetermined(_) => false,
    }
}
