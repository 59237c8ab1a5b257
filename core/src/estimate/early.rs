//! Estimate from a fit of the transient, or from a sudden leak.
//!
//! Noise comes with the fit. Tolerances of parts do to a fitted circuit what
//! they do to settled readings: a gain error of v divides G + g_k and C, a part
//! that is off changes i_k and g_k. So their effect is that on the readings in
//! which the fitted circuit would settle,
//! `v_k = (i_k + (Gp + p_k)·Vb)/(G + g_k)`, free of noise.

use heapless::Vec;

use super::system::{READINGS, System};
use super::uncertainty::{Budget, Uncertainty};
use super::{Answer, COVERAGE, Conductances, PACK_MIN, Solved, Told, assemble, figure, pushing_u};
use crate::config::{Config, Drive};
use crate::num::{self, Saturating as _, hypot};
use crate::reason::Reason;
use crate::report::{Estimate, Kind, Reading};
use crate::settle::{Course, Settled};
use crate::units::{Measured, Microfarads, Microsiemens, Ratio, Seconds, Volts};

/// A circuit as it was found before it settled; uncertainties are those of
/// noise.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Found {
    pub(crate) conductance: Measured<Microsiemens>,
    pub(crate) positive: Measured<Microsiemens>,
    pub(crate) negative: Measured<Microsiemens>,
    pub(crate) position_u: Ratio,
    pub(crate) capacitance: Option<Measured<Microfarads>>,
    /// Standard uncertainty of the zero of v while it was found.
    pub(crate) zero: Volts,
    /// Mean dwell of the record; zero where it is of no account.
    pub(crate) dwell_us: u32,
}

/// The estimate of a circuit at a pack voltage, under way.
#[derive(Debug, Clone)]
pub(crate) struct Early {
    found: Found,
    pack: Volts,
    stage: Stage,
}

#[derive(Debug, Clone)]
enum Stage {
    /// Sums the sources of error.
    Weigh(Budget),
    Figure(Solved, Uncertainty, Answer),
    Failed(Reason),
}

impl Early {
    pub(crate) fn new(found: Found, pack: Volts) -> Self {
        Self {
            found,
            pack,
            stage: Stage::Weigh(Budget::default()),
        }
    }

    /// One slice of work; false once [`Early::answer`] has the estimate.
    pub(crate) fn weigh(&mut self, config: &Config) -> bool {
        let busy = matches!(self.stage, Stage::Weigh(_));
        if busy && let Err(reason) = self.work(config) {
            self.stage = Stage::Failed(reason);
        }
        busy
    }

    #[inline(never)]
    fn work(&mut self, config: &Config) -> Result<(), Reason> {
        if self.pack < PACK_MIN {
            return Err(Reason::PackVoltageTooLow);
        }
        let mut readings = Vec::new();
        self.found.settle(config, self.pack, &mut readings);
        let mut system = System::default();
        let solved = system.take(config.network(), readings.iter());
        if !solved || system.determinant == 0 {
            return Err(Reason::StimulusTooWeak);
        }
        system.shift_zero(self.found.zero.to_bits());
        if let Stage::Weigh(budget) = &mut self.stage
            && !budget.step(&system, config)
        {
            self.conclude(config, &system);
        }
        Ok(())
    }

    /// All sources are summed.
    #[inline(never)]
    fn conclude(&mut self, config: &Config, system: &System<'_>) {
        if let Stage::Weigh(budget) = &self.stage {
            let parts = budget.total();
            let mut solved = Solved::of(system, None);
            let relative = pushing_u(config, num::ratio(parts.total, solved.loaded));
            solved.capacitance = self.found.capacitance.map(|c| Measured {
                value: c.value,
                u: with_parts(c, relative),
            });
            let u = self.found.with_noise(&parts);
            let answer = self.found.answer(config, solved.loaded, u.total);
            let u = match answer {
                Answer::Swing => u,
                Answer::Course => u.on_the_way(parts.total, solved.total),
            };
            self.stage = Stage::Figure(solved, u, answer);
        }
    }

    /// The estimate, or the reason why there is none.
    #[inline(never)]
    pub(crate) fn answer(&self) -> Result<Estimate, Reason> {
        match &self.stage {
            Stage::Weigh(_) => Err(Reason::NotYetMeasured),
            Stage::Figure(solved, u, answer) => {
                figure(solved, u, *answer).map(|told| assemble(&told))
            }
            Stage::Failed(reason) => Err(*reason),
        }
    }
}

impl Found {
    /// Uncertainties of the parts and of noise together.
    fn with_noise(&self, parts: &Uncertainty) -> Uncertainty {
        let both = |parts: i64, noise: i64| hypot(&[parts, noise]);
        Uncertainty {
            total: both(parts.total, self.conductance.u.to_bits()),
            positive: both(parts.positive, self.positive.u.to_bits()),
            negative: both(parts.negative, self.negative.u.to_bits()),
            position: both(parts.position, self.position_u.to_bits()),
        }
    }

