//! Stage 4, settled readings of a drive cycle to isolation resistance and its
//! split between the rails.

mod absorption;
#[cfg(test)]
mod budget_tests;
mod change;
#[cfg(test)]
mod change_tests;
mod doubt;
mod early;
mod figures;
mod system;
mod uncertainty;

use crate::config::Config;
use crate::num;
use crate::num::{RootSum, Saturating as _, hypot};
use crate::reason::Reason;
use crate::report::{Estimate, Kind};
use crate::settle::Settled;
use crate::units::{Measured, Microfarads, Microsiemens, Ohms, Ratio, Volts};
use change::Solution;
pub(crate) use early::{Early, Found, at_least};
use figures::{
    Answer, Conductances, Told, assemble, figure, plausible_position, position_interval,
};
pub(crate) use system::Zero;
use system::{READINGS, System};
use uncertainty::{Budget, Uncertainty};

/// Standard uncertainties that a 95 % interval spans on either side.
const COVERAGE: i64 = 2;

/// Sums of standard uncertainties between two readings of C that are a contradiction.
const CONTRADICTION: i64 = 3;
/// Share of C, as a power of two, to which no dwell tells it alone: so well any dwell would.
const ALONE: u32 = 4;

/// Below this pack voltage a leak to either rail cannot be judged.
const PACK_MIN: Volts = Volts::from_int(5);

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
        zero: &Zero,
    ) -> bool {
        if estimation.is_done() {
            return false;
        }
        let mut system = System::default();
        let result = if system.take(config.network(), readings.take(READINGS)) {
            self.work(estimation, config, &mut system, zero)
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
        zero: &Zero,
    ) -> Result<(), Reason> {
        if let Stage::Compare = estimation.stage {
            system.drift(zero);
            return self.compare(estimation, config, system);
        }
        system.put_in_doubt(1, estimation.doubt);
        if let Stage::Weigh(_) = estimation.stage {
            system.take_off_lag();
        }
        system.drift(zero);
        if let Stage::Bound = estimation.stage {
            return estimation.bound(config, system);
        }
        if let Stage::Weigh(budget) = &mut estimation.stage
            && !budget.step(system, config)
        {
            estimation.conclude(config, system);
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
        let magnitude = num::extent(system.determinant);
        let untold = system.determinant_u(offset_u, 3);
        let now = if magnitude >= untold {
            Some(Solution::of(system))
        } else {
            Solution::short(system)
        };
        let untold = num::quotient(untold, i128::from(system.pack().to_bits()), 0);
        let doubt = match self.last.take() {
            Some(last) => last.doubt(config.network(), system, untold),
            None => Ok(0),
        };
        self.last = now;
        estimation.doubt = doubt?;
        system.put_in_doubt(1, estimation.doubt);
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

    /// The readings tell of two circuits.
    pub(crate) const fn has_changed(&self) -> bool {
        matches!(self.stage, Stage::Failed(Reason::CircuitChanged))
    }

    #[inline(never)]
    fn bound(&mut self, config: &Config, system: &System<'_>) -> Result<(), Reason> {
        self.stage = Stage::Short(Bounds::new(system, config)?);
        Ok(())
    }

    /// All sources are summed.
    #[inline(never)]
    fn conclude(&mut self, config: &Config, system: &System<'_>) {
        if let Stage::Weigh(budget) = &self.stage {
            let u = budget.total();
            let capacitance = capacitance(config, system, u.total);
            self.stage = Stage::Figure(Solved::of(system, capacitance), u);
        }
    }

    /// The estimate, or the reason why the readings yield none.
    #[inline(never)]
    pub(crate) fn answer(&self) -> Result<Estimate, Reason> {
        match &self.stage {
            Stage::Figure(solved, u) => {
                figure(solved, u, Answer::Swing).map(|told| assemble(&told))
            }
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
}

impl Bounds {
    /// A swing that cannot be told from none: a short, if that much can be said.
    fn new(system: &System<'_>, config: &Config) -> Result<Self, Reason> {
        let offset = config.front_end().chassis_offset_u().to_bits();
        // How far an interval of D spans on either side.
        let doubt = system.determinant_u(offset, COVERAGE);
        let magnitude = num::extent(system.determinant);
        let pack = system.pack();
        let total = num::extent(system.for_total);
        let bound = |d: i128| Microsiemens::from_bits(num::quotient(total, d, 32));
        let least = bound(num::plus(magnitude, doubt));
        let most = match num::plus(magnitude, doubt.wrapping_neg()) {
            d if d > 0 => bound(d),
            _ => Microsiemens::MAX,
        };
        let x = system.position();
        let [chassis_gain, pack_gain] = config.front_end().gain_u();
        let gain = |u: Ratio| num::mul(x, u.to_bits());
        let offset = num::ratio(offset, pack.to_bits());
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
            // τ·(G + g), of a G that may be anything above.
            capacitance: None,
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
    fn of(system: &System<'_>, capacitance: Option<Measured<Microfarads>>) -> Self {
        let total = system.total();
        Self {
            total,
            positive: system.positive(),
            position: system.position(),
            loaded: total.plus(system.mean_load()),
            pack: system.pack(),
            capacitance,
        }
    }
}

/// C = τ·(G + g_k) as it is told, where G is as uncertain as `total_u`.
#[inline(never)]
fn capacitance(
    config: &Config,
    system: &System<'_>,
    total_u: i64,
) -> Option<Measured<Microfarads>> {
    let (place, [value, u, load]) = shown(system, false, READINGS)?;
    // What came upon v at a drive change passes for a transient, too: then another dwell contradicts it, or shows none.
    let other = shown(system, true, place);
    let apart = |[c, c_u, _]: [i64; 3]| c.minus(value).size() > c_u.plus(u).times(CONTRADICTION);
    if other.map_or(u < value >> ALONE, |(_, other)| apart(other)) {
        return None;
    }
    let by_load = num::ratio(total_u, load);
    let u = hypot(&[u, num::mul(value, pushing_u(config, by_load))]);
    let [value, u] = [value, u].map(Microfarads::from_bits);
    Some(Measured { value, u })
}

/// The reading that shows its time constant best but for that in `without`: its place, and C, its standard uncertainty by
/// that, and G + g_k. Unless `moving` is asked for, of those in which the pack stood still: what v does behind a pack
/// passes for its transient.
#[inline(never)]
fn shown(system: &System<'_>, moving: bool, without: usize) -> Option<(usize, [i64; 3])> {
    let (mut at, mut g, mut tau, mut tau_u) = (READINGS, 0, 0, i64::MAX);
    for (place, state) in system.states.iter().enumerate() {
        let Some(shown) = state.settled.time_constant() else {
            continue;
        };
        let u = shown.u.to_bits();
        if (moving || state.settled.lag == Volts::ZERO) && u < tau_u && place != without {
            (at, g, tau, tau_u) = (place, state.g, shown.value.to_bits(), u);
        }
    }
    let load = system.total().plus(g);
    (tau > 0 && load > 0).then(|| (at, [num::mul(load, tau), num::mul(load, tau_u), load]))
}

/// What else adds to the relative standard uncertainty of C: it is the pushed current over the slope of v, so that the
/// gain of v and every part that pushes count in full; or that of G + g by all its sources, if larger.
fn pushing_u(config: &Config, by_load: i64) -> i64 {
    let [gain, _] = config.front_end().gain_u();
    let mut pushing = RootSum::default();
    pushing.add(gain.to_bits());
    for part in config.network().elements() {
        let [rest, raise, lower] = &part.contacts;
        if raise != lower || rest != raise {
            pushing.add(part.resistance_u.to_bits());
            pushing.add(part.emf_u.to_bits());
        }
    }
    pushing.root().max(by_load)
}

#[cfg(test)]
mod tests;
