//! The equations kept, and what is learnt from them: how noisy the circuit is,
//! how well the known one is followed, and what the newest of them miss.

use super::circuit::Circuit;
use super::frame::{A_BITS, at};
use super::noise::{Noise, Variance};
use super::row::{CURRENT_BITS, Equation, Kept, Kind, ODD_BITS, ODD_MAX, square};
use crate::config::Drive;
use crate::num;

/// Equations kept.
pub(super) const ROWS: usize = 64;
/// Age of the equations that noise and unrest are learnt from: what is newer
/// may be a leak.
const LATE: usize = 16;
/// Unrest, Q8, above which nothing is judged; quiet noise makes it a half.
const RESTLESS: i64 = 1 << ODD_BITS;
/// Equations that the unrest looks back over.
const MEMORY: i64 = 32;
/// Drift, Q12, above which nothing is judged: a third of a standard deviation.
/// Noise of a slow circuit averages out; the alias of a ripple does not.
const DRIFTING: i64 = 1365;
/// Equations that the drift looks back over.
const DRIFT_MEMORY: i64 = 16;
/// Most that one equation counts for it: four standard deviations, Q4.
const DRIFT_MAX: i64 = 4 << 4;
/// Most that one equation adds to the unrest, Q8.
const UNREST_MAX: i64 = 16 << ODD_BITS;
/// A current of a four-hundredth of the limit's, in units, is never unrest.
const TOLERATED: i64 = (1 << CURRENT_BITS) / 400;
/// Equations that must miss the known circuit in the same sense.
const EXCESS: usize = 3;
/// Least voltage, in units, that a conductance is computed from: a thousandth
/// of the working voltage.
const LEAST_ACROSS: i64 = 1 << (CURRENT_BITS - 10);

/// The record.
#[derive(Debug, Clone)]
pub(super) struct Record {
    /// Newest first.
    rows: [Kept; ROWS],
    age: u8,
    variance: Variance,
    /// Innovation of the newest equation, in units, and its variance, Q8.
    innovation: i64,
    spread: u64,
    /// Mean square of what the known circuit misses, in its own standard deviations, Q8.
    pub(super) unrest: i64,
    /// Mean of the same with its sign, Q12: a slow disturbance.
    drift: i64,
    /// Blocks to wait since the last drift.
    adrift: u8,
    /// What v/Vb may be wrong by, Q30.
    pub(super) mismatch: i64,
}

impl Record {
    /// `resolution` in units; `mismatch` of v against Vb, `I32F32`.
    pub(super) fn new(resolution: i64, mismatch: i64) -> Self {
        Self {
            rows: [Kept::default(); ROWS],
            age: 0,
            variance: Variance::new(resolution),
            innovation: 0,
            spread: 0,
            unrest: RESTLESS.saturating_mul(16),
            drift: 0,
            adrift: 0,
            mismatch: mismatch >> (num::FRAC - A_BITS),
        }
    }

    pub(super) fn restart(&mut self) {
        self.rows = [Kept::default(); ROWS];
        self.age = 0;
        self.spread = 0;
    }

    /// Takes leaks that have become known out of the record.
    pub(super) fn rebase(&mut self, positive: i64, negative: i64) {
        self.alter(|row| row.rebase(positive, negative));
        self.spread = 0;
    }

    /// Holds nothing kept so far against the known circuit.
    pub(super) fn forgive(&mut self) {
        self.alter(|row| row.odd = 0);
    }

    fn alter(&mut self, how: impl Fn(&mut Equation)) {
        for kept in &mut self.rows {
            let mut row = kept.equation();
            how(&mut row);
            *kept = row.kept();
        }
    }

    /// Newest first.
    pub(super) fn rows(&self) -> impl Iterator<Item = Equation> {
        self.rows.iter().map(|row| row.equation())
    }

    pub(super) fn newest(&self) -> Option<Equation> {
        self.rows().next()
    }

    pub(super) fn is_full(&self) -> bool {
        usize::from(self.age) > ROWS
    }

