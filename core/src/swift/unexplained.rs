//! Whether what a fit leaves unexplained is too much for a healthy circuit.
//!
//! A contact that chatters faster than the drive changes leaks on average only,
//! and the average may look healthy. One of conductance g, there half of the
//! time, moves a settled voltage v by `g/(Gt + g)` of its distance to the
//! leak's potential, half of that from the mean. With a capacitance it has only
//! the time between two changes of the contact: v moves as if a further
//! `C/(3/2 B)` held the chassis, at five blocks B there and five away (a
//! triangle of half-period 5B has the deviation of its slope times 5B/√12).
//!
//! Hum averages out over the groups of blocks that are fitted; such a leak does
//! so at 10 Hz alone. Then single blocks show it, beyond what mains leave in
//! them: a thirty-second of the pack voltage.

use crate::config::Config;
use crate::num;
use crate::transient::Fit;
use crate::units::{Microsiemens, Volts};

/// A chattering leak is taken to be a sixteenth of the stack away from the
/// chassis (as a power of two): nearer, it moves less, and may be missed.
const AWAY: u32 = 4;
/// What hum leaves of single blocks, as a part of the stack (a power of two).
const HUM: u32 = 5;

/// True when single blocks vary by more than twice what the groups do that are fitted.
pub(super) fn averages_hum_away(fit: &Fit) -> bool {
    fit.scatter.to_bits() >> 1 > fit.noise.to_bits()
}

/// True when the readings miss the fit by as much as a leak at the warning
/// limit would make them that comes and goes, and the fit has none as large.
#[inline(never)]
pub(super) fn hides_a_leak(fit: &Fit, config: &Config, pack: Volts) -> bool {
    let limits = config.limits();
    let limit = Microsiemens::of(limits.resistance(limits.warning_ohm_per_volt)).to_bits();
    let leak = fit.conductance.value.to_bits().max(0);
    let rows = config.timing().cycle().iter();
    let load = rows.fold(0, |most, &drive| {
        most.max(config.network().row(drive).g.to_bits())
    });
    let block = config.timing().block().to_bits();
    let charge = fit
        .capacitance
        .map_or(0, |c| num::ratio(c.value.to_bits(), block));
    let held = leak
        .saturating_add(load)
        .saturating_add(limit)
        .saturating_add(charge.saturating_sub(charge / 3));
    let pack = pack.to_bits();
    let moved = num::mul(pack >> (AWAY + 1), num::ratio(limit, held));
    let hum = moved.max(pack >> HUM);
    leak < limit && (fit.noise.to_bits() > moved || fit.scatter.to_bits() > hum)
}
