//! The proposal tried as a whole: the core measures the designed network in
//! the simulated plant, with parts that are off.

use ohmsplit::Verdict;

use super::budget::Budget;
use super::candidate::Candidate;
use super::rank::{Rated, limits_ohm};
use super::sheet::Sheet;
use crate::document::Document;
use crate::error::HostError;
use crate::network::{FrontEndKind, JudgedWord};
use crate::scenario::{FORMAT, Scenario};
use crate::simulate;

/// Runs of a trial.
pub const RUNS: u32 = 40;

/// A leak of a scenario: from when on, Rp and Rn in ohms.
pub type Stage = (f64, f64, f64);

/// A scenario document of the proposal: half of the capacitance to each rail,
/// parts drawn from their limits.
#[must_use]
pub fn scenario(
    sheet: &Sheet,
    candidate: &Candidate,
    [name, description]: [&str; 2],
    (duration_s, seed, pack_v): (f64, u64, f64),
    leaks: &[Stage],
) -> String {
    let converter = &sheet.converter;
    let half = sheet.pack.capacitance_max_uf / 2.0;
    let noise = [candidate.chassis, candidate.pack].map(|channel| {
        // The plant's converters round by themselves.
        let codes =
            converter.noise_codes * channel.span_v(sheet) / 2f64.powi(i32::from(converter.bits));
        codes.hypot(converter.noise_at_terminals_v)
    });
    let names = match converter.front_end {
        FrontEndKind::ChassisAndPack => ["noise_chassis_V", "noise_pack_V"],
        FrontEndKind::RailPair => ["noise_positive_V", "noise_negative_V"],
    };
    let stages: String = leaks
        .iter()
        .map(|(from, positive, negative)| {
            format!(
                "\n[[leak]]\nfrom_s = {from:?}\npositive_ohm = {positive:?}\nnegative_ohm = {negative:?}\n"
            )
        })
        .collect();
    format!(
        "format = \"{FORMAT}\"\nname = {}\ndescription = {}\nseed = {seed}\n\
         duration_s = {duration_s:?}\nsample_rate_Hz = {:?}\n\n{}{stages}\n\
         [capacitance]\npositive_uF = {half:?}\nnegative_uF = {half:?}\n\n\
         [pack_profile]\nstart_V = {pack_v:?}\n\n\
         [disturbance]\n{} = {:.9}\n{} = {:.9}\n\n[parts]\ndraw = true\n",
        toml::Value::from(name),
        toml::Value::from(description),
        converter.sample_rate_hz,
        candidate.tables(sheet, "network.", false),
        names[0],
        noise[0],
        names[1],
        noise[1],
    )
}

/// What one run came to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Run {
    /// When the judged interval first lay within the accuracy wanted.
    pub answered_s: Option<f64>,
    /// Error of the judged figure at the end, in percent of the truth.
    pub error_percent: f64,
    /// The same for the ends of the 95 % interval; the upper one may be none.
    pub interval_percent: [f64; 2],
}

impl Run {
    /// The interval at the end holds the truth.
    #[must_use]
    pub fn holds(&self) -> bool {
        self.interval_percent[0] <= 0.0 && self.interval_percent[1] >= 0.0
    }
}

/// The circuit of a budget, measured again and again, each time with
/// parts and noise of another seed. Runs that end without a figure are none.
///
/// # Errors
/// When the scenario cannot be run: a defect of the design.
pub fn trial(
    sheet: &Sheet,
    rated: &Rated,
    budget: &Budget,
    seed: u64,
) -> Result<Vec<Run>, HostError> {
    let ohm = |siemens: f64| 1.0 / siemens;
    let leak = (0.0, ohm(budget.leak.positive), ohm(budget.leak.negative));
    let duration = (2.0 * sheet.wanted.answer_within_s)
        .max(4.0 * rated.candidate.timing.dwell_min_s)
        .min(600.0);
    let text = scenario(
        sheet,
        &rated.candidate,
        ["trial", ""],
        (duration, seed, budget.pack_v),
        &[leak],
    );
    let mut scenario = Scenario::parse(&Document::embedded("the trial's scenario", &text))?;
    let mut runs = Vec::new();
    for run in 0..RUNS {
        scenario.world.seed = seed.wrapping_add(u64::from(run));
        runs.extend(one(sheet, &scenario, budget.ohm)?);
    }
    Ok(runs)
}

/// Longest that a warning is waited for, in seconds: beyond the 100 s of IEC 61557-8.
pub const WAITED_S: f64 = 120.0;

/// Runs in which the warning is waited for.
const WAITS: u32 = 3;

/// Seconds from the beginning of a leak of half of the warning limit, in a
/// battery without any, to the warning: the slowest of a few runs, infinite
/// when it does not come. IEC 61557-8 has its response time so (from memory,
/// not verified).
///
/// # Errors
/// When the scenario cannot be run: a defect of the design.
pub fn noticed_s(sheet: &Sheet, rated: &Rated, seed: u64) -> Result<f64, HostError> {
    let none = f64::INFINITY;
    let healthy_s = (4.0 * sheet.wanted.answer_within_s).clamp(20.0, 600.0);
    let [warning, _] = limits_ohm(sheet);
    let text = scenario(
        sheet,
        &rated.candidate,
        ["response", ""],
        (healthy_s + WAITED_S, seed, sheet.working_v()),
        &[(0.0, none, none), (healthy_s, 0.5 * warning, none)],
    );
    let mut scenario = Scenario::parse(&Document::embedded("the trial's scenario", &text))?;
    let mut slowest = 0.0f64;
    for run in 0..WAITS {
        scenario.world.seed = seed.wrapping_add(u64::from(run));
        let mut warned = none;
        simulate::run(
            &scenario,
            |_| (),
            |event| {
                let warns = matches!(event.report.verdict, Verdict::Warning | Verdict::Alarm);
                if event.time_s > healthy_s && warns && warned == none {
                    warned = event.time_s - healthy_s;
                }
            },
        )?;
        slowest = slowest.max(warned);
    }
    Ok(slowest)
}

fn one(sheet: &Sheet, scenario: &Scenario, ohm: f64) -> Result<Option<Run>, HostError> {
    let mut run: Option<Run> = None;
    let wanted = sheet.wanted.accuracy_percent;
    simulate::run(
        scenario,
        |_| (),
        |event| {
            let Ok(estimate) = &event.report.estimate else {
                return;
            };
            let (value, interval) = match sheet.limits.judged {
                JudgedWord::WeakestRail => (estimate.weakest, estimate.weakest_interval),
                JudgedWord::BothInParallel => (estimate.isolation, estimate.isolation_interval),
            };
            let of = |ohms: ohmsplit::units::Ohms| (ohms.get().to_num::<f64>() / ohm - 1.0) * 100.0;
            let interval_percent = [of(interval.low), of(interval.high)];
            let within = interval_percent[1] - interval_percent[0] <= 2.0 * wanted;
            let before = run.and_then(|run| run.answered_s);
            run = Some(Run {
                answered_s: before.or(within.then_some(event.time_s)),
                error_percent: of(value),
                interval_percent,
            });
        },
    )?;
    Ok(run)
}
