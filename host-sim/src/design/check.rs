//! The check resistor: to which rail, of what value, and what it shows.
//!
//! The two driven states give G and Gp. In the third, rest with a known resistor
//! Rt from a rail to the chassis, they must balance what it carries:
//!
//! ```text
//! r = G·v − Gp·Vb − i(v, Vb) = 0        i = (Vb − v)/Rt from P, −v/Rt from N, and what is pushed at rest
//! ```
//!
//! The core calls r a contradiction where it is beyond six standard uncertainties
//! of noise together with every part and channel at its tolerance, three standard
//! uncertainties ([`ohmsplit::diagnose`]). To first order a part shows once it is
//! off by that sum over what it moves r by itself; until then it is an error of
//! the judged figure that nobody notices. Both rails and all values are tried: the
//! largest such error, of any part of the drive or channel, should be smallest.

use super::answer::block_noise;
use super::budget::{Place, Source, sources};
use super::candidate::Candidate;
use super::chain::Chain;
use super::circuit::{Errors, Leak, Monitor, Role};
use super::rank::{burden, limits_ohm, most_current};
use super::series::Series;
use super::sheet::Sheet;
use crate::network::{JudgedWord, Rail};

/// A chain that the check alone connects.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CheckChoice {
    /// The rail that it leads to.
    pub rail: Rail,
    /// What it is made of.
    pub chain: Chain,
}

impl CheckChoice {
    /// In words.
    #[must_use]
    pub fn words(&self) -> String {
        format!("{} to {}", self.chain.words(), self.rail.letter())
    }
}

/// What a check makes of a part or channel that is off, with one leak.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shown {
    /// Relative deviation from which on it is contradicted; above 1 it is not shown.
    pub off: f64,
    /// Error of the judged conductance that goes unnoticed below that deviation, or
    /// below 1, as a part of the conductance at the warning limit.
    pub unnoticed: f64,
}

/// Largest deviation of a part that counts: it has doubled.
const MOST: f64 = 1.0;

/// What the core takes for the tolerance of a part and of a gain that declare none.
const UNDECLARED: [f64; 2] = [0.01, 0.002];

/// Standard uncertainties of noise that are no contradiction.
const SURE: f64 = 6.0;

/// Part of the current and of the burden wanted that a check may take, even where
/// the driven states take less: common practice, no source.
const SHARE: f64 = 0.5;

/// Decades of values that are tried, every fourth of E24.
const DECADES: [i32; 3] = [4, 5, 6];

/// The resistor that leaves least unnoticed, of those that take no more of the
/// current and the burden wanted than the driven states, or half of it. None where
/// no such chain can be built.
#[must_use]
pub fn choose(sheet: &Sheet, candidate: &Candidate, monitor: &Monitor) -> Option<CheckChoice> {
    let volts = candidate.drive.volts_across(sheet.pack.voltage_max_v);
    let [current, load] = taken(sheet, monitor).map(|part| part.max(SHARE));
    let digits = Series::E24.decade();
    let values = DECADES.into_iter().flat_map(|decade| {
        let of = move |digits: &f64| digits * 10f64.powi(decade);
        digits.iter().step_by(4).map(of)
    });
    let mut best: Option<(f64, CheckChoice)> = None;
    for chain in values.filter_map(|ohm| Chain::near(sheet, ohm, volts)) {
        for rail in [Rail::Negative, Rail::Positive] {
            let choice = CheckChoice { rail, chain };
            let with = monitor.with_check(chain.ohm(), rail == Rail::Positive);
            let [more_current, more_load] = taken(sheet, &with);
            if more_current > current || more_load > load {
                continue;
            }
            let unnoticed = shown(sheet, candidate, &with)
                .iter()
                .flat_map(|(_, shown)| shown.map(|one| one.unnoticed))
                .fold(0.0, f64::max);
            if best.is_none_or(|(least, _)| unnoticed < least) {
                best = Some((unnoticed, choice));
            }
        }
    }
    best.map(|(_, choice)| choice)
}

/// Parts of the current and the burden wanted that all states take.
fn taken(sheet: &Sheet, monitor: &Monitor) -> [f64; 2] {
    [
        most_current(sheet, monitor) / (sheet.wanted.current_max_ma * 1e-3),
        sheet.burden_min() * sheet.working_v() / burden(monitor, sheet.limits.judged),
    ]
}

