//! Least-squares fit of one exponential to a dwell, and the proof that it has
//! settled.
//!
//! With slots of length T numbered i from the switch, the model is
//!
//! ```text
//! v_i = y + A·ρ^i + b·(Vb_i − Vb_ref),      ρ = exp(−T/τ)
//! ```
//!
//! `y` is the settled voltage at the reference pack voltage; `b` is used only
//! when the pack voltage moves. For each ρ of a grid the rest is linear. The
//! best ρ is refined by Gauss-Newton on ρ (column A·i·ρ^(i−1), which serves a
//! transient that is over within a slot or two as well as a slow one).
//!
//! **Proof.** A slow circuit is one whose remaining transient at the end of
//! the dwell, ρ^n, exceeds 1 %. The dwell has settled when the data reject
//! *every* slow ρ of the grid:
//!
//! * *seen*: the best slow fit is worse than the best fit by 16 noise
//!   variances (4σ); or
//! * *jumped*: v jumped at the switch by more than it moved since. An
//!   exponential slower than n/4.6 slots moves at least twice as far after
//!   its first slot as in it; or
//! * *still*: v moved less since the switch than the stimulus ΔI into the
//!   largest capacitance of the design would move any slow circuit:
//!   0.2·ΔI·t/C_max (at τ = t/4.6 it moves 0.215·ΔI·t/C).
//!
//! A single flat reading proves nothing, and neither does a small slope: with
//! noise, a very slow circuit looks like both. That is why the proof is by
//! rejecting the alternative.

mod fitted;

use super::dwell::{SLOTS, Slot};
use super::linear::{COLUMNS, Normal, product};
use crate::num::Saturating as _;
use crate::num::{self, ONE, RootSum, Squares};
pub(crate) use fitted::Fitted;

/// exp(−1/τ) for τ in slots: 0, 0.4, 0.7, 1, 1.5, 2.2, 3.2, 4.7, 7, 10, 15, 24, 48, 200.
const GRID: [i64; 14] = [
    0,
    352_552_385,
    1_029_293_364,
    1_580_030_169,
    2_205_109_735,
    2_726_172_161,
    3_142_265_200,
    3_471_816_637,
    3_723_212_229,
    3_886_247_119,
    4_017_971_906,
    4_119_687_349,
    4_206_414_439,
    4_273_546_057,
];

/// 1 %, the remaining transient that separates settled from slow.
const REMAINING: i64 = ONE / 100;

/// Gauss-Newton steps on ρ; from a grid point, three reach the last place
/// that the noise leaves.
const REFINEMENTS: u8 = 3;

/// Places of the columns.
const SETTLED: usize = 0;
const DECAY: usize = 2;

/// A trial at one ρ.
#[derive(Debug, Clone, Copy)]
struct Trial {
    /// Below one.
    rho: u32,
    settled: i64,
    amplitude: i64,
    /// b, by the scaled pack column.
    by_pack: i64,
    /// Sum of squared residuals.
    residual: Squares,
}

/// What is kept of the best slow trial.
#[derive(Debug, Clone, Copy)]
struct Slow {
    rho: u32,
    amplitude: i64,
    residual: Squares,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stage {
    /// How the pack voltage went, given its noise.
    Pack(i64),
    Grid(u8),
    /// A Gauss-Newton step on ρ is looked for, with so many left,
    Refine(u8),
    /// and tried.
    Try(u8, i64),
    /// The best fit is known, but not how sure it is: first of a decay that
    /// the transient may tell.
    Decay,
    Settled,
    /// All is known, the variance of the settled voltage for unit noise a slot
    /// as well.
    Done(i64),
    Failed,
}

/// The fit of one dwell, in slices of bounded work.
#[derive(Debug, Clone)]
pub(crate) struct Fit {
    /// Pack voltage that `y` belongs to: median of the later half, where most
    /// slots are, so that `y` hardly leans on `b` when the pack has stepped.
    pack_ref: i64,
    /// Binary places by which the pack column is scaled into ±1; `None` when
    /// the pack voltage stands still.
    pack_shift: Option<u8>,
    best: Option<Trial>,
    slow: Option<Slow>,
    stage: Stage,
    /// Variance of ρ for unit noise a slot, in the units of the columns; negative where
    /// the transient does not tell it.
    decay_gain: i64,
}

impl Fit {
    /// A fit of nothing. A function: a constant would lie in flash, all of it.
    pub(crate) fn none() -> Self {
        Self {
            pack_ref: 0,
            pack_shift: None,
            best: None,
            slow: None,
            stage: Stage::Failed,
            decay_gain: -1,
        }
    }

