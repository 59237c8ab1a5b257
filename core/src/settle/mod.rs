//! Stage 2, volts to settled readings. The only constructor of a [`crate::Reading`]
//! is the proof that its dwell has settled: an early reading cannot reach the
//! estimator by mistake.

mod course;
mod dwell;
mod fit;
#[cfg(test)]
mod fit_tests;
mod linear;
#[cfg(test)]
mod proof_tests;
mod reading;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod time_constant_tests;

pub(crate) use course::{Course, Settled};
pub(crate) use dwell::{Dwell, Lead};

use crate::config::{BLOCKS_MIN, Config, Drive};
use crate::num::Saturating as _;
use crate::num::{self, hypot};
use crate::reason::Reason;
use crate::units::{Seconds, Volts};
use dwell::{Slot, Times};
use fit::{Fit, Fitted};

/// Places of the excess of squares, in noise variances, at which a slow circuit
/// counts as rejected: 16 (4σ).
const REJECTED: u32 = 4;

/// Steps of the converter, as standard uncertainties, that noise of a slot must exceed
/// to spoil a dwell.
pub(crate) const SPOILED: i64 = 10;

/// The settling proof of one dwell, in slices of bounded work.
#[derive(Debug, Clone)]
pub(crate) struct Settling {
    fit: Fit,
    /// Slots of the dwell; it may get more.
    slots: u8,
    /// It is over: its slots are those that are kept.
    over: bool,
    lead: Option<Lead>,
    drive: Drive,
    /// Blocks of a slot, as a power of two.
    places: u8,
    times: Times,
    bunched: u8,
    dwell_us: u32,
    samples_per_slot: u32,
    /// Noise of a slot as the scatter of its samples shows it: v and Vb.
    scatter: [i64; 2],
}

/// A dwell has settled.
#[derive(Debug, Clone, Copy)]
struct Proof {
    /// Of a slot.
    noise: i64,
    /// How far the best slow fit moves within the dwell.
    moved: i64,
    /// A transient is to be seen: what is fitted is its end.
    transient: bool,
}

impl Settling {
    /// A proof of nothing, to be started in its place.
    pub(crate) fn none(over: bool) -> Self {
        Self {
            fit: Fit::none(),
            slots: 0,
            over,
            lead: None,
            drive: Drive::Rest,
            places: 0,
            times: Times::Even,
            bunched: 0,
            dwell_us: 0,
            samples_per_slot: 1,
            scatter: [0; 2],
        }
    }

    /// Starts the proof of what is recorded so far.
    ///
    /// # Errors
    /// The record is too short, saturated or full of gaps.
    #[inline(never)]
    pub(crate) fn start(
        &mut self,
        config: &Config,
        dwell: &Dwell,
        lead: Option<Lead>,
    ) -> Result<(), Reason> {
        if dwell.saturated {
            return Err(Reason::Saturated);
        }
        if dwell.missing > dwell.blocks >> 2 {
            return Err(Reason::SamplesMissing);
        }
        if dwell.seen < BLOCKS_MIN {
            return Err(Reason::RecordTooShort);
        }
        let per_slot = num::sqrt_int(dwell.per_slot());
        self.scatter = dwell.scatter().map(|block| num::ratio(block, per_slot));
        let [_, pack_step] = config.front_end().resolution().map(Volts::to_bits);
        let [_, pack_scatter] = self.scatter;
        let pack_noise = hypot(&[pack_scatter, pack_step]);
        if !self.fit.start(dwell.slots(), pack_noise) {
            return Err(Reason::RecordTooShort);
        }
        self.lead = lead;
        self.drive = dwell.drive;
        self.places = dwell.places;
        self.slots = dwell.slots().len() as u8;
        self.dwell_us = config.timing().block_us.saturating_mul(dwell.blocks);
        self.samples_per_slot = dwell.samples_per_slot();
        self.times = dwell.times();
        self.bunched = dwell.bunched;
        Ok(())
    }

    /// The drive state of its dwell, where that is over.
    pub(crate) const fn over(&self) -> Option<Drive> {
        if self.over { Some(self.drive) } else { None }
    }

