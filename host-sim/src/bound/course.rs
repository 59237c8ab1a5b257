//! The bound over a simulated scenario, beside what the core achieves in it.

use ohmsplit::config::{Channel, Config, Drive, FrontEnd};
use ohmsplit::{Kind, Reason};

use super::{Bound, COVERAGE_95, Circuit, Deviations, Noise, Row};
use crate::error::{HostError, Place};
use crate::output::Figures;
use crate::plant::SampleRow;
use crate::rig::Event;
use crate::scenario::Scenario;
use crate::simulate::{self, Truth};

/// What a report of the core achieved.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Achieved {
    /// Figures of the answer.
    pub figures: Figures,
    /// Standard uncertainty of G as reported, in siemens.
    pub leak_u: f64,
    /// G as reported, in siemens; none when it is only bounded.
    pub leak: Option<f64>,
}

/// The bound at the time of a report, and the report.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mark {
    /// When, in seconds.
    pub time_s: f64,
    /// Start of the record that the bound is of: the last change of the leak.
    pub since_s: f64,
    /// The true circuit.
    pub circuit: Circuit,
    /// The bound; none while the record does not determine all unknowns.
    pub bound: Option<Deviations>,
    /// What the core answered, or why it did not.
    pub achieved: Result<Achieved, Reason>,
}

impl Mark {
    /// 95 % half-width of R_iso in percent (normal in G), or none without a
    /// leak or a bound.
    #[must_use]
    pub fn isolation_percent(&self) -> Option<f64> {
        let leak = self.circuit.leak;
        let bound = self.bound.filter(|_| leak > 0.0)?;
        Some(COVERAGE_95 * bound.leak / leak * 100.0)
    }

    /// Without a leak: the resistance, in ohms, that a leak would have to be
    /// below to be told from none.
    #[must_use]
    pub fn open_above_ohm(&self) -> Option<f64> {
        let bound = self.bound.filter(|_| self.circuit.leak == 0.0)?;
        Some(1.0 / (COVERAGE_95 * bound.leak))
    }
}

/// Runs a scenario; a mark at each report of the core, in order of time. The
/// record of the bound begins anew when the leak changes. Vb is taken as
/// known, which no method can do better than; κ likewise.
///
/// # Errors
/// When the scenario has no capacitance, or cannot be run.
pub fn course(scenario: &Scenario) -> Result<Vec<Mark>, HostError> {
    let [cp, cn] = scenario.world.capacitance.farads();
    if cp + cn == 0.0 {
        return Err(without_capacitance());
    }
    let config = &scenario.config;
    let follow = std::cell::RefCell::new(Follow {
        rows: Drive::ALL.map(|drive| Row::declared(config.network().row(drive))),
        truth: simulate::truth(scenario),
        next: 0,
        capacitance: cp + cn,
        coupling: cp / (cp + cn),
        step_s: 1.0 / scenario.world.sample_rate_hz,
        noise: noise(scenario),
        last: None,
        record: None,
        marks: Vec::new(),
    });
    simulate::run(
        scenario,
        |row| follow.borrow_mut().sample(row),
        |event| follow.borrow_mut().event(event),
    )?;
    Ok(follow.into_inner().marks)
}

fn without_capacitance() -> HostError {
    HostError::input("the scenario has no capacitance, and the bound is that of a transient")
        .at(Place::Field {
            path: "capacitance".to_owned(),
            position: None,
        })
        .expected("positive_uF and negative_uF that are not both 0")
        .mend("give the capacitance that the battery has to the chassis")
}

/// Noise of v as both channels show it, with Vb known: their own white noise,
/// and that of rounding to codes, step/√12 (uniform law).
fn noise(scenario: &Scenario) -> Noise {
    let config: &Config = &scenario.config;
    let rail_pair = matches!(config.front_end(), FrontEnd::RailPair { .. });
    let white = scenario.world.disturbance.noise(rail_pair);
    let channels = config.front_end().channels();
    let variance = |n: usize| white[n].powi(2) + step_v(channels[n]).powi(2) / 12.0;
    let chassis = if rail_pair {
        // Vb - v and v: two readings of v, each with its weight.
        1.0 / (1.0 / variance(0) + 1.0 / variance(1))
    } else {
        variance(0)
    };
    Noise {
        chassis_v: chassis.sqrt(),
        pack_v: 0.0,
    }
}

/// Volts at the terminals for one code.
fn step_v(channel: &Channel) -> f64 {
    channel.span.get().to_num::<f64>() / 2f64.powi(i32::from(channel.bits))
}

/// Follows a run.
struct Follow {
    rows: [Row; 4],
    truth: Vec<Truth>,
    /// The truth that comes next.
    next: usize,
    capacitance: f64,
    coupling: f64,
    step_s: f64,
    noise: Noise,
    last: Option<SampleRow>,
    record: Option<(f64, Circuit, Bound)>,
    marks: Vec<Mark>,
}

