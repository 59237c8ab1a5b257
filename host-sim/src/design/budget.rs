//! The error budget: what each part's limit of error does to the judged
//! figure, the worst of all together, and a Monte Carlo of them.
//!
//! A limit of error ±t is taken as a rectangular distribution, u = t/√3, and
//! independent parts add as squares (JCGM 100:2008, 4.3.7 and 5.1.2; from
//! memory, not verified). The resistors of one chain come from one reel: they
//! are taken to err together, so that a chain is no better than one of them.

use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};

use super::candidate::Candidate;
use super::circuit::{Errors, Leak, Monitor, Role};
use super::sheet::Sheet;
use crate::network::{DriveKind, JudgedWord};

/// Places in the stack at which a leak is tried.
pub const POSITIONS: [f64; 3] = [0.0, 0.5, 1.0];

/// One source of error.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// What it is.
    pub part: String,
    /// Its limit of error: percent, or volts for an offset.
    pub limit: f64,
    /// `%` or `V`.
    pub unit: &'static str,
    /// What its limit does to the judged resistance, in percent.
    pub effect_percent: f64,
}

impl Line {
    /// Standard uncertainty of the judged resistance, in percent.
    #[must_use]
    pub fn u_percent(&self) -> f64 {
        self.effect_percent.abs() / 3f64.sqrt()
    }
}

/// The judged conductance, on a rail that is fixed beforehand: the smaller of
/// two resistances that are off reads low on average, which is no error of a part.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Figure {
    /// 1/Rp.
    Positive,
    /// 1/Rn.
    Negative,
    /// 1/Rp + 1/Rn.
    Parallel,
}

impl Figure {
    fn of(self, leak: &Leak) -> f64 {
        match self {
            Self::Positive => leak.positive,
            Self::Negative => leak.negative,
            Self::Parallel => leak.positive + leak.negative,
        }
    }
}

/// The budget of one circuit.
#[derive(Debug, Clone, PartialEq)]
pub struct Budget {
    /// The leak.
    pub leak: Leak,
    /// What is judged of it.
    pub figure: Figure,
    /// Where it sits.
    pub position: f64,
    /// The judged resistance in ohms.
    pub ohm: f64,
    /// The pack voltage.
    pub pack_v: f64,
    /// By source.
    pub lines: Vec<Line>,
}

impl Budget {
    /// Combined standard uncertainty, in percent.
    #[must_use]
    pub fn u_percent(&self) -> f64 {
        self.lines
            .iter()
            .map(|line| line.u_percent().powi(2))
            .sum::<f64>()
            .sqrt()
    }

    /// All parts at the end of their limits, each the wrong way, in percent.
    #[must_use]
    pub fn worst_percent(&self) -> f64 {
        self.lines
            .iter()
            .map(|line| line.effect_percent.abs())
            .sum()
    }
}

/// What Monte Carlo found, in percent of the judged resistance.
#[derive(Debug, Clone, PartialEq)]
pub struct Spread {
    /// Trials.
    pub trials: u32,
    /// Mean.
    pub mean: f64,
    /// Standard deviation.
    pub deviation: f64,
    /// 2.5 % and 97.5 % points.
    pub interval: [f64; 2],
    /// Lowest and highest.
    pub range: [f64; 2],
    /// Standard deviation with each part drawn alone, in the order of the budget's lines.
    pub by_part: Vec<f64>,
}

/// A source of error and how its value enters.
pub(super) struct Source {
    pub(super) name: String,
    /// Limit of error: relative, but in volts for an offset.
    pub(super) limit: f64,
    unit: &'static str,
    pub(super) place: Place,
}

/// Where an error enters.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Place {
    Resistance(usize, Role),
    Source,
    Gain(usize),
    Offset(usize),
}

impl Source {
    pub(super) fn put(&self, errors: &mut Errors, value: f64) {
        match self.place {
            Place::Resistance(n, _) => errors.resistance[n] = value,
            Place::Source => errors.source = value,
            Place::Gain(n) => errors.gain[n] = value,
            Place::Offset(n) => errors.offset[n] = value,
        }
    }
}

/// Every source of error of the two driven states.
fn driven_sources(sheet: &Sheet, candidate: &Candidate, monitor: &Monitor) -> Vec<Source> {
    let mut all = sources(sheet, candidate, monitor);
    all.retain(|source| !matches!(source.place, Place::Resistance(_, Role::Check)));
    all
}

/// Every source of error of a proposal.
pub(super) fn sources(sheet: &Sheet, candidate: &Candidate, monitor: &Monitor) -> Vec<Source> {
    let tolerance = sheet.resistor.tolerance_percent / 100.0;
    let mut all = Vec::new();
    for (place, (rail, role)) in monitor.branch_names().into_iter().enumerate() {
        all.push(Source {
            name: format!("{} to {rail}", role.words()),
            limit: tolerance,
            unit: "%",
            place: Place::Resistance(place, role),
        });
    }
    if candidate.drive.kind != DriveKind::SwitchedResistors {
        all.push(Source {
            name: "source voltage".to_owned(),
            limit: sheet.drive.source_tolerance_percent / 100.0,
            unit: "%",
            place: Place::Source,
        });
    }
    let names = sheet.converter.front_end.channels();
    for (n, channel) in [candidate.chassis, candidate.pack].into_iter().enumerate() {
        all.push(Source {
            name: format!("{} channel, gain", names[n]),
            limit: channel.gain_percent(sheet) / 100.0,
            unit: "%",
            place: Place::Gain(n),
        });
        all.push(Source {
            name: format!("{} channel, offset", names[n]),
            limit: channel.offset_v(sheet),
            unit: "V",
            place: Place::Offset(n),
        });
    }
    all
}

