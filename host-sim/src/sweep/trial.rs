//! One trial: a scenario run, and what came of it against what is true.

use std::fmt::Display;

use ohmsplit::Verdict;
use ohmsplit::config::Config;
use toml::Value;

use super::miss::Miss;
use crate::error::HostError;
use crate::output::{Figures, LimitFigures, Outcome, Resistance, verdict_word};
use crate::plant::LeakConductance;
use crate::rig::Event;
use crate::scenario::Scenario;
use crate::simulate::{self, Truth};
use crate::table::{Cell, Kind as Holds};

/// Columns after those of the varied fields.
pub(super) const RESULTS: [(&str, Holds); 23] = [
    ("seed", Holds::Whole),
    ("true_isolation_ohm", Holds::Real),
    ("true_weakest_ohm", Holds::Real),
    ("true_position", Holds::Real),
    ("true_verdict", Holds::Text),
    ("isolation_ohm", Holds::Real),
    ("isolation_low_ohm", Holds::Real),
    ("isolation_high_ohm", Holds::Real),
    ("weakest_ohm", Holds::Real),
    ("weakest_low_ohm", Holds::Real),
    ("weakest_high_ohm", Holds::Real),
    ("position", Holds::Real),
    ("capacitance_uF", Holds::Real),
    ("error_percent", Holds::Real),
    ("miss_half_widths", Holds::Real),
    ("worst_miss_half_widths", Holds::Real),
    ("verdict", Holds::Text),
    ("verdict_reason", Holds::Text),
    ("wrong", Holds::Flag),
    ("first_answer_s", Holds::Real),
    ("first_warning_s", Holds::Real),
    ("alarm_delay_s", Holds::Real),
    ("refusals", Holds::Text),
];

/// Runs a trial.
///
/// # Errors
/// None for a sound scenario.
pub(super) fn run(scenario: &Scenario) -> Result<Vec<Cell>, HostError> {
    let truths = simulate::truth(scenario);
    let mut seen = Seen::new(&truths);
    simulate::run(scenario, |_| (), |event| seen.take(event))?;
    Ok(seen.results(scenario))
}

/// A value without the quotes that TOML puts around words.
pub(super) fn word(value: &Value) -> String {
    match value {
        Value::String(text) => text.clone(),
        Value::Float(number) => format!("{number:?}"),
        other => other.to_string(),
    }
}

/// What was true lately.
pub(crate) struct Recent<'t> {
    truths: &'t [Truth],
    /// When the last two dwells ended.
    dwells: [f64; 2],
}

impl<'t> Recent<'t> {
    pub(crate) const fn new(truths: &'t [Truth]) -> Self {
        Self {
            truths,
            dwells: [0.0; 2],
        }
    }

    /// Takes the next event, after what is asked of it.
    pub(crate) fn take(&mut self, event: &Event) {
        if event.report.dwell_over {
            self.dwells = [self.dwells[1], event.time_s];
        }
    }

    /// What was true at some time of the drive cycle that an estimate describes: of the dwell before the last
    /// one and since.
    pub(crate) fn at(&self, time_s: f64) -> impl Iterator<Item = &'t Truth> {
        let since = self.dwells[0];
        let untils = self.truths.iter().skip(1).map(|truth| truth.from_s);
        let spans = self.truths.iter().zip(untils.chain([f64::INFINITY]));
        spans
            .filter(move |(truth, until)| truth.from_s <= time_s && *until >= since)
            .map(|(truth, _)| truth)
    }
}

/// What a run has shown so far.
struct Seen<'t> {
    truths: &'t [Truth],
    recent: Recent<'t>,
    outcome: Outcome,
    first_warning_s: Option<f64>,
    /// From when an alarm was due, and how long it took.
    alarm_due_s: Option<f64>,
    alarm_delay_s: Option<f64>,
    worst_miss: Option<f64>,
    wrong: bool,
}

impl<'t> Seen<'t> {
    fn new(truths: &'t [Truth]) -> Self {
        let due = truths.iter().find(|truth| truth.verdict == Verdict::Alarm);
        Self {
            truths,
            recent: Recent::new(truths),
            outcome: Outcome::default(),
            first_warning_s: None,
            alarm_due_s: due.map(|truth| truth.from_s),
            alarm_delay_s: None,
            worst_miss: None,
            wrong: false,
        }
    }

