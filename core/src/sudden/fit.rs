//! The test: since some moment a new leak flows. Which leaks explain the
//! record, and does one explain it that is above the limit?
//!
//! The equations since that moment are whitened (their noise is a moving
//! average of two blocks) and summed from the newest back, so that all
//! moments share one pass. With the newest equation as reference, `ξ = v/Vb`
//! and `λ = current/Vb`, a leak of total conductance t and p of it from the
//! positive rail makes
//!
//! ```text
//! current - λ·q - G₀·d = a·q - t·d,   q = Vb,  d = v - ξ·Vb,  a = p - t·ξ - λ₀
//! ```
//!
//! where G₀ is what is known to leak. A settled voltage leaves d near zero, so
//! that nothing large cancels.

use super::frame::{A_BITS, Frame, Leak, T_BITS, at};
use super::noise::Noise;
use super::row::{Equation, square};
use crate::num::{self, Reciprocal};

/// Largest whitened quantity: 64 squares of it fit a sum. A whitened quantity
/// has four fraction bits, a sum of squares eight.
const WHITE_MAX: i64 = 1 << 28;
/// An equation doubted more than this (in sixteenths of its noise) says nothing.
const DOUBT_MAX: i64 = 1 << 23;
/// Largest conductance looked for, over the limit.
const T_MAX: i64 = 1 << (T_BITS + 14);

/// The alarm is for leaks of this many times the limit conductance and more,
/// Q24: what C is uncertain by, and an alias of mains, stay below it.
const LIMIT: i64 = 115 * (1 << T_BITS) / 100;

/// Which leaks are above the limit of the alarm, with a margin.
#[derive(Debug, Clone, Copy)]
pub(super) struct Region {
    /// Each rail is held against the limit, not the sum.
    pub(super) each: bool,
}

/// What the equations of one window say.
#[derive(Debug, Clone, Copy)]
pub(super) struct Window {
    /// Misfit of the best leak above the limit (in resistance), Q8.
    pub(super) harmless: i64,
    /// The best leak of all.
    pub(super) best: Leak,
    /// The chassis is held so fast that no figure can be given.
    pub(super) pinned: bool,
    pub(super) equations: i64,
}

/// Sums over whitened equations from the newest back.
#[derive(Debug, Clone, Default)]
pub(super) struct Sums {
    yy: i64,
    yq: i64,
    yd: i64,
    qq: i64,
    qd: i64,
    dd: i64,
    equations: i64,
    /// The equation before (newer): whitened but for its deviation, and 1/D·lag, Q31.
    last: [i64; 3],
    carried: i64,
}

impl Sums {
    /// Adds the next older equation.
    pub(super) fn add(&mut self, row: &Equation, frame: &Frame, noise: &Noise) {
        let white = |x: i64| rounded(num::times(x, noise.scale), 32);
        let doubt = white(i64::from(row.doubt));
        if !row.usable() || doubt > DOUBT_MAX {
            self.last = [0; 3];
            self.carried = 0;
            return;
        }
        // Variance over the noise's, Q12.
        let extra = square(doubt) << 4;
        let shared = num::times(self.carried, noise.lag) >> 50;
        let variance = extra.saturating_add(4096u64.saturating_add_signed(shared.saturating_neg()));
        let (root, halvings) = inverse_root(variance);
        let carried = self.carried >> 7;
        let mut columns = frame.columns(row);
        if let Some(d) = columns.last_mut() {
            *d = num::times(*d, 1 << frame.fine);
        }
        for (value, last) in columns.iter_mut().zip(&self.last) {
            *value = white(*value).saturating_add(rounded(num::times(carried, *last), T_BITS));
        }
        self.last = columns;
        let inverse = num::times(root, root) >> 17;
        let carried = num::times(inverse, noise.lag) >> 31;
        self.carried = shift(carried, halvings.saturating_mul(2));
        // At least 23, at most 49.
        let bits = halvings.saturating_add(T_BITS as i32).unsigned_abs();
        let [y, q, d] =
            columns.map(|x| rounded(num::times(x, root), bits).clamp(-WHITE_MAX, WHITE_MAX));
        for (sum, product) in [
            (&mut self.yy, y.wrapping_mul(y)),
            (&mut self.yq, y.wrapping_mul(q)),
            (&mut self.yd, y.wrapping_mul(d)),
            (&mut self.qq, q.wrapping_mul(q)),
            (&mut self.qd, q.wrapping_mul(d)),
            (&mut self.dd, d.wrapping_mul(d)),
        ] {
            *sum = sum.saturating_add(product);
        }
        self.equations = self.equations.saturating_add(1);
    }

