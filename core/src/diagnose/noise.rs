//! How much noise is left in block means.
//!
//! Hum shows in the scatter within a block and leaves the mean of a dwell; what
//! moves the chassis shows little within a block. So noise is the lesser of what the
//! scatter within blocks makes expect and what successive spans of blocks show. A block
//! need not hold whole periods of the mains: 60 Hz leave 10 Hz in blocks of 20 ms, which
//! five of them do not show.
//!
//! The circuit's own transient is no noise, however slow. Whatever it decays with,
//! each of its steps from span to span goes the way of the one before and is no
//! larger, and so are those of several decays in one direction. What a step is beyond
//! that, turned back or larger, is left, less what the reading may drift. Nor is it noise of its own by what the pack moves
//! v: at most as much as it moves itself, and once by a step.

use crate::config::Config;
use crate::front::{Block, VOLT_OF_DRIFT_S};
use crate::num;
use crate::settle;

use super::{CUT, cut};

/// Blocks in a span, spans in the shortest dwell, and those that are two steps.
const SPAN: u32 = 5;
const FEWEST: u32 = 5;
const STEPS: u32 = 3;
/// Blocks, and spans, over which means go back, as a power of two.
const BLOCKS: u32 = 3;
const SPANS: u32 = 2;

/// Microseconds in which the largest drift of a reading that is provided for
/// makes a step of [`cut`]; and those that leave as much of a dwell.
const DRIFT: u32 = (VOLT_OF_DRIFT_S * 1_000_000) >> (32 - CUT);
const DRIFT_LEAVES: u32 = DRIFT * 32;

/// Fraction bits of a mean square, V²: a millivolt, and 64 V at most.
const SQUARED: u32 = 20;

/// Vb has stepped where it moved by eight times what is usual, or what is still: 4 mV.
const STEP: u32 = 64;
const STILL: u32 = 16;

/// What the newest blocks have shown.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Noise {
    chassis: Sums,
    pack: Sums,
    /// Mean squares as of single blocks: of v within blocks, and of v and Vb between
    /// spans.
    within: u32,
    between: u32,
    moved: u32,
    /// Blocks without a break in the dwell under way, and in the one before.
    dwell: u16,
    last_dwell: u16,
}

/// Sums of the two spans before, and of the one under way.
#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    before: [i32; 2],
    sum: i32,
}

impl Sums {
    /// A span is whole: the step to the one before it, and from there to it.
    #[inline(never)]
    fn close(&mut self) -> [i32; 2] {
        let new = core::mem::take(&mut self.sum);
        let [older, old] = self.before;
        self.before = [old, new];
        [old.saturating_sub(older), new.saturating_sub(old)]
    }
}

impl Noise {
    pub(super) fn listen(&mut self, config: &Config, block: &Block) {
        if block.flags.first_in_dwell {
            self.begin();
        }
        if block.flags.cut || block.flags.saturated || block.missing > 0 {
            self.begin();
            return;
        }
        for (sums, volts) in [
            (&mut self.chassis, block.chassis),
            (&mut self.pack, block.pack),
        ] {
            sums.sum = sums.sum.saturating_add(cut(volts));
        }
        self.dwell = self.dwell.saturating_add(1);
        let timing = config.timing();
        let blocks = timing.dwell_min_us.checked_div(timing.block_us);
        let span = blocks.unwrap_or(0).wrapping_div(FEWEST).clamp(1, SPAN);
        let dwell = u32::from(self.dwell);
        // Before, the transient scatters samples.
        if dwell > span {
            let scatter = square(cut(block.chassis_scatter));
            self.within = follow(self.within, scatter, BLOCKS);
        }
        if dwell.is_multiple_of(span) && self.dwell < u16::MAX {
            let drift = timing.block_us.saturating_mul(span.wrapping_mul(span)) / DRIFT;
            let spans = dwell.checked_div(span).unwrap_or(0);
            self.close(span, spans, drift.cast_signed());
        }
    }

    /// What follows is not compared with what came before.
    #[inline(never)]
    const fn begin(&mut self) {
        (self.chassis.sum, self.pack.sum) = (0, 0);
        if self.dwell > 0 {
            (self.last_dwell, self.dwell) = (self.dwell, 0);
        }
    }

    /// A span is whole, one of as many, in which the reading may drift so far.
    #[inline(never)]
    fn close(&mut self, blocks: u32, spans: u32, drift: i32) {
        let ([before, step], moved) = (self.chassis.close(), self.pack.close());
        if spans < STEPS {
            return;
        }
        // Of white sums the mean square of what is beyond is 16/9 of their variance, that
        // of two steps 4 times, and their variance that of a block times the blocks.
        let beyond = square(beyond(before, step).saturating_sub(drift).max(0));
        let [first, second] = moved.map(|step| u64::from(square(step)));
        let alike = blocks << 4;
        let beyond = alone(u64::from(beyond).wrapping_mul(9), alike);
        let moved = alone(first.wrapping_add(second) << 2, alike);
        let usual = self.moved;
        self.moved = follow(usual, moved, SPANS);
        // What steps again and again soon is usual.
        if moved / STEP > usual.max(STILL) {
            self.begin();
        } else {
            self.between = follow(self.between, beyond, SPANS);
        }
    }

    /// Hum, the pack or a drift explains that a dwell has no reading: means of spans move by
    /// no more than twice of what these make expect, and these make blocks scatter by as
    /// much as spoils a dwell. Hum makes the means of blocks scatter by three times of
    /// what it leaves within them, 60 Hz in blocks of 20 ms; a drift leaves a tenth of itself
    /// at most, however the dwell is fitted.
    #[inline(never)]
    pub(super) fn explains(&self, config: &Config) -> bool {
        let [resolution, _] = config.front_end().resolution();
        let least = square(cut(resolution).saturating_mul(settle::SPOILED as i32));
        let length = config.timing().block_us.saturating_mul(self.blocks());
        let drift = square((length / DRIFT_LEAVES).cast_signed());
        let most = self.within.max(self.moved);
        self.between >> 2 <= most && least / 9 < most.max(drift)
    }

