//! What is told when nothing new is measured, and when the clock changes.

use crate::config::{Channel, Check, Config, Drive, Element, FrontEnd, Judged, Limits, Timing};
use crate::sudden::Stage;
use crate::units::{Ohms, Volts};
use crate::{Basis, Finding, Report, Sample, Sampler, Step, SwiftMonitor, Verdict};

const PACK: f64 = 400.0;
/// A healthy leak of 2 MΩ at 0.3 of the stack, and 50 nF.
const LEAK: f64 = 0.5;
const POSITION: f64 = 0.3;
const CAPACITANCE: f64 = 0.05;

fn config() -> Config {
    with(Check::Never)
}

fn with(check: Check) -> Config {
    let channel = Channel::bipolar(24, Volts::from_int(4096));
    let front_end = FrontEnd::ChassisAndPack {
        chassis: channel,
        pack: channel,
    };
    let source = Element::source_to_negative(Volts::from_int(40), Ohms::from_int(1_000_000));
    let limits = Limits::new(Volts::from_int(400), Judged::WeakestRail);
    let mut timing = Timing::default();
    timing.check = check;
    Config::try_new(front_end, &[source], timing, limits).expect("sound")
}

/// The circuit, its sampler and its monitor.
struct Bench<'c> {
    config: &'c Config,
    sampler: Sampler,
    monitor: SwiftMonitor<'c>,
    v: f64,
    at_us: u32,
    drive: Drive,
    /// Seconds since the drive changed.
    age: f64,
    /// What the source gives of what it should.
    source: f64,
    reports: std::vec::Vec<Report>,
}

impl<'c> Bench<'c> {
    fn new(config: &'c Config) -> Self {
        let monitor = SwiftMonitor::new(config);
        Self {
            config,
            sampler: Sampler::new(config),
            drive: monitor.drive(),
            monitor,
            v: 0.4 * PACK,
            at_us: 0,
            age: 0.0,
            source: 1.0,
            reports: std::vec::Vec::new(),
        }
    }

    fn push(&mut self, codes: [i32; 2], drive: Drive) {
        let sample = Sample {
            at_us: self.at_us,
            drive,
            codes,
        };
        let Some(block) = self.sampler.push(&sample) else {
            return;
        };
        self.monitor.accept(&block);
        loop {
            match self.monitor.step() {
                Step::Idle => break,
                Step::Busy => {}
                Step::Answer(report) => self.reports.push(report),
            }
        }
    }

    /// The circuit for a time. Stamps are `stamp_us` apart, milliseconds in truth;
    /// for `deaf` seconds after a drive change no sample arrives.
    fn measure(&mut self, seconds: f64, stamp_us: u32, deaf: f64) -> std::vec::Vec<Report> {
        self.reports.clear();
        for _ in 0..(seconds * 1e3) as u32 {
            let wanted = self.monitor.drive();
            self.age = if wanted == self.drive {
                self.age + 1e-3
            } else {
                0.0
            };
            self.drive = wanted;
            let row = self.config.network().row(wanted);
            let [g, p, i] = [row.g.get(), row.p.get(), row.i.get()].map(|x| x.to_num::<f64>());
            let load = LEAK + g;
            let end = ((POSITION * LEAK + p) * PACK + i * self.source) / load;
            self.v = end + (self.v - end) * (-load * 1e-3 / CAPACITANCE).exp();
            self.at_us = self.at_us.wrapping_add(stamp_us);
            if self.age >= deaf {
                let code = |volts: f64| (volts / 4096.0 * 16_777_216.0).round() as i32;
                let codes = [self.v, PACK].map(|volts| code(volts) + (1 << 23));
                self.push(codes, wanted);
            }
        }
        self.reports.clone()
    }

    /// Rubbish from end to end of the converter, 5 samples a millisecond.
    fn storm(&mut self, seconds: f64) {
        for count in 0..(seconds * 5e3) as u32 {
            self.at_us = self.at_us.wrapping_add(200);
            let code = if count.is_multiple_of(2) {
                0
            } else {
                (1 << 24) - 1
            };
            self.push([code; 2], self.monitor.drive());
        }
    }
}

/// Samples are lost across every drive change: the transient begins anew each
/// time, the settled path refuses, and no data confirm the fit of before.
#[test]
fn a_fit_that_nothing_confirms_is_not_told_and_not_healthy() {
    let config = config();
    let mut bench = Bench::new(&config);
    let reports = bench.measure(6.0, 1000, 0.0);
    assert_eq!(reports.last().map(|r| r.verdict), Some(Verdict::Healthy));
    let reports = bench.measure(8.0, 1000, 0.3);
    let ends: std::vec::Vec<_> = reports.iter().filter(|r| r.dwell_over).collect();
    assert!(ends.len() > 6, "{}", ends.len());
    for report in ends.iter().skip(4) {
        assert!(report.estimate.is_err(), "{report:?}");
        assert!(
            matches!(report.verdict, Verdict::Undetermined(_)),
            "{report:?}"
        );
    }
}

/// The fit is confirmed in every dwell: healthy does not flicker.
#[test]
fn a_fit_that_is_confirmed_stays_healthy() {
    let config = config();
    let mut bench = Bench::new(&config);
    bench.measure(6.0, 1000, 0.0);
    for report in bench.measure(20.0, 1000, 0.0) {
        assert_eq!(report.verdict, Verdict::Healthy, "{report:?}");
    }
}

