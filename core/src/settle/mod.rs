//! Stage 2, volts to settled readings. The only constructor of a [`Reading`]
//! is the proof that its dwell has settled: an early reading cannot reach the
//! estimator by mistake.

mod dwell;
mod fit;
mod linear;

pub(crate) use dwell::Dwell;
pub(crate) use fit::hypot;

use crate::config::{BLOCKS_MIN, Config, Drive};
use crate::num::{self, ONE};
use crate::reason::Reason;
use crate::report::Reading;
use crate::units::{Measured, Seconds, Volts};
use fit::{Fit, Fitted};

/// The excess of squares, in noise variances, at which a slow circuit counts
/// as rejected (4σ).
const REJECTED: u128 = 16;

/// Where v stood when the dwell began: the end of the dwell before.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Lead {
    pub(crate) drive: Drive,
    chassis: i64,
    pack: i64,
    /// How far v may have moved from the middle of the last slot to its end.
    drift: i64,
}

impl Lead {
    /// The end of a dwell; `None` when its last two slots have no data.
    pub(crate) fn after(dwell: &Dwell) -> Option<Self> {
        let mut late = dwell.slots().iter().rev();
        let last = (*late.next()?)?;
        let before = (*late.next()?)?;
        let drift = last.chassis().saturating_sub(before.chassis());
        Some(Self {
            drive: dwell.drive,
            chassis: last.chassis(),
            pack: last.pack(),
            drift: drift.saturating_abs(),
        })
    }
}

/// The settling proof of one dwell, in slices of bounded work.
#[derive(Debug, Clone)]
pub(crate) struct Settling {
    fit: Fit,
    lead: Option<Lead>,
    drive: Drive,
    /// Length of a slot.
    slot: Seconds,
    dwell_us: u32,
    /// Standard uncertainty of one converter step, where scatter does not
    /// average it: v and Vb.
    steps: [i64; 2],
    /// Noise of a slot as the scatter of its samples shows it: v and Vb.
    scatter: [i64; 2],
}

impl Settling {
    /// Starts the proof of what is recorded so far.
    ///
    /// # Errors
    /// The record is too short, saturated or full of gaps.
    pub(crate) fn start(
        config: &Config,
        dwell: &Dwell,
        lead: Option<Lead>,
    ) -> Result<Self, Reason> {
        if dwell.saturated {
            return Err(Reason::Saturated);
        }
        if dwell.missing.saturating_mul(4) > dwell.blocks {
            return Err(Reason::SamplesMissing);
        }
        if dwell.seen < BLOCKS_MIN {
            return Err(Reason::RecordTooShort);
        }
        let per_slot = num::sqrt_wide(u128::from(dwell.per_slot) << 64);
        let scatter = dwell
            .scatter()
            .map(|block| num::quotient(i128::from(block), i128::from(per_slot), 32));
        let [chassis, pack] = dwell.dithered();
        let [chassis_step, pack_step] = config.front_end().resolution().map(Volts::to_bits);
        let steps = [
            if chassis { 0 } else { chassis_step },
            if pack { 0 } else { pack_step },
        ];
        let [_, pack_scatter] = scatter;
        let pack_noise = hypot(&[pack_scatter, pack_step]);
        let fit = Fit::new(dwell, pack_noise).ok_or(Reason::RecordTooShort)?;
        let block = config.timing().block().to_bits();
        let slot = Seconds::from_bits(block.saturating_mul(i64::from(dwell.per_slot)));
        let dwell_us = config.timing().block_us.saturating_mul(dwell.blocks);
        Ok(Self {
            fit,
            lead,
            drive: dwell.drive,
            slot,
            dwell_us,
            steps,
            scatter,
        })
    }

    /// One slice of work; the answer when it is done.
    pub(crate) fn step(&mut self, config: &Config) -> Option<Result<Reading, Reason>> {
        if self.fit.step() {
            return None;
        }
        Some(match self.fit.result() {
            Some(fitted) => self.decide(config, &fitted),
            None => Err(Reason::NotSettled),
        })
    }

    fn decide(&self, config: &Config, fitted: &Fitted) -> Result<Reading, Reason> {
        let [step, _] = self.steps;
        let noise = fitted.noise.max(step).max(1);
        let variance = u128::from(noise.unsigned_abs()).saturating_pow(2);
        let seen = fitted
            .slow_excess
            .is_some_and(|excess| excess >= variance.saturating_mul(REJECTED));
        let moved = fitted.slow_movement.saturating_abs();
        let doubt = noise.saturating_mul(3);
        let most = moved.saturating_add(doubt);
        if seen || self.jumped(most, doubt) || self.still(config, most) {
            // A transient that stands out of the noise is fitted; one that
            // does not is bounded.
            let visible = fitted.amplitude.saturating_abs() > noise.saturating_mul(5);
            return Ok(if seen || visible && fitted.slow_excess.is_some() {
                self.transient_reading(fitted, noise)
            } else {
                self.flat_reading(fitted, noise, moved)
            });
        }
        Err(if self.lead.is_none() {
            Reason::NotYetMeasured
        } else if fitted.pack_moves && fitted.noise > self.structured() {
            Reason::PackVoltageMoving
        } else if moved > doubt || fitted.slow_excess.is_none() && moved > noise {
            Reason::NotSettled
        } else {
            Reason::StimulusTooWeak
        })
    }

