//! What else than the circuit may have moved v, and what that would have done to
//! its figures.
//!
//! Two courses of v pass for the relaxation of a slow circuit while a record is
//! short: a drift of the reading, and a wave of Vb that the sampling has folded
//! down from a ripple. The ripple reaches v through the capacitances at once, and
//! not by way of G and C as a movement of Vb would: v is beside the circuit by what
//! [`super::model::Wave`] says. Neither is fitted, which would cost everybody half of
//! what is known. But the same equations tell, for each column, the size s that it has
//! beside the circuit (its own uncertainty u) and how far the figures would be off
//! by a size of one: b = A⁻¹·a, where a are the products of its column with those
//! of the circuit.
//!
//! And where Vb moves, the noise of its readings makes the part of it that v follows at
//! once, κ, seem smaller than it is ([`Slips::add_jitter`]).

use super::beliefs::Beliefs;
use super::model::WAVES;
use super::normal::{System, WIDE};
use super::record::WHOLE;
use super::scaled::Scaled;
use super::search::decrement;
use super::solve::{Factors, solution};
use super::theta::{COUPLING, DRIFT, PARAMETERS, Theta};
use crate::front::VOLT_OF_DRIFT_S;
use crate::num::ONE;

/// Largest drift of a reading that is provided for, in V/s.
pub(super) const DRIFT_MOST: i64 = ONE / VOLT_OF_DRIFT_S as i64;

/// Square of the size of a ripple of which nothing is known: as much of it passes to
/// v as does not.
const ANY: Scaled = Scaled::new(1, -2);

/// Mean square of the movement of the largest ripple that is provided for, 5 V, from
/// where a record of it may begin, in V² times weight of a block: where Vb moved by
/// more, the rest was no ripple.
const RIPPLE_MOST: i64 = 36 * WHOLE as i64;

/// How well the way of Vb between its readings, and of v beside it, is known to go:
/// within a sixteenth of what Vb moved. Squared, as a power of two.
const INEXACT: i32 = -8;

/// Square of how far Vb may have been off where a record began: as a power of two times
/// the mean square of how far it went since, and for the largest ripple, in V².
const OFFSET: i32 = 6;
const OFFSET_MOST: i64 = 25;

/// A microvolt: less of a column is rounding.
const ROUNDING: u64 = 1 << 12;

/// What something does to ln(G + gr), w and ln C.
type Effect = [Scaled; 3];

/// Covariance of ln(G + gr) and w that slips may have brought about, and variance of ln C.
#[derive(Debug, Clone, Copy)]
pub(super) struct Slips {
    pub(super) total: Scaled,
    pub(super) both: Scaled,
    pub(super) ratio: Scaled,
    pub(super) capacitance: Scaled,
}

impl Slips {
    pub(super) const NONE: Self = Self {
        total: Scaled::ZERO,
        both: Scaled::ZERO,
        ratio: Scaled::ZERO,
        capacitance: Scaled::ZERO,
    };

    /// Adds an effect: that of one, squared size.
    fn add(&mut self, [total, ratio, capacitance]: Effect, square: Scaled) {
        let add = |sum: &mut Scaled, product: Scaled| *sum = sum.plus(product.times(square));
        add(&mut self.total, total.square());
        add(&mut self.both, total.times(ratio));
        add(&mut self.ratio, ratio.square());
        add(&mut self.capacitance, capacitance.square());
    }

    /// Variances of ln(G + gr) and of w grow by such factors, that of ln C with the former.
    pub(super) fn magnify(&mut self, by_total: Scaled, by_ratio: Scaled) {
        self.total = self.total.times(by_total);
        self.both = self.both.times(by_total.times(by_ratio).root());
        self.ratio = self.ratio.times(by_ratio);
        self.capacitance = self.capacitance.times(by_total);
    }

