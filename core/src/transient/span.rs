//! What depends on parameters, drive state and length of a span only; the
//! equations are those of `model`.

use super::decay::{exp_neg, phi};
use super::theta::{Reference, Theta, gt, positive};
use crate::config::{Drive, Row};
use crate::num::{self, ONE, Reciprocal, millionths, mul};

/// What depends on parameters, drive state and length of a span only.
#[derive(Debug, Clone, Copy)]
pub(super) struct Span {
    drive: Drive,
    duration_us: u32,
    /// i_k/Gt.
    pushed: i64,
    /// (G + gr)/Gt.
    pub(super) share: i64,
    /// ℓ.
    pub(super) follow: i64,
    /// 1 − e^(−z).
    pub(super) lost: i64,
    /// z·e^(−z).
    pub(super) slope: i64,
    /// f.
    pub(super) mean: i64,
    /// −df/d(ln z).
    pub(super) mean_slope: i64,
    /// f/τ, 1/s.
    pub(super) mean_rate: i64,
}

/// Where v goes in a span at a Vb: worked out anew where either is another.
#[derive(Debug, Clone, Copy)]
pub(super) struct Level {
    pub(super) drive: Drive,
    pub(super) duration_us: u32,
    /// Vb.
    pub(super) pack: i64,
    /// L.
    pub(super) settled: i64,
    /// What it forces upon the derivatives by ln(G + gr) and w, had v settled.
    pub(super) forced: [Forced; 2],
}

impl Level {
    /// No span lasts no time.
    pub(super) const NONE: Self = Self {
        drive: Drive::Rest,
        duration_us: 0,
        pack: 0,
        settled: 0,
        forced: [Forced { mean: 0, end: 0 }; 2],
    };
}

impl Span {
    /// Works a span out, in its place; `None` where the circuit has no end.
    #[inline(never)]
    pub(super) fn write(
        place: &mut Option<Self>,
        theta: &Theta,
        reference: &Reference,
        row: &Row,
        drive: Drive,
        duration_us: u32,
        tick: i64,
    ) {
        *place = None;
        let total = gt(theta, *reference, *row);
        let Some(by_total) = Reciprocal::of(total) else {
            return;
        };
        let rate = num::ratio(total, theta.capacitance);
        let z = mul(rate, millionths(duration_us));
        let delta = mul(rate, tick);
        let positive = positive(theta, *reference).saturating_add(row.p.to_bits());
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
            num::ratio(ONE, exp_neg(offset.saturating_neg()))
        } else {
            exp_neg(offset)
        };
        let Some(by_part) = Reciprocal::of(part) else {
            return;
        };
        let mean = mul(whole, over(early, &by_part));
        // 1 − e^(−z)/φ(z), the same of δ, and their difference.
        let curve = ONE.saturating_sub(num::ratio(stays, whole));
        let part_curve = ONE.saturating_sub(over(part_stays, &by_part));
        let mean_slope = mul(
            mean,
            curve.saturating_add(offset).saturating_sub(part_curve),
        );
        *place = Some(Self {
            drive,
            duration_us,
            pushed: over(row.i.to_bits(), &by_total),
            follow: over(positive, &by_total),
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

    /// L and what depends on it at a Vb.
    pub(super) fn level(&self, theta: &Theta, pack: i64) -> Level {
        let settled = self.pushed.saturating_add(mul(self.follow, pack));
        let near = mul(theta.ratio, pack).saturating_sub(settled);
        Level {
            drive: self.drive,
            duration_us: self.duration_us,
            pack,
            settled,
            forced: [near, pack].map(|to| self.forced(mul(self.share, to), 0)),
        }
    }

    /// What is left of a derivative at the end.
    pub(super) fn carry(&self, by: i64) -> i64 {
        by.saturating_sub(mul(by, self.lost))
    }

    /// What is added to one that goes towards `to`, which grows by as much to
    /// mid-span and again to the end.
    pub(super) fn forced(&self, to: i64, grow: i64) -> Forced {
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

/// What a span adds to a derivative: to the mean, and at its end.
#[derive(Debug, Clone, Copy)]
pub(super) struct Forced {
    pub(super) mean: i64,
    pub(super) end: i64,
}

impl Forced {
    pub(super) const NONE: Self = Self { mean: 0, end: 0 };

    pub(super) fn plus(self, other: Self) -> Self {
        Self {
            mean: self.mean.saturating_add(other.mean),
            end: self.end.saturating_add(other.end),
        }
    }

    pub(super) fn less(self, other: Self) -> Self {
        Self {
            mean: self.mean.saturating_sub(other.mean),
            end: self.end.saturating_sub(other.end),
        }
    }

    pub(super) fn times(self, by: i64) -> Self {
        if by == ONE {
            return self;
        }
        Self {
            mean: mul(self.mean, by),
            end: mul(self.end, by),
        }
    }
}

/// What a climbing Vb adds: nothing, where it stands still.
#[derive(Debug, Clone, Copy)]
pub(super) struct Lead {
    /// By how much Vb is further than its reading, which lags as that of v does.
    pub(super) late: i64,
    /// D.
    pub(super) distance: i64,
    /// What it forces upon the derivatives.
    pub(super) of_total: Forced,
    pub(super) of_ratio: Forced,
    pub(super) of_capacitance: Forced,
    pub(super) of_coupling: Forced,
    /// Half of what it adds to L within the span, and what the mean shows of it.
    pub(super) rise: i64,
    pub(super) seen: i64,
}

/// How much of a climbing Vb a circuit and its readings keep behind, in lengths of a span.
#[derive(Debug, Clone, Copy)]
struct Memory {
    /// 2λ.
    lag: i64,
    /// τ = C·share/(G + gr).
    time: i64,
}

impl Memory {
    /// `None` where Vb stands still. Apart from the lead, for the sake of the stack.
    #[cfg_attr(not(target_pointer_width = "64"), inline(never))]
    fn of(span: &Span, theta: &Theta, climb: i64) -> Option<Self> {
        if climb == 0 {
            return None;
        }
        let length = millionths(span.duration_us);
        Some(Self {
            lag: num::ratio(theta.lag.saturating_mul(2), length),
            time: num::ratio(mul(theta.capacitance, span.share), mul(theta.total, length)),
        })
    }
}

impl Lead {
    /// Vb stands still.
    pub(super) const STILL: Self = Self {
        late: 0,
        distance: 0,
        of_total: Forced::NONE,
        of_ratio: Forced::NONE,
        of_capacitance: Forced::NONE,
        of_coupling: Forced::NONE,
        rise: 0,
        seen: 0,
    };

    #[inline]
    pub(super) fn of(span: &Span, theta: &Theta, climb: i64) -> Self {
        match Memory::of(span, theta, climb) {
            Some(memory) => Self::climbing(span, theta, climb, &memory),
            None => Self::STILL,
        }
    }

    #[cfg_attr(not(target_pointer_width = "64"), inline(never))]
    fn climbing(span: &Span, theta: &Theta, climb: i64, memory: &Memory) -> Self {
        let late = mul(memory.lag, climb);
        // τ·2h/B = dD/dℓ.
        let move_of_follow = mul(memory.time, climb.saturating_mul(2));
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