/// A clock that goes wrong by a fifth while the circuit is known is found for as
/// long as it is wrong, and no longer.
#[test]
fn a_wrong_clock_is_found_for_as_long_as_it_is_wrong() {
    let config = config();
    let mut bench = Bench::new(&config);
    bench.measure(4.0, 1000, 0.0);
    bench.measure(1.0, 1200, 0.0);
    for report in bench.measure(60.0, 1200, 0.0) {
        assert!(report.findings.contains(Finding::TimeBase), "{report:?}");
        assert_ne!(report.verdict, Verdict::Healthy);
    }
    bench.measure(1.0, 1000, 0.0);
    assert!(
        bench.monitor.findings().is_empty(),
        "{:?}",
        bench.monitor.findings()
    );
}

/// What bad input has taught is not held against good input.
#[test]
fn the_sampling_rate_is_learnt_anew_after_a_storm() {
    let config = config();
    for good_first in [false, true] {
        let mut bench = Bench::new(&config);
        if good_first {
            bench.measure(4.0, 1000, 0.0);
        }
        bench.storm(10.0);
        // Three drive periods.
        bench.measure(6.0 * 0.55, 1000, 0.0);
        assert!(!bench.monitor.findings().contains(Finding::TimeBase));
    }
}

/// A first fit is not told before readings that err for a moment cannot be all that it rests on. A circuit has to outlive
/// its probation before the watch takes it as known, and the watch needs 64 equations more.
#[test]
fn a_circuit_is_watched_once_it_has_outlived_its_probation() {
    let config = config();
    let mut bench = Bench::new(&config);
    let block_s = 0.02;
    let (mut fitted_at, mut told_at, mut watched_at) = (None, None, None);
    for count in 0..600 {
        let at = f64::from(count) * block_s;
        let reports = bench.measure(block_s, 1000, 0.0);
        let tells = |report: &Report| report.basis == Basis::Transient && report.estimate.is_ok();
        if told_at.is_none() && reports.iter().any(tells) {
            told_at = Some(at);
        }
        if fitted_at.is_none() && bench.monitor.fitted.is_some() {
            fitted_at = Some(at);
        }
        if watched_at.is_none() && bench.monitor.stage() != Stage::Unprepared {
            watched_at = Some(at);
        }
    }
    let (fitted_at, watched_at) = (fitted_at.expect("a fit"), watched_at.expect("watched"));
    let waited = (told_at.expect("told") - fitted_at) / block_s;
    assert!((3.9..5.1).contains(&waited), "{waited}");
    let blocks = (watched_at - fitted_at) / block_s;
    assert!(
        blocks >= f64::from(super::heed::PROBATION) + 64.0,
        "{blocks}"
    );
    assert!(blocks < 200.0, "{blocks}");
    assert_eq!(bench.monitor.stage(), Stage::Watching);
}

/// At the end of a dwell the fit is told unless the settled estimate is clearly surer, as it is while the record
/// that is fitted has just begun; and named by what it rests on.
#[test]
fn the_better_of_the_settled_and_the_fitted_estimate_is_told() {
    let config = config();
    let mut bench = Bench::new(&config);
    let (mut settled, mut fitted) = (0, 0);
    for block in 0..3000 {
        // In mid-dwell: the next drive change is fitted.
        if block % 600 == 590 {
            bench.monitor.transient.restart();
        }
        let reports = bench.measure(0.02, 1000, 0.0);
        // A fit that comes after it was not there yet.
        let Some(end) = reports.last().filter(|report| report.dwell_over) else {
            continue;
        };
        let (Ok(told), Some(fit)) = (&end.estimate, &bench.monitor.fitted) else {
            continue;
        };
        if end.basis == Basis::Settled {
            settled += 1;
            assert!(told.conductance.u < fit.conductance.u, "{told:?} {fit:?}");
        } else {
            fitted += 1;
            assert_eq!(told, fit);
        }
    }
    assert!(settled > 5 && fitted > 5, "{settled} {fitted}");
}

/// No answer waits for the first check, and none is withheld that it agrees with.
#[test]
fn with_a_check_a_healthy_circuit_is_told_from_the_first_answer_on() {
    let never = config();
    let config = with(Check::Every(1));
    let first = |config| {
        let reports = Bench::new(config).measure(2.0, 1000, 0.0);
        reports.iter().position(|report| report.estimate.is_ok())
    };
    assert_eq!(first(&config), first(&never));
    let mut bench = Bench::new(&config);
    bench.measure(2.0, 1000, 0.0);
    for report in bench.measure(12.0, 1000, 0.0) {
        assert!(report.estimate.is_ok(), "{report:?}");
        assert!(report.findings.is_empty(), "{report:?}");
        assert_eq!(report.verdict, Verdict::Healthy, "{report:?}");
    }
}

/// The source gives a third less: G would be found larger by as much of the load.
#[test]
fn with_a_check_no_figure_of_a_source_that_has_drifted_is_told() {
    let config = with(Check::Every(1));
    let mut bench = Bench::new(&config);
    bench.measure(8.0, 1000, 0.0);
    bench.source = 0.67;
    for report in bench.measure(12.0, 1000, 0.0) {
        let Ok(told) = &report.estimate else { continue };
        let off = told.conductance.value.get().to_num::<f64>() - LEAK;
        assert!(off.abs() < 0.02, "{report:?}");
    }
    assert!(bench.monitor.findings().contains(Finding::StatesContradict));
    let verdict = bench.monitor.verdict();
    assert!(matches!(verdict, Verdict::Undetermined(_)), "{verdict:?}");
}
