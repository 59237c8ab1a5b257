//! Whether the circuit changed between the readings of a drive cycle.
//!
//! The solution of the cycle before passes through the last reading in the
//! same drive state. What it foretells at the new pack voltage, against what
//! is read now, is what the circuit has done in one cycle. The older readings
//! of the new cycle are half a cycle old: half of that change is in doubt.

use super::system::System;
use crate::config::Network;
use crate::num;
use crate::num::Saturating as _;
use crate::reason::Reason;

/// Standard uncertainties beyond which a difference is a change.
const CHANGED: i64 = 4;

/// What the last cycle says of the circuit, `I32F32` bits.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Solution {
    /// G and Gp, in µS.
    Leak { total: i64, positive: i64 },
    /// Nothing but the share of Vb at which v stands: the swing cannot be told from none.
    Short { share: i64 },
}

impl Solution {
    pub(crate) fn of(system: &System<'_>) -> Self {
        Self::Leak {
            total: system.total(),
            positive: system.positive(),
        }
    }

    /// Of readings whose swing cannot be told from none, while the pack stands still.
    pub(crate) fn short(system: &System<'_>) -> Option<Self> {
        let newest = system.states.last().filter(|_| system.stands_still())?;
        let share = num::ratio(newest.v, newest.vb());
        Some(Self::Short { share })
    }

    /// Doubt of v in the older readings of `system`, in volts: zero while the
    /// newest reading is as foretold. `untold` is the swing in volts that cannot be told
    /// from none.
    ///
    /// # Errors
    /// The change is more than an eighth of the swing: a step, after which the
    /// older readings tell of another circuit.
    pub(crate) fn doubt(
        &self,
        network: &Network,
        system: &System<'_>,
        untold: i64,
    ) -> Result<i64, Reason> {
        let Some(newest) = system.states.last() else {
            return Ok(0);
        };
        let (foretold, untold) = match *self {
            Self::Leak { total, positive } => {
                let free = network.row(newest.settled.drive).i.to_bits();
                let pull = positive.plus(newest.p);
                let load = total.plus(newest.g);
                let pushed = num::mul(pull, newest.vb()).plus(free);
                (num::ratio(pushed, load), 0)
            }
            Self::Short { share } => (num::mul(share, newest.vb()), untold),
        };
        let change = newest.v.minus(foretold).size();
        // A lag behind the pack voltage is accounted for on its own.
        let lag = newest.settled.lag.to_bits().size();
        let change = change.minus(lag).minus(untold);
        if change <= newest.v_u.times(CHANGED) {
            return Ok(0);
        }
        // D/Vb is the swing between the states.
        let swing = num::quotient(system.determinant, i128::from(newest.vb()), 0).size();
        if change.times(8) > swing {
            return Err(Reason::CircuitChanged);
        }
        Ok(change >> 1)
    }
}
