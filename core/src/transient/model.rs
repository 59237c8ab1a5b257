//! The circuit's prediction of a block mean, and how it moves with each
//! parameter.
//!
//! With Vb constant over a span of length B in drive state k, and
//!
//! ```text
//! Gt = G + g_k    L = (i_k + (Gp + p_k)·Vb)/Gt    z = Gt·B/C
//! ```
//!
//! v relaxes towards L: it ends at `L + (v − L)·e^(−z)`, and the mean of n
//! samples taken in the middle of their periods is `L + (v − L)·f`,
//!
//! ```text
//! f = φ(z)·ψ    ψ = e^(λ/τ − δ/2)/φ(δ)    δ = z/n    τ = C/Gt
//! ```
//!
//! exactly, for any B/τ. Where Vb climbs by 2h within the span, v follows the
//! climbing L at a distance `D = τ·(ℓ − κ)·2h/B`, `ℓ = (Gp + p_k)/Gt`: with
//! `e = L − D` at the span's start, middle and end, v ends at
//! `e₁ + (v − e₀)·e^(−z)` and its mean is `e + (v − e₀)·f`. λ is the lag of the
//! readings of v and Vb: negative when samples are taken late in their periods
//! (−half a period for one taken at the end). Where Vb jumps between spans, v jumps by κ = Cp/C of it. Everything is
//! recursive, so v is continuous across drive changes: that continuity holds
//! most of the information when τ is longer than a dwell.
//!
//! Parameters are ln(G + gr), w = (Gp + pr)/(G + gr), ln C, κ, v at the start,
//! drift of the v reading, λ; gr and pr are the mean g_k and p_k of the drive
//! cycle. So every column is a voltage, and the first two are nearly
//! orthogonal.

use super::decay::{exp_neg, phi};
use super::normal::WIDE;
use super::theta::{CAPACITANCE, LAG, PARAMETERS, Reference, TOTAL, Theta, gt, positive, quotient};
use crate::config::{Drive, Row};
use crate::num::{self, ONE, Reciprocal, millionths, mul};

/// Columns that are carried by the recursion: all but drift and lag.
const CARRIED: usize = 5;

/// What depends on parameters, drive state and length of a span only.
#[derive(Debug, Clone, Copy)]
pub(super) struct Span {
    drive: Drive,
    duration_us: u32,
    /// 1/Gt.
    by_total: Reciprocal,
    /// i_k.
    pushed: i64,
    /// Gp + p_k.
    positive: i64,
    /// (G + gr)/Gt.
    share: i64,
    /// ℓ.
    follow: i64,
    /// 2τ/B.
    memory: i64,
    /// 2λ/B.
    late: i64,
    /// 1 − e^(−z).
    lost: i64,
    /// z·e^(−z).
    slope: i64,
    /// f.
    mean: i64,
    /// −df/d(ln z).
    mean_slope: i64,
    /// f/τ, 1/s.
    mean_rate: i64,
}

impl Span {
    /// Works a span out, in its place; `None` where the circuit has no end.
    #[inline(never)]
    pub(super) fn write(
        place: &mut Option<Self>,
        theta: &Theta,
        reference: Reference,
        row: Row,
        drive: Drive,
        duration_us: u32,
        tick: i64,
    ) {
        *place = None;
        let total = gt(theta, reference, row);
        let Some(by_total) = Reciprocal::of(total) else {
            return;
        };
        let rate = quotient(total, theta.capacitance);
        let z = mul(rate, millionths(duration_us));
        let delta = mul(rate, tick);
        let positive = positive(theta, reference).saturating_add(row.p.to_bits());
        let (whole, part) = (phi(z), phi(delta));
        let lost = mul(z, whole).min(ONE);
        let stays = if z < ONE {
            ONE.saturating_sub(lost)
        } else {
            exp_neg(z)
        };
        let part_stays = exp_neg(delta);
        // Beyond two the first sample would lie before the switch by two time
        // constants: no reading lags so far behind its own circuit.
        let offset = (delta >> 1)
            .saturating_sub(mul(theta.lag, rate))
            .max(-2 * ONE);
        let early = if offset < 0 {
            quotient(ONE, exp_neg(offset.saturating_neg()))
        } else {
            exp_neg(offset)
        };
        let Some(by_part) = Reciprocal::of(part) else {
            return;
        };
        let mean = mul(whole, over(early, &by_part));
        // 1 − e^(−z)/φ(z), the same of δ, and their difference.
        let curve = ONE.saturating_sub(quotient(stays, whole));
        let part_curve = ONE.saturating_sub(over(part_stays, &by_part));
        let mean_slope = mul(
            mean,
            curve.saturating_add(offset).saturating_sub(part_curve),
        );
        *place = Some(Self {
            drive,
            duration_us,
            by_total,
            pushed: row.i.to_bits(),
            positive,
            follow: over(positive, &by_total),
            memory: quotient(2 * ONE, z),
            late: quotient(theta.lag.saturating_mul(2), millionths(duration_us)),
            share: over(theta.total, &by_total),
            lost: if z < ONE {
                lost
            } else {
                ONE.saturating_sub(stays)
            },
            slope: mul(z, stays),
            mean,
            mean_slope,
            mean_rate: mul(mean, rate),
        });
    }

