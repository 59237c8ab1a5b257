//! What a settled dwell reads, and how uncertain that is.

use super::fit::Fitted;
use super::{Settled, Settling, Times};
use crate::config::{Config, FrontEnd};
use crate::front::{FAR, residue};
use crate::num::Saturating as _;
use crate::num::{self, ONE, hypot};
use crate::report::Reading;
use crate::units::{Measured, Seconds, Volts};

impl Settling {
    #[inline(never)]
    pub(super) fn transient_reading(
        &self,
        config: &Config,
        fitted: &Fitted<'_>,
        noise: i64,
    ) -> Settled {
        let time_constant = self.time_constant(config, fitted, self.likely(noise));
        let lag_slots = match time_constant {
            Some(tau) => num::ratio(tau.value.to_bits(), self.slot(config).to_bits()),
            // A transient too short to be timed is over within a quarter slot.
            None => ONE >> 2,
        };
        let u = num::mul(noise, fitted.settled_gain);
        let told = time_constant.filter(|_| self.times != Times::Lost);
        self.reading(config, fitted, fitted.settled, u, lag_slots, told)
    }

    #[inline(never)]
    pub(super) fn flat_reading(
        &self,
        config: &Config,
        fitted: &Fitted<'_>,
        noise: i64,
        moved: i64,
    ) -> Settled {
        // Where the pack stands still the mean needs no fit.
        let (chassis, gain) = if fitted.pack_moves {
            (fitted.settled, fitted.settled_gain)
        } else {
            let root = num::sqrt_int((fitted.used >> 1).max(1));
            (fitted.late_mean, num::ratio(ONE, root))
        };
        let u = num::mul(noise, gain);
        // What is left of an unseen transient is at most a tenth of the movement.
        let hidden = num::over(moved, 10).unwrap_or(0);
        self.reading(config, fitted, chassis, hypot(&[u, hidden]), ONE, None)
    }

    fn reading(
        &self,
        config: &Config,
        fitted: &Fitted<'_>,
        chassis: i64,
        u: i64,
        lag_slots: i64,
        time_constant: Option<Measured<Seconds>>,
    ) -> Settled {
        let [_, pack_scatter] = self.scatter;
        let (lag, lag_u) = if fitted.pack_moves {
            // Medians of quarters of n slots a half of them apart know the
            // slope to 1.25·σ·√(8/n)·4/n.
            let used = fitted.used.max(1);
            let root = num::sqrt_int(used);
            let slope_u = num::over(num::times(pack_scatter, 14), used).unwrap_or(0);
            let slope_u = num::ratio(slope_u, root);
            (
                num::mul(lag_slots, fitted.slope_of_pack()),
                num::mul(lag_slots, slope_u),
            )
        } else {
            (0, 0)
        };
        let unexplained = if self.structured(fitted) {
            fitted.noise
        } else {
            0
        };
        let half = num::sqrt_int((fitted.used >> 1).max(1));
        let pack_u = num::ratio(pack_scatter, half);
        // What sways by more than its samples scatter need not average out: a ripple that
        // the sampling has folded down, near the frequency of the slots or a multiple.
        let sways = !fitted.pack_moves && fitted.pack_sway >> 1 > pack_scatter;
        let pack_sway = if sways { fitted.pack_sway } else { 0 };
        // A pack voltage that stands still is rounded alike in every state.
        // Two rail readings both move with the drive.
        let pair = matches!(config.front_end(), FrontEnd::RailPair { .. });
        let alike = !pair && !fitted.pack_moves;
        let [_, pack_step] = config.front_end().resolution().map(Volts::to_bits);
        let pack_step = if alike { 0 } else { pack_step };
        let reading = Reading {
            drive: self.drive,
            chassis: Measured {
                value: Volts::from_bits(chassis),
                u: Volts::from_bits(hypot(&[
                    u,
                    self.unaveraged_step(config, fitted),
                    lag_u,
                    unexplained,
                    self.hum(config, fitted),
                ])),
            },
            pack: Measured {
                value: Volts::from_bits(fitted.pack),
                u: Volts::from_bits(hypot(&[pack_u, pack_step, pack_sway])),
            },
            lag: Volts::from_bits(lag),
            time_constant,
            dwell_us: self.dwell_us,
        };
        Settled::new(&reading, fitted.course)
    }

    /// τ = −T/ln ρ from the decay over the slots; when the transient is over
    /// within the first slot, from how much of the step at the switch that
    /// slot still shows: its mean is A = (v0 − y)(1 − e^−z)/z with z = T/τ.
    fn time_constant(
        &self,
        config: &Config,
        fitted: &Fitted<'_>,
        noise: i64,
    ) -> Option<Measured<Seconds>> {
        let slot = self.slot(config).to_bits();
        let log_rho = num::neg_ln(fitted.rho);
        if let Some(gain) = fitted.rho_gain.filter(|_| fitted.rho > ONE / 20) {
            // u(ln ρ) = u(ρ)/ρ.
            let scale = num::mul(log_rho, fitted.rho);
            let relative = num::quotient(num::wide(noise, gain), i128::from(scale), 0);
            let tau = num::ratio(slot, log_rho);
            // A τ known to a third is worth reporting.
            return (relative < ONE / 3).then(|| Measured {
                value: Seconds::from_bits(tau),
                u: Seconds::from_bits(num::mul(tau, relative).plus(self.late(slot, 0))),
            });
        }
        let lead = self.lead?;
        let step = lead.last.chassis().minus(fitted.settled);
        let share = num::ratio(fitted.amplitude, step);
        let share_u = num::ratio(noise, step).size();
        // A is (1 − e^−z)/z of the step, and e^−z is ρ, below 5 %.
        let whole = ONE.minus(fitted.rho);
        let tau = |share: i64| {
            let slots = num::ratio(share, whole);
            num::mul(slot, slots)
        };
        // The switch moved between two samples, up to one sampling period
        // before the first of the dwell. Samples taken at the end of their
        // period make the mean late by half a period: a quarter on average.
        let period = self.period(slot);
        (share > share_u.times(3) && share < ONE / 2).then(|| Measured {
            value: Seconds::from_bits(tau(share).plus(period >> 2)),
            u: Seconds::from_bits(hypot(&[tau(share_u), self.late(slot, num::ONE_BY_ROOT_12)])),
        })
    }

    /// How uncertain a time in the dwell is: by a share of the period of samples, or by half of it to either side where
    /// samples fall on no grid of blocks or are lost.
    fn late(&self, slot: i64, even: i64) -> i64 {
        let share = match self.times {
            Times::Even => even,
            _ => num::ROOT_THIRD,
        };
        num::mul(self.period(slot), share)
    }

    /// Time between samples, of a slot of such a length.
    #[inline(never)]
    fn period(&self, slot: i64) -> i64 {
        num::over(slot, self.samples_per_slot).unwrap_or(0)
    }

    /// What hum may have left of the mean: samples scatter within slots, and these
    /// do not from one to the next. A ripple on the pack scatters samples too, and passes for
    /// hum: of the one nobody knows how much of the other it hides.
    #[inline(never)]
    fn hum(&self, config: &Config, fitted: &Fitted<'_>) -> i64 {
        let [scatter, _] = self.scatter;
        if num::times(fitted.noise, 2) > scatter {
            return 0;
        }
        let bunches = self.samples_per_slot.wrapping_shr(self.bunched.into());
        let slot_us = config.timing().block_us.wrapping_shl(self.places.into());
        let apart = slot_us.checked_div(bunches).unwrap_or(FAR);
        residue(num::mul(scatter, num::sqrt_int(bunches)), apart)
    }
}
