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
use super::{Conductances, PACK_MIN, Solved, Told, assemble, figure};
use crate::config::{Config, Drive};
use crate::num::{self, RootSum, hypot};
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
    Figure(Solved, Uncertainty),
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
            let u = self.found.with_noise(budget.total());
            let solved = Solved {
                capacitance: self.found.capacitance.map(|c| with_parts(config, c)),
                ..Solved::without_capacitance(system)
            };
            self.stage = Stage::Figure(solved, u);
        }
    }

    /// The estimate, or the reason why there is none.
    #[inline(never)]
    pub(crate) fn answer(&self) -> Result<Estimate, Reason> {
        match &self.stage {
            Stage::Weigh(_) => Err(Reason::NotYetMeasured),
            Stage::Figure(solved, u) => figure(solved, u).map(|told| assemble(&told)),
            Stage::Failed(reason) => Err(*reason),
        }
    }
}

impl Found {
    /// Uncertainties of the parts and of noise together.
    fn with_noise(&self, parts: Uncertainty) -> Uncertainty {
        let both = |parts: i64, noise: i64| hypot(&[parts, noise]);
        Uncertainty {
            total: both(parts.total, self.conductance.u.to_bits()),
            positive: both(parts.positive, self.positive.u.to_bits()),
            negative: both(parts.negative, self.negative.u.to_bits()),
            position: both(parts.position, self.position_u.to_bits()),
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
            let v = num::ratio(pushed.to_bits(), load.to_bits(), num::FRAC as i32);
            let tau = self
                .capacitance
                .map(|c| num::ratio(c.value.to_bits(), load.to_bits(), 32));
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

/// C is the pushed current over the slope of v: the gain of v, and every part
/// that pushes, count in full.
#[inline(never)]
fn with_parts(config: &Config, c: Measured<Microfarads>) -> Measured<Microfarads> {
    let [gain, _] = config.front_end().gain_u();
    let mut pushing = RootSum::default();
    pushing.add(gain.to_bits());
    for part in config.network().elements() {
        let moves = part.contacts.windows(2).any(|pair| {
            let [before, after] = pair else {
                return false;
            };
            before != after
        });
        if moves {
            pushing.add(part.resistance_u.to_bits());
            pushing.add(part.emf_u.to_bits());
        }
    }
    let pushing = pushing.root();
    let u = hypot(&[c.u.to_bits(), num::mul(c.value.to_bits(), pushing)]);
    Measured {
        value: c.value,
        u: Microfarads::from_bits(u),
    }
}