    pub(super) fn is_for(&self, drive: Drive, duration_us: u32) -> bool {
        self.drive == drive && self.duration_us == duration_us
    }
}

fn over(n: i64, by: &Reciprocal) -> i64 {
    by.times_short(n, num::FRAC as i32)
}

/// v and its derivatives as the record is walked through.
#[derive(Debug, Clone, Copy)]
pub(super) struct Walk {
    v: i64,
    /// dv/dθ of the carried parameters.
    by: [i64; CARRIED],
    pack: i64,
}

/// Prediction of a mean: its columns, and itself in the place of the residual.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Prediction {
    pub(super) row: [i64; WIDE],
}

/// Place of the mean.
pub(super) const MEAN: usize = PARAMETERS;

impl Walk {
    pub(super) const fn new(theta: &Theta, pack: i64) -> Self {
        Self {
            v: theta.start,
            by: [0, 0, 0, 0, ONE],
            pack,
        }
    }

    pub(super) const fn v(&self) -> i64 {
        self.v
    }

    /// Goes through one span.
    #[inline(never)]
    pub(super) fn pass(&mut self, span: &Span, theta: &Theta, part: &Part, out: &mut Prediction) {
        // Readings of Vb lag as those of v do.
        let late = mul(span.late, part.climb);
        let pack = part.pack.saturating_add(late);
        let before = pack.saturating_sub(part.climb);
        self.arrive(theta, before);
        let current = num::wide(span.positive, before);
        let current = current.saturating_add(i128::from(span.pushed) << 32);
        let settled = span.by_total.times(current, 0);
        let lead = Lead::new(span, theta, part.climb);
        // e₀ and its derivatives, and by how much they grow to mid-span.
        let base = settled.saturating_sub(lead.distance);
        let near = mul(span.share, mul(theta.ratio, before).saturating_sub(settled));
        let towards = [
            (near.saturating_sub(lead.by_total), lead.growth_by_total),
            (
                mul(span.share, before.saturating_sub(lead.move_of_follow)),
                mul(span.share, part.climb),
            ),
            (lead.distance.saturating_neg(), 0),
            (lead.move_of_follow, 0),
            (0, 0),
        ];
        let away = self.v.saturating_sub(base);
        for (slot, (by, (to, grow))) in self.by.iter_mut().zip(&towards).enumerate() {
            let apart = by.saturating_sub(*to);
            let mean = to
                .saturating_add(mul(apart, span.mean))
                .saturating_add(*grow);
            out.add(slot, part.scale(mean));
            *by = by
                .saturating_sub(mul(apart, span.lost))
                .saturating_add(grow.saturating_mul(2));
        }
        let (mean_moves, end_moves) = (mul(away, span.mean_slope), mul(away, span.slope));
        out.add(
            TOTAL,
            part.scale(mul(mean_moves, span.share).saturating_neg()),
        );
        out.add(CAPACITANCE, part.scale(mean_moves));
        out.add(LAG, part.scale(mul(away, span.mean_rate)));
        let [by_total, _, by_capacitance, ..] = &mut self.by;
        *by_total = by_total.saturating_sub(mul(end_moves, span.share));
        *by_capacitance = by_capacitance.saturating_add(end_moves);
        let rise = mul(span.follow, part.climb);
        let seen = rise.saturating_sub(mul(span.follow, late));
        let mean = base
            .saturating_add(mul(away, span.mean))
            .saturating_add(seen);
        out.add(MEAN, part.scale(mean));
        self.v = self
            .v
            .saturating_sub(mul(away, span.lost))
            .saturating_add(rise.saturating_mul(2));
        self.pack = pack.saturating_add(part.climb);
    }

