//! The one test of redundant equations: three drive states, two unknowns.
//!
//! Over any part of a dwell the circuit's equation, divided by the time, is
//! G·v − Gp·Vb − c + q = 0 with the means v and Vb, c = i + p·Vb − g·v what the
//! monitor pushes, and q = C·Δv/Δt what the capacitance takes, which is zero once
//! settled. Three states have a solution only where the determinant of the rows
//! (v, Vb, c − q) is zero.

use crate::config::{Config, Contact, Drive, Element, Landing};
use crate::num;
use crate::num::Saturating as _;
use crate::units::{Microsiemens, Ratio};

use super::CUT;

/// Standard uncertainties that are no chance: of a Gaussian, 2 in 10⁹ lie beyond.
pub(super) const SURE: i64 = 6;
/// What has to show before nothing is wrong: a part off by a sixteenth, as a power of two.
pub(super) const CLEAR: u32 = 4;
/// Fraction bits given up of what a check would have shown.
pub(super) const STEP: u32 = 20;
/// What parts may be off by that declare no tolerance: one part in a hundred.
const UNDECLARED: i64 = num::ONE / 100;
/// What a gain, or a part, may be off by beyond its declared tolerance.
pub(super) const GAIN: i64 = num::ONE / 500;

/// What was measured in one drive state, in V and µA with 16 fraction bits.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Side {
    pub(super) v: i32,
    pub(super) v_u: i32,
    pub(super) pack: i32,
    pub(super) pack_u: i32,
    /// What the capacitance takes.
    pub(super) charge: i64,
    pub(super) charge_u: i64,
}

/// One row.
struct Line<'a> {
    drive: Drive,
    side: &'a Side,
    c: i64,
    /// Cofactor of c: what c moves the determinant by.
    weight: i128,
}

impl<'a> Line<'a> {
    /// The row of a side before two others.
    #[inline(never)]
    fn of(config: &Config, drive: Drive, [side, x, y]: [&'a Side; 3]) -> Self {
        /// A million microamperes: products of three fit 128 bits.
        const MOST: i64 = 1 << 40;
        let row = config.network().row(drive);
        let (g, p) = (row.g.to_bits(), row.p.to_bits());
        // Below 2^63 · 2^31.
        let pushed = num::wide(p, side.pack.into()).wrapping_sub(num::wide(g, side.v.into()));
        let pushed = num::narrow(pushed >> num::FRAC);
        let c = (row.i.to_bits() >> CUT).plus(pushed).minus(side.charge);
        Self {
            drive,
            side,
            c: c.clamp(-MOST, MOST),
            weight: cross([x.v, x.pack].map(i64::from), [y.v, y.pack].map(i64::from)),
        }
    }

    /// v, Vb and c.
    fn numbers(&self) -> [i64; 3] {
        [self.side.v.into(), self.side.pack.into(), self.c]
    }
}

/// What three sides come to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Outcome {
    /// No G and Gp have them.
    Contradict,
    /// One circuit has, and not with a part off by a sixteenth. The gain of a channel that is
    /// off by this much would have shown, in steps of 1/4096, a sixteenth at most: one byte.
    Agree(u8),
}

/// Weighs the sides of the third state, raise and lower. C is out by `capacitance_u` at
/// most, as a part of it. `None` where a contradiction is close, or where too little
/// would show.
#[inline(never)]
pub(super) fn weigh(config: &Config, sides: &[Side; 3], capacitance_u: i64) -> Option<Outcome> {
    let mut moves = Moves::default();
    let determinant = moves.gather(config, sides);
    moves.conclude(config, determinant, capacitance_u)
}

/// What moves the determinant. With the cofactors a, b, c' of a row it moves by
/// (a − g·c')·dv, (b + p·c')·dVb and c'·dc: noise of v, Vb and q adds as squares;
/// gain and offset of v, the error of C and that of a part move all rows at once, by
/// what each carries. What is connected in all three alike moves none: Σ c'·v and
/// Σ c'·Vb are zero.
#[derive(Default)]
struct Moves {
    noise: num::RootSum,
    gain: i128,
    pack_gain: i128,
    /// Tolerances, that of each part: their sum, and the root of their squares.
    parts: i128,
    spread: num::RootSum,
    /// What the part that moves it most does, all of it.
    most: i128,
    offset: i128,
    charge: i128,
}