    /// Starts anew; false when fewer than eight slots have data.
    pub(crate) fn start(&mut self, slots: &Slots, pack_noise: i64) -> bool {
        self.best = None;
        self.slow = None;
        self.pack_shift = None;
        self.decay_gain = -1;
        self.stage = Stage::Pack(pack_noise);
        slots.iter().flatten().count() >= crate::config::BLOCKS_MIN as usize
    }

    pub(crate) fn is_done(&self) -> bool {
        matches!(self.stage, Stage::Done(_) | Stage::Failed)
    }

    /// One slice of work, on the slots that it was started with.
    pub(crate) fn step(&mut self, slots: &Slots) {
        self.stage = match self.stage {
            Stage::Pack(noise) => self.see_pack(slots, noise),
            Stage::Grid(place) => self.try_grid(slots, place),
            Stage::Refine(left) => self.refine(slots, left),
            Stage::Try(left, rho) => self.try_refined(slots, left, rho),
            Stage::Decay => self.gain_decay(slots),
            Stage::Settled => self.gain_settled(slots),
            over @ (Stage::Done(_) | Stage::Failed) => over,
        };
    }

    #[inline(never)]
    fn see_pack(&mut self, slots: &Slots, noise: i64) -> Stage {
        let half = slots.len() >> 1;
        let Some(pack_ref) = median_pack(slots, half, slots.len()) else {
            return Stage::Failed;
        };
        let packs = slots.iter().flatten().map(|slot| slot.pack());
        let away = packs.map(|pack| pack.minus(pack_ref).size());
        let most = away.max().unwrap_or(0);
        self.pack_ref = pack_ref;
        if most > num::times(noise, 6) {
            let bits = 64u32.saturating_sub(most.leading_zeros());
            self.pack_shift = Some(bits.saturating_sub(num::FRAC) as u8);
        }
        Stage::Grid(0)
    }

    #[inline(never)]
    fn try_grid(&mut self, slots: &Slots, place: u8) -> Stage {
        let Some(&rho) = GRID.get(usize::from(place)) else {
            return Stage::Refine(REFINEMENTS);
        };
        if let Some(trial) = self.trial(slots, rho) {
            let residual = trial.residual;
            if self.best.is_none_or(|best| residual < best.residual) {
                self.best = Some(trial);
            }
            let slow = power(rho, slots.len()) > REMAINING;
            if slow && self.slow.is_none_or(|best| residual < best.residual) {
                self.slow = Some(Slow {
                    rho: trial.rho,
                    amplitude: trial.amplitude,
                    residual: trial.residual,
                });
            }
        }
        Stage::Grid(place.saturating_add(1))
    }

    /// One Gauss-Newton step on ρ.
    #[inline(never)]
    fn refine(&mut self, slots: &Slots, left: u8) -> Stage {
        let Some(best) = self.best else {
            return Stage::Failed;
        };
        let (amplitude, rho) = (best.amplitude, i64::from(best.rho));
        if amplitude == 0 {
            return Stage::Settled;
        }
        if left == 0 {
            return Stage::Decay;
        }
        let Some([_, _, decay, _]) = self.normal(slots, rho, true).solve() else {
            return Stage::Decay;
        };
        let change = num::ratio(decay, amplitude);
        // A slow decay may at most halve or double its time constant in one step.
        let room = ONE.minus(rho);
        let change = change.max(room.saturating_neg()).min(room >> 1);
        Stage::Try(left, rho.plus(change).max(0))
    }

    #[inline(never)]
    fn try_refined(&mut self, slots: &Slots, left: u8, rho: i64) -> Stage {
        let trial = self.trial(slots, rho);
        let better = |trial: &Trial| {
            self.best
                .is_some_and(|best| trial.residual <= best.residual)
        };
        if !trial.as_ref().is_some_and(better) {
            return Stage::Decay;
        }
        self.best = trial;
        Stage::Refine(left.saturating_sub(1))
    }

    #[inline(never)]
    fn gain_decay(&mut self, slots: &Slots) -> Stage {
        let rho = self.best.map_or(0, |best| i64::from(best.rho));
        let gain = self.normal(slots, rho, true).inverse_at(DECAY);
        self.decay_gain = gain.map_or(-1, |gain| gain.max(0));
        Stage::Settled
    }

