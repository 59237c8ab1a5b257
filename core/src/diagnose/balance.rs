//! The check of a fitted circuit: its charge balance in the third state.
//!
//! From the middle of a shortest dwell to the end of the dwell, v changes by Δv
//! in Δt, and with the fitted C the row of [`redundant`] has q = C·Δv/Δt. The
//! means of whole blocks stand for v at their middle, and the trapezoid rule for
//! the mean between the first and the last. A lag of the readings does not
//! matter, since the drive does not change meanwhile. The record that is fitted
//! leaves the check out, and is what all of it says of the driven states: their
//! rows are those of the fit, at the voltages v = (Gp·Vb + p·Vb + i)/(G + g) where
//! it would settle, so that gains and parts that are off count as they do to the
//! fit. C is out by as much as the resistances that G is measured with, so that
//! its error beyond noise is that of the parts.
//!
//! The third state is weighed with the fit of what was driven before it and with
//! that of what was after it: a circuit that changes breaks one of the two, a fault
//! of the parts both. Where the fit leaves too much open, the driven dwells
//! beside it stand for themselves.

use core::num::NonZeroI32;

use crate::config::{CYCLE_MAX, Config, Drive};
use crate::estimate::Found;
use crate::front::Block;
use crate::num;
use crate::num::Saturating as _;
use crate::report::Estimate;
use crate::units::Volts;

use super::finding::{Finding, Findings};
use super::redundant::{self, Outcome, Side};
use super::twice::Twice;
use super::{CUT, above_zero, cut, short};

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
    slope_u: NonZeroI32,
    dwell: u32,
}

/// What a fit leaves open, with 16 fraction bits, and the dwell in which it came.
#[derive(Debug, Clone, Copy)]
struct Doubt {
    conductance: NonZeroI32,
    positive: i32,
    position: i32,
    dwell: u32,
}

/// The test of charge balance in the third state.
#[derive(Debug, Clone, Default)]
pub(crate) struct Balance {
    sums: Sums,
    /// The newest dwell in the third state, and the newest of each driven one that
    /// was long enough.
    third: Option<Mean>,
    driven: [Option<Mean>; 2],
    doubt: Option<Doubt>,
    /// What it has been weighed with.
    weighed: Weighed,
    /// The driven dwells beside it are to be weighed.
    beside: bool,
    /// Dwells begun.
    dwells: u32,
    failed: Twice,
    /// What the newest weighing came to.
    said: Option<Outcome>,
}

/// The fits with which the newest check has been weighed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
enum Weighed {
    #[default]
    Not,
    Before,
    After,
}

impl Balance {
    /// Takes a block.
    #[inline(never)]
    pub(crate) fn listen(&mut self, config: &Config, block: &Block) {
        if block.flags.first_in_dwell {
            let mean = self.sums.mean(config, self.dwells);
            let [raise, lower] = &mut self.driven;
            match self.sums.drive {
                Drive::Raise => *raise = mean.or(*raise),
                Drive::Lower => *lower = mean.or(*lower),
                drive if drive == config.third() => {
                    self.third = mean;
                    self.weighed = Weighed::Not;
                }
                _ => {}
            }
            self.dwells = self.dwells.wrapping_add(1);
            self.sums = Sums {
                drive: block.drive,
                ..Sums::default()
            };
        }
        self.sums.take(config, block);
    }

    /// A fit has come, of the record up to now.
    pub(crate) fn know(&mut self, found: &Found) {
        let open = |bits: i64| short(bits >> CUT).saturating_add(1);
        self.doubt = Some(Doubt {
            conductance: above_zero(open(found.conductance.u.to_bits())),
            positive: open(found.positive.u.to_bits()),
            position: open(found.position_u.to_bits()),
            dwell: self.dwells,
        });
    }

    /// Weighs the check with a fit, in one slice or two; true when there is more. `over`
    /// when the dwell of the fit is over.
    #[inline(never)]
    pub(crate) fn weigh(&mut self, config: &Config, fitted: &Estimate, over: bool) -> bool {
        let beside = core::mem::take(&mut self.beside);
        let case = self.case(config, fitted);
        let Some(case) = &case else {
            return false;
        };
        let outcome = if beside {
            self.measured(config, case)
        } else {
            case.fitted(config, fitted)
        };
        // Where the fit leaves too much open.
        self.beside = outcome.is_none() && !beside;
        if self.beside {
            return true;
        }
        let after = case.doubt.dwell.wrapping_sub(case.third.dwell);
        // A fit grows sharper until both driven dwells are over: until then it may
        // contradict and no more.
        let failed = outcome.map(|outcome| outcome == Outcome::Contradict);
        if failed == Some(false) && (!over || after == 1) {
            return false;
        }
        self.failed.take(failed);
        self.said = outcome;
        if failed.is_some() {
            self.weighed = if 0 < after && after < CYCLE_MAX as u32 {
                Weighed::After
            } else {
                Weighed::Before
            };
        }
        false
    }

    /// Once with the fit before it, and once with one of the dwells after it.
    const fn is_due(&self, third: u32, fit: u32) -> bool {
        let after = fit.wrapping_sub(third);
        let before = third.wrapping_sub(fit);
        match self.weighed {
            Weighed::Not => before < CYCLE_MAX as u32 || after < CYCLE_MAX as u32,
            Weighed::Before => 0 < after && after < CYCLE_MAX as u32,
            Weighed::After => false,
        }
    }