    fn take(&mut self, event: &Event) {
        self.outcome.take(event);
        let report = &event.report;
        if report.verdict == Verdict::Warning {
            self.first_warning_s.get_or_insert(event.time_s);
        }
        if let (Verdict::Alarm, Some(due)) = (report.verdict, self.alarm_due_s)
            && event.time_s >= due
        {
            self.alarm_delay_s.get_or_insert(event.time_s - due);
        }
        if event.unfinished {
            return;
        }
        if let Ok(estimate) = &report.estimate
            && let Some(miss) = self
                .recent
                .at(event.time_s)
                .map(|t| Miss::of_conductance(estimate, g(t)).half_widths)
                .reduce(f64::min)
        {
            self.worst_miss = Some(self.worst_miss.map_or(miss, |worst| worst.max(miss)));
        }
        self.recent.take(event);
        let due = self.alarm_due_s.is_some_and(|due| event.time_s >= due);
        self.wrong |= report.verdict == Verdict::Alarm && !due;
    }

    fn results(&self, scenario: &Scenario) -> Vec<Cell> {
        let truth = self.truths.last();
        let verdict = self.outcome.verdict();
        let missed_leak =
            truth.is_some_and(|t| verdict == Verdict::Healthy && below(&scenario.config, &t.leak));
        let seed = i64::try_from(scenario.world.seed).unwrap_or(i64::MAX);
        let mut row = vec![Cell::Whole(seed)];
        row.extend(true_cells(truth));
        row.extend(self.answer_cells(truth));
        row.extend([
            Cell::real(self.worst_miss),
            Cell::Text(verdict_word(verdict).to_owned()),
            match verdict {
                Verdict::Undetermined(reason) => Cell::Text(reason.name().to_owned()),
                _ => Cell::None,
            },
            Cell::Flag(self.wrong || missed_leak),
            Cell::real(self.outcome.first_s),
            Cell::real(self.first_warning_s),
            Cell::real(self.alarm_delay_s),
            listed(self.outcome.refused.iter()),
        ]);
        row
    }

    /// The answer at the end, and how far off it is.
    fn answer_cells(&self, truth: Option<&Truth>) -> Vec<Cell> {
        let answer = self.outcome.answer().ok();
        let figures = answer.map(Figures::of);
        let resistance = |of: fn(&Figures) -> Resistance| {
            let r = figures.as_ref().map(of);
            let value = r.and_then(|r| r.value);
            [value, r.map(|r| r.low), r.and_then(|r| r.high)]
        };
        let [isolation, weakest] = [resistance(|f| f.isolation), resistance(|f| f.weakest)];
        let position = figures.as_ref().and_then(|f| f.position);
        let capacitance = figures.as_ref().and_then(|f| f.capacitance_f);
        let true_isolation = truth.map(|t| t.leak.isolation_ohm());
        let error = isolation[0]
            .zip(true_isolation)
            .map(|(r, true_r)| 100.0 * (r / true_r - 1.0));
        let miss = answer
            .zip(truth)
            .map(|(estimate, truth)| Miss::of_conductance(estimate, g(truth)).half_widths);
        isolation
            .into_iter()
            .chain(weakest)
            .chain([position.map(|[x, _]| x), capacitance.map(|[c, _]| c * 1e6)])
            .chain([error.filter(|error| error.is_finite()), miss])
            .map(Cell::real)
            .collect()
    }
}

/// What is true at the end.
fn true_cells(truth: Option<&Truth>) -> [Cell; 4] {
    let finite = |ohm: f64| ohm.is_finite().then_some(ohm);
    [
        Cell::real(truth.and_then(|t| finite(t.leak.isolation_ohm()))),
        Cell::real(truth.and_then(|t| finite(t.leak.weakest_ohm()))),
        Cell::real(truth.and_then(|t| t.leak.position())),
        truth.map_or(Cell::None, |t| {
            Cell::Text(verdict_word(t.verdict).to_owned())
        }),
    ]
}

/// Names with their counts, as words.
pub(crate) fn listed<N: Display, C: Display>(counts: impl Iterator<Item = (N, C)>) -> Cell {
    let told: Vec<String> = counts
        .map(|(name, count)| format!("{name} {count}"))
        .collect();
    if told.is_empty() {
        Cell::None
    } else {
        Cell::Text(told.join("; "))
    }
}

/// The judged figure is clearly below the warning limit: by a fiftieth.
pub(crate) fn below(config: &Config, leak: &LeakConductance) -> bool {
    simulate::judged_ohm(config, leak) < 0.98 * LimitFigures::of(config).ohm[1]
}

/// G in siemens.
fn g(truth: &Truth) -> [f64; 2] {
    [truth.leak.positive + truth.leak.negative; 2]
}
