//! What the settled voltages of the drive states say about each other.

use crate::config::{CYCLE_MAX, Config, Drive};
use crate::num;
use crate::report::Reading;
use crate::units::{Microsiemens, Ratio, Volts};

use super::{CUT, cut};

/// Standard uncertainties that are no chance: of a Gaussian, 2 in 10⁹ lie beyond.
const SURE: i64 = 6;
/// What parts may be off by that declare no tolerance: one part in a hundred.
const UNDECLARED: i64 = num::ONE / 100;
/// The same of a gain.
const GAIN: i64 = num::ONE / 500;

/// A settled reading, 16 fraction bits.
#[derive(Debug, Clone, Copy)]
struct Point {
    v: i32,
    v_u: i32,
    pack: i32,
    pack_u: i32,
    sequence: u32,
}

impl Point {
    fn of(reading: &Reading, sequence: u32) -> Self {
        Self {
            v: cut(reading.chassis.value),
            // What v may trail behind a moving pack counts as uncertainty.
            v_u: cut(reading.chassis.u.saturating_add(reading.lag.abs())).saturating_add(1),
            pack: cut(reading.pack.value),
            pack_u: cut(reading.pack.u).saturating_add(1),
            sequence,
        }
    }

    /// Far less certain than another reading of the state.
    const fn is_poor(&self, other: &Self) -> bool {
        self.v_u >> 3 > other.v_u
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
    /// The state's voltage has changed since its dwell before: where to.
    pub(super) moved: Option<bool>,
}

/// The newest settled reading of each drive state.
#[derive(Debug, Clone, Default)]
pub(super) struct States {
    latest: [Option<Point>; 3],
}

impl States {
    /// A dwell gave no reading: the one before counts only for what has moved.
    pub(super) fn clear(&mut self, drive: Drive, sequence: u32) {
        if let Some(Some(point)) = self.latest.get_mut(drive.index()) {
            point.sequence = sequence.wrapping_sub(CYCLE_MAX as u32);
        }
    }

    fn fresh(&self, drive: Drive, sequence: u32) -> Option<Point> {
        let point = drive.of(&self.latest)?;
        (age(sequence, &point) < CYCLE_MAX as u32).then_some(point)
    }

    pub(super) fn take(&mut self, config: &Config, reading: &Reading, sequence: u32) -> Told {
        let new = Point::of(reading, sequence);
        let mut told = Told::default();
        let Some(place) = self.latest.get_mut(reading.drive.index()) else {
            return told;
        };
        match place {
            // Something happened in this dwell: the next will show what came of it.
            Some(old) if new.is_poor(old) && age(sequence, old) < CYCLE_MAX as u32 => {
                self.clear(reading.drive, sequence);
                return told;
            }
            Some(old) => told.moved = moved(old, &new),
            None => {}
        }
        *place = Some(new);
        let negative = new.pack() < -(5i64 << CUT);
        told.polarity = Some(negative);
        let raise = self.fresh(Drive::Raise, sequence);
        let lower = self.fresh(Drive::Lower, sequence);
        let (Some(raise), Some(lower)) = (raise, lower) else {
            return told;
        };
        let wide = |bits: i32| Volts::from_bits(i64::from(bits) << CUT);
        let Some(least) = least_swing(config, wide(lower.v), wide(lower.pack)) else {
            return told;
        };
        let least = least >> CUT;
        let swing = raise.v().saturating_sub(lower.v());
        let doubt = doubt(&raise, &lower);
        told.polarity = Some(negative || swing.saturating_neg() > (least >> 2).max(doubt));
        let silent = swing.saturating_abs() <= doubt.max(least >> 7);
        if silent && doubt > least >> 2 {
            // Noise, or the pack, would hide the swing of a leak that can be measured.
            return told;
        }
        let rail = at_rail(config, &raise) && at_rail(config, &lower);
        told.at_rail = Some(silent && rail);
        told.no_response = Some(silent && !rail);
        // A state that the cycle never comes back to could never take back what it said.
        let cycle = config.timing().cycle();
        if let Some(rest) = self.fresh(Drive::Rest, sequence)
            && cycle.contains(&Drive::Rest)
            && !config.network().same(Drive::Rest, Drive::Raise)
            && !config.network().same(Drive::Rest, Drive::Lower)
        {
            let contradict = contradict(config, &[rest, raise, lower]);
            let alike = |point: &Point| {
                let apart = point.v().saturating_sub(rest.v()).saturating_abs();
                apart <= self::doubt(point, &rest).max(swing.saturating_abs() >> 6)
            };
            let one = alike(&raise) != alike(&lower);
            told.stuck = Some(contradict && one);
            told.contradict = Some(contradict && !one && !silent);
            // Neither drive state does more than the other, but not nothing:
            // the parts are there, the source is not.
            told.no_response = Some(silent && (!rail || contradict));
        }
        told
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
    let by_pack = a.pack().saturating_sub(b.pack()).saturating_abs();
    u.saturating_mul(SURE).saturating_add(by_pack)
}

/// The voltage of a state has changed, by more than noise, the pack and a
/// ten-thousandth of it: upwards, downwards.
fn moved(old: &Point, new: &Point) -> Option<bool> {
    let by = new.v().saturating_sub(old.v());
    let floor = new.pack().saturating_abs() >> 13;
    (by.saturating_abs() > doubt(old, new).saturating_add(floor)).then_some(by > 0)
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
    let relative = gain.saturating_add(pack_gain).saturating_mul(3);
    let relative = relative.saturating_add(GAIN);
    let offset = front.chassis_offset_u().to_bits().saturating_mul(3);
    let offset = offset.saturating_add(resolution.saturating_mul(4)) >> CUT;
    let off = num::mul(point.pack().saturating_abs(), relative).saturating_add(offset);
    let from_positive = point.v().saturating_sub(point.pack());
    point.v().saturating_abs() <= off || from_positive.saturating_abs() <= off
}

/// One row of G·v − Gp·Vb − c = 0 with c = i + p·Vb − g·v, in V and µA with 16
/// fraction bits; g and p with 32.
struct Line {
    c: i64,
    g: i64,
    p: i64,
    point: Point,
}

impl Line {
    #[inline(never)]
    fn of(config: &Config, drive: Drive, point: &Point) -> Self {
        /// A million microamperes: products of three fit 128 bits.
        const MOST: i64 = 1 << 40;
        let row = config.network().row(drive);
        let (g, p) = (row.g.to_bits(), row.p.to_bits());
        // Below 2^63 · 2^31.
        let pushed = num::wide(p, point.pack()).wrapping_sub(num::wide(g, point.v()));
        let pushed = num::narrow(pushed >> num::FRAC);
        let c = (row.i.to_bits() >> CUT).saturating_add(pushed);
        Self {
            c: c.clamp(-MOST, MOST),
            g,
            p,
            point: *point,
        }
    }

