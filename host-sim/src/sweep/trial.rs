//! One trial: a scenario run, and what came of it against what is true.

use std::fmt::Display;

use ohmsplit::config::Judged;
use ohmsplit::{Estimate, Kind, Verdict};
use toml::Value;

use super::plan::Plan;
use crate::error::HostError;
use crate::output::{Figures, Outcome, Resistance, verdict_word};
use crate::rig::Event;
use crate::scenario::Scenario;
use crate::simulate::{self, Truth};
use crate::table::{Cell, Columns, Kind as Holds};

/// Half-widths of a 95 % interval by which it may miss before it deceives.
pub(super) const DECEIVED: f64 = 3.0;

/// Columns after those of the varied fields.
const RESULTS: [(&str, Holds); 23] = [
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

/// The columns of a sweep's trials.
pub(super) fn columns(plan: &Plan) -> Columns {
    let whole = ["cell", "trial"].map(|name| (name.to_owned(), Holds::Whole));
    let (fields, _) = plan.fields();
    let results = RESULTS.map(|(name, kind)| (name.to_owned(), kind));
    whole
        .into_iter()
        .chain(fields.into_iter().map(|field| (field, Holds::Text)))
        .chain(results)
        .collect()
}

/// Runs a trial.
///
/// # Errors
/// When its values do not go together.
pub(super) fn run(plan: &Plan, trial: usize) -> Result<Vec<Cell>, HostError> {
    let (scenario, values) = plan.scenario(trial)?;
    let truths = simulate::truth(&scenario);
    let mut seen = Seen::new(&truths);
    simulate::run(&scenario, |_| (), |event| seen.take(event))?;
    let cell = trial / plan.trials as usize;
    let mut row = vec![Cell::Whole(cell as i64), Cell::Whole(trial as i64)];
    row.extend(values.iter().map(|value| Cell::Text(word(value))));
    row.extend(seen.results(&scenario));
    Ok(row)
}

/// A value without the quotes that TOML puts around words.
pub(super) fn word(value: &Value) -> String {
    match value {
        Value::String(text) => text.clone(),
        Value::Float(number) => format!("{number:?}"),
        other => other.to_string(),
    }
}

/// What a run has shown so far.
struct Seen<'t> {
    truths: &'t [Truth],
    outcome: Outcome,
    first_warning_s: Option<f64>,
    /// From when an alarm was due, and how long it took.
    alarm_due_s: Option<f64>,
    alarm_delay_s: Option<f64>,
    worst_miss: Option<f64>,
    wrong: bool,
    /// When the last two dwells ended.
    dwells: [f64; 2],
}

impl<'t> Seen<'t> {
    fn new(truths: &'t [Truth]) -> Self {
        let due = truths.iter().find(|truth| truth.verdict == Verdict::Alarm);
        Self {
            truths,
            outcome: Outcome::default(),
            first_warning_s: None,
            alarm_due_s: due.map(|truth| truth.from_s),
            alarm_delay_s: None,
            worst_miss: None,
            wrong: false,
            dwells: [0.0; 2],
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
            && let Some(miss) = self.least_miss(estimate, event.time_s)
        {
            self.worst_miss = Some(self.worst_miss.map_or(miss, |worst| worst.max(miss)));
        }
        if report.dwell_over {
            self.dwells = [self.dwells[1], event.time_s];
        }
        let due = self.alarm_due_s.is_some_and(|due| event.time_s >= due);
        self.wrong |= report.verdict == Verdict::Alarm && !due;
    }

    /// By how much an estimate misses what was true at some time of the drive
    /// cycle that it describes: of the dwell before the last one and since.
    fn least_miss(&self, estimate: &Estimate, time_s: f64) -> Option<f64> {
        let untils = self.truths.iter().skip(1).map(|truth| truth.from_s);
        let spans = self.truths.iter().zip(untils.chain([f64::INFINITY]));
        spans
            .filter(|(truth, until)| truth.from_s <= time_s && *until >= self.dwells[0])
            .map(|(truth, _)| miss(estimate, truth))
            .reduce(f64::min)
    }

    fn results(&self, scenario: &Scenario) -> Vec<Cell> {
        let truth = self.truths.last();
        let verdict = self.outcome.verdict();
        let missed_leak = truth.is_some_and(|t| verdict == Verdict::Healthy && below(scenario, t));
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
            .map(|(estimate, truth)| miss(estimate, truth));
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
pub(super) fn listed<N: Display, C: Display>(counts: impl Iterator<Item = (N, C)>) -> Cell {
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
fn below(scenario: &Scenario, truth: &Truth) -> bool {
    let limits = &scenario.network.limits;
    let judged = match scenario.config.limits().judged {
        Judged::WeakestRail => truth.leak.weakest_ohm(),
        Judged::BothInParallel => truth.leak.isolation_ohm(),
    };
    judged < 0.98 * limits.warning_ohm_per_v * scenario.network.pack.working_voltage_v
}

/// By how many half-widths of its 95 % interval an estimate of G misses. A short
/// has a least G only, which may lie above the truth.
fn miss(estimate: &Estimate, truth: &Truth) -> f64 {
    let [g, u] = [estimate.conductance.value, estimate.conductance.u]
        .map(|g| g.get().to_num::<f64>() * 1e-6);
    let true_g = truth.leak.positive + truth.leak.negative;
    if estimate.kind == Kind::Short {
        return (g - true_g).max(0.0) / (1.96 * u);
    }
    (g - true_g).abs() / (1.96 * u)
}
