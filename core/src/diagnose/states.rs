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
            let contradict = contradict(config, [rest, raise, lower]);
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
    v: i128,
    pack: i128,
    c: i128,
    g: i128,
    p: i128,
    point: Point,
}

#[inline(never)]
fn line(config: &Config, drive: Drive, point: Point) -> Line {
    let row = config.network().row(drive);
    let (g, p) = (i128::from(row.g.to_bits()), i128::from(row.p.to_bits()));
    let (v, pack) = (i128::from(point.v), i128::from(point.pack));
    // Below 2^63 · 2^31.
    let pushed = p.wrapping_mul(pack).wrapping_sub(g.wrapping_mul(v)) >> num::FRAC;
    let c = i128::from(row.i.to_bits() >> CUT).saturating_add(pushed);
    Line {
        v,
        pack,
        c: limited(c),
        g,
        p,
        point,
    }
}

/// Cut to ±2^40, a million microamperes: products of three fit 128 bits.
fn limited(wide: i128) -> i128 {
    const MOST: i128 = 1 << 40;
    wide.clamp(-MOST, MOST)
}

/// No G and Gp have these three settled voltages: the determinant of the rows
/// (v, Vb, c) is not zero.
///
/// With the cofactors a, b, c' of a row the determinant moves by
/// (a − g·c')·dv, (b + p·c')·dVb and c'·dc: noise of v and Vb adds as squares,
/// a gain of v moves all rows alike, and the tolerance of a part its own row.
fn contradict(config: &Config, [rest, raise, lower]: [Point; 3]) -> bool {
    let lines = [
        line(config, Drive::Rest, rest),
        line(config, Drive::Raise, raise),
        line(config, Drive::Lower, lower),
    ];
    let [first, second, third] = &lines;
    let minors = [
        minor(second, third),
        minor(third, first),
        minor(first, second),
    ];
    let [[a, b, c], ..] = minors;
    let determinant = product(first.v, a)
        .saturating_add(product(first.pack, b))
        .saturating_add(product(first.c, c));
    let mut noise = num::RootSum::default();
    let (mut gain, mut pack_gain, mut parts) = (0i128, 0i128, 0i128);
    for (line, [a, b, c]) in lines.iter().zip(minors) {
        let by_v = a.saturating_sub(product(line.g, c) >> num::FRAC);
        let by_pack = b.saturating_add(product(line.p, c) >> num::FRAC);
        // Scaled down by 2^48 to fit 64 bits.
        let part = |by: i128, u: i32| num::narrow(product(by, i128::from(u)) >> 24);
        noise.add(part(by_v, line.point.v_u));
        noise.add(part(by_pack, line.point.pack_u));
        gain = gain.saturating_add(product(by_v, line.v));
        pack_gain = pack_gain.saturating_add(product(by_pack, line.pack));
        parts = parts.saturating_add(product(line.c, c).saturating_abs());
    }
    let gains = config.front_end().gain_u().map(Ratio::to_bits);
    let [gain_u, pack_gain_u] = gains.map(|u| u.saturating_mul(3).saturating_add(GAIN));
    let share = |of: i128, by: i64| product(of.saturating_abs() >> 24, i128::from(by)) >> 32;
    let allowed = i128::from(noise.root().saturating_mul(SURE))
        .saturating_add(share(gain, gain_u))
        .saturating_add(share(pack_gain, pack_gain_u))
        .saturating_add(share(parts, tolerance(config)));
    determinant.saturating_abs() >> 24 > allowed
}

#[inline(never)]
fn minor(x: &Line, y: &Line) -> [i128; 3] {
    let cross = |a: i128, b: i128, c: i128, d: i128| product(a, d).saturating_sub(product(b, c));
    [
        cross(x.pack, x.c, y.pack, y.c),
        cross(x.c, x.v, y.c, y.v),
        cross(x.v, x.pack, y.v, y.pack),
    ]
}

/// Never inlined: with its check it takes half a kilobyte.
#[inline(never)]
const fn product(a: i128, b: i128) -> i128 {
    a.saturating_mul(b)
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