    pub(super) const fn is_quiet(&self) -> bool {
        self.unrest < RESTLESS && self.adrift == 0
    }

    /// The newest equation lies across a drive change.
    pub(super) fn drive_changed(&self) -> bool {
        self.newest().is_some_and(|row| row.kind == Kind::Edge)
    }

    /// Standard deviation of a block's voltage, in units.
    pub(super) fn deviation(&self) -> i64 {
        i64::from(num::root(self.variance.get()) >> 4)
    }

    pub(super) fn noise(&self, circuit: &Circuit, drive: Drive) -> Noise {
        let leak = circuit.positive.saturating_add(circuit.negative);
        Noise::new(&self.variance, circuit.link(drive, drive), leak)
    }

    /// Keeps an equation; learns from the older ones while nothing is
    /// suspected. `doubt` is what the known circuit grants it, in units.
    pub(super) fn push(
        &mut self,
        mut row: Equation,
        doubt: i64,
        circuit: &Circuit,
        noise: &Noise,
        calm: bool,
    ) {
        self.innovate(&mut row, doubt, circuit, noise);
        let mut kept = row.kept();
        for place in &mut self.rows {
            core::mem::swap(place, &mut kept);
        }
        self.age = self.age.saturating_add(1);
        if calm {
            self.learn(circuit, noise);
        }
    }

    /// Learns noise and unrest from equations too old to belong to a new leak.
    #[inline(never)]
    fn learn(&mut self, circuit: &Circuit, noise: &Noise) {
        let late = |at: usize| self.rows.get(at).map(|row| row.equation());
        let (Some(newer), Some(older)) = (late(LATE), late(LATE + 1)) else {
            return;
        };
        self.variance.learn(&newer, &older, noise.link);
        let newer = &newer;
        if newer.usable() {
            let current = i64::from(newer.current);
            let seen = |noise: u64, leak: i64| {
                let variance = noise
                    .saturating_add(leak_variance(newer, leak))
                    .saturating_add(square(TOLERATED) << ODD_BITS);
                over(square(current), variance)
            };
            let granted = granted(newer, noise);
            let odd = seen(granted, circuit.leak_u).min(UNREST_MAX);
            approach(&mut self.unrest, odd, MEMORY);
            // A lasting error of C or of the known leaks, up to three standard
            // uncertainties, is no drift.
            let doubt = square(i64::from(newer.doubt)) << ODD_BITS;
            let lasting = granted.saturating_add(doubt.saturating_mul(20));
            let size = seen(lasting, circuit.leak_u.saturating_mul(3)).unsigned_abs();
            let size = i64::from(num::root(size)).min(DRIFT_MAX) << 8;
            let signed = num::times(current.signum(), size);
            approach(&mut self.drift, signed, DRIFT_MEMORY);
        }
        // It may swing through nothing.
        self.adrift = if self.drift.saturating_abs() > DRIFTING {
            ROWS as u8
        } else {
            self.adrift.saturating_sub(1)
        };
    }

    /// How odd the known circuit finds a new equation, given those before.
    #[inline(never)]
    fn innovate(&mut self, row: &mut Equation, doubt: i64, circuit: &Circuit, noise: &Noise) {
        if !row.usable() {
            self.spread = 0;
            return;
        }
        let shared = i128::from(noise.base).saturating_mul(i128::from(noise.lag));
        let carried = match self.spread {
            0 => 0,
            // At most all of it, however the noise has changed since.
            spread => num::quotient(shared, i128::from(spread), 0).clamp(-(1 << 31), 1 << 31),
        };
        let own = noise
            .base
            .saturating_add(square(doubt) << ODD_BITS)
            .saturating_add(leak_variance(row, circuit.leak_u));
        let known = at(carried, num::narrow(shared >> 31), 31);
        self.innovation = i64::from(row.current).saturating_add(at(carried, self.innovation, 31));
        self.spread = own.saturating_add_signed(known.saturating_neg()).max(1);
        let most = i64::from(ODD_MAX << ODD_BITS);
        let odd = over(square(self.innovation), self.spread).min(most);
        let more = square(i64::from(row.doubt)).saturating_sub(square(doubt)) << ODD_BITS;
        let odd = odd.saturating_sub(charge(self.spread, more));
        row.odd = odd.max(most.wrapping_neg()) as i16;
    }

