//! What one estimator found, as another wants to know it.

use crate::config::Config;
use crate::estimate::Found;
use crate::num;
use crate::sudden::{self, Known};
use crate::transient::Fit;
use crate::units::{Measured, Microfarads, Microsiemens, Ratio, Volts};

/// A fit as the estimate takes it; `zero` is the standard uncertainty of that of v.
pub(super) fn fitted(fit: &Fit, zero: Volts) -> Found {
    Found {
        conductance: fit.conductance,
        positive: fit.positive_conductance,
        negative: fit.negative_conductance,
        position_u: fit.position.map_or(Ratio::MAX, |position| position.u),
        capacitance: fit
            .capacitance
            .filter(|c| c.u.to_bits() <= c.value.to_bits() >> 2),
        zero,
        dwell_us: fit.dwell_us,
    }
}

/// A sudden leak as the estimate takes it. Where it is, is as uncertain as how much it is, so that either rail is in
/// doubt by as much as all of it.
pub(super) fn found_suddenly(leak: &sudden::Found) -> Found {
    let Measured { value, u } = leak.conductance;
    let x = leak.position.to_bits();
    let part = |x: i64| Measured {
        value: Microsiemens::from_bits(num::mul(value.to_bits(), x)),
        u,
    };
    Found {
        conductance: leak.conductance,
        positive: part(x),
        negative: part(num::ONE.saturating_sub(x)),
        position_u: Ratio::of(u.to_bits(), value.to_bits()).unwrap_or(Ratio::MAX),
        capacitance: None,
        zero: Volts::ZERO,
        // Beyond the limit, what the insulation absorbs is of no account.
        dwell_us: 0,
    }
}

/// Known to 5 %: less would hide a second leak behind the doubt of the first.
pub(super) fn is_sharp(known: &Known) -> bool {
    let [positive, negative] = [known.positive, known.negative];
    let total = positive.value.saturating_add(negative.value).abs();
    let doubt = positive.u.max(negative.u);
    doubt.to_bits().saturating_mul(20) <= total.to_bits()
}

/// What the watch takes as known. A circuit that settles within a block shows
/// only that its capacitance is small.
pub(super) fn known(fit: &Fit, config: &Config) -> Known {
    let least = num::mul(
        fit.conductance.value.to_bits(),
        config.timing().block().to_bits(),
    ) >> 8;
    let small = Microfarads::from_bits(least.max(1 << 16));
    let capacitance = fit.capacitance.unwrap_or(Measured {
        value: small,
        u: small,
    });
    // What drifts goes on to drift.
    let sliding = |g: Measured<Microsiemens>| Measured {
        value: g.value,
        u: Microsiemens::from_bits(num::hypot(&[
            g.u.to_bits(),
            fit.slide_conductance.to_bits(),
        ])),
    };
    Known {
        capacitance,
        positive_share: fit.coupling,
        positive: sliding(fit.positive_conductance),
        negative: sliding(fit.negative_conductance),
    }
}