    /// v, Vb and c.
    fn numbers(&self) -> [i64; 3] {
        [self.point.v(), self.point.pack(), self.c]
    }
}

/// No G and Gp have these three settled voltages: the determinant of the rows
/// (v, Vb, c) is not zero.
#[inline(never)]
fn contradict(config: &Config, [rest, raise, lower]: &[Point; 3]) -> bool {
    let first = Line::of(config, Drive::Rest, rest);
    let second = Line::of(config, Drive::Raise, raise);
    let third = Line::of(config, Drive::Lower, lower);
    let mut moves = Moves::default();
    let determinant = moves.add(&first, &cofactors(&second, &third));
    moves.add(&second, &cofactors(&third, &first));
    moves.add(&third, &cofactors(&first, &second));
    determinant.saturating_abs() >> 24 > moves.allowed(config)
}

/// What moves the determinant. With the cofactors a, b, c' of a row it moves by
/// (a − g·c')·dv, (b + p·c')·dVb and c'·dc: noise of v and Vb adds as squares,
/// a gain of v moves all rows alike, and the tolerance of a part its own row.
#[derive(Default)]
struct Moves {
    noise: num::RootSum,
    gain: i128,
    pack_gain: i128,
    parts: i128,
}

impl Moves {
    /// Adds a row; the determinant, developed by it.
    #[inline(never)]
    fn add(&mut self, line: &Line, [a, b, c]: &[i128; 3]) -> i128 {
        let [v, pack, current] = line.numbers();
        let moved = |by: i64| product(*c, by) >> num::FRAC;
        let by_v = num::plus(*a, moved(line.g).wrapping_neg());
        let by_pack = num::plus(*b, moved(line.p));
        // Scaled down by 2^48 to fit 64 bits.
        let part = |by: i128, u: i32| num::narrow(product(by, i64::from(u)) >> 24);
        self.noise.add(part(by_v, line.point.v_u));
        self.noise.add(part(by_pack, line.point.pack_u));
        self.gain = num::plus(self.gain, product(by_v, v));
        self.pack_gain = num::plus(self.pack_gain, product(by_pack, pack));
        let by_part = product(*c, current);
        self.parts = num::plus(self.parts, by_part.saturating_abs());
        num::plus(num::plus(product(*a, v), product(*b, pack)), by_part)
    }

    /// Most that it moves by without a contradiction, scaled down as the noise is.
    #[inline(never)]
    fn allowed(&self, config: &Config) -> i128 {
        let gains = config.front_end().gain_u().map(Ratio::to_bits);
        let [gain_u, pack_gain_u] = gains.map(|u| u.saturating_mul(3).saturating_add(GAIN));
        let share = |of: i128, by: i64| product(of.saturating_abs() >> 24, by) >> 32;
        let noise = i128::from(num::times(self.noise.root(), SURE));
        let gains = num::plus(share(self.gain, gain_u), share(self.pack_gain, pack_gain_u));
        num::plus(
            num::plus(noise, gains),
            share(self.parts, tolerance(config)),
        )
    }
}

/// The cofactors of the row before two others.
#[inline(never)]
fn cofactors(x: &Line, y: &Line) -> [i128; 3] {
    let ([v, pack, c], [other_v, other_pack, other_c]) = (x.numbers(), y.numbers());
    let cross = |a: i64, b: i64, c: i64, d: i64| num::wide(a, d).wrapping_sub(num::wide(b, c));
    [
        cross(pack, c, other_pack, other_c),
        cross(c, v, other_c, other_v),
        cross(v, pack, other_v, other_pack),
    ]
}

/// Never inlined: with its check it takes half a kilobyte.
#[inline(never)]
const fn product(a: i128, b: i64) -> i128 {
    a.saturating_mul(b as i128)
}

/// Three standard uncertainties of the least certain part, and what is not declared.
fn tolerance(config: &Config) -> i64 {
    let elements = config.network().elements().iter();
    let worst = elements.fold(0i64, |worst, part| {
        let own = part
            .resistance_u
            .to_bits()
            .saturating_add(part.emf_u.to_bits());
        worst.max(own)
    });
    worst.saturating_mul(3).saturating_add(UNDECLARED)
}
