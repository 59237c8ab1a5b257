//! What the fit of a dwell has found.

use super::{Fit, REMAINING, Slots, Stage, Trial, median_pack, power, zero};
use crate::num::Saturating as _;
use crate::num::{self, ONE};
use crate::settle::Course;
use crate::settle::dwell::Slot;

/// What the fit found, voltages as `I32F32` bits.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Fitted<'s> {
    /// What was fitted.
    slots: &'s Slots,
    /// Settled voltage.
    pub(crate) settled: i64,
    /// Pack voltage it belongs to.
    pub(crate) pack: i64,
    /// Amplitude of the transient at the first slot.
    pub(crate) amplitude: i64,
    /// Decay a slot.
    pub(crate) rho: i64,
    /// Standard uncertainty of `settled` for unit noise a slot.
    pub(crate) settled_gain: i64,
    /// Standard uncertainty of ρ for unit noise a slot; `None` when there is
    /// no transient to tell it.
    pub(crate) rho_gain: Option<i64>,
    /// Noise of a slot as the residuals show it, widened for how few they are.
    pub(crate) noise: i64,
    /// By how much the best slow fit is worse, as a sum of squares; `None`
    /// when the best fit is itself slow.
    pub(crate) slow_excess: Option<u128>,
    /// How far the best slow fit moves within the dwell.
    pub(crate) slow_movement: i64,
    /// Mean of v over the later half, as `pack` is of Vb.
    pub(crate) late_mean: i64,
    /// Largest less smallest v of the slots.
    pub(crate) range: i64,
    /// Slots with data.
    pub(crate) used: u32,
    pub(crate) pack_moves: bool,
    /// How far Vb of a slot is from `pack`, root mean square.
    pub(crate) pack_sway: i64,
    /// How far v and Vb went together, see [`super::Course`].
    pub(crate) course: Course,
}

impl Fit {
    /// The result, when the fit is done; `None` when no ρ could be fitted.
    #[inline(never)]
    pub(crate) fn result<'s>(&self, slots: &'s Slots) -> Option<Fitted<'s>> {
        let best = self.best?;
        let used = slots.iter().flatten().count() as u32;
        let Stage::Done(settled_gain) = self.stage else {
            return None;
        };
        let (settled, amplitude, decay_gain) = (best.settled, best.amplitude, self.decay_gain());
        let root = |square: i64| num::sqrt_wide((square.max(0) as u128) << 32);
        let optional = [self.pack_shift.is_some(), decay_gain.is_some()];
        let columns = optional
            .map(u32::from)
            .iter()
            .fold(2u32, |sum, &one| sum.saturating_add(one));
        // With ν degrees of freedom the scaled error follows Student's
        // distribution, whose variance is ν/(ν−2): dividing by ν−2 instead of
        // ν widens the uncertainty by just that.
        let freedom = used.saturating_sub(columns).saturating_sub(2).max(1);
        let variance = num::mean_of(best.residual.get(), freedom).unwrap_or(u128::MAX);
        let half = slots.len() >> 1;
        let late = slots.iter().skip(half).flatten();
        let late = late.map(|slot| slot.chassis());
        let slow_movement = self.slow.map_or(0, |slow| {
            let left = power(i64::from(slow.rho), slots.len());
            num::mul(slow.amplitude, ONE.minus(left))
        });
        Some(Fitted {
            slots,
            settled: settled.plus(zero(slots)),
            pack: self.pack_ref,
            amplitude,
            rho: i64::from(best.rho),
            settled_gain: root(settled_gain),
            rho_gain: decay_gain
                .map(|gain| num::ratio(root(gain), amplitude))
                .map(num::size),
            noise: num::sqrt_wide(variance),
            slow_excess: self.slow_excess(&best, slots.len()),
            slow_movement,
            late_mean: mean(late).unwrap_or(0),
            range: range(slots),
            used,
            pack_moves: self.pack_shift.is_some(),
            pack_sway: sway(slots, self.pack_ref),
            course: self.pack_shift.map_or(Course::NONE, |shift| {
                let packs = slots.iter().flatten().map(|slot| slot.pack());
                Course::of(packs, best.by_pack, shift)
            }),
        })
    }

    fn decay_gain(&self) -> Option<i64> {
        (self.decay_gain >= 0).then_some(self.decay_gain)
    }

    fn slow_excess(&self, best: &Trial, slots: usize) -> Option<u128> {
        if power(i64::from(best.rho), slots) > REMAINING {
            return None;
        }
        // Without a slow fit nothing slow can describe the data.
        Some(self.slow.map_or(u128::MAX, |slow| {
            slow.residual.get().saturating_sub(best.residual.get())
        }))
    }
}

impl Fitted<'_> {
    /// The first slot, when it has data.
    pub(crate) fn first(&self) -> Option<Slot> {
        self.slots.first().copied().flatten()
    }

    /// Slope of the pack voltage over the later half, which `settled` refers
    /// to, in volts a slot: from the middle of its first part to the middle of
    /// its second. A jump in a single slot is not a slope.
    #[inline(never)]
    pub(crate) fn slope_of_pack(&self) -> i64 {
        let (slots, count) = (self.slots, self.slots.len());
        let half = count >> 1;
        let split = half.saturating_add(count) >> 1;
        let early = median_pack(slots, half, split);
        let (Some(early), Some(late)) = (early, median_pack(slots, split, count)) else {
            return 0;
        };
        let apart = count.saturating_sub(half) as u32;
        let change = late.minus(early).times(2);
        num::over(change, apart).unwrap_or(0)
    }
}

/// Root mean square of Vb of the slots less another; apart, for the stack.
#[inline(never)]
fn sway(slots: &Slots, from: i64) -> i64 {
    let (mut sum, mut count) = (num::RootSum::default(), 0u32);
    for slot in slots.iter().flatten() {
        sum.add(slot.pack().minus(from));
        count = count.saturating_add(1);
    }
    num::ratio(sum.root(), num::sqrt_int(count.max(1)))
}

/// Largest less smallest v.
fn range(slots: &Slots) -> i64 {
    let values = slots.iter().flatten().map(|slot| slot.chassis());
    match (values.clone().min(), values.max()) {
        (Some(least), Some(most)) => most.minus(least),
        _ => 0,
    }
}

/// Mean; `None` of nothing.
fn mean(values: impl Iterator<Item = i64>) -> Option<i64> {
    let (mut sum, mut count) = (0i64, 0u32);
    for value in values {
        sum = sum.plus(value);
        count = count.saturating_add(1);
    }
    num::over(sum, count)
}