impl Moves {
    /// Adds all rows and parts; the determinant.
    #[inline(never)]
    fn gather(&mut self, config: &Config, [third, raise, lower]: &[Side; 3]) -> i128 {
        let lines = [
            Line::of(config, config.third(), [third, raise, lower]),
            Line::of(config, Drive::Raise, [raise, lower, third]),
            Line::of(config, Drive::Lower, [lower, third, raise]),
        ];
        let [third, raise, lower] = &lines;
        // Developed by any row.
        self.add(config, [third, raise, lower]);
        self.add(config, [raise, lower, third]);
        let determinant = self.add(config, [lower, third, raise]);
        for part in config.network().elements() {
            self.add_part(part, &lines);
        }
        determinant
    }

    /// Adds a row before two others; the determinant, developed by it.
    #[inline(never)]
    fn add(&mut self, config: &Config, [line, x, y]: [&Line<'_>; 3]) -> i128 {
        let ([v, pack, current], row) = (line.numbers(), config.network().row(line.drive));
        let ([x_v, x_pack, x_c], [y_v, y_pack, y_c]) = (x.numbers(), y.numbers());
        let a = cross([x_pack, x_c], [y_pack, y_c]);
        let b = cross([x_c, x_v], [y_c, y_v]);
        let c = line.weight;
        let moved = |by: i64| product(c, by) >> num::FRAC;
        let by_v = num::plus(a, moved(row.g.to_bits()).wrapping_neg());
        let by_pack = num::plus(b, moved(row.p.to_bits()));
        // Scaled down by 2^48 to fit 64 bits.
        let part = |by: i128, u: i64| num::narrow(product(by, u) >> 24);
        self.noise.add(part(by_v, line.side.v_u.into()));
        self.noise.add(part(by_pack, line.side.pack_u.into()));
        self.noise.add(part(c, line.side.charge_u));
        self.offset = num::plus(self.offset, by_v);
        self.charge = num::plus(self.charge, product(c, line.side.charge));
        self.gain = num::plus(self.gain, product(by_v, v));
        self.pack_gain = num::plus(self.pack_gain, product(by_pack, pack));
        let by_current = product(c, current);
        num::plus(num::plus(product(a, v), product(b, pack)), by_current)
    }

    /// Adds the tolerances of a part: the resistor to either rail, and the source.
    #[inline(never)]
    fn add_part(&mut self, part: &Element, lines: &[Line<'_>; 3]) {
        let always = |line: &Line<'_>| part.contact(line.drive) == Contact::CLOSED;
        if lines.iter().all(always) {
            return;
        }
        let resistance = tolerance(part.resistance_u, UNDECLARED);
        let g = Microsiemens::of(part.resistance).to_bits();
        let carried = |from| carried(part, g, from, lines);
        let mut by_resistance = 0;
        if part.landing != Landing::Negative {
            by_resistance = self.share(carried(From::Positive), resistance);
        }
        if part.landing != Landing::Positive {
            let more = self.share(carried(From::Negative), resistance);
            by_resistance = num::plus(by_resistance, more);
        }
        self.tolerate(by_resistance);
        let mut source = carried(From::Source);
        if part.landing == Landing::BothRails {
            source = num::plus(source, source);
        }
        let by_source = self.share(source, tolerance(part.emf_u, UNDECLARED));
        self.tolerate(by_source);
    }

    #[inline(never)]
    fn share(&mut self, moved: i128, u: i64) -> i128 {
        self.most = self.most.max(num::extent(moved));
        share(moved, u)
    }

    /// Adds what one error within its tolerance moves, independent of the others.
    fn tolerate(&mut self, moved: i128) {
        self.parts = num::plus(self.parts, moved);
        self.spread.add(num::narrow(moved));
    }

    /// What the moves make of the determinant. A frame of its own, which is gone while the
    /// parts are added.
    #[inline(never)]
    fn conclude(
        &mut self,
        config: &Config,
        determinant: i128,
        capacitance_u: i64,
    ) -> Option<Outcome> {
        let [limit, likely] = self.allowed(config, capacitance_u);
        let moved = num::extent(determinant) >> 24;
        if moved > limit {
            return Some(Outcome::Contradict);
        }
        let close = moved > likely >> 1;
        if close || likely > self.most >> (24 + CLEAR) {
            return None;
        }
        // A gain of Vb leaves G as it is where nothing that is driven leads to the positive rail.
        let leads = |drive| config.network().row(drive).p.to_bits() != 0;
        let pack_matters = leads(Drive::Raise) || leads(Drive::Lower);
        let gain = num::extent(self.gain) >> 24;
        let pack_gain = num::extent(self.pack_gain) >> 24;
        let least = if pack_matters {
            gain.min(pack_gain)
        } else {
            gain
        };
        let most = num::ONE >> CLEAR;
        let shows = if likely < least >> CLEAR {
            num::quotient(likely, least, num::FRAC as i32).min(most)
        } else {
            most
        };
        // Rounded up.
        let steps = shows.saturating_add((1 << STEP) - 1) >> STEP;
        Some(Outcome::Agree(u8::try_from(steps).unwrap_or(u8::MAX)))
    }

    /// Most that it moves by without a contradiction, scaled down as the noise is: noise with
    /// all tolerances at their limits. And six standard uncertainties of all together,
    /// which are less where several count alike.
    #[inline(never)]
    fn allowed(&mut self, config: &Config, capacitance_u: i64) -> [i128; 2] {
        let gains = config.front_end().gain_u();
        let [gain_u, pack_gain_u] = gains.map(|u| tolerance(u, GAIN));
        let noise = num::times(self.noise.root(), SURE);
        self.tolerate(share(self.gain, gain_u));
        self.tolerate(share(self.pack_gain, pack_gain_u));
        let offset_u = config.front_end().chassis_offset_u().to_bits() >> CUT;
        let offset = product(num::extent(self.offset), offset_u.times(3)) >> 24;
        self.tolerate(offset);
        self.tolerate(share(self.charge, capacitance_u));
        // A tolerance is three standard uncertainties.
        let spread = num::times(self.spread.root(), SURE / 3);
        let together = num::hypot(&[noise, spread]);
        let limit = num::plus(noise.into(), self.parts);
        [limit, limit.min(together.into())]
    }
}

#[inline(never)]
fn cross([a, b]: [i64; 2], [c, d]: [i64; 2]) -> i128 {
    num::wide(a, d).wrapping_sub(num::wide(b, c))
}

/// Never inlined, and the rare one of more than 64 bits in a frame of its own: with its
/// check it takes half a kilobyte.
#[inline(never)]
const fn product(a: i128, b: i64) -> i128 {
    let short = a as i64;
    if short as i128 == a {
        num::wide(short, b)
    } else {
        long_product(a, b)
    }
}

#[inline(never)]
const fn long_product(a: i128, b: i64) -> i128 {
    a.saturating_mul(b as i128)
}

/// What the current through a part comes from.
#[derive(Clone, Copy, PartialEq, Eq)]
enum From {
    Positive,
    Negative,
    Source,
}

/// How far the determinant moves with all of the current from there of a part of conductance `g`.
#[inline(never)]
fn carried(part: &Element, g: i64, from: From, lines: &[Line<'_>; 3]) -> i128 {
    let mut sum = 0;
    for line in lines {
        let contact = part.contact(line.drive);
        if !contact.closed {
            continue;
        }
        let emf = contact.emf.to_bits() >> CUT;
        let volts = match from {
            From::Source => emf,
            From::Negative => emf.minus(line.side.v.into()),
            From::Positive => {
                let above = i64::from(line.side.pack).minus(line.side.v.into());
                emf.plus(above)
            }
        };
        sum = num::plus(sum, product(line.weight, num::mul(volts, g)));
    }
    sum
}

/// What a relative uncertainty makes of a move, scaled down as the noise is.
const fn share(of: i128, by: i64) -> i128 {
    product(num::extent(of) >> 24, by) >> num::FRAC
}

/// Three standard uncertainties, which are beyond any limit of error that is declared;
/// without a declaration something usual.
const fn tolerance(u: Ratio, usual: i64) -> i64 {
    if u.to_bits() == 0 {
        usual
    } else {
        num::times(u.to_bits(), 3)
    }
}
