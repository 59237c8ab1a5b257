//! A simulated run: the plant answers the drive, the core measures as it does
//! in firmware, and its sequencer decides the next drive state.

use ohmsplit::Verdict;
use ohmsplit::config::{Config, Drive, Judged};

use crate::document::FieldFault;
use crate::error::{HostError, Place};
use crate::plant::{LeakConductance, Plant, SampleRow, stages};
use crate::rig::{Event, Rig};
use crate::scenario::Scenario;

/// What is true of the leak from a time on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Truth {
    /// From when on, in seconds.
    pub from_s: f64,
    /// The leak, its resistances and its position.
    pub leak: LeakConductance,
    /// The verdict that an ideal monitor gives: the judged figure against the
    /// limits, without hysteresis and confirmations.
    pub verdict: Verdict,
}

/// Runs a scenario. `on_sample` gets every sample as the firmware would read
/// it, with the voltages that were there; `on_event` gets every report of the
/// core.
///
/// # Errors
/// When the scenario's world does not suit its monitor, which a parsed
/// scenario rules out.
pub fn run(
    scenario: &Scenario,
    mut on_sample: impl FnMut(&SampleRow),
    mut on_event: impl FnMut(&Event),
) -> Result<(), HostError> {
    let config = &scenario.config;
    let mut plant = Plant::new(config, &scenario.world).map_err(without_document)?;
    let mut schedule = Schedule::of(scenario);
    let mut rig = Rig::new(config, scenario.network.monitor);
    let mut drive = rig.drive();
    for count in 0..scenario.samples() {
        if let Some(schedule) = schedule.as_mut() {
            drive = schedule.drive_after(count);
        }
        let row = plant.step(drive);
        on_sample(&row);
        if rig.push(row.time_s, &row.sample, &mut on_event) {
            drive = rig.drive();
        }
    }
    rig.finish(&mut on_event);
    Ok(())
}

/// What is true of the leak over the whole run, whatever the core makes of it.
#[must_use]
pub fn truth(scenario: &Scenario) -> Vec<Truth> {
    stages(&scenario.world.leaks)
        .into_iter()
        .filter(|stage| stage.from_s < scenario.duration_s)
        .map(|stage| Truth {
            from_s: stage.from_s,
            leak: stage.leak,
            verdict: true_verdict(&scenario.config, &stage.leak),
        })
        .collect()
}

/// The judged figure of a leak, in ohms.
pub(crate) fn judged_ohm(config: &Config, leak: &LeakConductance) -> f64 {
    match config.limits().judged {
        Judged::WeakestRail => leak.weakest_ohm(),
        Judged::BothInParallel => leak.isolation_ohm(),
    }
}

fn true_verdict(config: &Config, leak: &LeakConductance) -> Verdict {
    let limits = config.limits();
    let per_volt = judged_ohm(config, leak) / limits.working_voltage.get().to_num::<f64>();
    if per_volt <= f64::from(limits.alarm_ohm_per_volt) {
        Verdict::Alarm
    } else if per_volt <= f64::from(limits.warning_ohm_per_volt) {
        Verdict::Warning
    } else {
        Verdict::Healthy
    }
}

/// Dwells of one length, whatever the core would like.
struct Schedule<'c> {
    cycle: &'c [Drive],
    /// Sampling periods in a dwell; need not be whole.
    dwell: f64,
    /// Dwells begun.
    begun: u64,
    /// The sample after which the next dwell begins.
    next: u64,
    drive: Drive,
}

impl<'c> Schedule<'c> {
    fn of(scenario: &'c Scenario) -> Option<Self> {
        Some(Self {
            cycle: scenario.config.timing().cycle(),
            dwell: scenario.half_period_s? * scenario.world.sample_rate_hz,
            begun: 0,
            next: 0,
            drive: Drive::Rest,
        })
    }

    /// The drive state in force from sample number `count` on.
    fn drive_after(&mut self, count: u64) -> Drive {
        if count >= self.next {
            let place = self.begun % self.cycle.len() as u64;
            self.drive = self.cycle[place as usize];
            self.begun += 1;
            self.next = (self.begun as f64 * self.dwell).round() as u64;
        }
        self.drive
    }
}