    #[inline(never)]
    fn gain_settled(&mut self, slots: &Slots) -> Stage {
        let rho = self.best.map_or(0, |best| i64::from(best.rho));
        let with_decay = self.decay_gain >= 0;
        let gain = self.normal(slots, rho, with_decay).inverse_at(SETTLED);
        gain.map_or(Stage::Failed, Stage::Done)
    }

    /// Rows of the fit: columns and datum.
    fn rows(
        &self,
        slots: &Slots,
        rho: i64,
        with_decay: bool,
    ) -> impl Iterator<Item = ([i64; COLUMNS], i64)> {
        let (mut phi, mut before) = (ONE, 0i64);
        let zero = zero(slots);
        slots.iter().zip(0i64..).filter_map(move |(slot, place)| {
            let decay = num::times(before, place);
            let here = phi;
            before = phi;
            phi = num::mul(phi, rho);
            let slot = (*slot)?;
            let pack = match self.pack_shift {
                Some(shift) => slot.pack().minus(self.pack_ref) >> shift,
                None => 0,
            };
            let datum = slot.chassis().minus(zero);
            let decay = if with_decay { decay } else { 0 };
            Some(([ONE, here, decay, pack], datum))
        })
    }

    fn normal(&self, slots: &Slots, rho: i64, with_decay: bool) -> Normal {
        let mut normal = Normal::default();
        self.gather(slots, rho, with_decay, &mut normal);
        normal
    }

    /// In its place: a copy would lie on the stack beside it.
    #[inline(never)]
    fn gather(&self, slots: &Slots, rho: i64, with_decay: bool, normal: &mut Normal) {
        for (columns, datum) in self.rows(slots, rho, with_decay) {
            normal.add(&columns, datum);
        }
    }

    fn trial(&self, slots: &Slots, rho: i64) -> Option<Trial> {
        let coefficients = self.coefficients(slots, rho)?;
        let [settled, amplitude, _, by_pack] = coefficients;
        Some(Trial {
            // A grid value, or one that is refined towards one and never reaches it.
            rho: rho as u32,
            settled,
            amplitude,
            by_pack,
            residual: self.residual(slots, rho, &coefficients),
        })
    }

    /// Apart from the residual, so that the equations do not lie on the stack beside it.
    #[inline(never)]
    fn coefficients(&self, slots: &Slots, rho: i64) -> Option<[i64; COLUMNS]> {
        self.normal(slots, rho, false).solve()
    }

    #[inline(never)]
    fn residual(&self, slots: &Slots, rho: i64, coefficients: &[i64; COLUMNS]) -> Squares {
        let mut sum = RootSum::default();
        for (columns, datum) in self.rows(slots, rho, false) {
            let mut left = datum;
            for (&column, &coefficient) in columns.iter().zip(coefficients) {
                left = left.minus(product(column, coefficient));
            }
            sum.add(left);
        }
        Squares::of(&sum)
    }
}

/// The slots of a dwell.
type Slots = [Option<Slot>];

/// Zero of the voltages: v of the last slot.
fn zero(slots: &Slots) -> i64 {
    let last = slots.iter().rev().flatten().next();
    last.map_or(0, |slot| slot.chassis())
}

/// Median of the pack voltage over a part of the slots.
#[inline(never)]
fn median_pack(slots: &Slots, from: usize, to: usize) -> Option<i64> {
    median(
        slots
            .get(from..to)?
            .iter()
            .flatten()
            .map(|slot| slot.pack()),
    )
}

/// `base^exponent` in the common format.
fn power(base: i64, exponent: usize) -> i64 {
    // At most SLOTS turns.
    (0..exponent.min(SLOTS)).fold(ONE, |power, _| num::mul(power, base))
}

/// Median, the mean of the middle two of an even number; `None` of nothing.
/// By counting ranks: a dwell has few slots, and sorting could panic.
fn median(values: impl Iterator<Item = i64> + Clone) -> Option<i64> {
    let count = values.clone().count();
    let ranked = |rank: usize| {
        values.clone().find(|value| {
            let below = values.clone().filter(|other| other < value).count();
            let equal = values.clone().filter(|other| other == value).count();
            below <= rank && rank < below.saturating_add(equal)
        })
    };
    let upper = ranked(count >> 1)?;
    let lower = ranked(count.checked_sub(1)? >> 1)?;
    Some(lower.plus(upper.minus(lower) >> 1))
}
