//! The check of a circuit that does not settle in a dwell: its charge balance.
//!
//! From the middle of a shortest dwell to the end of the dwell, v changes by Δv
//! in Δt, and with the fitted C the row of [`redundant`] has q = C·Δv/Δt. The
//! means of whole blocks stand for v at their middle, and the trapezoid rule for
//! the mean between the first and the last. A lag of the readings does not
//! matter, since the drive does not change meanwhile. C comes from a record
//! without the check, and is out by as much as the resistances that G is measured
//! with, so that its error beyond noise is that of the parts.
//!
//! Rest is weighed with the driven dwells before it and with those after it: a
//! circuit that changes breaks one of the two, a fault of the parts both.

use crate::config::{CYCLE_MAX, Config, Drive};
use crate::front::Block;
use crate::num;
use crate::units::{Measured, Microfarads};

use super::finding::{Finding, Findings};
use super::redundant::{self, Side};
use super::twice::Twice;
use super::{cut, short};

/// Fewest blocks, and relative uncertainty of C at which nothing can be told.
const FEWEST: u32 = 4;
const VAGUE: i64 = num::ONE / 4;

/// Sums over the dwell under way: v and Vb, 16 fraction bits.
#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    drive: Drive,
    lasted_us: u32,
    blocks: u32,
    first: [i32; 2],
    last: [i32; 2],
    sum: [i64; 2],
    /// The noisiest block.
    noise: [i32; 2],
    spoilt: bool,
}

/// What they come to; slopes in V/s, 16 fraction bits.
#[derive(Debug, Clone, Copy)]
struct Mean {
    value: [i32; 2],
    u: [i32; 2],
    slope: [i32; 2],
    slope_u: i32,
    dwell: u32,
}

/// The test of charge balance over three drive states.
#[derive(Debug, Clone, Default)]
pub(crate) struct Balance {
    sums: Sums,
    latest: [Option<Mean>; 3],
    /// Dwells begun.
    dwells: u32,
    failed: Twice,
}

impl Balance {
    /// Takes a block.
    #[inline(never)]
    pub(crate) fn listen(&mut self, config: &Config, block: &Block) {
        if block.flags.first_in_dwell {
            let mean = self.sums.mean(config, self.dwells);
            let drive = self.sums.drive;
            if let Some(place) = self.latest.get_mut(drive.slot())
                && config.states().contains(&drive)
            {
                *place = mean;
            }
            self.dwells = self.dwells.wrapping_add(1);
            self.sums = Sums {
                drive: block.drive,
                ..Sums::default()
            };
        }
        self.sums.take(config, block);
    }

    /// A dwell is over, and C is known.
    #[inline(never)]
    pub(crate) fn weigh(&mut self, config: &Config, capacitance: &Measured<Microfarads>) {
        if let Some(failed) = self.contradicts(config, capacitance) {
            self.failed.take(Some(failed));
        }
    }

    fn contradicts(&self, config: &Config, capacitance: &Measured<Microfarads>) -> Option<bool> {
        if !config.third_checks() {
            return None;
        }
        let newest = self.dwells.wrapping_sub(1);
        let [rest, raise, lower] = self.latest;
        let all = [rest?, raise?, lower?];
        let ages = all.map(|mean| newest.wrapping_sub(mean.dwell));
        let [rest, ..] = ages;
        // At its end, and at the end of the cycle after it.
        if !matches!(rest, 0 | 2) || ages.iter().any(|&age| age >= CYCLE_MAX as u32) {
            return None;
        }
        let c = capacitance.value.to_bits();
        let thrice = capacitance.u.to_bits().saturating_mul(3);
        let absorbed = config.timing().absorption.to_bits();
        let u = num::ratio(thrice, c, num::FRAC as i32).saturating_add(absorbed);
        if c <= 0 || u > VAGUE {
            return None;
        }
        let sides = all.map(|mean| mean.side(c));
        Some(redundant::contradict(config, &sides, u))
    }

    /// It has failed, or is in doubt.
    pub(crate) const fn is_in_question(&self) -> bool {
        self.failed.is_in_question()
    }

    /// With what it finds.
    pub(crate) const fn add_to(&self, findings: Findings) -> Findings {
        findings.with(Finding::StatesContradict, self.failed.found)
    }

    /// Forgets what was measured: what follows is not its successor.
    pub(crate) fn restart(&mut self) {
        self.latest = [None; 3];
        self.sums = Sums::default();
    }
}

impl Sums {
    fn take(&mut self, config: &Config, block: &Block) {
        let timing = config.timing();
        self.spoilt |= block.flags.saturated || block.missing > 0;
        self.lasted_us = self.lasted_us.saturating_add(block.duration_us);
        let whole = !block.flags.cut && block.duration_us == timing.block_us;
        if !whole || self.lasted_us <= timing.dwell_min_us >> 1 {
            return;
        }
        let new = [cut(block.chassis), cut(block.pack)];
        let noise = [cut(block.chassis_scatter), cut(block.pack_scatter)];
        if self.blocks == 0 {
            self.first = new;
        }
        self.last = new;
        self.blocks = self.blocks.saturating_add(1);
        let all = self.sum.iter_mut().zip(&mut self.noise);
        for ((sum, most), (new, noise)) in all.zip(new.into_iter().zip(noise)) {
            *sum = sum.saturating_add(new.into());
            *most = noise.max(*most);
        }
    }

    fn mean(&self, config: &Config, dwell: u32) -> Option<Mean> {
        if self.spoilt || self.blocks < FEWEST {
            return None;
        }
        let steps = i64::from(self.blocks.saturating_sub(1));
        let span_us = steps.saturating_mul(config.timing().block_us.into());
        let ends = self.first.iter().zip(&self.last);
        let mut value = [0; 2];
        let mut slope = [0; 2];
        let places = value.iter_mut().zip(&mut slope);
        for (((value, slope), (&first, &last)), &sum) in places.zip(ends).zip(&self.sum) {
            let (first, last) = (i64::from(first), i64::from(last));
            let half = first.saturating_add(last) >> 1;
            *value = short(sum.saturating_sub(half).checked_div(steps)?);
            let rise = last.saturating_sub(first).saturating_mul(1_000_000);
            *slope = short(rise.checked_div(span_us)?);
        }
        let [v_steps, pack_steps] = config.front_end().resolution().map(cut);
        let [v, pack] = self.noise;
        // Steps of the converter may be there in the mean as in a block.
        let u = [v.saturating_add(v_steps), pack.saturating_add(pack_steps)];
        let [v_u, _] = u;
        // Two ends: 1.5 is above the root of two.
        let slope_u = i64::from(v_u).saturating_mul(1_500_000);
        Some(Mean {
            value,
            u: u.map(|u| u.saturating_add(1)),
            slope,
            slope_u: short(slope_u.checked_div(span_us)?),
            dwell,
        })
    }
}

impl Mean {
    fn side(&self, c: i64) -> Side {
        let ([v, pack], [v_u, pack_u]) = (self.value, self.u);
        let [slope, pack_slope] = self.slope.map(i64::from);
        // What a moving pack pushes through the share of C to the positive rail,
        // which is not known: 0.3 of it (rectangular).
        let by_pack = pack_slope.saturating_mul(3) >> 3;
        let slope_u = num::hypot(&[self.slope_u.into(), by_pack]);
        Side {
            v,
            v_u,
            pack,
            pack_u,
            charge: num::mul(c, slope),
            charge_u: num::mul(c, slope_u).saturating_add(1),
        }
    }
}
