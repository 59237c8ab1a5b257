//! Figures for a display, in single precision: for a pointer, a bar, a line of
//! telemetry. Coarse, and never judged: a verdict rests on fixed point alone.

use micromath::F32Ext;

use crate::config::{Judged, Limits};
use crate::report::{Estimate, Interval};
use crate::units::Ohms;

/// What a display shows of an estimate.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Gauge {
    /// The judged resistance, Ω; infinite when no leak is resolved.
    pub ohms: f32,
    /// The same against the working voltage, Ω/V.
    pub ohms_per_volt: f32,
    /// Lower end of its 95 % interval, Ω.
    pub low_ohms: f32,
    /// How many decades the judged resistance is above the alarm limit,
    /// log₁₀(R/limit), and the lower end of the interval: what a logarithmic
    /// scale shows. Within 0.06 of the true logarithm; ±10 at most.
    pub decades: f32,
    /// The same of the lower end.
    pub low_decades: f32,
}

impl Gauge {
    /// The figures of an estimate.
    #[must_use]
    #[allow(
        clippy::float_arithmetic,
        reason = "for a display only, behind a feature"
    )]
    pub fn of(estimate: &Estimate, limits: &Limits) -> Self {
        let (judged, interval): (Ohms, Interval<Ohms>) = match limits.judged {
            Judged::WeakestRail => (estimate.weakest, estimate.weakest_interval),
            Judged::BothInParallel => (estimate.isolation, estimate.isolation_interval),
        };
        let alarm = limits
            .resistance(limits.alarm_ohm_per_volt)
            .get()
            .to_num::<f32>();
        let volts = limits.working_voltage.get().to_num::<f32>();
        let decades = |r: f32| F32Ext::log10((r / alarm).clamp(1e-10, 1e10));
        let (ohms, low_ohms) = (real(judged), real(interval.low));
        Self {
            ohms,
            ohms_per_volt: ohms / volts,
            low_ohms,
            decades: decades(ohms),
            low_decades: decades(low_ohms),
        }
    }
}

/// In single precision; the largest value of the type stands for none.
fn real(ohms: Ohms) -> f32 {
    if ohms == Ohms::MAX {
        f32::INFINITY
    } else {
        ohms.get().to_num()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::estimate::at_least;
    use crate::units::{Microsiemens, Volts};
    use fixed::types::I32F32;

    /// Against the logarithm of the standard library, over the whole range.
    #[test]
    fn decades_are_near_the_logarithm() {
        let limits = Limits::new(Volts::from_int(400), Judged::BothInParallel);
        for power in -30..50 {
            let ohms = 10f64.powf(f64::from(power) / 10.0) * 1e3;
            let conductance = Microsiemens::new(I32F32::from_num(1e6 / ohms));
            let estimate = at_least(conductance, Volts::from_int(400)).expect("figures");
            let gauge = Gauge::of(&estimate, &limits);
            let (shown, exact) = (
                f64::from(gauge.decades),
                (f64::from(gauge.ohms) / 40e3).log10(),
            );
            assert!((shown - exact).abs() < 0.06, "{ohms}: {shown} {exact}");
            assert!(
                (f64::from(gauge.ohms_per_volt) * 400.0 / f64::from(gauge.ohms) - 1.0).abs() < 1e-6
            );
            assert!(gauge.low_ohms <= gauge.ohms && gauge.low_decades <= gauge.decades);
        }
    }
}
