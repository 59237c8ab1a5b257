//! Limits in ohms per volt of the declared working voltage.

use super::ConfigError;
use crate::num;
use crate::units::{Ohms, Ratio, Volts};

/// Which of the two isolation figures is held against the limits. They can
/// disagree: for a symmetric leak the parallel figure is half the weaker rail.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Judged {
    /// min(Rp, Rn): what the in-situ test of the regulations yields
    /// (UN R100, 49 CFR 571.305).
    WeakestRail,
    /// Rp ‖ Rn: the total to earth of IEC 61557-8.
    BothInParallel,
}

/// Limits and how stubborn the verdict is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Limits {
    /// Working voltage that the ohms per volt refer to.
    pub working_voltage: Volts,
    /// The figure that is judged: the designer's explicit choice.
    pub judged: Judged,
    /// Alarm at or below, in Ω/V. 100 Ω/V is the DC limit of UN R100
    /// 5.1.3.1; it lets 10 mA flow at any voltage.
    pub alarm_ohm_per_volt: u32,
    /// Warning at or below, in Ω/V. 500 Ω/V is the AC limit of UN R100
    /// 5.1.3.1; it lets 2 mA flow at any voltage.
    pub warning_ohm_per_volt: u32,
    /// A limit, once passed downwards, counts as higher by this part on the way up.
    pub hysteresis: Ratio,
    /// Consecutive estimates that must agree before the verdict changes; at least 1.
    pub confirmations: u8,
}

impl Limits {
    /// Alarm at 100 Ω/V, warning at 500 Ω/V, hysteresis 10 %, two
    /// confirmations.
    #[must_use]
    pub const fn new(working_voltage: Volts, judged: Judged) -> Self {
        Self {
            working_voltage,
            judged,
            alarm_ohm_per_volt: 100,
            warning_ohm_per_volt: 500,
            hysteresis: Ratio::from_ppm(100_000),
            confirmations: 2,
        }
    }

    /// A limit of `ohm_per_volt` in ohms: times the working voltage.
    #[must_use]
    pub fn resistance(&self, ohm_per_volt: u32) -> Ohms {
        // 32 fraction bits of the voltage become 16 of the resistance.
        let ohms = num::wide(i64::from(ohm_per_volt), self.working_voltage.to_bits()) >> 16;
        Ohms::from_bits(num::narrow(ohms))
    }

    pub(super) fn check(&self) -> Result<(), ConfigError> {
        if self.working_voltage <= Volts::ZERO {
            return Err(ConfigError::WorkingVoltageNotPositive);
        }
        if self.alarm_ohm_per_volt == 0 || self.alarm_ohm_per_volt > self.warning_ohm_per_volt {
            return Err(ConfigError::LimitsCrossed);
        }
        if self.hysteresis.to_bits() < 0 {
            return Err(ConfigError::NegativeUncertainty);
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_are_the_body_currents_at_any_voltage() {
        // 100 Ω/V lets 10 mA flow and 500 Ω/V 2 mA (algebra).
        for volts in [12, 60, 400, 1500] {
            let limits = Limits::new(Volts::from_int(volts), Judged::WeakestRail);
            for (limit, microamps) in [(100, 10_000.0), (500, 2_000.0)] {
                let ohms = limits.resistance(limit).get().to_num::<f64>();
                assert!((f64::from(volts) / ohms * 1e6 - microamps).abs() < 1e-6);
            }
        }
    }
}
