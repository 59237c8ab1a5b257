//! Reports of the core as floating-point figures, for people and for JSON.

use ohmsplit::config::Judged;
use ohmsplit::units::{Measured, Ohms};
use ohmsplit::{Basis, Estimate, Finding, Interval, Kind, Reading, Verdict};
use serde::Serialize;

use crate::rig::Event;

/// Value and standard uncertainty of a measured quantity of the core.
macro_rules! pair {
    ($measured:expr) => {{
        let Measured { value, u } = $measured;
        [value.get().to_num::<f64>(), u.get().to_num::<f64>()]
    }};
}
/// A resistance with its 95 % interval; a value that is not there is no number.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Resistance {
    /// Best estimate; none when it is only bounded.
    pub value: Option<f64>,
    /// Lower end, in ohms.
    pub low: f64,
    /// Upper end, in ohms; none when there is no upper bound.
    pub high: Option<f64>,
}

impl Resistance {
    fn of(kind: Kind, value: Ohms, interval: Interval<Ohms>) -> Self {
        let number = |ohms: Ohms| (ohms < Ohms::MAX).then(|| ohms.get().to_num::<f64>());
        Self {
            value: (kind == Kind::Figure).then(|| number(value)).flatten(),
            low: number(interval.low).unwrap_or(f64::MAX),
            high: number(interval.high),
        }
    }
}

/// The settled reading of a dwell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReadingFigures {
    /// v and its standard uncertainty, in volts.
    pub chassis_v: [f64; 2],
    /// Vb and its standard uncertainty, in volts.
    pub pack_v: [f64; 2],
    /// Time constant and its standard uncertainty, in seconds.
    pub time_constant_s: Option<[f64; 2]>,
    /// Length of the dwell, in seconds.
    pub dwell_s: f64,
}

impl ReadingFigures {
    /// From a reading of the core.
    #[must_use]
    pub fn of(reading: &Reading) -> Self {
        Self {
            chassis_v: pair!(reading.chassis),
            pack_v: pair!(reading.pack),
            time_constant_s: reading.time_constant.map(|tau| pair!(tau)),
            dwell_s: f64::from(reading.dwell_us) * 1e-6,
        }
    }
}

/// Isolation as estimated from one cycle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Figures {
    /// Figure, short or open.
    pub kind: Kind,
    /// R_iso.
    pub isolation: Resistance,
    /// Rp.
    pub positive: Resistance,
    /// Rn.
    pub negative: Resistance,
    /// min(Rp, Rn).
    pub weakest: Resistance,
    /// The weaker rail is the positive one.
    pub weakest_is_positive: bool,
    /// Position x and its standard uncertainty.
    pub position: Option<[f64; 2]>,
    /// Prospective touch current, in amperes; none when only bounded.
    pub touch_current_a: Option<f64>,
    /// Capacitance and its standard uncertainty, in farads.
    pub capacitance_f: Option<[f64; 2]>,
    /// Pack voltage, in volts.
    pub pack_v: f64,
}

impl Figures {
    /// From an estimate of the core.
    #[must_use]
    pub fn of(estimate: &Estimate) -> Self {
        let kind = estimate.kind;
        let [current, _] = pair!(estimate.touch_current);
        Self {
            kind,
            isolation: Resistance::of(kind, estimate.isolation, estimate.isolation_interval),
            positive: Resistance::of(kind, estimate.positive, estimate.positive_interval),
            negative: Resistance::of(kind, estimate.negative, estimate.negative_interval),
            weakest: Resistance::of(kind, estimate.weakest, estimate.weakest_interval),
            weakest_is_positive: estimate.positive_conductance.value
                > estimate.negative_conductance.value,
            position: estimate.position.map(|x| pair!(x)),
            touch_current_a: (kind == Kind::Figure).then_some(current * 1e-6),
            capacitance_f: estimate
                .capacitance
                .map(|c| pair!(c).map(|microfarads| microfarads * 1e-6)),
            pack_v: estimate.pack.get().to_num::<f64>(),
        }
    }

    /// Largest energy that the capacitance can hold, ½·C·Vb², in joules.
    #[must_use]
    pub fn energy_j(&self) -> Option<f64> {
        self.capacitance_f
            .map(|[c, _]| 0.5 * c * self.pack_v * self.pack_v)
    }

    /// The figure that is held against the limits.
    #[must_use]
    pub const fn judged(&self, judged: Judged) -> Resistance {
        match judged {
            Judged::WeakestRail => self.weakest,
            Judged::BothInParallel => self.isolation,
        }
    }
}

/// The word for a kind of answer.
#[must_use]
pub const fn kind_word(kind: Kind) -> &'static str {
    match kind {
        Kind::Figure => "figure",
        Kind::Short => "short",
        Kind::Open => "open",
    }
}

/// The word for what an estimate rests on.
#[must_use]
pub const fn basis_word(basis: Basis) -> &'static str {
    match basis {
        Basis::Settled => "settled",
        Basis::Transient => "transient",
        Basis::Sudden => "sudden",
    }
}

/// The word for a verdict.
#[must_use]
pub const fn verdict_word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Healthy => "healthy",
        Verdict::Warning => "warning",
        Verdict::Alarm => "alarm",
        Verdict::Undetermined(_) => "undetermined",
    }
}