    /// What is to be weighed, if anything.
    fn case(&self, config: &Config, fitted: &Estimate) -> Option<Case> {
        if !config.third_checks() {
            return None;
        }
        let (third, doubt) = (self.third?, self.doubt?);
        if !self.is_due(third.dwell, doubt.dwell) {
            return None;
        }
        let (c, u) = match &fitted.capacitance {
            Some(c) => {
                let thrice = c.u.to_bits().saturating_mul(3);
                let absorbed = config.timing().absorption.to_bits();
                let u = num::ratio(thrice, c.value.to_bits());
                (c.value.to_bits(), u.plus(absorbed))
            }
            // Too small to show.
            None => (0, 0),
        };
        (c >= 0 && u <= VAGUE).then_some(Case { third, doubt, c, u })
    }

    /// The driven dwells themselves, as they were measured beside the third.
    #[inline(never)]
    fn measured(&self, config: &Config, case: &Case) -> Option<Outcome> {
        let mut sides = [Side::default(); 3];
        self.beside(case, &mut sides)?;
        let outcome = redundant::weigh(config, &sides, case.u)?;
        // A circuit that changes breaks it with one of before and one of after.
        let [raise, lower] = &self.driven;
        let (raise, lower) = (raise.as_ref()?, lower.as_ref()?);
        let third = case.third.dwell;
        let after = |mean: &Mean| mean.dwell.wrapping_sub(third) < CYCLE_MAX as u32;
        let mixed = after(raise) != after(lower);
        (!mixed || outcome != Outcome::Contradict).then_some(outcome)
    }

    /// The third state and the driven dwells beside it, if they are.
    #[inline(never)]
    fn beside(&self, case: &Case, to: &mut [Side; 3]) -> Option<()> {
        let [raise, lower] = &self.driven;
        let (raise, lower) = (raise.as_ref()?, lower.as_ref()?);
        let beside = |mean: &Mean| mean.dwell.abs_diff(case.third.dwell) < CYCLE_MAX as u32;
        *to = [&case.third, raise, lower].map(|mean| mean.side(case.c));
        (beside(raise) && beside(lower)).then_some(())
    }

    /// What the newest weighing came to, once.
    pub(crate) const fn said(&mut self) -> Option<Outcome> {
        self.said.take()
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
        (self.third, self.doubt) = (None, None);
        self.driven = [None; 2];
        self.beside = false;
        self.sums = Sums::default();
    }
}

/// A check, the fit that it is weighed with, and the capacitance with its error.
#[derive(Debug, Clone, Copy)]
struct Case {
    third: Mean,
    doubt: Doubt,
    c: i64,
    u: i64,
}

impl Case {
    #[inline(never)]
    fn fitted(&self, config: &Config, fitted: &Estimate) -> Option<Outcome> {
        let mut sides = [Side::default(); 3];
        self.foretell(config, fitted, &mut sides)?;
        redundant::weigh(config, &sides, self.u)
    }

    /// The third state as it was measured, the others as the fit foretells them.
    #[inline(never)]
    fn foretell(&self, config: &Config, fitted: &Estimate, to: &mut [Side; 3]) -> Option<()> {
        let side = self.third.side(self.c);
        *to = [
            self.doubt.widen(&side, fitted),
            settled(config, Drive::Raise, fitted, &side)?,
            settled(config, Drive::Lower, fitted, &side)?,
        ];
        Some(())
    }
}

impl Doubt {
    /// With what noise of the fit leaves open of the current G·v − Gp·Vb, the smaller
    /// of two bounds, as that of the charge.
    fn widen(&self, side: &Side, fitted: &Estimate) -> Side {
        let volts = |bits: i32| i64::from(bits);
        let [conductance, positive, position] =
            [self.conductance.get(), self.positive, self.position]
                .map(|bits| i64::from(bits) << CUT);
        let (g, gp) = (fitted.conductance.value, fitted.positive_conductance.value);
        let apart = num::mul(volts(side.v), conductance)
            .size()
            .plus(num::mul(volts(side.pack), positive).size());
        let x = num::ratio(gp.to_bits(), g.to_bits());
        let away = volts(side.v).minus(num::mul(volts(side.pack), x));
        let placed = num::mul(volts(side.pack), num::mul(g.to_bits(), position));
        let together = num::hypot(&[num::mul(away, conductance), placed]);
        let charge_u = num::hypot(&[side.charge_u, apart.min(together)]);
        Side { charge_u, ..*side }
    }
}

/// Where a fitted circuit would settle in a driven state, at the pack voltage of a side.
fn settled(config: &Config, drive: Drive, fitted: &Estimate, at: &Side) -> Option<Side> {
    let row = config.network().row(drive);
    let load = fitted.conductance.value.saturating_add(row.g).to_bits();
    let pack = Volts::from_bits(i64::from(at.pack) << CUT);
    let pushed = fitted.positive_conductance.value.saturating_add(row.p);
    let pushed = row.i.saturating_add(pushed.at(pack)).to_bits();
    let v = num::ratio(pushed, load);
    (load > 0).then_some(Side {
        v: short(v >> CUT),
        v_u: 1,
        pack: at.pack,
        ..Side::default()
    })
}

impl Sums {
    fn take(&mut self, config: &Config, block: &Block) {
        let timing = config.timing();
        self.spoilt |= block.flags.saturated || block.missing > 0;
        self.lasted_us = self.lasted_us.saturating_add(block.duration_us);
        if block.flags.cut || self.lasted_us <= timing.dwell_min_us >> 1 {
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
            *sum = sum.plus(new.into());
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
            let half = first.plus(last) >> 1;
            *value = short(sum.minus(half).checked_div(steps)?);
            let rise = last.minus(first).saturating_mul(1_000_000);
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
            slope_u: above_zero(short(slope_u.checked_div(span_us)?)),
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
        let slope_u = num::hypot(&[self.slope_u.get().into(), by_pack]);
        Side {
            v,
            v_u,
            pack,
            pack_u,
            charge: num::mul(c, slope),
            charge_u: num::mul(c, slope_u).plus(1),
        }
    }
}
