//! What is told of a solution: conductances with their intervals, then the
//! resistances, the weaker rail and the current through a body.

use super::uncertainty::Uncertainty;
use super::{COVERAGE, Solved};
use crate::num;
use crate::num::Saturating as _;
use crate::reason::Reason;
use crate::report::{Estimate, Interval, Kind};
use crate::units::{Measured, Microamps, Microfarads, Microsiemens, Ohms, Ratio, Volts};

/// A resistance whose upper bound is below this is named a hard short: half
/// of the smallest resistance that is measured.
const SHORT: Ohms = Ohms::from_int(500);

/// A resistance whose lower bound is above this is named open: four times the
/// largest that is measured.
const OPEN: Ohms = Ohms::from_int(200_000_000);

/// What is told, before the resistances are worked out.
#[derive(Debug, Clone, Copy)]
pub(super) struct Told {
    pub(super) pack: Volts,
    pub(super) capacitance: Option<Measured<Microfarads>>,
    pub(super) kind: Kind,
    /// G, Gp and Gn, and their standard uncertainties.
    pub(super) split: [Conductances; 3],
    pub(super) us: [Microsiemens; 3],
    pub(super) position: Option<Measured<Ratio>>,
}

/// How v answers within a dwell.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Answer {
    /// It goes all the way: what is measured is its swing.
    Swing,
    /// It goes a part of the way: what is measured is how fast it slows down.
    Course,
}

#[inline(never)]
pub(super) fn figure(solved: &Solved, u: &Uncertainty, answer: Answer) -> Result<Told, Reason> {
    let (g, gp) = (solved.total, solved.positive);
    // A leak cannot be negative: four standard deviations and the resolution
    // of the arithmetic below zero, the description of the network is wrong.
    if g < u.total.times(-4).minus(1 << 8) {
        return Err(Reason::Implausible);
    }
    // Where the swing of v is measured its error is Gaussian, so the
    // interval is Gaussian in 1/(G + g): with e = 2u/(G + g) the upper half is
    // wider by 1/(1 − e) and the lower narrower by 1/(1 + e). For a high
    // resistance (G ≪ g, e ≪ 1) that is the symmetric interval in G. Where the
    // course of v is measured, it is somewhere between these: each half is the wider.
    let loaded = solved.loaded;
    if loaded <= 0 {
        return Err(Reason::Implausible);
    }
    let e = num::ratio(u.total.times(COVERAGE), loaded);
    let total = Conductances::between(g, u.total, e, answer);
    let split = [
        total,
        Conductances::between(gp, u.positive, e, answer),
        Conductances::between(g.minus(gp), u.negative, e, answer),
    ];
    // What has no upper bound is as uncertain.
    let us = if e < num::ONE {
        [u.total, u.positive, u.negative].map(Microsiemens::from_bits)
    } else {
        [Microsiemens::MAX; 3]
    };
    let kind = if Ohms::of(total.low) < SHORT {
        Kind::Short
    } else if total.low == Microsiemens::ZERO || Ohms::of(total.high) > OPEN {
        Kind::Open
    } else {
        Kind::Figure
    };
    let position = match kind {
        Kind::Open => None,
        Kind::Figure | Kind::Short => {
            let u = match answer {
                Answer::Swing => u.position,
                Answer::Course => over_interval(&total, loaded, u.position),
            };
            Some(plausible_position(solved.position, u)?)
        }
    };
    Ok(Told {
        pack: solved.pack,
        capacitance: solved.capacitance,
        kind,
        split,
        us,
        position,
    })
}

/// Standard uncertainty of x in the interval of G, `x_u` being that in its middle: what is not known of v is
/// carried over 1/G into x, and all of it that G does not turn into v, over `(G + g)/G`.
fn over_interval(total: &Conductances, loaded: i64, x_u: i64) -> i64 {
    let [value, low] = [total.value, total.low].map(Microsiemens::to_bits);
    let least_loaded = loaded.minus(value).plus(low);
    let share = |g: i64, loaded: i64| num::ratio(g, loaded);
    let by = num::ratio(share(value, loaded), share(low, least_loaded));
    num::mul(x_u, by).max(x_u)
}

