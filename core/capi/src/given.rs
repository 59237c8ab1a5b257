//! What C hands back, as the core's: a report and an answer. A figure is taken as the report states it, rounded
//! to its unit; a code that is none of its list is refused.

use fixed::types::{I32F32, I48F16};
use ohmsplit::config::Judged;
use ohmsplit::permit::{Answer, Withheld};
use ohmsplit::units::{
    Measured, Microamps, Microfarads, Microsiemens, Ohms, Ratio, Seconds, Volts,
};
use ohmsplit::{Basis, Estimate, Findings, Interval, Kind, Reading, Reason, Report, Verdict};

use crate::handle::Refused;
use crate::settings::{drive, rounded};
use crate::types::*;

const NOT_FILLED: Refused = ohmsplit_status_t::OHMSPLIT_ERROR_NOT_FILLED;

/// The report that C got.
pub(crate) fn report(from: &ohmsplit_report_t) -> Result<Report, Refused> {
    let estimate = match (kind(from.kind)?, reason(from.estimate_reason)?) {
        (Some(kind), None) => Ok(estimate(from, kind)),
        (None, Some(reason)) => Err(reason),
        _ => return Err(NOT_FILLED),
    };
    let reading = match reason(from.reading_reason)? {
        Some(reason) => Err(reason),
        None => Ok(reading(from)?),
    };
    Ok(Report {
        sequence: from.sequence,
        drive: drive(from.drive).ok_or(NOT_FILLED)?,
        dwell_over: yes(from.dwell_over)?,
        reading,
        basis: basis(from.basis)?,
        estimate,
        judged: judged(from.judged)?,
        findings: Findings::from_bits(from.findings).ok_or(NOT_FILLED)?,
        verdict: verdict(from.verdict, reason(from.verdict_reason)?)?,
    })
}

/// The answer that C got.
pub(crate) fn answer(from: &ohmsplit_answer_t) -> Result<Answer, Refused> {
    let cause = u8::try_from(from.cause).map_err(|_| NOT_FILLED)?;
    let permission = match (yes(from.granted)?, cause, from.reason) {
        (true, 0, 0) => Ok(()),
        (false, cause, code) => Err(Withheld::from_code(cause, reason(code)?).ok_or(NOT_FILLED)?),
        _ => return Err(NOT_FILLED),
    };
    Ok(Answer {
        permission,
        age_s: from.age_second,
        latched: yes(from.latched)?,
    })
}

/// A truth as C has it, and nothing else.
pub(crate) const fn yes(code: i32) -> Result<bool, Refused> {
    match code {
        0 => Ok(false),
        1 => Ok(true),
        _ => Err(NOT_FILLED),
    }
}

fn reason(code: i32) -> Result<Option<Reason>, Refused> {
    if code == ohmsplit_reason_t::OHMSPLIT_REASON_NONE as i32 {
        return Ok(None);
    }
    let mut reasons = Reason::ALL.into_iter();
    let found = reasons.find(|reason| i32::from(reason.code()) == code);
    found.map(Some).ok_or(NOT_FILLED)
}

fn kind(code: i32) -> Result<Option<Kind>, Refused> {
    use ohmsplit_kind_t::*;
    const NONE: i32 = OHMSPLIT_KIND_NONE as i32;
    const FIGURE: i32 = OHMSPLIT_KIND_FIGURE as i32;
    const SHORT: i32 = OHMSPLIT_KIND_SHORT as i32;
    const OPEN: i32 = OHMSPLIT_KIND_OPEN as i32;
    match code {
        NONE => Ok(None),
        FIGURE => Ok(Some(Kind::Figure)),
        SHORT => Ok(Some(Kind::Short)),
        OPEN => Ok(Some(Kind::Open)),
        _ => Err(NOT_FILLED),
    }
}

const fn basis(code: i32) -> Result<Basis, Refused> {
    use ohmsplit_basis_t::*;
    const SETTLED: i32 = OHMSPLIT_BASIS_SETTLED as i32;
    const TRANSIENT: i32 = OHMSPLIT_BASIS_TRANSIENT as i32;
    const SUDDEN: i32 = OHMSPLIT_BASIS_SUDDEN as i32;
    match code {
        SETTLED => Ok(Basis::Settled),
        TRANSIENT => Ok(Basis::Transient),
        SUDDEN => Ok(Basis::Sudden),
        _ => Err(NOT_FILLED),
    }
}

fn judged(code: i32) -> Result<Judged, Refused> {
    crate::settings::judged(code).ok_or(NOT_FILLED)
}