    /// v goes all the way where three time constants of the slowest circuit within the interval fit in a dwell: that of
    /// the most C, the most of the design where none is known, over the least G + g, (G + g)²/(G + g + 2u).
    fn answer(&self, config: &Config, loaded: i64, total_u: i64) -> Answer {
        let most = match &self.capacitance {
            Some(c) => c.value.to_bits().plus(c.u.to_bits().times(COVERAGE)),
            None => config.timing().capacitance_max.to_bits(),
        };
        let span = loaded.plus(total_u.times(COVERAGE));
        let slowest = num::ratio(num::ratio(most, loaded), num::ratio(loaded, span));
        if self.dwell_us == 0 || slowest.times(3) <= num::millionths(self.dwell_us) {
            Answer::Swing
        } else {
            Answer::Course
        }
    }

    /// Where the circuit would settle in each state of the drive cycle.
    #[inline(never)]
    fn settle(&self, config: &Config, pack: Volts, out: &mut Vec<Settled, READINGS>) {
        let (g, gp) = (self.conductance.value, self.positive.value);
        let cycle = config.timing().cycle();
        let driven = Drive::ALL.into_iter().filter(|drive| cycle.contains(drive));
        for drive in driven {
            let row = config.network().row(drive);
            let load = g.saturating_add(row.g);
            if load <= Microsiemens::ZERO {
                continue;
            }
            let pushed = row.i.saturating_add(gp.saturating_add(row.p).at(pack));
            let v = num::ratio(pushed.to_bits(), load.to_bits());
            let tau = self
                .capacitance
                .map(|c| num::ratio(c.value.to_bits(), load.to_bits()));
            let exact = |value| Measured {
                value,
                u: Volts::ZERO,
            };
            let reading = Reading {
                drive,
                chassis: exact(Volts::from_bits(v)),
                pack: exact(pack),
                lag: Volts::ZERO,
                time_constant: tau.map(|tau| Measured {
                    value: Seconds::from_bits(tau),
                    u: Seconds::ZERO,
                }),
                dwell_us: self.dwell_us,
            };
            // One reading a state: they fit.
            let _ = out.push(Settled::new(&reading, Course::NONE));
        }
    }
}

/// Isolation of which only a least conductance is known.
#[inline(never)]
pub(crate) fn at_least(conductance: Microsiemens, pack: Volts) -> Result<Estimate, Reason> {
    let reaching = |low| Conductances {
        value: low,
        low,
        high: Microsiemens::MAX,
    };
    // Either rail may carry all of it or nothing.
    let rail = reaching(Microsiemens::ZERO);
    let split = [reaching(conductance), rail, rail];
    Ok(assemble(&Told {
        pack,
        capacitance: None,
        kind: Kind::Short,
        split,
        us: [Microsiemens::MAX; 3],
        position: None,
    }))
}

/// Standard uncertainty of C with that of the parts.
fn with_parts(c: Measured<Microfarads>, relative: i64) -> Microfarads {
    let by_parts = num::mul(c.value.to_bits(), relative);
    Microfarads::from_bits(hypot(&[c.u.to_bits(), by_parts]))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bits(x: f64) -> i64 {
        (x * 4_294_967_296.0) as i64
    }

    /// 2 µF at a G + g of 4 µS settle in half a second, and at the 2 µS that two standard uncertainties of 2 µS leave
    /// possible in one. With C known to a quarter, or not at all but for the 50 µF of the design, it may be slower.
    #[test]
    fn v_goes_all_the_way_where_the_slowest_circuit_possible_does() {
        let config = crate::test_reports::config();
        assert_eq!(config.timing().capacitance_max, Microfarads::from_int(50));
        let answer = |capacitance: Option<f64>, dwell_s: f64, total_u: f64| {
            let known = Measured {
                value: Microsiemens::ZERO,
                u: Microsiemens::ZERO,
            };
            let found = Found {
                conductance: known,
                positive: known,
                negative: known,
                position_u: Ratio::ZERO,
                capacitance: capacitance.map(|u| Measured {
                    value: Microfarads::from_int(2),
                    u: Microfarads::from_bits(bits(u)),
                }),
                zero: Volts::ZERO,
                dwell_us: (dwell_s * 1e6) as u32,
            };
            found.answer(&config, bits(4.0), bits(total_u))
        };
        for (capacitance, total_u, slowest) in [
            (Some(0.0), 0.0, 0.5),
            (Some(0.0), 2.0, 1.0),
            (Some(0.5), 2.0, 1.5),
            (None, 0.0, 12.5),
        ] {
            let at = |dwell_s| answer(capacitance, dwell_s, total_u);
            assert_eq!(at(3.0 * slowest - 0.01), Answer::Course);
            assert_eq!(at(3.0 * slowest + 0.01), Answer::Swing);
        }
        // Of no account.
        assert_eq!(answer(None, 0.0, 2.0), Answer::Swing);
    }

    /// G of 3 nS by the parts and 5 in all: the rails are no surer than to a quarter of the 3 where v goes a part of the
    /// way only.
    #[test]
    fn what_parts_do_on_the_way_is_in_the_split() {
        let u = |total: f64, rail: f64| Uncertainty {
            total: bits(total),
            positive: bits(rail),
            negative: bits(2.0 * rail),
            position: bits(0.01),
        };
        let told = u(5.0, 1.0).on_the_way(bits(3.0), bits(50.0));
        let near = |told: i64, due: f64| assert!((told - bits(due)).abs() < 8, "{told} {due}");
        near(told.total, 5.0);
        near(told.position, 0.01f64.hypot(0.75 / 50.0));
        near(told.positive, 1f64.hypot(0.75));
        near(told.negative, 2f64.hypot(0.75));
    }
}