    /// Vb moves, and v with it.
    pub(super) fn arrive(&mut self, theta: &Theta, pack: i64) {
        let moved = pack.saturating_sub(self.pack);
        if moved != 0 {
            self.pack = pack;
            self.v = self.v.saturating_add(mul(theta.coupling, moved));
            let [.., by_coupling, _] = &mut self.by;
            *by_coupling = by_coupling.saturating_add(moved);
        }
    }
}

/// Derivatives of v by a change of ln(G + gr) and of w that takes its course
/// within the record.
#[derive(Debug, Clone, Copy)]
pub(super) struct Course {
    pub(super) by: [i64; 2],
}

impl Course {
    /// Goes through one span ahead of the walk; `when` is the share of the
    /// change that has come by then. Returns the columns.
    #[inline(never)]
    pub(super) fn pass(
        &mut self,
        walk: &Walk,
        span: &Span,
        theta: &Theta,
        part: &Part,
        when: i64,
    ) -> [i64; 2] {
        let mut out = Prediction::default();
        let mut forced = Walk {
            by: [0; CARRIED],
            ..*walk
        };
        forced.pass(span, theta, part, &mut out);
        let mut columns = [0; 2];
        let ends = self.by.iter_mut().zip(&forced.by);
        for ((column, (by, end)), mean) in columns.iter_mut().zip(ends).zip(&out.row) {
            let carried = part.scale(mul(*by, span.mean));
            *column = carried.saturating_add(mul(when, *mean));
            let left = by.saturating_sub(mul(*by, span.lost));
            *by = left.saturating_add(mul(when, *end));
        }
        columns
    }
}

/// A span of an entry, or a part of one where Vb stepped inside it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Part {
    /// Share of the entry.
    pub(super) share: i64,
    /// Mean Vb.
    pub(super) pack: i64,
    /// By how much Vb climbs in half of it: h.
    pub(super) climb: i64,
}

impl Part {
    /// A whole entry in which Vb stands still.
    pub(super) const fn still(pack: i64) -> Self {
        Self {
            share: ONE,
            pack,
            climb: 0,
        }
    }

    const fn scale(&self, value: i64) -> i64 {
        if self.share == ONE {
            value
        } else {
            mul(self.share, value)
        }
    }
}

/// D and its derivatives.
#[derive(Debug, Clone, Copy, Default)]
struct Lead {
    /// D.
    distance: i64,
    /// dD/dln(G + gr).
    by_total: i64,
    /// τ·2h/B = dD/dℓ.
    move_of_follow: i64,
    /// Growth of dL/dln(G + gr) over half of the span.
    growth_by_total: i64,
}

impl Lead {
    fn new(span: &Span, theta: &Theta, climb: i64) -> Self {
        if climb == 0 {
            return Self::default();
        }
        let move_of_follow = mul(span.memory, climb);
        let distance = mul(move_of_follow, span.follow.saturating_sub(theta.coupling));
        // dℓ/dln(G + gr).
        let slope = mul(span.share, theta.ratio.saturating_sub(span.follow));
        Self {
            distance,
            by_total: mul(move_of_follow, slope).saturating_sub(mul(span.share, distance)),
            move_of_follow,
            growth_by_total: mul(climb, slope),
        }
    }
}

impl Prediction {
    pub(super) fn put(&mut self, slot: usize, value: i64) {
        if let Some(place) = self.row.get_mut(slot) {
            *place = value;
        }
    }

    pub(super) fn add(&mut self, slot: usize, value: i64) {
        if let Some(place) = self.row.get_mut(slot) {
            *place = place.saturating_add(value);
        }
    }
}