    /// Judges the equations so far; `None` while there are fewer than three.
    pub(super) fn judge(&self, frame: &Frame, region: Region, pinned: i64) -> Option<Window> {
        if self.equations < 3 {
            return None;
        }
        let plane = Plane::new(self, frame.fine)?;
        let mut best = plane.free();
        let [low, high] = frame.rails();
        let broken = best.map_or([true; 2], |leak| {
            let (least, most) = frame.cone(leak.t);
            [leak.a < least, leak.a > most]
        });
        let start = frame.offset.saturating_neg();
        let rail = |wanted: bool, slope: i64, longest: i64| {
            wanted.then(|| plane.on_edge((start, 0), slope, longest))
        };
        let [below, above] = broken;
        if below || above {
            best = lesser(rail(below, low, T_MAX), rail(above, high, T_MAX));
        }
        let best = best?;
        let mut harmless = best.misfit;
        if !region.holds(frame, &best) {
            let rails = lesser(rail(below, low, LIMIT), rail(above, high, LIMIT));
            harmless = lesser(rails, Some(region.far(frame, &plane)))?.misfit;
        }
        // A leak holds the chassis between the rails.
        let held = if frame.between_rails {
            at(plane.dd, pinned, 16u32.saturating_add(frame.fine << 1))
        } else {
            i64::MAX
        };
        Some(Window {
            harmless,
            best: Leak {
                misfit: best.misfit.min(held),
                ..best
            },
            pinned: held < best.misfit,
            equations: self.equations,
        })
    }
}

impl Region {
    fn holds(&self, frame: &Frame, leak: &Leak) -> bool {
        if !self.each {
            return leak.t <= LIMIT;
        }
        let positive = frame.positive(leak);
        positive <= LIMIT && leak.t.saturating_sub(positive) <= LIMIT
    }

    /// The best leak on the far side of the region.
    fn far(&self, frame: &Frame, plane: &Plane) -> Leak {
        let t = LIMIT;
        if !self.each {
            let (least, most) = frame.cone(t);
            return plane.at(plane.best_a(t).min(most).max(least), t);
        }
        // From each rail alone at the limit towards both at the limit.
        let [low, high] = frame.rails();
        let positive = plane.on_edge((frame.along(high, t), t), low, t);
        let negative = plane.on_edge((frame.along(low, t), t), high, t);
        if positive.misfit < negative.misfit {
            positive
        } else {
            negative
        }
    }
}

/// The misfit as a function of a and t, a's part taken out:
/// `yy + 2t·yd + t²·dd + qq·(a - a₀ - t·a₁)²`, with t over 2^fine.
struct Plane {
    yy: i64,
    yd: i64,
    dd: i64,
    qq: i64,
    a0: i64,
    a1: i64,
    fine: u32,
    /// Fraction bits that make t what multiplies the enlarged d.
    t_bits: u32,
}

impl Plane {
    fn new(sums: &Sums, fine: u32) -> Option<Self> {
        let over_qq = Reciprocal::new(i128::from(sums.qq))?;
        let a0 = over_qq.times(i128::from(sums.yq), A_BITS as i32);
        let a1 = over_qq.times(i128::from(sums.qd), A_BITS as i32);
        Some(Self {
            yy: sums.yy.saturating_sub(at(a0, sums.yq, A_BITS)).max(0),
            yd: sums.yd.saturating_sub(at(a1, sums.yq, A_BITS)),
            dd: sums.dd.saturating_sub(at(a1, sums.qd, A_BITS)).max(0),
            qq: sums.qq,
            a0,
            a1,
            fine,
            t_bits: T_BITS.saturating_add(fine),
        })
    }