/// Percent by which the resistance that belongs to a measured conductance is off.
fn off_percent(figure: Figure, leak: &Leak, measured: Option<Leak>) -> f64 {
    let found = measured.map_or(0.0, |leak| figure.of(&leak));
    if found > 0.0 {
        (figure.of(leak) / found - 1.0) * 100.0
    } else {
        f64::INFINITY
    }
}

/// The budget for a judged resistance at one place and pack voltage. At x = 1/2
/// the weaker rail is either: the worse counts.
#[must_use]
pub fn budget(sheet: &Sheet, candidate: &Candidate, monitor: &Monitor, case: [f64; 3]) -> Budget {
    let [_, position, _] = case;
    let of = |figure| budget_of(sheet, candidate, monitor, case, figure);
    match sheet.limits.judged {
        JudgedWord::BothInParallel => of(Figure::Parallel),
        JudgedWord::WeakestRail if position < 0.5 => of(Figure::Negative),
        JudgedWord::WeakestRail if position > 0.5 => of(Figure::Positive),
        JudgedWord::WeakestRail => {
            let [one, other] = [of(Figure::Positive), of(Figure::Negative)];
            if one.u_percent() < other.u_percent() {
                other
            } else {
                one
            }
        }
    }
}

fn budget_of(
    sheet: &Sheet,
    candidate: &Candidate,
    monitor: &Monitor,
    [ohm, position, pack_v]: [f64; 3],
    figure: Figure,
) -> Budget {
    let leak = Leak::judged(sheet.limits.judged, ohm, position);
    let effect = |source: &Source, value: f64| {
        let mut errors = monitor.without_errors();
        source.put(&mut errors, value);
        let found = monitor.measured(leak, pack_v, &errors);
        -(found.map_or(f64::NAN, |leak| figure.of(&leak)) * ohm - 1.0) * 100.0
    };
    let lines = driven_sources(sheet, candidate, monitor)
        .iter()
        .map(|source| Line {
            part: source.name.clone(),
            limit: source.limit * if source.unit == "%" { 100.0 } else { 1.0 },
            unit: source.unit,
            // To first order: half of the difference between the ends.
            effect_percent: (effect(source, source.limit) - effect(source, -source.limit)) / 2.0,
        })
        .collect();
    Budget {
        leak,
        figure,
        position,
        ohm,
        pack_v,
        lines,
    }
}

/// The worst budget at a judged resistance: over the stack and both ends of
/// the pack voltage.
#[must_use]
pub fn worst(sheet: &Sheet, candidate: &Candidate, monitor: &Monitor, ohm: f64) -> Budget {
    let ends = [sheet.pack.voltage_min_v, sheet.pack.voltage_max_v];
    let at = |x, pack_v| budget(sheet, candidate, monitor, [ohm, x, pack_v]);
    let cases = POSITIONS.map(|x| ends.map(|pack_v| at(x, pack_v)));
    cases
        .into_iter()
        .flatten()
        .fold(at(0.5, ends[0]), |worst, next| {
            if worst.u_percent() < next.u_percent() {
                next
            } else {
                worst
            }
        })
}

/// Draws every part evenly within its limits, and measures.
#[must_use]
pub fn monte_carlo(
    sheet: &Sheet,
    candidate: &Candidate,
    monitor: &Monitor,
    budget: &Budget,
    trials: u32,
    seed: u64,
) -> Spread {
    let sources = driven_sources(sheet, candidate, monitor);
    // A stream for all parts together, and one for each part alone.
    let drawn = |number: u64, sources: &[Source]| -> Vec<f64> {
        let mut stream = ChaCha8Rng::seed_from_u64(seed);
        stream.set_stream(number);
        let one = |_| {
            let mut errors = monitor.without_errors();
            for source in sources {
                let place = stream.random::<f64>() * 2.0 - 1.0;
                source.put(&mut errors, place * source.limit);
            }
            let measured = monitor.measured(budget.leak, budget.pack_v, &errors);
            off_percent(budget.figure, &budget.leak, measured)
        };
        (0..trials).map(one).collect()
    };
    let alone = sources.iter().zip(1..);
    let by_part = alone
        .map(|(source, number)| mean_and_deviation(&drawn(number, std::slice::from_ref(source)))[1])
        .collect();
    let mut found = drawn(0, &sources);
    found.sort_by(f64::total_cmp);
    let point = |part: f64| {
        let place = (part * (f64::from(trials) - 1.0)).round() as usize;
        found.get(place).copied().unwrap_or(f64::NAN)
    };
    let [mean, deviation] = mean_and_deviation(&found);
    Spread {
        trials,
        mean,
        deviation,
        interval: [point(0.025), point(0.975)],
        range: [point(0.0), point(1.0)],
        by_part,
    }
}

fn mean_and_deviation(found: &[f64]) -> [f64; 2] {
    let n = found.len() as f64;
    let mean = found.iter().sum::<f64>() / n;
    let square = found.iter().map(|one| (one - mean).powi(2)).sum::<f64>();
    [mean, (square / (n - 1.0)).sqrt()]
}
