//! All proposals, each held against what is wanted, the one with the most room first.

use rayon::prelude::*;

use super::answer::{COVERAGE, HORIZON, bound_time, time_constant};
use super::budget::{Budget, POSITIONS, worst};
use super::candidate::{Candidate, DriveChoice};
use super::check;
use super::circuit::{Leak, Monitor};
use super::series::Series;
use super::sheet::Sheet;
use crate::network::{JudgedWord, Readings};

/// Drive resistances that are tried: every other value of E24 in these decades.
const DRIVE_DECADES: [i32; 4] = [4, 5, 6, 7];

/// Measuring dividers that are tried, in ohms.
const DIVIDERS: [f64; 5] = [1.0e6, 2.2e6, 4.7e6, 10.0e6, 22.0e6];

/// What is wanted, in the order of [`Rated::uses`].
pub const WANTED: [&str; 5] = ["accuracy", "time to answer", "current", "burden", "swing"];

/// A proposal and what it does.
#[derive(Debug, Clone)]
pub struct Rated {
    /// The proposal.
    pub candidate: Candidate,
    /// Its parts.
    pub monitor: Monitor,
    /// Worst error budget at the warning limit.
    pub warning: Budget,
    /// Worst error budget at the alarm limit.
    pub alarm: Budget,
    /// Time from power-up after which the record can tell the figure at either
    /// limit as accurately as wanted, in seconds.
    pub answer_s: f64,
    /// Time constant at the warning limit, in seconds.
    pub tau_s: f64,
    /// Time constant of a pack without any leak, in seconds.
    pub tau_healthy_s: f64,
    /// Most current that the monitor pushes into the chassis, in amperes.
    pub current_a: f64,
    /// What the monitor itself loads the isolation to, in ohms, by the judged figure.
    pub burden_ohm: f64,
    /// Least move of the chassis between the drive states at the alarm limit, in volts.
    pub swing_v: f64,
    /// Part of each requirement that is used; above 1 it is not met.
    pub uses: [f64; 5],
}

impl Rated {
    /// Holds a proposal against the sheet; none when the core refuses it.
    #[must_use]
    pub fn new(sheet: &Sheet, candidate: Candidate) -> Option<Self> {
        let mut rated = Self::but_time(sheet, candidate)?;
        rated.time(sheet, HORIZON * sheet.wanted.answer_within_s);
        Some(rated)
    }

    /// All but the time to answer, which takes longest to find. The check resistor
    /// is chosen where the rest does what is wanted.
    pub(super) fn but_time(sheet: &Sheet, candidate: Candidate) -> Option<Self> {
        let driven = Self::of(sheet, candidate)?;
        if !sheet.drive.checks() || !driven.works() {
            return Some(driven);
        }
        let check = check::choose(sheet, &driven.candidate, &driven.monitor)?;
        let candidate = Candidate {
            check: Some(check),
            ..candidate
        };
        Self::of(sheet, candidate)
    }

    fn of(sheet: &Sheet, candidate: Candidate) -> Option<Self> {
        let network = candidate.network(sheet).ok()?;
        let monitor = Monitor::of(&network.config(Readings::Codes).ok()?);
        let [at_warning, at_alarm] = limits_ohm(sheet);
        let warning = worst(sheet, &candidate, &monitor, at_warning);
        let alarm = worst(sheet, &candidate, &monitor, at_alarm);
        let wanted = &sheet.wanted;
        let current_a = most_current(sheet, &monitor);
        let burden_ohm = burden(&monitor, sheet.limits.judged);
        let swing_v = least_swing(sheet, &monitor);
        let u_percent = warning.u_percent().max(alarm.u_percent());
        let leak = warning.leak.positive + warning.leak.negative;
        let uses = [
            COVERAGE * u_percent / wanted.accuracy_percent,
            0.0,
            current_a / (wanted.current_max_ma * 1e-3),
            sheet.burden_min() * sheet.working_v() / burden_ohm,
            wanted.swing_min_v / swing_v,
        ];
        Some(Self {
            tau_s: time_constant(sheet, &monitor, leak),
            tau_healthy_s: time_constant(sheet, &monitor, 0.0),
            candidate,
            monitor,
            warning,
            alarm,
            answer_s: 0.0,
            current_a,
            burden_ohm,
            swing_v,
            uses,
        })
    }

