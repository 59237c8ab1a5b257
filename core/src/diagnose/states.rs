//! What the settled voltages of the drive states say about each other.

use core::num::NonZeroI32;

use crate::config::{CYCLE_MAX, Check, Config, Drive};
use crate::num;
use crate::num::Saturating as _;
use crate::report::Reading;
use crate::units::{Microsiemens, Ratio, Volts};

use super::redundant::{self, GAIN, Outcome, SURE, Side};
use super::{CUT, above_zero, cut};

/// A settled reading, 16 fraction bits.
#[derive(Debug, Clone, Copy)]
struct Point {
    v: i32,
    v_u: i32,
    pack: i32,
    pack_u: NonZeroI32,
    sequence: u32,
}

impl Point {
    fn of(reading: &Reading, sequence: u32) -> Self {
        Self {
            v: cut(reading.chassis.value),
            // What v may trail behind a moving pack counts as uncertainty.
            v_u: cut(reading.chassis.u.saturating_add(reading.lag.abs())).saturating_add(1),
            pack: cut(reading.pack.value),
            pack_u: above_zero(cut(reading.pack.u).saturating_add(1)),
            sequence,
        }
    }

    /// Far less certain than another reading of the state, and than steps of the converter
    /// make it, which come and go with the noise.
    fn is_poor(&self, other: &Self, config: &Config) -> bool {
        let [steps, _] = config.front_end().resolution().map(cut);
        self.v_u >> 3 > other.v_u.max(steps)
    }

    fn pack(&self) -> i64 {
        i64::from(self.pack)
    }

    fn v(&self) -> i64 {
        i64::from(self.v)
    }
}

/// What one settled reading says together with those before it.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Told {
    pub(super) polarity: Option<bool>,
    pub(super) no_response: Option<bool>,
    pub(super) at_rail: Option<bool>,
    pub(super) stuck: Option<bool>,
    pub(super) contradict: Option<bool>,
    /// What the third state and the driven ones come to, whatever the name of it.
    pub(super) outcome: Option<Outcome>,
    /// The state's voltage has changed since its dwell before: where to.
    pub(super) moved: Option<bool>,
}

/// The driven states, both measured, where the drive could be seen to move v.
#[derive(Debug, Clone, Copy)]
pub(super) struct Driven {
    swing: i64,
    /// They read alike; v is that of a rail in both.
    silent: bool,
    rail: bool,
}

/// The newest settled reading of each drive state.
#[derive(Debug, Clone, Default)]
pub(super) struct States {
    latest: [Option<Point>; 3],
}

impl States {
    /// A dwell gave no reading: the one before counts only for what has moved.
    pub(super) fn clear(&mut self, drive: Drive, sequence: u32) {
        if let Some(Some(point)) = self.latest.get_mut(drive.slot()) {
            point.sequence = sequence.wrapping_sub(CYCLE_MAX as u32);
        }
    }

    fn fresh(&self, drive: Drive, sequence: u32) -> Option<&Point> {
        let point = self.latest.get(drive.slot())?.as_ref()?;
        (age(sequence, point) < CYCLE_MAX as u32).then_some(point)
    }

    /// Holds a reading against that before it in its state, and the driven states
    /// against each other: [`States::check`] goes on with these.
    #[inline(never)]
    pub(super) fn take(
        &mut self,
        config: &Config,
        reading: &Reading,
        sequence: u32,
        told: &mut Told,
    ) -> Option<Driven> {
        let new = Point::of(reading, sequence);
        if !config.states().contains(&reading.drive) {
            return None;
        }
        let place = self.latest.get_mut(reading.drive.slot())?;
        match place {
            // Something happened in this dwell: the next will show what came of it.
            Some(old) if new.is_poor(old, config) && age(sequence, old) < CYCLE_MAX as u32 => {
                self.clear(reading.drive, sequence);
                return None;
            }
            Some(old) => told.moved = moved(old, &new),
            None => {}
        }
        *place = Some(new);
        let negative = new.pack() < -(5i64 << CUT);
        told.polarity = Some(negative);
        let driven = reading.drive != config.third();
        let raise = self.fresh(Drive::Raise, sequence)?;
        let lower = self.fresh(Drive::Lower, sequence)?;
        let wide = |bits: i32| Volts::from_bits(i64::from(bits) << CUT);
        let least = least_swing(config, wide(lower.v), wide(lower.pack))? >> CUT;
        let swing = raise.v().minus(lower.v());
        let doubt = doubt(raise, lower);
        // The third state says nothing new of the driven ones.
        if driven {
            told.polarity = Some(negative || swing.saturating_neg() > (least >> 2).max(doubt));
        }
        let silent = swing.size() <= doubt.max(least >> 7);
        if silent && doubt > least >> 2 {
            // Noise, or the pack, would hide the swing of a leak that can be measured.
            return None;
        }
        let rail = at_rail(config, raise) && at_rail(config, lower);
        if driven {
            told.at_rail = Some(silent && rail);
            told.no_response = Some(silent && !rail);
        }
        Some(Driven {
            swing,
            silent,
            rail,
        })
    }

