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
use super::{Conductances, PACK_MIN, assemble, figure};
use crate::config::{Config, Drive};
use crate::num::{self, hypot};
use crate::reason::Reason;
use crate::report::{Estimate, Kind, Reading};
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
}

/// The estimate of a circuit at a pack voltage, under way.
#[derive(Debug, Clone)]
pub(crate) struct Early {
    found: Found,
    pack: Volts,
    budget: Budget,
    weighed: bool,
}

impl Early {
    pub(crate) fn new(found: Found, pack: Volts) -> Self {
        Self {
            found,
            pack,
            budget: Budget::default(),
            weighed: false,
        }
    }

    /// One slice of work; the estimate with the last, or the reason why there
    /// is none.
    #[inline(never)]
    pub(crate) fn step(&mut self, config: &Config) -> Option<Result<Estimate, Reason>> {
        if self.pack < PACK_MIN {
            return Some(Err(Reason::PackVoltageTooLow));
        }
        let readings = self.found.settled(config, self.pack);
        let system = System::new(config.network(), readings.iter());
        let Some(system) = system.filter(|system| system.determinant != 0) else {
            return Some(Err(Reason::StimulusTooWeak));
        };
        if self.weighed {
            return Some(self.figure(&system, config));
        }
        self.weighed = !self.budget.step(&system, config);
        None
    }

    fn figure(&self, system: &System<'_>, config: &Config) -> Result<Estimate, Reason> {
        let parts = self.budget.total();
        let found = &self.found;
        let both = |parts: i64, noise: i64| hypot(&[parts, noise]);
        let u = Uncertainty {
            total: both(parts.total, found.conductance.u.to_bits()),
            positive: both(parts.positive, found.positive.u.to_bits()),
            negative: both(parts.negative, found.negative.u.to_bits()),
            position: both(parts.position, found.position_u.to_bits()),
        };
        let mut estimate = figure(system, u)?;
        estimate.capacitance = found.capacitance.map(|c| with_parts(config, c));
        Ok(estimate)
    }
}

impl Found {
    /// Where the circuit would settle in each state of the drive cycle.
    #[inline(never)]
    fn settled(&self, config: &Config, pack: Volts) -> Vec<Reading, READINGS> {
        let (g, gp) = (self.conductance.value, self.positive.value);
        let cycle = config.timing().cycle();
        let driven = Drive::ALL.into_iter().filter(|drive| cycle.contains(drive));
        let mut out = Vec::new();
        for drive in driven {
            let row = config.network().row(drive);
            let load = g.saturating_add(row.g);
            if load <= Microsiemens::ZERO {
                continue;
            }
            let pushed = row.i.saturating_add(gp.saturating_add(row.p).at(pack));
            let v = num::ratio(pushed.to_bits(), load.to_bits(), num::FRAC as i32);
            let exact = |value| Measured {
                value,
                u: Volts::ZERO,
            };
            // One reading a state: they fit.
            let _ = out.push(Reading {
                drive,
                chassis: exact(Volts::from_bits(v)),
                pack: exact(pack),
                lag: Volts::ZERO,
                time_constant: None::<Measured<Seconds>>,
                dwell_us: 0,
            });
        }
        out
    }
}

/// Isolation of which only a least conductance is known.
pub(crate) fn at_least(conductance: Microsiemens, pack: Volts) -> Estimate {
    let reaching = |low| Conductances {
        value: low,
        low,
        high: Microsiemens::MAX,
    };
    // Either rail may carry all of it or nothing.
    let rail = reaching(Microsiemens::ZERO);
    let split = [reaching(conductance), rail, rail];
    let unknown = [Microsiemens::MAX; 3];
    assemble(pack, None, Kind::Short, split, unknown, None)
}

/// C is the pushed current over the slope of v: the gain of v, and every part
/// that pushes, count in full.
#[inline(never)]
fn with_parts(config: &Config, c: Measured<Microfarads>) -> Measured<Microfarads> {
    let [gain, _] = config.front_end().gain_u();
    let parts = config.network().elements().iter();
    let pushing = parts.fold(gain.to_bits(), |sum, part| {
        let moves = part.contacts.windows(2).any(|pair| {
            let [before, after] = pair else {
                return false;
            };
            before != after
        });
        let own = if moves {
            hypot(&[part.resistance_u.to_bits(), part.emf_u.to_bits()])
        } else {
            0
        };
        hypot(&[sum, own])
    });
    let u = hypot(&[c.u.to_bits(), num::mul(c.value.to_bits(), pushing)]);
    Measured {
        value: c.value,
        u: Microfarads::from_bits(u),
    }
}