/// A leak lies inside the stack.
pub(super) fn plausible_position(x: i64, u: i64) -> Result<Measured<Ratio>, Reason> {
    let outside = x.saturating_neg().max(x.minus(num::ONE));
    // One part in a hundred for what tolerances of parts were not declared.
    if outside > u.times(4).plus(num::ONE / 100) {
        return Err(Reason::Implausible);
    }
    Ok(Measured {
        value: Ratio::from_bits(x),
        u: Ratio::from_bits(u),
    })
}

pub(super) fn position_interval(position: &Measured<Ratio>) -> [i64; 2] {
    let (x, span) = (
        position.value.to_bits(),
        position.u.to_bits().times(COVERAGE),
    );
    [x.minus(span), x.plus(span)].map(|x| x.clamp(0, num::ONE))
}

/// A conductance with its interval.
#[derive(Debug, Clone, Copy)]
pub(super) struct Conductances {
    pub(super) value: Microsiemens,
    pub(super) low: Microsiemens,
    pub(super) high: Microsiemens,
}

impl Conductances {
    /// Two standard uncertainties to either side, narrower and wider by e, see [`figure`].
    #[inline(never)]
    fn between(value: i64, u: i64, e: i64, answer: Answer) -> Self {
        let span = u.times(COVERAGE);
        let below = match answer {
            Answer::Swing => num::ratio(span, num::ONE.plus(e)),
            // The upper bound of R is far from its middle where G is little known, and holds if it is that of a
            // little more: of three standard uncertainties where these are a quarter of G.
            Answer::Course => span.plus(span.minus(value >> 2).max(0)),
        };
        let room = num::ONE.minus(e);
        let above = if room > 0 {
            num::ratio(span, room)
        } else {
            i64::MAX
        };
        Self {
            value: Microsiemens::from_bits(value),
            low: Microsiemens::from_bits(value.minus(below).max(0)),
            // A conductance is not negative, so its upper bound is at least
            // the uncertainty above zero.
            high: Microsiemens::from_bits(value.max(0).plus(above)),
        }
    }

    fn resistance(&self) -> Interval<Ohms> {
        let low = if self.high == Microsiemens::MAX {
            Ohms::ZERO
        } else {
            Ohms::of(self.high)
        };
        Interval {
            low,
            high: Ohms::of(self.low),
        }
    }
}

#[inline(never)]
pub(super) fn assemble(told: &Told) -> Estimate {
    let Told {
        pack,
        capacitance,
        kind,
        split,
        us,
        position,
    } = told;
    let [total, positive, negative] = split;
    let [total_u, positive_u, negative_u] = *us;
    let weakest = Conductances {
        value: positive.value.max(negative.value),
        low: positive.low.max(negative.low),
        high: positive.high.max(negative.high),
    };
    let weakest_u = if positive.value >= negative.value {
        positive_u
    } else {
        negative_u
    };
    let measured = |g: &Conductances, u| Measured { value: g.value, u };
    let current = |g: Microsiemens| {
        if g == Microsiemens::MAX {
            Microamps::MAX
        } else {
            g.at(*pack)
        }
    };
    Estimate {
        kind: *kind,
        conductance: measured(total, total_u),
        positive_conductance: measured(positive, positive_u),
        negative_conductance: measured(negative, negative_u),
        isolation: Ohms::of(total.value),
        isolation_interval: total.resistance(),
        positive: Ohms::of(positive.value),
        positive_interval: positive.resistance(),
        negative: Ohms::of(negative.value),
        negative_interval: negative.resistance(),
        weakest: Ohms::of(weakest.value),
        weakest_interval: weakest.resistance(),
        position: *position,
        touch_current: Measured {
            value: current(weakest.value.max(Microsiemens::ZERO)),
            u: current(weakest_u),
        },
        capacitance: *capacitance,
        pack: *pack,
    }
}
