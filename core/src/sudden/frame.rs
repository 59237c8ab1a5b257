//! Where the newest equation puts the circuit: the reference that the other
//! equations are compared with, see [`super::fit`].

use super::row::{CURRENT_BITS, Equation};
use crate::num::{self, Reciprocal};

/// Fraction bits of t and of a.
pub(super) const T_BITS: u32 = 24;
pub(super) const A_BITS: u32 = 30;
/// Least pack voltage that a leak is looked for at: a sixteenth of the working voltage.
const LEAST_PACK: i32 = 1 << (CURRENT_BITS - 4);
/// Largest current of the newest equation that the frame can hold.
const MOST_CURRENT: u32 = 1 << (CURRENT_BITS + 4);

/// How far noise alone may put v beyond a rail: a 512th of Vb, Q30.
const BEYOND: i64 = 1 << (A_BITS - 9);

/// Where the newest equation puts the circuit.
#[derive(Debug, Clone, Copy)]
pub(super) struct Frame {
    /// ξ, Q30.
    share: i64,
    /// λ, Q30.
    current: i64,
    /// λ₀, Q30.
    pub(super) offset: i64,
    /// G₀ over the limit, Q30.
    known: i64,
    /// What ξ may be wrong by, Q30.
    mismatch: i64,
    /// d is summed 2^this times enlarged: a stiff circuit's current is far
    /// noisier than what a leak makes of the noise of d.
    pub(super) fine: u32,
    /// v is between the rails, as far as noise and what ξ may be wrong by allow.
    pub(super) between_rails: bool,
}

impl Frame {
    /// `positive` and `negative` are known to leak (over the limit, `I32F32`);
    /// `None` without pack voltage.
    pub(super) fn new(
        newest: &Equation,
        positive: i64,
        negative: i64,
        mismatch: i64,
        stiffness: i64,
    ) -> Option<Self> {
        if !newest.usable()
            || newest.pack < LEAST_PACK
            || newest.current.unsigned_abs() > MOST_CURRENT
        {
            return None;
        }
        let over_pack = Reciprocal::new(i128::from(newest.pack))?;
        let share = over_pack.times(i128::from(newest.chassis), A_BITS as i32);
        let current = over_pack.times(i128::from(newest.current), A_BITS as i32);
        let positive = positive >> (num::FRAC - A_BITS);
        let known = positive.saturating_add(negative >> (num::FRAC - A_BITS));
        let beyond = mismatch.saturating_add(BEYOND);
        let most = (1i64 << A_BITS).saturating_add(beyond);
        Some(Self {
            between_rails: share > beyond.saturating_neg() && share < most,
            share,
            current,
            offset: current
                .saturating_add(positive)
                .saturating_sub(at(known, share, A_BITS)),
            known,
            mismatch,
            fine: (stiffness >> num::FRAC).max(1).ilog2().min(12),
        })
    }

    /// (current, q, d) of an equation.
    pub(super) fn columns(&self, row: &Equation) -> [i64; 3] {
        let pack = i64::from(row.pack);
        let part = |factor: i64, of: i64| num::times(factor, of) >> A_BITS;
        let d = i64::from(row.chassis).saturating_sub(part(self.share, pack));
        let expected = part(self.current, pack).saturating_add(part(self.known, d));
        [i64::from(row.current).saturating_sub(expected), pack, d]
    }

    /// What `leak` adds to the current of an equation, in units.
    pub(super) fn added(&self, row: &Equation, leak: &Leak) -> i64 {
        let [rest, pack, d] = self.columns(row);
        let reference = i64::from(row.current).saturating_sub(rest);
        at(leak.a, pack, A_BITS)
            .saturating_sub(at(leak.t, d, T_BITS))
            .saturating_add(reference)
    }

    /// The part of a leak that comes from the positive rail, Q24.
    pub(super) fn positive(&self, leak: &Leak) -> i64 {
        let a = leak.a.saturating_add(self.offset) >> (A_BITS - T_BITS);
        a.saturating_add(at(leak.t, self.share, A_BITS))
    }

    /// G₀ over the limit, `I32F32`.
    pub(super) const fn known(&self) -> i64 {
        self.known.saturating_mul(1 << (num::FRAC - A_BITS))
    }

    /// a of the two rails at t: nothing from P, and nothing from N.
    pub(super) fn cone(&self, t: i64) -> (i64, i64) {
        let [low, high] = self.rails();
        (self.along(low, t), self.along(high, t))
    }

    pub(super) fn along(&self, slope: i64, t: i64) -> i64 {
        at(slope, t, T_BITS).saturating_sub(self.offset)
    }

    /// da/dt of a leak at the negative rail, and at the positive.
    pub(super) fn rails(&self) -> [i64; 2] {
        let negative = self.share.saturating_add(self.mismatch).saturating_neg();
        let positive = (1i64 << A_BITS)
            .saturating_sub(self.share)
            .saturating_add(self.mismatch);
        [negative, positive]
    }
}

/// A leak in the frame: t in Q24, a in Q30.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Leak {
    pub(super) t: i64,
    pub(super) a: i64,
    /// Its misfit, Q8.
    pub(super) misfit: i64,
    /// What the equations know of t over 2^fine: 1/variance, Q8.
    pub(super) sharpness: i64,
}

/// `x·y / 2^bits`, saturating.
#[inline(never)]
pub(super) const fn at(x: i64, y: i64, bits: u32) -> i64 {
    num::narrow(num::wide(x, y) >> bits)
}
