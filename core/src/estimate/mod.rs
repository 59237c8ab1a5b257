//! Stage 4, settled readings of a drive cycle to isolation resistance and its
//! split between the rails.

mod absorption;
#[cfg(test)]
mod budget_tests;
mod change;
#[cfg(test)]
mod change_tests;
mod early;
mod system;
mod uncertainty;

use crate::config::Config;
use crate::num;
use crate::num::Saturating as _;
use crate::reason::Reason;
use crate::report::{Estimate, Interval, Kind};
use crate::settle::Settled;
use crate::units::{Measured, Microamps, Microfarads, Microsiemens, Ohms, Ratio, Volts};
use change::Solution;
pub(crate) use early::{Early, Found, at_least};
use system::{READINGS, System};
use uncertainty::{Budget, Uncertainty};

/// Standard uncertainties that a 95 % interval spans on either side.
const COVERAGE: i64 = 2;

/// Below this pack voltage a leak to either rail cannot be judged.
const PACK_MIN: Volts = Volts::from_int(5);

/// A resistance whose upper bound is below this is named a hard short: half
/// of the smallest resistance that is measured.
const SHORT: Ohms = Ohms::from_int(500);

/// A resistance whose lower bound is above this is named open: four times the
/// largest that is measured.
const OPEN: Ohms = Ohms::from_int(200_000_000);

/// The estimator: remembers the last solution, to tell when the circuit changes.
#[derive(Debug, Clone, Default)]
pub(crate) struct Estimator {
    last: Option<Solution>,
}

/// An estimate under way. The system of equations is built anew in each slice,
/// which takes less than the room to keep it.
#[derive(Debug, Clone, Default)]
pub(crate) struct Estimation {
    stage: Stage,
    /// Doubt of v in the older readings, in volts.
    doubt: i64,
}

#[derive(Debug, Clone, Default)]
enum Stage {
    /// Against the cycle before.
    #[default]
    Compare,
    /// The swing cannot be told from none.
    Bound,
    /// Sums the sources of error.
    Weigh(Budget),
    /// All is known but the figures that follow.
    Figure(Solved, Uncertainty),
    Short(Bounds),
    Failed(Reason),
}

impl Estimator {
    /// One slice of work on the estimate of isolation from the readings of one
    /// drive cycle, newest last; false once [`Estimation::answer`] has it.
    #[inline(never)]
    pub(crate) fn step<'r>(
        &mut self,
        estimation: &mut Estimation,
        config: &Config,
        readings: impl Iterator<Item = &'r Settled>,
    ) -> bool {
        if estimation.is_done() {
            return false;
        }
        let mut system = System::default();
        let result = if system.take(config.network(), readings.take(READINGS)) {
            self.work(estimation, config, &mut system)
        } else {
            Err(Reason::NotYetMeasured)
        };
        if let Err(reason) = result {
            estimation.stage = Stage::Failed(reason);
        }
        true
    }

    fn work(
        &mut self,
        estimation: &mut Estimation,
        config: &Config,
        system: &mut System<'_>,
    ) -> Result<(), Reason> {
        if let Stage::Compare = estimation.stage {
            return self.compare(estimation, config, system);
        }
        system.doubt_older(estimation.doubt);
        if let Stage::Bound = estimation.stage {
            return estimation.bound(config, system);
        }
        system.take_off_lag();
        if let Stage::Weigh(budget) = &mut estimation.stage
            && !budget.step(system, config)
        {
            estimation.conclude(system);
        }
        Ok(())
    }

    /// What the last cycle foretold against what has come, and whether the
    /// swing can be told from none.
    #[inline(never)]
    fn compare(
        &mut self,
        estimation: &mut Estimation,
        config: &Config,
        system: &mut System<'_>,
    ) -> Result<(), Reason> {
        let offset_u = config.front_end().chassis_offset_u().to_bits();
        let mut packs = system.states.iter().map(|state| state.settled.pack.value);
        if packs.any(|pack| pack < PACK_MIN) {
            return Err(Reason::PackVoltageTooLow);
        }
        if system.strays {
            self.last = None;
            return Err(Reason::PackVoltageMoving);
        }
        let magnitude = system.determinant.saturating_abs();
        let last = self.last.take();
        if magnitude >= system.determinant_u(offset_u, 3) {
            self.last = Some(Solution::of(system));
        }
        estimation.doubt = last.map_or(Ok(0), |last| last.doubt(config.network(), system))?;
        system.doubt_older(estimation.doubt);
        let told = magnitude >= system.determinant_u(offset_u, 3);
        estimation.stage = if told {
            Stage::Weigh(Budget::default())
        } else {
            Stage::Bound
        };
        Ok(())
    }
}