    /// v jumped at the switch by more than it can have moved since.
    fn jumped(&self, moved: i64, doubt: i64) -> bool {
        let (Some(lead), Some(first)) = (&self.lead, self.fit.first()) else {
            return false;
        };
        let jump = first
            .chassis()
            .saturating_sub(lead.chassis)
            .saturating_abs();
        // A change of pack voltage may have moved v by as much.
        let by_pack = first.pack().saturating_sub(lead.pack).saturating_abs();
        let explained = by_pack.saturating_add(lead.drift).saturating_add(doubt);
        jump.saturating_sub(explained) > moved
    }

    /// v moved less than the stimulus would move any slow circuit of the design.
    fn still(&self, config: &Config, moved: i64) -> bool {
        let Some(lead) = &self.lead else { return false };
        let stimulus = config.network().stimulus(
            lead.drive,
            self.drive,
            Volts::from_bits(lead.chassis),
            Volts::from_bits(lead.pack),
        );
        let slots = (self.dwell_us as i64).saturating_mul(ONE);
        let seconds = num::quotient(i128::from(slots), 1_000_000, 0);
        // µA · s / µF = V; a fifth of it.
        let charge = num::wide(stimulus.abs().to_bits(), seconds);
        let capacitance = i128::from(config.timing().capacitance_max.to_bits());
        let expected = num::quotient(charge, capacitance.saturating_mul(5), 0);
        expected > moved
    }

    /// Residuals beyond this are not the noise that the samples show: the
    /// model does not describe the dwell.
    fn structured(&self) -> i64 {
        let [scatter, _] = self.scatter;
        let [step, _] = self.steps;
        hypot(&[scatter, step]).saturating_mul(3)
    }

    fn transient_reading(&self, fitted: &Fitted, noise: i64) -> Reading {
        let time_constant = self.time_constant(fitted, noise);
        // Behind a moving pack voltage v lags by τ·dVb/dt·(x − Cp/C), and
        // |x − Cp/C| ≤ 1 is not known: rectangular, 1/√3.
        let lag_slots = match time_constant {
            Some(tau) => num::quotient(
                i128::from(tau.value.to_bits()),
                i128::from(self.slot.to_bits()),
                32,
            ),
            None => ONE >> 2,
        };
        let u = num::mul(noise, fitted.settled_gain);
        self.reading(fitted, fitted.settled, u, lag_slots, time_constant)
    }

    fn flat_reading(&self, fitted: &Fitted, noise: i64, moved: i64) -> Reading {
        let late = fitted.used.saturating_sub(fitted.used >> 2).max(1);
        let root = num::sqrt_wide(u128::from(late) << 64);
        let u = num::quotient(i128::from(noise), i128::from(root), 32);
        // What is left of an unseen transient is at most a tenth of the movement.
        let hidden = moved.checked_div(10).unwrap_or(0);
        self.reading(fitted, fitted.late_mean, hypot(&[u, hidden]), ONE, None)
    }

    fn reading(
        &self,
        fitted: &Fitted,
        chassis: i64,
        u: i64,
        lag_slots: i64,
        time_constant: Option<Measured<Seconds>>,
    ) -> Reading {
        let [chassis_step, pack_step] = self.steps;
        let [_, pack_scatter] = self.scatter;
        let lag = if fitted.pack_moves {
            num::mul(num::mul(lag_slots, self.fit.pack_slope()), ROOT_THIRD)
        } else {
            0
        };
        let unexplained = if fitted.noise > self.structured() {
            fitted.noise
        } else {
            0
        };
        let half = num::sqrt_wide(u128::from((fitted.used >> 1).max(1)) << 64);
        let pack_u = num::quotient(i128::from(pack_scatter), i128::from(half), 32);
        Reading {
            drive: self.drive,
            chassis: Measured {
                value: Volts::from_bits(chassis),
                u: Volts::from_bits(hypot(&[u, chassis_step, lag, unexplained])),
            },
            pack: Measured {
                value: Volts::from_bits(fitted.pack),
                u: Volts::from_bits(hypot(&[pack_u, pack_step])),
            },
            time_constant,
            dwell_us: self.dwell_us,
        }
    }

    /// τ = −T/ln ρ from the decay over the slots; when the transient is over
    /// within the first slot, from how much of the step at the switch that
    /// slot still shows: its mean is A = (v0 − y)(1 − e^−z)/z with z = T/τ.
    fn time_constant(&self, fitted: &Fitted, noise: i64) -> Option<Measured<Seconds>> {
        let slot = self.slot.to_bits();
        let log_rho = num::neg_ln(fitted.rho);
        if let Some(gain) = fitted.rho_gain.filter(|_| fitted.rho > ONE / 20) {
            // u(ln ρ) = u(ρ)/ρ.
            let scale = num::mul(log_rho, fitted.rho);
            let relative = num::quotient(num::wide(noise, gain), i128::from(scale), 0);
            let tau = num::quotient(i128::from(slot), i128::from(log_rho), 32);
            // A τ known to a third is worth reporting.
            return (relative < ONE / 3).then(|| Measured {
                value: Seconds::from_bits(tau),
                u: Seconds::from_bits(num::mul(tau, relative)),
            });
        }
        let lead = self.lead?;
        let step = lead.chassis.saturating_sub(fitted.settled);
        let share = num::quotient(i128::from(fitted.amplitude), i128::from(step), 32);
        let share_u = num::quotient(i128::from(noise), i128::from(step), 32).saturating_abs();
        // e^−z is below 2 % here, so (1 − e^−z)/z ≈ 1/z.
        (share > share_u.saturating_mul(3) && share < ONE / 4).then(|| Measured {
            value: Seconds::from_bits(num::mul(slot, share)),
            u: Seconds::from_bits(num::mul(slot, share_u)),
        })
    }
}

/// 1/√3.
const ROOT_THIRD: i64 = 2_479_700_525;