    /// Adds what a drift as large as the record leaves possible would do; a fifth of
    /// it is taken for its deviation, so that the largest is within three
    /// half-widths.
    #[inline(never)]
    pub(super) fn add_drift(&mut self, drift: &Covariances, seen: Option<[Scaled; 2]>) {
        let by_one = drift.with.map(|with| with.over(drift.own));
        let most = Scaled::of(DRIFT_MOST);
        let size = seen.map_or(most, |[size, u]| {
            size.plus(u.times(Scaled::int(3))).min(most)
        });
        self.add(by_one, size.over(Scaled::int(5)).square());
    }

    /// Adds what noise of Vb may have done, `jitter` in the square of the column of κ:
    /// it makes κ seem smaller, by that times the variance of κ (errors in variables:
    /// W. A. Fuller, Measurement Error Models, 1987, from memory). κ is one at
    /// most; half of what it may have lost is taken for a deviation.
    #[inline(never)]
    pub(super) fn add_jitter(&mut self, coupling: &Covariances, jitter: Scaled) {
        let share = jitter.min(Scaled::ONE.over(coupling.own));
        self.add(coupling.with, share.square().shifted(-2));
    }

    /// Adds what it does to C that the times of samples, and those of drive changes with them, are off by `late` seconds on
    /// their own: it moves by that part of the time constant, in the mean of so many dwells. A lag alike in all is fitted.
    #[inline(never)]
    pub(super) fn add_lateness(&mut self, late: i64, theta: &Theta, dwells: i64) {
        let shift = Scaled::of(late).times(Scaled::of(theta.total));
        let part = shift.over(Scaled::of(theta.capacitance)).square();
        let mean = part.over(Scaled::of(dwells.max(ONE)));
        self.capacitance = self.capacitance.plus(mean);
    }

    /// Adds what a ripple would do that is as large as the record shows or leaves
    /// possible: the square of the size expected, and its variance. Where the circuit
    /// has been seen to change of late, that may have been a ripple, too: the record
    /// since then is not believed to show that there is none. Returns the square of the
    /// size.
    #[inline(never)]
    pub(super) fn add_ripple(
        &mut self,
        ripple: &Ripple,
        squares: Scaled,
        freedom: i64,
        least: Scaled,
        blocks: i64,
        moving: bool,
    ) -> Scaled {
        let own = ripple.own;
        let most = Scaled::int(blocks.saturating_mul(RIPPLE_MOST)).over(ripple.climbed);
        let any = ANY.times(most.min(Scaled::ONE));
        // Less than a thousandth of the column is left: the circuit explains it.
        if ripple.information.less(own.shifted(-10)) {
            self.add(ripple.by_one, any);
            return any;
        }
        let (residual, information) = (ripple.residual, ripple.information);
        let seen = residual.over(information);
        let fall = residual.times(seen);
        let noise = squares.minus(fall).over(Scaled::int(freedom));
        let noise = noise.max(least);
        // The size before the record was seen, and what the record says of it.
        let inexact = any.times(own).shifted(INEXACT);
        let u = noise.plus(inexact).over(information);
        let share = any.over(any.plus(u));
        let expected = seen.times(share).square().min(Scaled::ONE);
        let floor = if moving { any } else { Scaled::ZERO };
        let size = expected.plus(u.times(share)).max(floor);
        self.add(ripple.by_one, size);
        size
    }

    /// Adds what it does that Vb was off when the record began, by a wave of that size:
    /// nobody knows how far, but some times as far as it went since. Where v follows
    /// Vb alone, G + gr and C seem larger by as much, and w smaller.
    #[inline(never)]
    pub(super) fn add_offset(
        &mut self,
        ripple: &Ripple,
        size: Scaled,
        blocks: i64,
        pack: Scaled,
        ratio: Scaled,
    ) {
        let weight = Scaled::int(blocks.saturating_mul(i64::from(WHOLE)));
        let off = ripple.climbed.over(weight).shifted(OFFSET);
        let off = off.min(Scaled::int(OFFSET_MOST)).over(pack.square());
        self.add([Scaled::ONE, ratio.negated(), Scaled::ONE], off.times(size));
    }
}