impl Estimation {
    const fn is_done(&self) -> bool {
        matches!(
            self.stage,
            Stage::Figure(..) | Stage::Short(_) | Stage::Failed(_)
        )
    }

    #[inline(never)]
    fn bound(&mut self, config: &Config, system: &System<'_>) -> Result<(), Reason> {
        let offset_u = config.front_end().chassis_offset_u().to_bits();
        let doubt = system.determinant_u(offset_u, COVERAGE);
        let bounds = Bounds::new(system, config, doubt)?;
        self.stage = Stage::Short(Bounds {
            capacitance: capacitance(system),
            ..bounds
        });
        Ok(())
    }

    /// All sources are summed.
    #[inline(never)]
    fn conclude(&mut self, system: &System<'_>) {
        if let Stage::Weigh(budget) = &self.stage {
            self.stage = Stage::Figure(Solved::of(system), budget.total());
        }
    }

    /// The estimate, or the reason why the readings yield none.
    #[inline(never)]
    pub(crate) fn answer(&self) -> Result<Estimate, Reason> {
        match &self.stage {
            Stage::Figure(solved, u) => figure(solved, u).map(|told| assemble(&told)),
            Stage::Short(bounds) => Ok(assemble(&bounds.short())),
            Stage::Failed(reason) => Err(*reason),
            Stage::Compare | Stage::Bound | Stage::Weigh(_) => Err(Reason::NotYetMeasured),
        }
    }
}

/// What is known where the voltage does not follow the drive: G is bounded
/// below only, and x = v/Vb still tells where.
#[derive(Debug, Clone, Copy)]
struct Bounds {
    least: Microsiemens,
    most: Microsiemens,
    position: Measured<Ratio>,
    pack: Volts,
    capacitance: Option<Measured<Microfarads>>,
}

impl Bounds {
    /// A swing that cannot be told from none: a short, if that much can be said.
    /// `doubt` is how far an interval of D spans on either side. C is left out.
    #[inline(never)]
    fn new(system: &System<'_>, config: &Config, doubt: i128) -> Result<Self, Reason> {
        let magnitude = system.determinant.saturating_abs();
        let pack = system.pack();
        let total = system.for_total.saturating_abs();
        let bound = |d: i128| Microsiemens::from_bits(num::quotient(total, d, 32));
        let least = bound(num::plus(magnitude, doubt));
        let most = match num::plus(magnitude, doubt.wrapping_neg()) {
            d if d > 0 => bound(d),
            _ => Microsiemens::MAX,
        };
        let x = system.position();
        let [chassis_gain, pack_gain] = config.front_end().gain_u();
        let gain = |u: Ratio| num::mul(x, u.to_bits());
        let offset = config.front_end().chassis_offset_u().to_bits();
        let offset = num::ratio(offset, pack.to_bits(), 32);
        let x_u = num::hypot(&[
            system.position_u(),
            gain(chassis_gain),
            gain(pack_gain),
            offset,
        ]);
        let position = plausible_position(x, x_u)?;
        let limits = config.limits();
        // A bound above the alarm limit tells nothing that could be acted on.
        if Ohms::of(least) >= limits.resistance(limits.alarm_ohm_per_volt) {
            return Err(Reason::StimulusTooWeak);
        }
        Ok(Self {
            least,
            most,
            position,
            pack,
            capacitance: None,
        })
    }