const fn verdict(code: i32, reason: Option<Reason>) -> Result<Verdict, Refused> {
    use ohmsplit_verdict_t::*;
    const UNDETERMINED: i32 = OHMSPLIT_VERDICT_UNDETERMINED as i32;
    const HEALTHY: i32 = OHMSPLIT_VERDICT_HEALTHY as i32;
    const WARNING: i32 = OHMSPLIT_VERDICT_WARNING as i32;
    const ALARM: i32 = OHMSPLIT_VERDICT_ALARM as i32;
    match (code, reason) {
        (UNDETERMINED, Some(reason)) => Ok(Verdict::Undetermined(reason)),
        (HEALTHY, None) => Ok(Verdict::Healthy),
        (WARNING, None) => Ok(Verdict::Warning),
        (ALARM, None) => Ok(Verdict::Alarm),
        _ => Err(NOT_FILLED),
    }
}

fn reading(from: &ohmsplit_report_t) -> Result<Reading, Refused> {
    let volts = |v| Volts::new(micro(v));
    Ok(Reading {
        drive: drive(from.drive).ok_or(NOT_FILLED)?,
        chassis: measured(from.chassis_microvolt, volts),
        pack: measured(from.pack_microvolt, volts),
        lag: volts(from.lag_microvolt),
        time_constant: optional(from.time_constant_microsecond, |t| Seconds::new(micro(t))),
        dwell_us: u32::try_from(from.dwell_microsecond).map_err(|_| NOT_FILLED)?,
    })
}

fn estimate(from: &ohmsplit_report_t, kind: Kind) -> Estimate {
    let siemens = |g| Microsiemens::new(nano(g));
    Estimate {
        kind,
        conductance: measured(from.conductance_femtosiemens, siemens),
        positive_conductance: measured(from.positive_femtosiemens, siemens),
        negative_conductance: measured(from.negative_femtosiemens, siemens),
        isolation: ohms(from.isolation.value_milliohm),
        isolation_interval: interval(from.isolation),
        positive: ohms(from.positive.value_milliohm),
        positive_interval: interval(from.positive),
        negative: ohms(from.negative.value_milliohm),
        negative_interval: interval(from.negative),
        weakest: ohms(from.weakest.value_milliohm),
        weakest_interval: interval(from.weakest),
        position: optional(from.position_ppm, |x| Ratio::new(micro(x))),
        touch_current: measured(from.touch_current_nanoampere, |i| Microamps::new(milli(i))),
        capacitance: optional(from.capacitance_picofarad, |c| Microfarads::new(micro(c))),
        pack: Volts::new(micro(from.estimate_pack_microvolt)),
    }
}

fn measured<T>(from: ohmsplit_measured_t, unit: impl Fn(i64) -> T) -> Measured<T> {
    Measured {
        value: unit(from.value),
        u: unit(from.uncertainty),
    }
}

fn optional<T>(from: ohmsplit_measured_t, unit: impl Fn(i64) -> T) -> Option<Measured<T>> {
    (from.value != OHMSPLIT_ABSENT).then(|| measured(from, unit))
}

fn interval(from: ohmsplit_resistance_t) -> Interval<Ohms> {
    Interval {
        low: ohms(from.low_milliohm),
        high: ohms(from.high_milliohm),
    }
}

fn ohms(milliohms: i64) -> Ohms {
    Ohms::new(I48F16::from_bits(bits::<16>(milliohms, 1000)))
}

const fn micro(value: i64) -> I32F32 {
    I32F32::from_bits(bits::<32>(value, 1_000_000))
}

const fn milli(value: i64) -> I32F32 {
    I32F32::from_bits(bits::<32>(value, 1000))
}

const fn nano(value: i64) -> I32F32 {
    I32F32::from_bits(bits::<32>(value, 1_000_000_000))
}