/// A report as a JSON object. Names end in the unit; what is not known is null.
#[derive(Debug, Serialize)]
#[allow(
    non_snake_case,
    reason = "the names are those of the format, with SI unit symbols"
)]
pub struct ReportLine {
    record: &'static str,
    time_s: f64,
    sequence: u32,
    drive: &'static str,
    dwell_over: bool,
    unfinished: bool,
    settled: bool,
    reading_reason: Option<&'static str>,
    chassis_V: Option<f64>,
    chassis_u_V: Option<f64>,
    pack_V: Option<f64>,
    pack_u_V: Option<f64>,
    time_constant_s: Option<f64>,
    time_constant_u_s: Option<f64>,
    dwell_s: Option<f64>,
    verdict: &'static str,
    verdict_reason: Option<&'static str>,
    findings: Vec<&'static str>,
    basis: &'static str,
    #[serde(flatten)]
    answer: AnswerLine,
}

impl ReportLine {
    /// From a report of the core.
    #[must_use]
    pub fn of(event: &Event) -> Self {
        let report = &event.report;
        let reading = report.reading.as_ref().ok().map(ReadingFigures::of);
        let tau = reading.and_then(|reading| reading.time_constant_s);
        let (verdict, verdict_reason) = verdict_words(report.verdict);
        Self {
            record: "report",
            time_s: event.time_s,
            sequence: report.sequence,
            drive: report.drive.name(),
            dwell_over: report.dwell_over,
            unfinished: event.unfinished,
            settled: reading.is_some(),
            reading_reason: report.reading.err().map(|reason| reason.name()),
            chassis_V: reading.map(|reading| reading.chassis_v[0]),
            chassis_u_V: reading.map(|reading| reading.chassis_v[1]),
            pack_V: reading.map(|reading| reading.pack_v[0]),
            pack_u_V: reading.map(|reading| reading.pack_v[1]),
            time_constant_s: tau.map(|tau| tau[0]),
            time_constant_u_s: tau.map(|tau| tau[1]),
            dwell_s: reading.map(|reading| reading.dwell_s),
            verdict,
            verdict_reason,
            findings: report.findings.iter().map(Finding::name).collect(),
            basis: basis_word(report.basis),
            answer: AnswerLine::of(report.estimate.as_ref().map_err(|reason| reason.name())),
        }
    }
}

/// A verdict and the reason when it is undetermined.
#[must_use]
pub(super) const fn verdict_words(verdict: Verdict) -> (&'static str, Option<&'static str>) {
    let reason = match verdict {
        Verdict::Undetermined(reason) => Some(reason.name()),
        _ => None,
    };
    (verdict_word(verdict), reason)
}

/// The answer of a drive cycle as fields of a JSON object.
#[derive(Debug, Default, Serialize)]
#[allow(
    non_snake_case,
    reason = "the names are those of the format, with SI unit symbols"
)]
pub(super) struct AnswerLine {
    answer: &'static str,
    answer_reason: Option<&'static str>,
    isolation_ohm: Option<f64>,
    isolation_low_ohm: Option<f64>,
    isolation_high_ohm: Option<f64>,
    positive_ohm: Option<f64>,
    positive_low_ohm: Option<f64>,
    positive_high_ohm: Option<f64>,
    negative_ohm: Option<f64>,
    negative_low_ohm: Option<f64>,
    negative_high_ohm: Option<f64>,
    weakest_rail: Option<&'static str>,
    weakest_ohm: Option<f64>,
    weakest_low_ohm: Option<f64>,
    weakest_high_ohm: Option<f64>,
    position: Option<f64>,
    position_u: Option<f64>,
    touch_current_A: Option<f64>,
    capacitance_F: Option<f64>,
    capacitance_u_F: Option<f64>,
    stored_energy_max_J: Option<f64>,
}

impl AnswerLine {
    /// From an estimate, or the name of the reason why there is none.
    #[must_use]
    pub(super) fn of(estimate: Result<&Estimate, &'static str>) -> Self {
        let figures = match estimate {
            Ok(estimate) => Figures::of(estimate),
            Err(reason) => {
                return Self {
                    answer: "refused",
                    answer_reason: Some(reason),
                    ..Self::default()
                };
            }
        };
        let known = figures.kind != Kind::Open;
        let rail = if figures.weakest_is_positive {
            "positive"
        } else {
            "negative"
        };
        Self {
            answer: kind_word(figures.kind),
            answer_reason: None,
            isolation_ohm: figures.isolation.value,
            isolation_low_ohm: Some(figures.isolation.low),
            isolation_high_ohm: figures.isolation.high,
            positive_ohm: figures.positive.value,
            positive_low_ohm: Some(figures.positive.low),
            positive_high_ohm: figures.positive.high,
            negative_ohm: figures.negative.value,
            negative_low_ohm: Some(figures.negative.low),
            negative_high_ohm: figures.negative.high,
            weakest_rail: known.then_some(rail),
            weakest_ohm: figures.weakest.value,
            weakest_low_ohm: Some(figures.weakest.low),
            weakest_high_ohm: figures.weakest.high,
            position: figures.position.map(|x| x[0]),
            position_u: figures.position.map(|x| x[1]),
            touch_current_A: figures.touch_current_a,
            capacitance_F: figures.capacitance_f.map(|c| c[0]),
            capacitance_u_F: figures.capacitance_f.map(|c| c[1]),
            stored_energy_max_J: figures.energy_j(),
        }
    }
}