    fn best_a(&self, t: i64) -> i64 {
        self.a0.saturating_add(at(self.a1, t, self.t_bits))
    }

    fn at(&self, a: i64, t: i64) -> Leak {
        let off = a.saturating_sub(self.best_a(t));
        let slope = self
            .yd
            .saturating_mul(2)
            .saturating_add(at(self.dd, t, self.t_bits));
        let misfit = self
            .yy
            .saturating_add(at(slope, t, self.t_bits))
            .max(0)
            .saturating_add(at(at(self.qq, off, A_BITS), off, A_BITS));
        Leak {
            t,
            a,
            misfit,
            sharpness: self.dd,
        }
    }

    /// Where the misfit is least; `None` when t does not matter.
    fn free(&self) -> Option<Leak> {
        let t = self.descent(self.yd, self.dd)?.min(T_MAX);
        (t >= 0).then(|| self.at(self.best_a(t), t))
    }

    /// How far to go from a slope on a curve.
    fn descent(&self, slope: i64, curve: i64) -> Option<i64> {
        let over = Reciprocal::new(i128::from(curve))?;
        Some(over.times(i128::from(slope).saturating_neg(), self.t_bits as i32))
    }

    /// Where it is least on `start + s·(slope, 1)`, s from 0 to `longest`.
    fn on_edge(&self, start: (i64, i64), slope: i64, longest: i64) -> Leak {
        let (a, t) = start;
        let off = a.saturating_sub(self.best_a(t));
        let turn = num::times(slope, 1 << self.fine).saturating_sub(self.a1);
        let pull = at(self.qq, turn, A_BITS);
        let curve = self.dd.saturating_add(at(pull, turn, A_BITS));
        let fall = self
            .yd
            .saturating_add(at(self.dd, t, self.t_bits))
            .saturating_add(at(pull, off, A_BITS));
        let s = self.descent(fall, curve).unwrap_or(0).min(longest).max(0);
        let a = a.saturating_add(at(slope, s, T_BITS));
        Leak {
            sharpness: curve,
            ..self.at(a, t.saturating_add(s))
        }
    }
}

fn lesser(a: Option<Leak>, b: Option<Leak>) -> Option<Leak> {
    match (a, b) {
        (Some(a), Some(b)) if b.misfit < a.misfit => Some(b),
        (Some(a), _) => Some(a),
        (None, b) => b,
    }
}

/// `x / 2^bits` for 1 to 63 bits, to nearest: a bias would add up over the equations.
#[cfg_attr(not(target_pointer_width = "64"), inline(never))]
const fn rounded(x: i64, bits: u32) -> i64 {
    let bits = bits & 63;
    x.saturating_add((1i64 << bits) >> 1) >> bits
}

/// `x / 2^by`.
const fn shift(x: i64, by: i32) -> i64 {
    if by < 0 {
        num::times(x, 1 << (by.unsigned_abs() & 7))
    } else if by > 63 {
        0
    } else {
        x >> by
    }
}

/// `1/√(variance/4096)` as a mantissa in Q24 and a number of halvings, good to 1 %.
fn inverse_root(variance: u64) -> (i64, i32) {
    const TABLE: [i32; 96] = inverse_roots();
    let variance = variance.max(2048);
    let place = 63i32.saturating_sub(variance.leading_zeros() as i32);
    let halvings = place.saturating_sub(12) >> 1;
    let mantissa = variance >> (halvings.saturating_mul(2).saturating_add(7) & 63);
    let entry = (mantissa as usize).saturating_sub(32);
    let root = TABLE.get(entry).copied().unwrap_or(0);
    (i64::from(root), halvings)
}

/// 2^24/√x in the middle of 96 steps of x from 1 to 4.
#[allow(
    clippy::arithmetic_side_effects,
    clippy::indexing_slicing,
    reason = "evaluated by the compiler"
)]
const fn inverse_roots() -> [i32; 96] {
    let mut out = [0; 96];
    let mut i = 0;
    while i < 96 {
        out[i] = ((1u64 << 54) / (2 * i as u64 + 65)).isqrt() as i32;
        i += 1;
    }
    out
}