    /// Holds the driven states against the third.
    #[inline(never)]
    pub(super) fn check(&self, config: &Config, driven: &Driven, sequence: u32, told: &mut Told) {
        let Driven {
            swing,
            silent,
            rail,
        } = driven;
        let raise = self.fresh(Drive::Raise, sequence);
        let lower = self.fresh(Drive::Lower, sequence);
        let (Some(raise), Some(lower)) = (raise, lower) else {
            return;
        };
        // A state that the cycle never comes back to could never take back what it said.
        let timing = config.timing();
        let third = config.third();
        let comes_again = timing.cycle().contains(&third) || timing.check != Check::Never;
        if let Some(point) = self.fresh(third, sequence)
            && comes_again
            && !config.network().same(third, Drive::Raise)
            && !config.network().same(third, Drive::Lower)
            && let Some(outcome) = weigh(config, point, raise, lower)
        {
            let alike = |driven: &Point| {
                let apart = driven.v().minus(point.v()).size();
                apart <= self::doubt(driven, point).max(swing.size() >> 6)
            };
            // Beside the check resistor no driven state is like the third but by chance.
            let one = third == Drive::Rest && alike(raise) != alike(lower);
            let contradict = outcome == Outcome::Contradict;
            told.outcome = Some(outcome);
            // A circuit that changes breaks it with the driven states before the third or
            // with those after it, and while one is new and one old: only a fault breaks both.
            let (begun, now) = (age(sequence, point), [raise, lower]);
            if begun == 0 || now.iter().all(|driven| age(sequence, driven) < begun) {
                told.stuck = Some(contradict && one);
                told.contradict = Some(contradict && !one && !*silent);
            }
            // Neither drive state does more than the other, but not nothing:
            // the parts are there, the source is not.
            told.no_response = Some(*silent && (!*rail || contradict));
        }
    }
}

/// Dwells since a reading.
const fn age(sequence: u32, point: &Point) -> u32 {
    sequence.wrapping_sub(point.sequence)
}

/// Six standard uncertainties of a difference of v, and what a change of the
/// pack voltage may explain.
fn doubt(a: &Point, b: &Point) -> i64 {
    let u = num::hypot(&[i64::from(a.v_u), i64::from(b.v_u)]);
    let by_pack = a.pack().minus(b.pack()).size();
    u.times(SURE).plus(by_pack)
}

/// The voltage of a state has changed, by more than noise, the pack and a
/// ten-thousandth of it: upwards, downwards.
fn moved(old: &Point, new: &Point) -> Option<bool> {
    let by = new.v().minus(old.v());
    let floor = new.pack().size() >> 13;
    (by.size() > doubt(old, new).plus(floor)).then_some(by > 0)
}

/// By how much a leak at the alarm limit lets the drive move v, at v and Vb: the
/// smallest swing of a circuit that is not an alarm. `I32F32` bits.
pub(super) fn least_swing(config: &Config, v: Volts, pack: Volts) -> Option<i64> {
    let network = config.network();
    let stimulus = network.stimulus(Drive::Lower, Drive::Raise, v, pack);
    let limits = config.limits();
    let leak = Microsiemens::of(limits.resistance(limits.alarm_ohm_per_volt));
    let all = i128::from(leak.saturating_add(network.row(Drive::Raise).g).to_bits());
    let swing = num::quotient(i128::from(stimulus.to_bits()), all, num::FRAC as i32);
    (swing > 0).then_some(swing)
}

/// v is that of a rail, within offset, gain and resolution.
fn at_rail(config: &Config, point: &Point) -> bool {
    let front = config.front_end();
    let [gain, pack_gain] = front.gain_u().map(Ratio::to_bits);
    let [resolution, _] = front.resolution().map(Volts::to_bits);
    let relative = gain.plus(pack_gain).times(3);
    let relative = relative.plus(GAIN);
    let offset = front.chassis_offset_u().to_bits().times(3);
    let offset = offset.plus(resolution.times(4)) >> CUT;
    let off = num::mul(point.pack().size(), relative).plus(offset);
    let from_positive = point.v().minus(point.pack());
    point.v().size() <= off || from_positive.size() <= off
}

/// What these three settled voltages come to.
fn weigh(config: &Config, third: &Point, raise: &Point, lower: &Point) -> Option<Outcome> {
    let still = |point: &Point| Side {
        v: point.v,
        v_u: point.v_u,
        pack: point.pack,
        pack_u: point.pack_u.get(),
        ..Side::default()
    };
    let sides = [still(third), still(raise), still(lower)];
    redundant::weigh(config, &sides, 0)
}
