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

use super::borders::Columns;
use super::decay::{exp_neg, phi};
use super::normal::WIDE;
use super::theta::{LAG, PARAMETERS, Reference, Theta, gt, positive, quotient};
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
    level: Level,
}

/// What a span depends on besides, worked out anew where Vb has moved.
#[derive(Debug, Clone, Copy, Default)]
struct Level {
    /// Vb.
    pack: i64,
    /// L.
    settled: i64,
    /// What it forces upon the derivatives by ln(G + gr) and w, had v settled.
    forced: [Forced; 2],
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
            level: Level::default(),
        });
    }

    /// L and what depends on it at a Vb.
    fn level(&mut self, theta: &Theta, pack: i64) -> Level {
        // Where Vb is zero, so is all but what the monitor pushes.
        if self.level.pack != pack || pack == 0 {
            let current = num::wide(self.positive, pack);
            let current = current.saturating_add(i128::from(self.pushed) << 32);
            let settled = self.by_total.times(current, 0);
            let near = mul(theta.ratio, pack).saturating_sub(settled);
            self.level = Level {
                pack,
                settled,
                forced: [near, pack].map(|to| self.forced(mul(self.share, to), 0)),
            };
        }
        self.level
    }

    /// What is left of a derivative at the end.
    fn carry(&self, by: i64) -> i64 {
        by.saturating_sub(mul(by, self.lost))
    }

    /// What is added to one that goes towards `to`, which grows by as much to
    /// mid-span and again to the end.
    fn forced(&self, to: i64, grow: i64) -> Forced {
        Forced {
            mean: to.saturating_sub(mul(to, self.mean)).saturating_add(grow),
            end: mul(to, self.lost).saturating_add(grow.saturating_mul(2)),
        }
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
    /// Columns of the changes that are looked for.
    pub(super) changes: Columns,
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

    /// Goes through one span. Returns what it adds to the columns of G + gr and
    /// of w.
    #[inline(never)]
    pub(super) fn pass(
        &mut self,
        span: &mut Span,
        theta: &Theta,
        part: &Part,
        out: &mut Prediction,
    ) -> [Forced; 2] {
        let lead = Lead::new(span, theta, part.climb);
        let pack = part.pack.saturating_add(lead.late);
        let before = pack.saturating_sub(part.climb);
        self.arrive(theta, before);
        let level = span.level(theta, before);
        let base = level.settled.saturating_sub(lead.distance);
        let away = self.v.saturating_sub(base);
        let moves = Forced {
            mean: mul(away, span.mean_slope),
            end: mul(away, span.slope),
        };
        let [of_total, of_ratio] = level.forced;
        let of_total = of_total.plus(lead.of_total).less(moves.times(span.share));
        let of_ratio = of_ratio.plus(lead.of_ratio);
        let forced = [
            of_total,
            of_ratio,
            moves.plus(lead.of_capacitance),
            lead.of_coupling,
            Forced::default(),
        ];
        for (slot, (by, forced)) in self.by.iter_mut().zip(&forced).enumerate() {
            let mean = mul(*by, span.mean).saturating_add(forced.mean);
            out.add(slot, part.scale(mean));
            *by = span.carry(*by).saturating_add(forced.end);
        }
        out.add(LAG, part.scale(mul(away, span.mean_rate)));
        let mean = base
            .saturating_add(mul(away, span.mean))
            .saturating_add(lead.seen);
        out.add(MEAN, part.scale(mean));
        self.v = self
            .v
            .saturating_sub(mul(away, span.lost))
            .saturating_add(lead.rise.saturating_mul(2));
        self.pack = pack.saturating_add(part.climb);
        [of_total, of_ratio]
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

/// What a span adds to a derivative: to the mean, and at its end.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Forced {
    mean: i64,
    end: i64,
}

impl Forced {
    fn plus(self, other: Self) -> Self {
        Self {
            mean: self.mean.saturating_add(other.mean),
            end: self.end.saturating_add(other.end),
        }
    }

    fn less(self, other: Self) -> Self {
        Self {
            mean: self.mean.saturating_sub(other.mean),
            end: self.end.saturating_sub(other.end),
        }
    }

    fn times(self, by: i64) -> Self {
        if by == ONE {
            return self;
        }
        Self {
            mean: mul(self.mean, by),
            end: mul(self.end, by),
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
    pub(super) const NONE: Self = Self { by: [0; 2] };

    /// Goes through one span; `when` is the share of the change that has come
    /// by then. Adds to the columns.
    pub(super) fn pass(
        &mut self,
        span: &Span,
        part: &Part,
        forced: &[Forced; 2],
        when: i64,
        columns: &mut [i64; 2],
    ) {
        for ((column, by), forced) in columns.iter_mut().zip(&mut self.by).zip(forced) {
            let forced = forced.times(when);
            let mean = mul(*by, span.mean).saturating_add(forced.mean);
            *column = column.saturating_add(part.scale(mean));
            *by = span.carry(*by).saturating_add(forced.end);
        }
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

/// What a climbing Vb adds: nothing, where it stands still.
#[derive(Debug, Clone, Copy, Default)]
struct Lead {
    /// By how much Vb is further than its reading, which lags as that of v does.
    late: i64,
    /// D.
    distance: i64,
    /// What it forces upon the derivatives.
    of_total: Forced,
    of_ratio: Forced,
    of_capacitance: Forced,
    of_coupling: Forced,
    /// Half of what it adds to L within the span, and what the mean shows of it.
    rise: i64,
    seen: i64,
}

impl Lead {
    fn new(span: &Span, theta: &Theta, climb: i64) -> Self {
        if climb == 0 {
            return Self::default();
        }
        let late = mul(span.late, climb);
        // τ·2h/B = dD/dℓ.
        let move_of_follow = mul(span.memory, climb);
        let distance = mul(move_of_follow, span.follow.saturating_sub(theta.coupling));
        // dℓ/dln(G + gr), and that of D.
        let slope = mul(span.share, theta.ratio.saturating_sub(span.follow));
        let of_distance = mul(move_of_follow, slope).saturating_sub(mul(span.share, distance));
        let of_ratio = mul(span.share, move_of_follow).saturating_neg();
        let rise = mul(span.follow, climb);
        Self {
            late,
            distance,
            of_total: span.forced(of_distance.saturating_neg(), mul(climb, slope)),
            of_ratio: span.forced(of_ratio, mul(span.share, climb)),
            of_capacitance: span.forced(distance.saturating_neg(), 0),
            of_coupling: span.forced(move_of_follow, 0),
            rise,
            seen: rise.saturating_sub(mul(span.follow, late)),
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