    #[inline(never)]
    fn short(&self) -> Told {
        let (least, most) = (self.least, self.most);
        let x = self.position.value.to_bits();
        let [low, high] = position_interval(&self.position);
        let part = |g: Microsiemens, x: i64| Microsiemens::from_bits(num::mul(g.to_bits(), x));
        let rest = |x: i64| num::ONE.minus(x);
        let split = [
            Conductances {
                value: least,
                low: least,
                high: most,
            },
            Conductances {
                value: part(least, x),
                low: part(least, low),
                high: part(most, high),
            },
            Conductances {
                value: part(least, rest(x)),
                low: part(least, rest(high)),
                high: part(most, rest(low)),
            },
        ];
        Told {
            pack: self.pack,
            capacitance: self.capacitance,
            kind: Kind::Short,
            split,
            us: [Microsiemens::MAX; 3],
            position: Some(self.position),
        }
    }
}

/// What the solved equations say, without their uncertainty.
#[derive(Debug, Clone, Copy)]
pub(super) struct Solved {
    total: i64,
    positive: i64,
    position: i64,
    /// G and what the monitor itself hangs on the chassis.
    loaded: i64,
    pack: Volts,
    capacitance: Option<Measured<Microfarads>>,
}

impl Solved {
    #[inline(never)]
    fn of(system: &System<'_>) -> Self {
        Self {
            capacitance: capacitance(system),
            ..Self::without_capacitance(system)
        }
    }

    fn without_capacitance(system: &System<'_>) -> Self {
        let total = system.total();
        Self {
            total,
            positive: system.positive(),
            position: system.position(),
            loaded: total.plus(system.mean_load()),
            pack: system.pack(),
            capacitance: None,
        }
    }
}

/// What is told, before the resistances are worked out.
#[derive(Debug, Clone, Copy)]
struct Told {
    pack: Volts,
    capacitance: Option<Measured<Microfarads>>,
    kind: Kind,
    /// G, Gp and Gn, and their standard uncertainties.
    split: [Conductances; 3],
    us: [Microsiemens; 3],
    position: Option<Measured<Ratio>>,
}

#[inline(never)]
fn figure(solved: &Solved, u: &Uncertainty) -> Result<Told, Reason> {
    let (g, gp) = (solved.total, solved.positive);
    // A leak cannot be negative: four standard deviations and the resolution
    // of the arithmetic below zero, the description of the network is wrong.
    if g < u.total.saturating_mul(-4).minus(1 << 8) {
        return Err(Reason::Implausible);
    }
    // What is measured is the swing of v, and its error is Gaussian, so the
    // interval is Gaussian in 1/(G + g): with e = 2u/(G + g) the upper half is
    // wider by 1/(1 − e) and the lower narrower by 1/(1 + e). For a high
    // resistance (G ≪ g, e ≪ 1) that is the symmetric interval in G.
    let loaded = solved.loaded;
    if loaded <= 0 {
        return Err(Reason::Implausible);
    }
    let e = num::ratio(u.total.saturating_mul(COVERAGE), loaded, 32);
    let total = Conductances::between(g, u.total, e);
    let split = [
        total,
        Conductances::between(gp, u.positive, e),
        Conductances::between(g.minus(gp), u.negative, e),
    ];
    // What has no upper bound is as uncertain.
    let us = if e < num::ONE {
        [u.total, u.positive, u.negative].map(Microsiemens::from_bits)
    } else {
        [Microsiemens::MAX; 3]
    };
    let kind = if Ohms::of(total.low) < SHORT {
        Kind::Short
    } else if total.low == Microsiemens::ZERO || Ohms::of(total.high) > OPEN {
        Kind::Open
    } else {
        Kind::Figure
    };
    let position = match kind {
        Kind::Open => None,
        Kind::Figure | Kind::Short => Some(plausible_position(solved.position, u.position)?),
    };
    Ok(Told {
        pack: solved.pack,
        capacitance: solved.capacitance,
        kind,
        split,
        us,
        position,
    })
}

