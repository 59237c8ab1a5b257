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
use super::normal::WIDE;
use super::span::{Forced, Lead, Level, Span};
use super::theta::{LAG, PARAMETERS, Theta};
use crate::num::{ONE, mul};

/// Columns of a ripple.
pub(super) const WAVES: usize = 2;

/// Columns that are carried by the recursion: all but drift and lag.
const CARRIED: usize = 5;

/// v and its derivatives as the record is walked through.
#[derive(Debug, Clone, Copy)]
pub(super) struct Walk {
    v: i64,
    /// dv/dθ of the carried parameters.
    by: [i64; CARRIED],
    pack: i64,
    level: Level,
}

/// Prediction of a mean: its columns, and itself in the place of the residual.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Prediction {
    pub(super) row: [i64; WIDE],
    /// Columns of the changes that are looked for.
    pub(super) changes: Columns,
    /// Columns of a ripple.
    pub(super) rippled: [i64; WAVES],
}

/// Place of the mean.
pub(super) const MEAN: usize = PARAMETERS;

impl Walk {
    pub(super) const fn new(theta: &Theta, pack: i64) -> Self {
        Self {
            v: theta.start,
            by: [0, 0, 0, 0, ONE],
            pack,
            level: Level::NONE,
        }
    }

    pub(super) const fn v(&self) -> i64 {
        self.v
    }

    /// Goes through one span. Returns what it adds to the columns of G + gr and
    /// of w.
    #[cfg_attr(not(target_pointer_width = "64"), inline(never))]
    pub(super) fn pass(
        &mut self,
        span: &Span,
        theta: &Theta,
        part: &Part,
        lead: &Lead,
        out: &mut Prediction,
    ) -> [Forced; 2] {
        let pack = part.pack.saturating_add(lead.late);
        let before = pack.saturating_sub(part.climb);
        self.arrive(theta, before);
        if !span.is_for(self.level.drive, self.level.duration_us) || self.level.pack != before {
            self.level = span.level(theta, before);
        }
        let level = &self.level;
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
            Forced::NONE,
        ];
        let columns = self.by.iter_mut().zip(&forced).zip(&mut out.row);
        for ((by, forced), column) in columns {
            carry(span, part, *forced, by, column);
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

/// Carries a derivative through a span, and adds its mean to a column.
#[inline(always)]
fn carry(span: &Span, part: &Part, forced: Forced, by: &mut i64, column: &mut i64) {
    let mean = mul(*by, span.mean).saturating_add(forced.mean);
    *column = column.saturating_add(part.scale(mean));
    *by = span.carry(*by).saturating_add(forced.end);
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
            carry(span, part, forced.times(when), by, column);
        }
    }
}

/// How v goes beside the circuit where what Vb climbs is a wave that the sampling has
/// folded down from a ripple. Cp/C of it is in v at once, where the circuit is taken to
/// let v go, by and by, to the share ℓ of it, which may differ between drive states: v is
/// beside the circuit by `(Cp/C − ℓ)` of the wave, as late as the circuit follows Vb. Its
/// two columns are those of the wave and of `ℓ − w` of it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Wave {
    by: [i64; WAVES],
    /// How far Vb has climbed, see [`super::pack::Climb`].
    pub(super) climbed: i64,
}

impl Wave {
    pub(super) const NONE: Self = Self {
        by: [0; WAVES],
        climbed: 0,
    };

    /// Goes through one span. Adds to the columns.
    #[cfg_attr(not(target_pointer_width = "64"), inline(never))]
    pub(super) fn pass(
        &mut self,
        span: &Span,
        theta: &Theta,
        part: &Part,
        columns: &mut [i64; WAVES],
    ) {
        let apart = mul(span.follow.saturating_sub(theta.ratio), self.climbed);
        for ((column, by), to) in columns
            .iter_mut()
            .zip(&mut self.by)
            .zip([self.climbed, apart])
        {
            carry(span, part, span.forced(to, 0), by, column);
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

    /// Its share of a duration.
    pub(super) const fn of(&self, duration_us: u32) -> u32 {
        if self.share == ONE {
            duration_us
        } else {
            mul(duration_us as i64, self.share) as u32
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
