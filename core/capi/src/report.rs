//! The core's report to the C one: fixed point to whole engineering units.
//! The only place that names the fields of both.

use fixed::types::{I32F32, I48F16};
use ohmsplit::config::{Drive, Judged};
use ohmsplit::units::{
    Measured, Microamps, Microfarads, Microsiemens, Ohms, Ratio, Seconds, Volts,
};
use ohmsplit::{Basis, Estimate, Interval, Kind, Reading, Reason, Report, Verdict};

use crate::types::*;

pub(crate) const NONE: ohmsplit_measured_t = ohmsplit_measured_t {
    value: OHMSPLIT_ABSENT,
    uncertainty: OHMSPLIT_ABSENT,
};

pub(crate) const NO_RESISTANCE: ohmsplit_resistance_t = ohmsplit_resistance_t {
    value_milliohm: OHMSPLIT_ABSENT,
    low_milliohm: OHMSPLIT_ABSENT,
    high_milliohm: OHMSPLIT_ABSENT,
};

/// The report as C gets it.
pub(crate) fn of(report: &Report) -> ohmsplit_report_t {
    let (verdict, verdict_reason) = verdict(report.verdict);
    let mut out = ohmsplit_report_t {
        sequence: report.sequence,
        drive: drive(report.drive) as i32,
        verdict: verdict as i32,
        verdict_reason,
        judged: match report.judged {
            Judged::WeakestRail => ohmsplit_judged_t::OHMSPLIT_JUDGED_WEAKEST_RAIL,
            Judged::BothInParallel => ohmsplit_judged_t::OHMSPLIT_JUDGED_BOTH_IN_PARALLEL,
        } as i32,
        kind: ohmsplit_kind_t::OHMSPLIT_KIND_NONE as i32,
        reading_reason: why(report.reading.err()),
        estimate_reason: why(report.estimate.err()),
        basis: basis(report.basis),
        dwell_over: i32::from(report.dwell_over),
        findings: report.findings.bits(),
        reserved: 0,
        chassis_microvolt: NONE,
        pack_microvolt: NONE,
        time_constant_microsecond: NONE,
        lag_microvolt: OHMSPLIT_ABSENT,
        dwell_microsecond: OHMSPLIT_ABSENT,
        isolation: NO_RESISTANCE,
        positive: NO_RESISTANCE,
        negative: NO_RESISTANCE,
        weakest: NO_RESISTANCE,
        conductance_femtosiemens: NONE,
        positive_femtosiemens: NONE,
        negative_femtosiemens: NONE,
        position_ppm: NONE,
        touch_current_nanoampere: NONE,
        capacitance_picofarad: NONE,
        estimate_pack_microvolt: OHMSPLIT_ABSENT,
    };
    if let Ok(reading) = &report.reading {
        put_reading(&mut out, reading);
    }
    if let Ok(estimate) = &report.estimate {
        put_estimate(&mut out, estimate);
    }
    out
}

fn put_reading(out: &mut ohmsplit_report_t, reading: &Reading) {
    out.chassis_microvolt = measured(reading.chassis, |v: Volts| micro(v.get()));
    out.pack_microvolt = measured(reading.pack, |v: Volts| micro(v.get()));
    out.time_constant_microsecond = optional(reading.time_constant, |t: Seconds| micro(t.get()));
    out.lag_microvolt = micro(reading.lag.get());
    out.dwell_microsecond = i64::from(reading.dwell_us);
}

fn put_estimate(out: &mut ohmsplit_report_t, estimate: &Estimate) {
    out.kind = kind(estimate.kind);
    out.isolation = resistance(estimate.isolation, estimate.isolation_interval);
    out.positive = resistance(estimate.positive, estimate.positive_interval);
    out.negative = resistance(estimate.negative, estimate.negative_interval);
    out.weakest = resistance(estimate.weakest, estimate.weakest_interval);
    out.conductance_femtosiemens = measured(estimate.conductance, femtosiemens);
    out.positive_femtosiemens = measured(estimate.positive_conductance, femtosiemens);
    out.negative_femtosiemens = measured(estimate.negative_conductance, femtosiemens);
    out.position_ppm = optional(estimate.position, |x: Ratio| micro(x.get()));
    out.touch_current_nanoampere = measured(estimate.touch_current, |i: Microamps| milli(i.get()));
    out.capacitance_picofarad = optional(estimate.capacitance, |c: Microfarads| micro(c.get()));
    out.estimate_pack_microvolt = micro(estimate.pack.get());
}

pub(crate) const fn kind(kind: Kind) -> i32 {
    let code = match kind {
        Kind::Figure => ohmsplit_kind_t::OHMSPLIT_KIND_FIGURE,
        Kind::Short => ohmsplit_kind_t::OHMSPLIT_KIND_SHORT,
        Kind::Open => ohmsplit_kind_t::OHMSPLIT_KIND_OPEN,
    };
    code as i32
}

pub(crate) const fn basis(basis: Basis) -> i32 {
    let code = match basis {
        Basis::Settled => ohmsplit_basis_t::OHMSPLIT_BASIS_SETTLED,
        Basis::Transient => ohmsplit_basis_t::OHMSPLIT_BASIS_TRANSIENT,
        Basis::Sudden => ohmsplit_basis_t::OHMSPLIT_BASIS_SUDDEN,
    };
    code as i32
}