/// Covariance of one parameter with ln(G + gr), w and ln C, and its variance, for a noise of one.
#[derive(Debug, Clone, Copy)]
pub(super) struct Covariances {
    with: Effect,
    pub(super) own: Scaled,
}

impl Covariances {
    #[inline(never)]
    fn of(system: &System, place: usize) -> Self {
        let mut factors = Factors::NONE;
        factors.factor(system, Scaled::ZERO);
        let column = factors.column(place);
        let [total, ratio, capacitance, ..] = column;
        Self {
            with: [total, ratio, capacitance],
            own: column.get(place).copied().unwrap_or_default(),
        }
    }

    pub(super) fn of_drift(system: &System) -> Self {
        Self::of(system, DRIFT)
    }

    /// Standard uncertainty of the parameter.
    pub(super) fn u(&self, noise: Scaled) -> Scaled {
        self.own.times(noise).root()
    }

    /// The drift that the record alone shows, whatever is believed of it, in V/s, and its standard uncertainty; `None`
    /// where it shows none.
    #[inline(never)]
    pub(super) fn seen_drift(
        &self,
        beliefs: &Beliefs,
        theta: &Theta,
        noise: Scaled,
    ) -> Option<[Scaled; 2]> {
        let held = beliefs.weight(beliefs.drift_u());
        let told = Scaled::ONE.minus(self.own.times(held));
        let size = Scaled::of(theta.drift).size();
        (!told.less(Scaled::new(1, -20))).then(|| {
            let u = self.own.times(noise).over(told).root();
            [size.over(told), u]
        })
    }

    /// Of κ.
    pub(super) fn of_coupling(system: &System) -> Self {
        Self::of(system, COUPLING)
    }
}

/// A column of a ripple beside the circuit.
#[derive(Debug, Clone, Copy)]
pub(super) struct Ripple {
    /// What one of size one does.
    by_one: Effect,
    /// Square of what Vb climbed.
    climbed: Scaled,
    /// The column's square, what of it the circuit does not explain, and what of the
    /// residual goes with that.
    own: Scaled,
    information: Scaled,
    residual: Scaled,
}

impl Ripple {
    /// `None` where Vb stood still or all states do the same, and of no column.
    pub(super) fn of(system: &System, waves: &Waves, column: usize) -> Option<Self> {
        let wave = waves.columns.get(column)?;
        if !wave.own.positive() {
            return None;
        }
        let mut equations = system.clone();
        for (row, with) in wave.with.iter().enumerate().take(PARAMETERS) {
            let held = system.is_held(row);
            let side = if held { Scaled::ZERO } else { *with };
            equations.set(row, PARAMETERS, side);
        }
        let by_one = solution(&equations, Scaled::ZERO);
        let [total, ratio, capacitance, ..] = by_one;
        // What is left of the column goes with what the step to the minimum leaves.
        let [.., residual] = wave.with;
        Some(Self {
            by_one: [total, ratio, capacitance],
            climbed: waves.climbed,
            own: wave.own,
            information: wave.own.minus(decrement(&equations, &by_one)),
            residual: residual.minus(decrement(system, &by_one)),
        })
    }
}

/// Sums of products of a column of a ripple with those of the circuit, the residual,
/// and itself.
#[derive(Debug, Clone, Copy)]
struct Column {
    with: [Scaled; WIDE],
    own: Scaled,
}

impl Column {
    const NONE: Self = Self {
        with: [Scaled::ZERO; WIDE],
        own: Scaled::ZERO,
    };

    #[inline(never)]
    fn add(&mut self, row: &[i64; WIDE], value: i64, weight: u32) {
        if value.unsigned_abs() < ROUNDING {
            return;
        }
        let value = Scaled::of(value);
        let heavy = value.times(Scaled::int(i64::from(weight)));
        for (sum, other) in self.with.iter_mut().zip(row) {
            *sum = sum.plus_product(heavy, Scaled::of(*other));
        }
        self.own = self.own.plus_product(heavy, value);
    }
}