    /// Finds the time to answer, at the slower of the two limits. Parts and
    /// noise add as squares: what the parts leave of the accuracy, noise may take.
    pub(super) fn time(&mut self, sheet: &Sheet, until_s: f64) {
        let u_wanted = sheet.wanted.accuracy_percent / COVERAGE;
        let times = [&self.warning, &self.alarm].map(|budget| {
            let left = u_wanted.powi(2) - budget.u_percent().powi(2);
            let case = [budget.ohm, left.max(0.0).sqrt(), until_s];
            bound_time(sheet, &self.candidate, &self.monitor, case)
        });
        self.answer_s = times[0].max(times[1]);
        self.uses[1] = self.answer_s / sheet.wanted.answer_within_s;
    }

    /// The largest part of a requirement that is used.
    #[must_use]
    pub fn tightest(&self) -> f64 {
        self.uses.into_iter().fold(0.0, f64::max)
    }

    /// All requirements are met.
    #[must_use]
    pub fn works(&self) -> bool {
        self.tightest() <= 1.0
    }

    /// 95 % half-width of the judged figure at the limits, the wider of the
    /// two, that the parts alone leave, in percent.
    #[must_use]
    pub fn accuracy_percent(&self) -> f64 {
        COVERAGE * self.warning.u_percent().max(self.alarm.u_percent())
    }
}

/// Warning and alarm limit in ohms.
#[must_use]
pub fn limits_ohm(sheet: &Sheet) -> [f64; 2] {
    [sheet.limits.warning_ohm_per_v, sheet.limits.alarm_ohm_per_v]
        .map(|limit| limit * sheet.working_v())
}

/// Most current that the monitor pushes, in any state, with the chassis at
/// either rail and the pack at its highest voltage.
pub(super) fn most_current(sheet: &Sheet, monitor: &Monitor) -> f64 {
    let exact = monitor.without_errors();
    let most = sheet.pack.voltage_max_v;
    monitor
        .states()
        .map(|drive| monitor.pushes(drive, &exact))
        .flat_map(|push| [0.0, most].map(|v| push.current(v, most).abs()))
        .fold(0.0, f64::max)
}

/// Least move of the chassis at the alarm limit, wherever the leak sits.
fn least_swing(sheet: &Sheet, monitor: &Monitor) -> f64 {
    let [_, ohm] = limits_ohm(sheet);
    POSITIONS
        .map(|x| Leak::judged(sheet.limits.judged, ohm, x))
        .map(|leak| monitor.swing(leak, sheet.pack.voltage_min_v))
        .into_iter()
        .fold(f64::INFINITY, f64::min)
}

/// Resistance to which the monitor itself loads the isolation, in its worst state.
#[must_use]
pub fn burden(monitor: &Monitor, judged: JudgedWord) -> f64 {
    let exact = monitor.without_errors();
    let loads = monitor.states().map(|drive| {
        let push = monitor.pushes(drive, &exact);
        match judged {
            JudgedWord::WeakestRail => push.p.max(push.g - push.p),
            JudgedWord::BothInParallel => push.g,
        }
    });
    1.0 / loads.fold(0.0, f64::max)
}

/// Every proposal for a sheet, the one with the most room first: that whose
/// largest use of a requirement is smallest, then that with the smallest sum of
/// all, in whole percent, then that with the fewest parts.
#[must_use]
pub fn sweep(sheet: &Sheet) -> Vec<Rated> {
    let mut rated: Vec<Rated> = candidates(sheet)
        .into_par_iter()
        .filter_map(|candidate| Rated::new(sheet, candidate))
        .collect();
    // The key once for each: whole percent, so that what nobody would notice decides nothing.
    rated.sort_by_cached_key(|one| {
        let whole = |part: f64| (part * 100.0).ceil().min(1e9) as u64;
        let sum = one.uses.into_iter().map(whole).sum::<u64>();
        (whole(one.tightest()), sum, one.candidate.resistors())
    });
    rated
}

/// Every proposal that can be built.
fn candidates(sheet: &Sheet) -> Vec<Candidate> {
    let values = Series::E24.decade();
    let ohms = DRIVE_DECADES.into_iter().flat_map(|decade| {
        values
            .iter()
            .step_by(2)
            .map(move |digits| digits * 10f64.powi(decade))
    });
    let ohms: Vec<f64> = ohms.take_while(|&ohm| ohm <= 3.3e7).collect();
    DriveChoice::permitted(sheet)
        .into_iter()
        .flat_map(|drive| ohms.iter().map(move |&ohm| (drive, ohm)))
        .flat_map(|(drive, ohm)| DIVIDERS.map(|divider| (drive, ohm, divider)))
        .filter_map(|(drive, ohm, divider)| Candidate::build(sheet, drive, ohm, divider))
        .collect()
}