/// The code of a drive state.
pub(crate) const fn drive(drive: Drive) -> ohmsplit_drive_t {
    match drive {
        Drive::Rest => ohmsplit_drive_t::OHMSPLIT_DRIVE_REST,
        Drive::Raise => ohmsplit_drive_t::OHMSPLIT_DRIVE_RAISE,
        Drive::Lower => ohmsplit_drive_t::OHMSPLIT_DRIVE_LOWER,
        Drive::Check => ohmsplit_drive_t::OHMSPLIT_DRIVE_CHECK,
    }
}

/// The codes of a verdict and of its reason.
pub(crate) fn verdict(verdict: Verdict) -> (ohmsplit_verdict_t, i32) {
    use ohmsplit_verdict_t::*;
    match verdict {
        Verdict::Healthy => (OHMSPLIT_VERDICT_HEALTHY, why(None)),
        Verdict::Warning => (OHMSPLIT_VERDICT_WARNING, why(None)),
        Verdict::Alarm => (OHMSPLIT_VERDICT_ALARM, why(None)),
        Verdict::Undetermined(reason) => (OHMSPLIT_VERDICT_UNDETERMINED, why(Some(reason))),
    }
}

/// The core's own stable code; a test holds the header's list against it.
pub(crate) fn why(reason: Option<Reason>) -> i32 {
    reason.map_or(ohmsplit_reason_t::OHMSPLIT_REASON_NONE as i32, |reason| {
        i32::from(reason.code())
    })
}

pub(crate) fn measured<T>(from: Measured<T>, unit: impl Fn(T) -> i64) -> ohmsplit_measured_t {
    ohmsplit_measured_t {
        value: unit(from.value),
        uncertainty: unit(from.u),
    }
}

pub(crate) fn optional<T>(
    from: Option<Measured<T>>,
    unit: impl Fn(T) -> i64,
) -> ohmsplit_measured_t {
    from.map_or(NONE, |from| measured(from, unit))
}

pub(crate) fn resistance(value: Ohms, interval: Interval<Ohms>) -> ohmsplit_resistance_t {
    ohmsplit_resistance_t {
        value_milliohm: milliohms(value),
        low_milliohm: milliohms(interval.low),
        high_milliohm: milliohms(interval.high),
    }
}

fn milliohms(r: Ohms) -> i64 {
    let bits = r.get().to_bits();
    if bits == I48F16::MAX.to_bits() {
        return OHMSPLIT_UNBOUNDED;
    }
    scaled::<16>(bits, 1000)
}

/// Millionths of the unit.
pub(crate) const fn micro(value: I32F32) -> i64 {
    in_parts(value, 1_000_000)
}

pub(crate) const fn femtosiemens(g: Microsiemens) -> i64 {
    nano(g.get())
}

const fn milli(value: I32F32) -> i64 {
    in_parts(value, 1000)
}

pub(crate) const fn nano(value: I32F32) -> i64 {
    in_parts(value, 1_000_000_000)
}

pub(crate) const fn in_parts(value: I32F32, parts: i64) -> i64 {
    let bits = value.to_bits();
    if bits == i64::MAX {
        return OHMSPLIT_UNBOUNDED;
    }
    scaled::<32>(bits, parts)
}

/// `bits · parts / 2^FRAC`, rounded to nearest, ties upwards. `parts` is below
/// 2^30: the whole units times it fit 63 bits for 32 fraction bits, and for 16
/// (with a thousand parts), and so does the fraction times it.
const fn scaled<const FRAC: u32>(bits: i64, parts: i64) -> i64 {
    let whole = bits >> FRAC;
    let fraction = bits.wrapping_sub(whole << FRAC);
    let part = fraction
        .saturating_mul(parts)
        .saturating_add(1 << (FRAC.wrapping_sub(1)))
        >> FRAC;
    whole.saturating_mul(parts).saturating_add(part)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// ⌊bits·parts/2^fraction + ½⌋ at full width.
    fn exact(bits: i64, fraction: u32, parts: i64) -> i128 {
        let half = 1i128 << (fraction - 1);
        (i128::from(bits) * i128::from(parts) + half).div_euclid(1 << fraction)
    }

    proptest! {
        #[test]
        fn every_number_is_rounded_to_the_nearest_part(bits in i64::MIN..i64::MAX) {
            let value = I32F32::from_bits(bits);
            prop_assert_eq!(i128::from(milli(value)), exact(bits, 32, 1000));
            prop_assert_eq!(i128::from(micro(value)), exact(bits, 32, 1_000_000));
            prop_assert_eq!(i128::from(nano(value)), exact(bits, 32, 1_000_000_000));
            prop_assert_eq!(i128::from(milliohms(Ohms::from_bits(bits))), exact(bits, 16, 1000));
        }
    }

    #[test]
    fn ends_of_the_range_are_figures_but_for_the_largest() {
        assert_eq!(micro(I32F32::MAX), OHMSPLIT_UNBOUNDED);
        assert_eq!(milliohms(Ohms::MAX), OHMSPLIT_UNBOUNDED);
        for bits in [i64::MAX - 1, i64::MIN, 0, -1] {
            let value = nano(I32F32::from_bits(bits));
            assert!(
                value != OHMSPLIT_UNBOUNDED && value != OHMSPLIT_ABSENT,
                "{bits}"
            );
            assert_eq!(i128::from(value), exact(bits, 32, 1_000_000_000));
        }
    }
}