    /// Of the dwell under way, or of that before.
    fn blocks(&self) -> u32 {
        u32::from(self.dwell.max(self.last_dwell).max(1))
    }

    /// Standard uncertainty of the mean of a dwell that is white.
    pub(super) fn of_a_dwell(&self) -> i64 {
        let square = u64::from(self.between.min(self.within)) << SQUARED;
        let mean = num::over_unsigned(square, self.blocks()).unwrap_or(0);
        num::sqrt_wide(u128::from(mean) << (2 * num::FRAC - 2 * SQUARED))
    }
}

/// How far a step is from those that may follow a step in a transient: from none to as
/// large a one, the same way.
const fn beyond(before: i32, step: i32) -> i32 {
    let (before, step) = if before < 0 {
        (before.saturating_neg(), step.saturating_neg())
    } else {
        (before, step)
    };
    if step < 0 {
        step.saturating_neg()
    } else if step > before {
        step.saturating_sub(before)
    } else {
        0
    }
}

/// A square of volts in the steps of [`cut`] as it is kept.
#[inline(never)]
fn square(volts: i32) -> u32 {
    let volts = u64::from(volts.unsigned_abs());
    let square = volts.wrapping_mul(volts);
    u32::try_from(square >> (2 * (32 - CUT) - SQUARED)).unwrap_or(u32::MAX)
}

/// A mean square, of a sum of so many alike.
#[inline(never)]
fn alone(sum: u64, alike: u32) -> u32 {
    let mean = num::over_unsigned(sum, alike).unwrap_or(0);
    u32::try_from(mean).unwrap_or(u32::MAX)
}

#[inline(never)]
const fn follow(mean: u32, new: u32, memory: u32) -> u32 {
    let kept = mean.saturating_sub(mean.wrapping_shr(memory));
    kept.saturating_add(new.wrapping_shr(memory))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::{Channel, Drive, Element, FrontEnd, Judged, Limits, Timing};
    use crate::front::Flags;
    use crate::units::{Ohms, Volts};

    fn config() -> Config {
        let channel = Channel::bipolar(16, Volts::from_int(1000));
        let front_end = FrontEnd::ChassisAndPack {
            chassis: channel,
            pack: channel,
        };
        let source = Element::source_to_negative(Volts::from_int(40), Ohms::from_int(1_000_000));
        let limits = Limits::new(Volts::from_int(400), Judged::WeakestRail);
        let config = Config::try_new(front_end, &[source], Timing::default(), limits);
        config.expect("a sound configuration")
    }

    fn volts(volts: f64) -> Volts {
        Volts::from_bits((volts * 4_294_967_296.0) as i64)
    }

    /// After four dwells of a second in which v and Vb go so with the time since the switch,
    /// and samples scatter by 0.13 V a block, as under the hum.
    fn after(course: impl Fn(f64) -> [f64; 2]) -> Noise {
        let config = config();
        let mut noise = Noise::default();
        for number in 0..200u32 {
            let [v, pack] = course(f64::from(number % 50) * 0.02);
            let block = Block {
                chassis: volts(v),
                pack: volts(pack),
                chassis_scatter: volts(0.13),
                pack_scatter: volts(0.13),
                duration_us: 20_000,
                count: 20,
                bunched: 0,
                missing: 0,
                drive: Drive::Raise,
                flags: Flags {
                    first_in_dwell: number % 50 == 0,
                    ..Flags::default()
                },
            };
            noise.listen(&config, &block);
        }
        noise
    }

    /// Under 60 Hz of which blocks of 20 ms leave 10 Hz.
    fn hum(t: f64) -> f64 {
        3.0 * (t * 10.0 * core::f64::consts::TAU).sin()
    }

    #[test]
    fn a_transient_however_slow_is_no_noise() {
        for tau in [0.01, 0.1, 0.3, 1.0, 10.0] {
            let noise = after(|t| [200.0 - 30.0 * (-t / tau).exp() + hum(t), 400.0]);
            assert!(noise.explains(&config()), "{tau}: {noise:?}");
            assert!(noise.of_a_dwell() < 1 << 24, "{tau}");
        }
    }

    #[test]
    fn what_the_pack_moves_is_no_noise_of_the_chassis() {
        let slow = |t: f64| 5.0 * (t * 23.0 * core::f64::consts::TAU).sin();
        assert!(after(|t| [200.0 + slow(t), 400.0 + slow(t)]).explains(&config()));
        // Without the pack it is.
        assert!(!after(|t| [200.0 + slow(t), 400.0]).explains(&config()));
        let step = |t: f64| if t < 0.47 { 5.0 } else { 0.0 };
        assert!(after(|t| [200.0 + 0.9 * step(t), 400.0 + step(t)]).explains(&config()));
    }

    /// A step that relaxes in mid-dwell, to one side and to the other, beside a transient.
    #[test]
    fn what_else_moves_the_chassis_is_not_within() {
        for tau in [0.02, 0.2] {
            for size in [-5.0, 5.0] {
                let other = |t: f64| size * (1.0 - (-(t - 0.5).max(0.0) / tau).exp());
                let noise = after(|t| [200.0 - 2.0 * (-t / tau).exp() + other(t), 400.0]);
                assert!(!noise.explains(&config()), "{tau} {size}: {noise:?}");
            }
        }
    }
}