/// What the check makes of each part of the drive and each channel that is off, and
/// of the drive's resistors off alike: at the working voltage, without a leak and
/// with one at the warning limit in the middle of the stack.
#[must_use]
pub fn shown(sheet: &Sheet, candidate: &Candidate, monitor: &Monitor) -> Vec<(String, [Shown; 2])> {
    let [warning, _] = limits_ohm(sheet);
    let none = Leak {
        positive: 0.0,
        negative: 0.0,
    };
    let leaking = Leak::judged(sheet.limits.judged, warning, 0.5);
    let sources = sources(sheet, candidate, monitor);
    let balances =
        [none, leaking].map(|leak| Balance::new(sheet, candidate, monitor, &sources, leak));
    suspects(&sources)
        .into_iter()
        .map(|(name, parts)| (name, balances.each_ref().map(|one| one.shown(&parts))))
        .collect()
}

/// What may be off: places in the list of sources that are off together.
fn suspects(sources: &[Source]) -> Vec<(String, Vec<usize>)> {
    let drives = |source: &Source| matches!(source.place, Place::Resistance(_, Role::Drive));
    let all: Vec<usize> = (0..sources.len())
        .filter(|&n| drives(&sources[n]))
        .collect();
    let mut found = Vec::new();
    if all.len() > 1 {
        found.push(("drive resistors, alike".to_owned(), all));
    }
    for (n, source) in sources.iter().enumerate() {
        if drives(source) || matches!(source.place, Place::Source | Place::Gain(_)) {
            found.push((source.name.clone(), vec![n]));
        }
    }
    found
}

/// The balance of the check with one leak: what moves it, and by how much it may miss.
struct Balance {
    /// Of r in amperes, and of Gp and Gn in siemens, for each source by its unit.
    moves: Vec<[f64; 3]>,
    /// What is no contradiction, in amperes.
    allowed: f64,
    /// Conductance at the warning limit.
    limit: f64,
    judged: JudgedWord,
}

impl Balance {
    fn new(
        sheet: &Sheet,
        candidate: &Candidate,
        monitor: &Monitor,
        sources: &[Source],
        leak: Leak,
    ) -> Self {
        let pack_v = sheet.working_v();
        let moves: Vec<[f64; 3]> = sources
            .iter()
            .map(|source| {
                let step = source.limit.max(1e-4);
                let [high, low] = [step, -step].map(|value| {
                    let mut errors = monitor.without_errors();
                    source.put(&mut errors, value);
                    let missed = monitor.contradiction(leak, pack_v, [&errors; 3]);
                    let found = monitor.measured(leak, pack_v, &errors);
                    [
                        missed.unwrap_or(f64::NAN),
                        found.map_or(f64::NAN, |leak| leak.positive),
                        found.map_or(f64::NAN, |leak| leak.negative),
                    ]
                });
                [0, 1, 2].map(|n| (high[n] - low[n]) / (2.0 * step))
            })
            .collect();
        let tolerances = sources.iter().zip(&moves).map(|(source, [missed, ..])| {
            // Three standard uncertainties of t/√3.
            let tolerance = match source.place {
                Place::Gain(_) if source.limit == 0.0 => UNDECLARED[1],
                Place::Resistance(..) | Place::Source if source.limit == 0.0 => UNDECLARED[0],
                _ => source.limit * 3f64.sqrt(),
            };
            missed.abs() * tolerance
        });
        let allowed = tolerances.sum::<f64>() + SURE * noise(sheet, candidate, monitor, leak);
        Self {
            moves,
            allowed,
            limit: 1.0 / limits_ohm(sheet)[0],
            judged: sheet.limits.judged,
        }
    }

    /// What comes of parts that are off together.
    fn shown(&self, parts: &[usize]) -> Shown {
        let moved = |of: usize| parts.iter().map(|&n| self.moves[n][of]).sum::<f64>();
        let missed = moved(0).abs();
        let off = self.allowed / missed;
        let off = if off.is_nan() { f64::INFINITY } else { off };
        let [positive, negative] = [moved(1), moved(2)];
        let figure = match self.judged {
            JudgedWord::WeakestRail => positive.abs().max(negative.abs()),
            JudgedWord::BothInParallel => (positive + negative).abs(),
        };
        Shown {
            off,
            unnoticed: off.min(MOST) * figure / self.limit,
        }
    }
}