/// A number of the report with `FRAC` fraction bits. What the rounding to the unit took beyond the range stops before
/// its end, which means that there is no bound.
const fn bits<const FRAC: u32>(value: i64, parts: i64) -> i64 {
    match rounded::<FRAC>(value, parts) {
        _ if value == OHMSPLIT_UNBOUNDED => i64::MAX,
        Some(i64::MAX) => i64::MAX.saturating_sub(1),
        Some(bits) => bits,
        None if value < 0 => i64::MIN,
        None => i64::MAX.saturating_sub(1),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{after, report as told};
    use proptest::prelude::*;

    fn resistance(bits: [i64; 3]) -> (Ohms, Interval<Ohms>) {
        let [value, low, high] = bits.map(Ohms::from_bits);
        (value, Interval { low, high })
    }

    fn figure<T>(bits: [i64; 2], unit: fn(i64) -> T) -> Measured<T> {
        let [value, u] = bits.map(unit);
        Measured { value, u }
    }

    /// Figures of any size, none by chance at an end of the range.
    fn any_estimate() -> impl Strategy<Value = Estimate> {
        let number = || any::<(i64, u8)>().prop_map(|(bits, shift)| bits >> (shift % 60));
        let pairs = proptest::collection::vec([number(), number()], 6);
        let resistances = proptest::collection::vec([number(), number(), number()], 4);
        (pairs, resistances, number(), any::<[bool; 2]>(), 0usize..3).prop_map(
            |(pairs, resistances, pack, [position, capacitance], kind)| {
                let [all, up, un, x, touch, c] = pairs.try_into().expect("six");
                let [r, rp, rn, weakest] = <[_; 4]>::try_from(resistances)
                    .expect("four")
                    .map(resistance);
                Estimate {
                    kind: [Kind::Figure, Kind::Short, Kind::Open][kind],
                    conductance: figure(all, Microsiemens::from_bits),
                    positive_conductance: figure(up, Microsiemens::from_bits),
                    negative_conductance: figure(un, Microsiemens::from_bits),
                    isolation: r.0,
                    isolation_interval: r.1,
                    positive: rp.0,
                    positive_interval: rp.1,
                    negative: rn.0,
                    negative_interval: rn.1,
                    weakest: weakest.0,
                    weakest_interval: weakest.1,
                    position: position.then(|| figure(x, Ratio::from_bits)),
                    touch_current: figure(touch, Microamps::from_bits),
                    capacitance: capacitance.then(|| figure(c, Microfarads::from_bits)),
                    pack: Volts::from_bits(pack),
                }
            },
        )
    }

    fn any_report() -> impl Strategy<Value = Report> {
        let why = || proptest::sample::select(Reason::ALL.to_vec());
        let estimate = prop_oneof![any_estimate().prop_map(Ok), why().prop_map(Err)];
        (estimate, why(), any::<[u32; 2]>(), 0usize..3, 0usize..4).prop_map(
            |(estimate, reason, [sequence, dwell_us], place, verdict)| {
                let drive = ohmsplit::config::Drive::ALL[place];
                let volts = figure([1 << 40, 1 << 20], Volts::from_bits);
                let reading = Reading {
                    drive,
                    chassis: volts,
                    pack: volts,
                    lag: Volts::from_bits(-77),
                    time_constant: None,
                    dwell_us,
                };
                Report {
                    sequence,
                    drive,
                    dwell_over: sequence.is_multiple_of(2),
                    reading: if verdict == 1 {
                        Err(reason)
                    } else {
                        Ok(reading)
                    },
                    basis: [Basis::Settled, Basis::Transient, Basis::Sudden][place],
                    estimate,
                    judged: [Judged::WeakestRail, Judged::BothInParallel][place % 2],
                    findings: Findings::from_bits(sequence & 0x7ffe).expect("all of them"),
                    verdict: [
                        Verdict::Healthy,
                        Verdict::Warning,
                        Verdict::Alarm,
                        Verdict::Undetermined(reason),
                    ][verdict],
                }
            },
        )
    }

    proptest! {
        /// Nothing that C was told is lost on the way back.
        #[test]
        fn a_report_that_comes_back_tells_the_same(told_report in any_report()) {
            let once = told::of(&told_report);
            let again = report(&once).expect("the library made it");
            prop_assert_eq!(told::of(&again), once);
        }

        #[test]
        fn a_code_that_is_none_of_its_list_is_refused(made in any_report(), place in 0usize..8, code in any::<i32>()) {
            let mut told = told::of(&made);
            let fields = [
                &mut told.drive, &mut told.verdict, &mut told.verdict_reason, &mut told.judged,
                &mut told.kind, &mut told.reading_reason, &mut told.estimate_reason, &mut told.basis,
            ];
            *fields.into_iter().nth(place).expect("eight") = code;
            if !(0..=Reason::ALL.len() as i32).contains(&code) {
                prop_assert_eq!(report(&told), Err(NOT_FILLED));
            } else if let Ok(read) = report(&told) {
                // Whatever is taken is what the struct says.
                prop_assert_eq!(told::of(&read).verdict, told.verdict);
            }
        }
    }

    #[test]
    fn an_answer_that_comes_back_is_the_same() {
        let causes = (1..=10).flat_map(|code| {
            let reasons = core::iter::once(None).chain(Reason::ALL.map(Some));
            reasons.filter_map(move |reason| Withheld::from_code(code, reason))
        });
        let permissions = causes.map(Err).chain([Ok(())]);
        let mut count = 0;
        for permission in permissions {
            let made = Answer {
                permission,
                age_s: 7,
                latched: count % 2 == 0,
            };
            assert_eq!(answer(&after::answer(&made)), Ok(made));
            count += 1;
        }
        assert_eq!(count, 9 + Reason::ALL.len() + 1);
    }
}