/// A fault of a world that was not read from a file.
pub(crate) fn without_document(fault: FieldFault) -> HostError {
    HostError::input(fault.problem)
        .at(Place::Field {
            path: fault.path,
            position: None,
        })
        .expected(fault.expected)
        .mend(fault.mend)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::document::Document;
    use crate::output::Outcome;
    use crate::test_car::SCENARIO as CAR;

    fn scenario(text: &str) -> Scenario {
        Scenario::parse(&Document::embedded("car", text)).expect("a sound scenario")
    }

    fn with_line(line: &str) -> Scenario {
        scenario(&CAR.replacen("[network.pack]", &format!("{line}\n[network.pack]"), 1))
    }

    #[test]
    fn the_core_finds_the_leak_that_the_plant_has() {
        let (mut samples, mut outcome) = (0, Outcome::default());
        run(
            &scenario(CAR),
            |_| samples += 1,
            |event| outcome.take(event),
        )
        .expect("a sound run");
        let estimate = outcome.answer().expect("an estimate at the end");
        let ohms = estimate.isolation.get().to_num::<f64>();
        assert!((ohms / 1e6 - 1.0).abs() < 2e-3, "{ohms}");
        let position = estimate.position.expect("a position").value;
        assert!((position.get().to_num::<f64>() - 0.3).abs() < 2e-3);
        assert_eq!((samples, outcome.verdict()), (20_000, Verdict::Healthy));
        assert!(outcome.dwells >= 10, "{outcome:?}");
    }

    #[test]
    fn the_sequencer_leads_and_reports_come_in_order_of_time() {
        let mut changes = Vec::new();
        let mut last = Drive::Rest;
        let mut times = Vec::new();
        let see = |row: &SampleRow| {
            if row.sample.drive != last {
                last = row.sample.drive;
                changes.push((row.time_s, last));
            }
        };
        run(&scenario(CAR), see, |event| times.push(event.time_s)).expect("a sound run");
        assert!(times.is_sorted() && changes.len() >= 10, "{changes:?}");
        for pair in changes.windows(2) {
            // Never shorter than the shortest dwell of 0.5 s.
            assert!(pair[1].0 - pair[0].0 > 0.499, "{pair:?}");
            assert_ne!(pair[0].1, pair[1].1);
        }
    }

    #[test]
    fn a_fixed_half_period_leads_instead_of_the_sequencer() {
        let mut drives = Vec::new();
        let see = |row: &SampleRow| drives.push(row.sample.drive);
        run(&with_line("half_period_s = 1.2505"), see, |_| ()).expect("a sound run");
        let up = |from: usize, to: usize| drives[from..to].iter().all(|&d| d == Drive::Raise);
        // 1250.5 sampling periods: the second dwell ends half a period later.
        assert!(up(0, 1251) && !up(1251, 1252) && !up(2500, 2501) && up(2501, 3752));
    }

    #[test]
    fn a_run_repeats_from_its_seed() {
        let noisy = format!("{CAR}[disturbance]\nnoise_chassis_V = 0.1\nnoise_pack_V = 0.1\n");
        let collect = |text: &str| {
            let mut codes = Vec::new();
            let mut reports = Vec::new();
            run(
                &scenario(text),
                |row| codes.push(row.sample.codes),
                |event| reports.push(*event),
            )
            .expect("a sound run");
            (codes, reports)
        };
        let first = collect(&noisy);
        assert_eq!(first, collect(&noisy));
        assert_ne!(
            first.0,
            collect(&noisy.replacen("seed = 3", "seed = 4", 1)).0
        );
    }

    #[test]
    fn truth_is_held_against_the_limits_of_the_judged_figure() {
        let later = "[[leak]]\nfrom_s = 5.0\npositive_ohm = 400e3\nnegative_ohm = 150e3\n\
                     [[leak]]\nfrom_s = 8.0\nnegative_ohm = 40e3\n\
                     [[leak]]\nfrom_s = 30.0\nnegative_ohm = 4e3\n[capacitance]";
        let text = CAR.replacen("[capacitance]", later, 1);
        let verdicts = |text: &str| {
            let points = truth(&scenario(text));
            points
                .iter()
                .map(|p| (p.from_s, p.verdict))
                .collect::<Vec<_>>()
        };
        // 1.4 MΩ, 150 kΩ and 40 kΩ at 400 V; the last entry is after the end.
        let weakest = [
            (0.0, Verdict::Healthy),
            (5.0, Verdict::Warning),
            (8.0, Verdict::Alarm),
        ];
        assert_eq!(verdicts(&text), weakest);
        let parallel = format!(
            "{text}[network.limits]\njudged = \"both_in_parallel\"\nalarm_ohm_per_V = 300\n"
        );
        // 109 kΩ in parallel is 273 Ω/V.
        assert_eq!(verdicts(&parallel)[1], (5.0, Verdict::Alarm));
    }
}