/// What a ripple adds to the equations.
#[derive(Debug, Clone)]
pub(super) struct Waves {
    columns: [Column; WAVES],
    /// Sum of squares of what Vb climbed, V² times weight.
    climbed: Scaled,
}

impl Waves {
    pub(super) const NONE: Self = Self {
        columns: [Column::NONE; WAVES],
        climbed: Scaled::ZERO,
    };

    /// Adds a row, to the end of which Vb has climbed so far.
    #[inline(never)]
    pub(super) fn add(
        &mut self,
        row: &[i64; WIDE],
        rippled: &[i64; WAVES],
        climbed: i64,
        weight: u32,
    ) {
        for (column, value) in self.columns.iter_mut().zip(rippled) {
            column.add(row, *value, weight);
        }
        if climbed == 0 {
            return;
        }
        let climbed = Scaled::of(climbed);
        let heavy = climbed.times(Scaled::int(i64::from(weight)));
        self.climbed = self.climbed.plus_product(heavy, climbed);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn real(x: Scaled) -> f64 {
        x.fixed(48) as f64 / 2f64.powi(48)
    }

    /// Vb of 400 V that went by 0.5 V, or by 3, root mean square, in 50 blocks, with half of a wave: it may have been off
    /// by eight times that, or by the 5 V of the largest. G + gr and C go with Vb, w = 0.3 against it.
    #[test]
    fn vb_may_have_been_off_by_some_times_what_it_went() {
        for (went, off) in [(0.5f64, 4.0f64), (3.0, 5.0)] {
            let climbed = (went * went * 16.0 * 50.0 * ONE as f64) as i64;
            let ripple = Ripple {
                by_one: [Scaled::ZERO; 3],
                climbed: Scaled::of(climbed),
                own: Scaled::ONE,
                information: Scaled::ONE,
                residual: Scaled::ZERO,
            };
            let mut slips = Slips::NONE;
            let ratio = Scaled::of(ONE * 3 / 10);
            slips.add_offset(&ripple, Scaled::new(1, -2), 50, Scaled::int(400), ratio);
            let due = (off / 400.0).powi(2) / 4.0;
            let factors = [1.0, -0.3, 0.09, 1.0];
            let told = [slips.total, slips.both, slips.ratio, slips.capacitance];
            for (told, factor) in told.map(real).into_iter().zip(factors) {
                let due = due * factor;
                assert!((told - due).abs() < 1e-6 * due.abs(), "{told} is not {due}");
            }
        }
    }

    /// 0.1 ms of a time constant of 20 ms, in the mean of four dwells, and of one at least.
    #[test]
    fn drive_changes_that_are_late_on_their_own_move_c() {
        let theta = Theta {
            total: 5 * ONE,
            ratio: 0,
            capacitance: ONE / 10,
            coupling: 0,
            start: 0,
            drift: 0,
            lag: 0,
        };
        for (dwells, due) in [(4 * ONE, 0.005 / 2.0), (ONE / 3, 0.005)] {
            let mut slips = Slips::NONE;
            slips.add_lateness(ONE / 10_000, &theta, dwells);
            let told = real(slips.capacitance).sqrt();
            assert!((told / due - 1.0).abs() < 1e-3, "{told} is not {due}");
            assert_eq!(real(slips.total), 0.0);
        }
    }

    /// What rounding leaves of a column is none.
    #[test]
    fn less_than_a_microvolt_is_no_ripple() {
        for (value, is) in [(1e-7, false), (-1e-7, false), (2e-6, true), (-2e-6, true)] {
            let mut column = Column::NONE;
            column.add(&[ONE; WIDE], (value * ONE as f64) as i64, 16);
            assert_eq!(column.own.positive(), is, "{value}");
        }
    }
}