    /// True when the newest equations all miss the known circuit by five
    /// standard deviations in the same sense.
    pub(super) fn excess(&self, circuit: &Circuit, noise: &Noise) -> bool {
        let sense = self.newest().map_or(0, |row| row.current.signum());
        self.rows().take(EXCESS).all(|row| {
            let current = i64::from(row.current);
            row.usable()
                && row.current.signum() == sense
                && current.saturating_abs() > five_deviations(&row, circuit, noise)
        })
    }

    /// Least new conductance over the limit that makes the newest currents,
    /// wherever it sits; `I32F32`. The voltages across it are taken as large
    /// as they may have been while the current flowed.
    pub(super) fn at_least(&self, circuit: &Circuit, noise: &Noise) -> i64 {
        let newest = self.rows().take(EXCESS).map(|row| {
            let current = i64::from(row.current);
            let doubt = five_deviations(&row, circuit, noise);
            let sure = current.saturating_abs().saturating_sub(doubt);
            if !row.usable() || sure <= 0 {
                return 0;
            }
            let chassis = i64::from(row.chassis);
            let across = if current > 0 {
                i64::from(row.pack).saturating_sub(chassis)
            } else {
                chassis
            };
            let across = across
                .max(LEAST_ACROSS)
                .saturating_add(i64::from(row.doubt));
            num::ratio(sure, across)
        });
        newest.min().unwrap_or(0)
    }
}

/// What a likelihood is charged with for a variance that is larger by `more`: the
/// logarithm of the ratio, Q8. Without it, whatever grants its equations more
/// doubt explains them better.
fn charge(spread: u64, more: u64) -> i64 {
    let larger = spread.saturating_add(more);
    let part = num::quotient(i128::from(spread), i128::from(larger), num::FRAC as i32);
    num::neg_ln(part.max(1)) >> (num::FRAC - ODD_BITS)
}

/// Moves a running mean over `memory` values towards one more.
fn approach(mean: &mut i64, value: i64, memory: i64) {
    let step = value.saturating_sub(*mean).checked_div(memory);
    *mean = mean.saturating_add(step.unwrap_or(0));
}

/// Five standard deviations of an equation while nothing new leaks, in units.
#[cfg_attr(not(target_pointer_width = "64"), inline(never))]
fn five_deviations(row: &Equation, circuit: &Circuit, noise: &Noise) -> i64 {
    // The limit of error of the known leaks is three standard uncertainties.
    let leak = circuit.leak_u.wrapping_div(3);
    let variance = granted(row, noise).saturating_add(leak_variance(row, leak));
    num::times(i64::from(num::root(variance)), 5) >> (ODD_BITS / 2)
}

/// Variance granted to an equation while nothing new leaks: twice its noise
/// and all its doubt, Q8.
fn granted(row: &Equation, noise: &Noise) -> u64 {
    noise
        .quiet
        .saturating_add(square(i64::from(row.doubt)) << ODD_BITS)
        .max(1)
}

/// What an error u of the known leaks (over the limit, `I32F32`) makes of it, Q8.
#[cfg_attr(not(target_pointer_width = "64"), inline(never))]
fn leak_variance(row: &Equation, u: i64) -> u64 {
    let u = u128::from(u.unsigned_abs());
    let wide = u.saturating_mul(u).saturating_mul(u128::from(row.across()));
    u64::try_from(wide >> (2 * num::FRAC - ODD_BITS)).unwrap_or(u64::MAX)
}

/// `value·2^8 / spread`, where the spread is Q8: a ratio of squares, Q8.
#[cfg_attr(not(target_pointer_width = "64"), inline(never))]
fn over(value: u64, spread: u64) -> i64 {
    const SHIFT: i32 = 2 * ODD_BITS as i32;
    num::quotient(i128::from(value), i128::from(spread), SHIFT)
}