    /// What it reads.
    #[inline(never)]
    fn slots<'d>(&self, dwell: &'d Dwell) -> &'d [Option<Slot>] {
        let (slots, count) = (dwell.slots(), usize::from(self.slots));
        if self.over {
            dwell.kept()
        } else {
            slots.get(..count).unwrap_or_default()
        }
    }

    /// One slice of work; false once [`Settling::result`] has the answer.
    pub(crate) fn step(&mut self, dwell: &Dwell) -> bool {
        let busy = !self.fit.is_done();
        if busy {
            self.fit.step(self.slots(dwell));
        }
        busy
    }

    /// The settled reading, or the reason why there is none.
    #[inline(never)]
    pub(crate) fn result(&self, config: &Config, dwell: &Dwell) -> Result<Settled, Reason> {
        let fitted = self.fit.result(self.slots(dwell));
        let fitted = fitted.as_ref().ok_or(Reason::NotSettled)?;
        let Proof {
            noise,
            moved,
            transient,
        } = self.decide(config, fitted)?;
        Ok(if transient {
            self.transient_reading(config, fitted, noise)
        } else {
            self.flat_reading(config, fitted, noise, moved)
        })
    }

    /// Length of a slot, a part of a dwell, which fits.
    fn slot(&self, config: &Config) -> Seconds {
        let block = config.timing().block().to_bits();
        Seconds::from_bits(block.wrapping_shl(self.places.into()))
    }

    #[inline(never)]
    fn decide(&self, config: &Config, fitted: &Fitted<'_>) -> Result<Proof, Reason> {
        if self.spoiled(config, fitted) {
            return Err(if fitted.pack_moves {
                Reason::PackVoltageMoving
            } else {
                Reason::CircuitChanged
            });
        }
        let noise = fitted
            .noise
            .max(self.unaveraged_step(config, fitted))
            .max(1);
        let variance = num::square(noise.unsigned_abs());
        let seen = fitted
            .slow_excess
            .is_some_and(|excess| excess >> REJECTED >= variance);
        let moved = fitted.slow_movement.size();
        let doubt = noise.times(3);
        let most = moved.plus(doubt);
        // A movement that stands out of the noise and is best described as
        // slow is slow, whatever else speaks for a settled circuit.
        let slow = fitted.slow_excess.is_none() && moved > self.likely(noise).times(4);
        if seen || !slow && (self.jumped(fitted.first(), most, doubt) || self.still(config, most)) {
            // A transient that stands out of the noise is fitted; one that
            // does not is bounded.
            let visible = fitted.amplitude.size() > num::times(noise, 5);
            return Ok(Proof {
                noise,
                moved,
                transient: seen || visible && fitted.slow_excess.is_some(),
            });
        }
        Err(if fitted.pack_moves && self.structured(fitted) {
            Reason::PackVoltageMoving
        } else if slow {
            Reason::NotSettled
        } else if self.lead.is_none() {
            Reason::NotYetMeasured
        } else {
            Reason::StimulusTooWeak
        })
    }

    /// The residuals of a few slots may show half of the noise by chance. That of the samples is of many.
    fn likely(&self, noise: i64) -> i64 {
        let [scatter, _] = self.scatter;
        noise.max(scatter.min(noise.times(2)))
    }

    /// v jumped at the switch by more than it can have moved since.
    fn jumped(&self, first: Option<Slot>, moved: i64, doubt: i64) -> bool {
        let (Some(lead), Some(first)) = (&self.lead, first) else {
            return false;
        };
        let jump = first.chassis().minus(lead.last.chassis()).size();
        // A change of pack voltage may have moved v by as much.
        let by_pack = first.pack().minus(lead.last.pack()).size();
        let explained = by_pack.plus(lead.drift()).plus(doubt);
        jump.minus(explained) > moved
    }

    /// v moved less than the stimulus would move any slow circuit of the design.
    fn still(&self, config: &Config, moved: i64) -> bool {
        let Some(lead) = &self.lead else { return false };
        let stimulus = config.network().stimulus(
            lead.drive,
            self.drive,
            Volts::from_bits(lead.last.chassis()),
            Volts::from_bits(lead.last.pack()),
        );
        let seconds = num::millionths(self.dwell_us);
        // µA · s / µF = V; a fifth of it.
        let charge = num::wide(stimulus.abs().to_bits(), seconds);
        let capacitance = config.timing().capacitance_max.to_bits();
        let expected = num::quotient(charge, num::wide(capacitance, 5), 0);
        expected > moved
    }

    /// The uncertainty of one converter step, unless white noise averages it.
    /// Noise of 0.58 steps, rounding included, leaves less than 1 % of a step
    /// in the mean (first harmonic of the quantiser, exp(−2π²σ²)/π). It is
    /// white when the residuals between slots are what the scatter within
    /// them makes expect: hum repeats in every slot, rounding and all, and the
    /// staircase of a slow signal shows between slots but not within them.
    fn unaveraged_step(&self, config: &Config, fitted: &Fitted<'_>) -> i64 {
        let [step, _] = config.front_end().resolution().map(Volts::to_bits);
        let [scatter, _] = self.scatter;
        let white = fitted.noise >= scatter >> 1 && !self.structured(fitted);
        let root = num::sqrt_int(self.samples_per_slot);
        // 0.58 steps are twice the step's standard uncertainty.
        let covered = num::mul(scatter, root) >= step.times(2);
        if white && covered { 0 } else { step }
    }

    /// The residuals exceed twice the noise that the samples show: the model,
    /// or the converter's staircase, leaves something that does not average.
    #[inline(never)]
    fn structured(&self, fitted: &Fitted<'_>) -> bool {
        let [scatter, _] = self.scatter;
        fitted.noise > scatter.times(2)
    }

    /// What one exponential leaves is a good part of all that v did: something
    /// happened in mid-dwell, and no settled voltage describes it.
    fn spoiled(&self, config: &Config, fitted: &Fitted<'_>) -> bool {
        let [step, _] = config.front_end().resolution().map(Volts::to_bits);
        self.structured(fitted)
            && fitted.noise > num::times(step, SPOILED)
            && num::times(fitted.noise, 50) > fitted.range
    }
}