/// A leak lies inside the stack.
fn plausible_position(x: i64, u: i64) -> Result<Measured<Ratio>, Reason> {
    let outside = x.saturating_neg().max(x.minus(num::ONE));
    // One part in a hundred for what tolerances of parts were not declared.
    if outside > u.saturating_mul(4).plus(num::ONE / 100) {
        return Err(Reason::Implausible);
    }
    Ok(Measured {
        value: Ratio::from_bits(x),
        u: Ratio::from_bits(u),
    })
}

fn position_interval(position: &Measured<Ratio>) -> [i64; 2] {
    let (x, span) = (
        position.value.to_bits(),
        position.u.to_bits().saturating_mul(COVERAGE),
    );
    [x.minus(span), x.plus(span)].map(|x| x.clamp(0, num::ONE))
}

/// A conductance with its interval.
#[derive(Debug, Clone, Copy)]
struct Conductances {
    value: Microsiemens,
    low: Microsiemens,
    high: Microsiemens,
}

impl Conductances {
    /// An interval Gaussian in 1/(G + g), see [`figure`].
    #[inline(never)]
    fn between(value: i64, u: i64, e: i64) -> Self {
        let span = u.saturating_mul(COVERAGE);
        let below = num::ratio(span, num::ONE.plus(e), 32);
        let room = num::ONE.minus(e);
        let above = if room > 0 {
            num::ratio(span, room, 32)
        } else {
            i64::MAX
        };
        Self {
            value: Microsiemens::from_bits(value),
            low: Microsiemens::from_bits(value.minus(below).max(0)),
            // A conductance is not negative, so its upper bound is at least
            // the uncertainty above zero.
            high: Microsiemens::from_bits(value.max(0).plus(above)),
        }
    }

    fn resistance(&self) -> Interval<Ohms> {
        let low = if self.high == Microsiemens::MAX {
            Ohms::ZERO
        } else {
            Ohms::of(self.high)
        };
        Interval {
            low,
            high: Ohms::of(self.low),
        }
    }
}

#[inline(never)]
fn assemble(told: &Told) -> Estimate {
    let Told {
        pack,
        capacitance,
        kind,
        split,
        us,
        position,
    } = told;
    let [total, positive, negative] = split;
    let [total_u, positive_u, negative_u] = *us;
    let weakest = Conductances {
        value: positive.value.max(negative.value),
        low: positive.low.max(negative.low),
        high: positive.high.max(negative.high),
    };
    let weakest_u = if positive.value >= negative.value {
        positive_u
    } else {
        negative_u
    };
    let measured = |g: &Conductances, u| Measured { value: g.value, u };
    let current = |g: Microsiemens| {
        if g == Microsiemens::MAX {
            Microamps::MAX
        } else {
            g.at(*pack)
        }
    };
    Estimate {
        kind: *kind,
        conductance: measured(total, total_u),
        positive_conductance: measured(positive, positive_u),
        negative_conductance: measured(negative, negative_u),
        isolation: Ohms::of(total.value),
        isolation_interval: total.resistance(),
        positive: Ohms::of(positive.value),
        positive_interval: positive.resistance(),
        negative: Ohms::of(negative.value),
        negative_interval: negative.resistance(),
        weakest: Ohms::of(weakest.value),
        weakest_interval: weakest.resistance(),
        position: *position,
        touch_current: Measured {
            value: current(weakest.value.max(Microsiemens::ZERO)),
            u: current(weakest_u),
        },
        capacitance: *capacitance,
        pack: *pack,
    }
}

/// C = τ·(G + g_k) of the reading that shows it best.
#[inline(never)]
fn capacitance(system: &System<'_>) -> Option<Measured<Microfarads>> {
    let g = system.total();
    system
        .states
        .iter()
        .filter_map(|state| {
            let tau = state.settled.time_constant()?;
            let conductance = g.plus(state.g);
            let value = num::mul(conductance, tau.value.to_bits());
            let u = num::mul(conductance, tau.u.to_bits());
            (value > 0 && g < i64::MAX).then_some((value, u))
        })
        .min_by_key(|&(value, u)| num::ratio(u, value, 32))
        .map(|(value, u)| Measured {
            value: Microfarads::from_bits(value),
            u: Microfarads::from_bits(u),
        })
}

#[cfg(test)]
mod tests;