impl Follow {
    fn sample(&mut self, row: &SampleRow) {
        while self
            .truth
            .get(self.next)
            .is_some_and(|truth| truth.from_s < row.time_s)
        {
            self.next += 1;
            self.record = None;
        }
        if let Some((_, _, bound)) = &mut self.record {
            bound.push(row.sample.drive.index(), row.pack_v);
        } else if let Some(last) = self.last {
            // The state at the sample before is where the record begins.
            self.begin(&last);
            return self.sample(row);
        }
        self.last = Some(*row);
    }

    fn begin(&mut self, at: &SampleRow) {
        let leak = self.truth[self.next.saturating_sub(1)].leak;
        let circuit = Circuit {
            leak: leak.positive + leak.negative,
            positive: leak.positive,
            capacitance: self.capacitance,
            coupling: self.coupling,
        };
        let start = [at.chassis_v, at.pack_v];
        let bound = Bound::new(circuit, &self.rows, self.step_s, start);
        self.record = Some((at.time_s, circuit, bound));
    }

    fn event(&mut self, event: &Event) {
        let Some((since_s, circuit, bound)) = &self.record else {
            return;
        };
        self.marks.push(Mark {
            time_s: event.time_s,
            since_s: *since_s,
            circuit: *circuit,
            bound: bound.deviations(self.noise),
            achieved: event
                .report
                .estimate
                .as_ref()
                .map_err(|r| *r)
                .map(|estimate| {
                    let siemens = |g: ohmsplit::units::Microsiemens| g.get().to_num::<f64>() * 1e-6;
                    Achieved {
                        figures: Figures::of(estimate),
                        leak_u: siemens(estimate.conductance.u),
                        leak: (estimate.kind != Kind::Short)
                            .then(|| siemens(estimate.conductance.value)),
                    }
                }),
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::document::Document;

    fn scenario(front_end: &str, noise: &str) -> Scenario {
        let text = format!(
            "format = \"ohmsplit-scenario-1\"\nname = \"\"\ndescription = \"\"\nseed = 1\n\
             duration_s = 10.0\nsample_rate_Hz = 1000.0\n\
             [network.pack]\nworking_voltage_V = 400.0\n\
             [network.drive]\nkind = \"source_to_negative\"\namplitude_V = 40.0\n\
             series_resistance_ohm = 1.0e6\n[network.front_end]\nkind = \"{front_end}\"\n\
             [[leak]]\nfrom_s = 0.0\nresistance_ohm = 1.0e6\nposition = 0.3\n\
             [[leak]]\nfrom_s = 4.0\nresistance_ohm = 2.0e5\nposition = 0.3\n\
             [capacitance]\npositive_uF = 0.1\nnegative_uF = 0.3\n[disturbance]\n{noise}"
        );
        Scenario::parse(&Document::embedded("test", &text)).expect("a sound scenario")
    }

    /// Algebra: two readings of v weigh by their inverse variances, and a
    /// uniform error of one step has a variance of a twelfth of its square.
    #[test]
    fn noise_is_that_of_every_reading_of_v_and_of_rounding() {
        let sigma = |front_end, text| noise(&scenario(front_end, text)).chassis_v;
        let near = |a: f64, b: f64| assert!((a / b - 1.0).abs() < 1e-6, "{a} {b}");
        let chassis = "noise_chassis_V = 0.1\nnoise_pack_V = 0.2\n";
        near(sigma("chassis_and_pack", chassis), 0.1);
        let pair = "noise_positive_V = 0.1\nnoise_negative_V = 0.2\n";
        near(sigma("rail_pair", pair), (1.0f64 / 125.0).sqrt());
        // Readings in volts are codes of one microvolt.
        near(sigma("chassis_and_pack", ""), 1e-6 / 12f64.sqrt());
    }

    #[test]
    fn the_record_begins_anew_with_the_leak_and_narrows_from_there() {
        let noisy = "noise_chassis_V = 0.1\nnoise_pack_V = 0.1\n";
        let marks = course(&scenario("chassis_and_pack", noisy)).expect("a course");
        let after = marks.partition_point(|mark| mark.time_s < 4.0);
        assert!(after > 2 && marks.len() > after + 3, "{marks:?}");
        for (n, mark) in marks.iter().enumerate() {
            let (since, leak) = if n < after { (0.0, 1e-6) } else { (4.0, 5e-6) };
            assert!((mark.since_s - since).abs() < 2e-3, "{mark:?}");
            assert!((mark.circuit.leak - leak).abs() < 1e-15);
            assert!((mark.circuit.coupling - 0.25).abs() < 1e-12);
        }
        for pair in marks[after..].windows(2) {
            let [before, now] = [0, 1].map(|n| pair[n].isolation_percent().expect("a bound"));
            // The samples end with two reports at one time.
            assert!(now < before || pair[0].time_s == pair[1].time_s, "{pair:?}");
        }
        // The core's interval rests on one cycle: wider than the bound of all.
        let answered: Vec<_> = marks[after..]
            .iter()
            .filter_map(|mark| Some((mark.achieved.ok()?.leak_u, mark.bound?.leak)))
            .collect();
        assert!(answered.len() > 2, "{marks:?}");
        for (claimed, bound) in answered {
            assert!(claimed > bound, "{claimed} {bound}");
        }
    }
}