/// Standard uncertainty of the balance from the noise of the shortest dwells, in amperes.
fn noise(sheet: &Sheet, candidate: &Candidate, monitor: &Monitor, leak: Leak) -> f64 {
    let exact = monitor.without_errors();
    let pack_v = sheet.working_v();
    let missed = |errors: [&Errors; 3]| {
        let found = monitor.contradiction(leak, pack_v, errors);
        found.unwrap_or(f64::NAN)
    };
    let still = missed([&exact; 3]);
    let blocks = candidate.timing.dwell_min_s / (candidate.timing.block_ms * 1e-3);
    let mut sum = 0.0;
    for state in 0..3 {
        for (n, channel) in [candidate.chassis, candidate.pack].iter().enumerate() {
            let mut noisy = exact.clone();
            noisy.offset[n] = block_noise(sheet, channel.noise_v(sheet)) / blocks.sqrt();
            let mut errors = [&exact; 3];
            errors[state] = &noisy;
            sum += (missed(errors) - still).powi(2);
        }
    }
    sum.sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::design::candidate::DriveChoice;
    use crate::design::rank::Rated;
    use crate::design::sheet::EXAMPLE;
    use crate::document::Document;
    use crate::network::{DriveKind, Readings};
    use ohmsplit::config::Drive;

    fn sheet() -> Sheet {
        Sheet::parse(&Document::embedded("e", EXAMPLE)).expect("the example is good")
    }

    fn all(sheet: &Sheet) -> Vec<Rated> {
        let choices = DriveChoice::permitted(sheet).into_iter();
        choices
            .map(|drive| {
                let candidate = Candidate::build(sheet, drive, 1e6, 22e6).expect("built");
                Rated::new(sheet, candidate).expect("accepted")
            })
            .filter(Rated::works)
            .collect()
    }

    #[test]
    fn a_check_takes_no_more_than_the_driven_states_or_half_of_what_is_permitted() {
        let sheet = sheet();
        let all = all(&sheet);
        assert!(all.len() > 3);
        for one in all {
            let check = one.candidate.check.expect("a check resistor");
            let driven = Candidate {
                check: None,
                ..one.candidate
            };
            let network = driven.network(&sheet).expect("accepted");
            let driven = Monitor::of(&network.config(Readings::Codes).expect("accepted"));
            let [before, after] = [&driven, &one.monitor].map(|of| taken(&sheet, of));
            for n in 0..2 {
                assert!(after[n] <= before[n].max(SHARE), "{}", check.words());
            }
            // By hand: the resistor beside the divider, a rail at the chassis.
            let volts = sheet.pack.voltage_max_v;
            let load = 1.0 / one.candidate.chassis.load_ohm();
            let carried = match check.rail {
                Rail::Positive => volts / check.chain.ohm(),
                Rail::Negative => volts * (1.0 / check.chain.ohm() + load),
            };
            assert!(one.current_a >= carried * 0.999);
        }
    }

    #[test]
    fn without_a_check_there_is_no_resistor() {
        let text = EXAMPLE.replace("every 10 cycles", "never");
        let sheet = Sheet::parse(&Document::embedded("e", &text)).expect("good");
        assert!(all(&sheet).iter().all(|one| one.candidate.check.is_none()));
    }

    #[test]
    fn a_scale_of_the_drive_leaves_the_resistors_current_by_what_is_known() {
        // With all that is driven scaled by s the answer is (G, Gp)/s, a divider counted in,
        // and the balance misses by (1/s − 1) of what the resistor carries: by hand.
        let sheet = sheet();
        let leak = Leak {
            positive: 2e-6,
            negative: 1e-6,
        };
        let drive = DriveChoice {
            kind: DriveKind::SourceToNegative,
            volts: 48.0,
        };
        let candidate = Candidate::build(&sheet, drive, 1e6, 22e6).expect("built");
        let network = candidate.network(&sheet).expect("accepted");
        let driven = Monitor::of(&network.config(Readings::Codes).expect("accepted"));
        for (to_positive, rail) in [(true, 400.0), (false, 0.0)] {
            let monitor = driven.with_check(5e5, to_positive);
            let exact = monitor.without_errors();
            let mut errors = exact.clone();
            let names = monitor.branch_names();
            for ((_, role), off) in names.iter().zip(&mut errors.resistance) {
                if *role == Role::Drive {
                    *off = 0.1;
                }
            }
            let missed = |errors| {
                let missed = monitor.contradiction(leak, 400.0, [errors; 3]);
                missed.expect("a balance")
            };
            assert!(missed(&exact).abs() < 1e-12);
            let v = monitor.settled(Drive::Check, leak, 400.0, &exact);
            let due = (rail - v) / 5e5 * 0.1;
            assert!((missed(&errors) / due - 1.0).abs() < 1e-6);
        }
    }
}
