//! The C configuration to the core's: micro-units to fixed point, codes to
//! variants, each refusal to its status.

use fixed::types::{I32F32, I48F16};
use ohmsplit::config::{
    Channel, Check, Config, ConfigError, Divider, Drive, Element, FrontEnd, Judged, Landing,
    Limits, Timing,
};
use ohmsplit::units::{Measured, Microfarads, Ohms, Ratio, Seconds, Volts};

use crate::handle::Refused;
use crate::report;
use crate::types::*;

use ohmsplit_status_t::*;

/// The core's defaults, and zero where the designer has to choose.
pub(crate) fn defaults() -> ohmsplit_settings_t {
    let timing = Timing::default();
    // The voltage and the judged figure are not defaults: left out below.
    let limits = Limits::new(Volts::ZERO, Judged::WeakestRail);
    let mut cycle = [0; OHMSPLIT_CYCLE_MAX];
    for (code, &state) in cycle.iter_mut().zip(timing.cycle()) {
        *code = report::drive(state) as i32;
    }
    ohmsplit_settings_t {
        interface: OHMSPLIT_INTERFACE,
        block_microsecond: timing.block_us,
        dwell_min_microsecond: timing.dwell_min_us,
        dwell_max_microsecond: timing.dwell_max_us,
        capacitance_max_picofarad: report::micro(timing.capacitance_max.get()),
        reading_lag_nanosecond: timing
            .reading_lag
            .map_or(OHMSPLIT_ABSENT, |lag| report::nano(lag.value.get())),
        reading_lag_uncertainty_nanosecond: timing
            .reading_lag
            .map_or(0, |lag| report::nano(lag.u.get())),
        sampling_skew_nanosecond: report::nano(timing.sampling_skew.get()) as i32,
        absorption_ppm: report::micro(timing.absorption.get()) as u32,
        cycle,
        cycle_count: timing.cycle().len() as u32,
        check_cycles: match timing.check {
            Check::Never => OHMSPLIT_CHECK_NEVER,
            Check::AtStart => OHMSPLIT_CHECK_AT_START,
            Check::Every(cycles) => u32::from(cycles),
        },
        alarm_ohm_per_volt: limits.alarm_ohm_per_volt,
        warning_ohm_per_volt: limits.warning_ohm_per_volt,
        hysteresis_ppm: report::micro(limits.hysteresis.get()) as u32,
        confirmations: u32::from(limits.confirmations),
        ..ohmsplit_settings_t::default()
    }
}

/// The checked configuration.
pub(crate) fn config(settings: &ohmsplit_settings_t) -> Result<Config, Refused> {
    if settings.interface != OHMSPLIT_INTERFACE {
        return Err(OHMSPLIT_ERROR_INTERFACE);
    }
    let mut elements = [Element::permanent(Ohms::ZERO, Landing::Negative); OHMSPLIT_PARTS_MAX];
    let count = settings.part_count as usize;
    let parts = elements
        .get_mut(..count)
        .ok_or(OHMSPLIT_ERROR_TOO_MANY_PARTS)?;
    for (element, part) in parts.iter_mut().zip(&settings.parts) {
        *element = self::element(part)?;
    }
    Config::try_new(
        front_end(settings)?,
        parts,
        timing(settings)?,
        limits(settings)?,
    )
    .map_err(refusal)
}

/// The drive state of a code.
pub(crate) const fn drive(code: i32) -> Option<Drive> {
    const REST: i32 = ohmsplit_drive_t::OHMSPLIT_DRIVE_REST as i32;
    const RAISE: i32 = ohmsplit_drive_t::OHMSPLIT_DRIVE_RAISE as i32;
    const LOWER: i32 = ohmsplit_drive_t::OHMSPLIT_DRIVE_LOWER as i32;
    const CHECK: i32 = ohmsplit_drive_t::OHMSPLIT_DRIVE_CHECK as i32;
    match code {
        REST => Some(Drive::Rest),
        RAISE => Some(Drive::Raise),
        LOWER => Some(Drive::Lower),
        CHECK => Some(Drive::Check),
        _ => None,
    }
}

/// The judged figure of a code.
pub(crate) const fn judged(code: i32) -> Option<Judged> {
    const WEAKEST_RAIL: i32 = ohmsplit_judged_t::OHMSPLIT_JUDGED_WEAKEST_RAIL as i32;
    const BOTH_IN_PARALLEL: i32 = ohmsplit_judged_t::OHMSPLIT_JUDGED_BOTH_IN_PARALLEL as i32;
    match code {
        WEAKEST_RAIL => Some(Judged::WeakestRail),
        BOTH_IN_PARALLEL => Some(Judged::BothInParallel),
        _ => None,
    }
}

fn front_end(settings: &ohmsplit_settings_t) -> Result<FrontEnd, Refused> {
    use ohmsplit_front_end_t::*;
    const CHASSIS_AND_PACK: i32 = OHMSPLIT_FRONT_END_CHASSIS_AND_PACK as i32;
    const RAIL_PAIR: i32 = OHMSPLIT_FRONT_END_RAIL_PAIR as i32;
    let [first, second] = &settings.channels;
    match settings.front_end {
        CHASSIS_AND_PACK => Ok(FrontEnd::ChassisAndPack {
            chassis: channel(first)?,
            pack: channel(second)?,
        }),
        RAIL_PAIR => Ok(FrontEnd::RailPair {
            positive: channel(first)?,
            negative: channel(second)?,
        }),
        _ => Err(OHMSPLIT_ERROR_FRONT_END),
    }
}

fn channel(from: &ohmsplit_channel_t) -> Result<Channel, Refused> {
    let bare = Channel {
        bits: u8::try_from(from.bits).map_err(|_| OHMSPLIT_ERROR_CHANNEL_WITHOUT_RANGE)?,
        zero_code: from.zero_code,
        span: volts(from.span_microvolt)?,
        offset: volts(from.offset_microvolt)?,
        lowest: from.lowest_code,
        highest: from.highest_code,
        gain_u: parts_per_million(from.gain_uncertainty_ppm),
        offset_u: volts(from.offset_uncertainty_microvolt)?,
        divider: None,
    };
    let (top, bottom) = (from.divider_top_milliohm, from.divider_bottom_milliohm);
    if (top, bottom) == (0, 0) {
        return Ok(bare);
    }
    if top < 0 {
        return Err(OHMSPLIT_ERROR_RESISTANCE_NOT_POSITIVE);
    }
    let divider = Divider {
        top: ohms(top)?,
        bottom: ohms(bottom)?,
    };
    let channel = bare
        .behind(divider)
        .ok_or(OHMSPLIT_ERROR_RESISTANCE_NOT_POSITIVE)?;
    if channel.span == Volts::MAX {
        return Err(OHMSPLIT_ERROR_OUT_OF_RANGE);
    }
    Ok(channel)
}

fn element(part: &ohmsplit_part_t) -> Result<Element, Refused> {
    use ohmsplit_part_kind_t::*;
    const SOURCE_TO_NEGATIVE: i32 = OHMSPLIT_PART_SOURCE_TO_NEGATIVE as i32;
    const SOURCE_TO_BOTH_RAILS: i32 = OHMSPLIT_PART_SOURCE_TO_BOTH_RAILS as i32;
    const SWITCHED_TO_POSITIVE: i32 = OHMSPLIT_PART_SWITCHED_TO_POSITIVE as i32;
    const SWITCHED_TO_NEGATIVE: i32 = OHMSPLIT_PART_SWITCHED_TO_NEGATIVE as i32;
    const LOGIC_SOURCE: i32 = OHMSPLIT_PART_LOGIC_SOURCE as i32;
    const PERMANENT_TO_POSITIVE: i32 = OHMSPLIT_PART_PERMANENT_TO_POSITIVE as i32;
    const PERMANENT_TO_NEGATIVE: i32 = OHMSPLIT_PART_PERMANENT_TO_NEGATIVE as i32;
    const CHECK_TO_POSITIVE: i32 = OHMSPLIT_PART_CHECK_TO_POSITIVE as i32;
    const CHECK_TO_NEGATIVE: i32 = OHMSPLIT_PART_CHECK_TO_NEGATIVE as i32;
    let r = ohms(part.resistance_milliohm)?;
    let high = || volts(part.high_microvolt);
    let element = match part.kind {
        SOURCE_TO_NEGATIVE => Element::source_to_negative(high()?, r),
        SOURCE_TO_BOTH_RAILS => Element::source_to_both_rails(high()?, r),
        SWITCHED_TO_POSITIVE => Element::switched_to_positive(r),
        SWITCHED_TO_NEGATIVE => Element::switched_to_negative(r),
        LOGIC_SOURCE => Element::logic_source(volts(part.low_microvolt)?, high()?, r),
        PERMANENT_TO_POSITIVE => Element::permanent(r, Landing::Positive),
        PERMANENT_TO_NEGATIVE => Element::permanent(r, Landing::Negative),
        CHECK_TO_POSITIVE => Element::check_resistor(r, Landing::Positive),
        CHECK_TO_NEGATIVE => Element::check_resistor(r, Landing::Negative),
        _ => return Err(OHMSPLIT_ERROR_PART_KIND),
    };
    Ok(element.with_uncertainty(
        parts_per_million(part.resistance_uncertainty_ppm),
        parts_per_million(part.emf_uncertainty_ppm),
    ))
}

fn timing(settings: &ohmsplit_settings_t) -> Result<Timing, Refused> {
    let codes = settings
        .cycle
        .get(..settings.cycle_count as usize)
        .ok_or(OHMSPLIT_ERROR_CYCLE_TOO_LONG)?;
    let mut states = [Drive::Rest; OHMSPLIT_CYCLE_MAX];
    for (state, &code) in states.iter_mut().zip(codes) {
        *state = drive(code).ok_or(OHMSPLIT_ERROR_DRIVE)?;
    }
    let mut timing = Timing::default();
    timing.block_us = settings.block_microsecond;
    timing.dwell_min_us = settings.dwell_min_microsecond;
    timing.dwell_max_us = settings.dwell_max_microsecond;
    timing.capacitance_max = Microfarads::new(fixed_32(settings.capacitance_max_picofarad)?);
    timing.reading_lag = reading_lag(settings)?;
    timing.sampling_skew = seconds(i64::from(settings.sampling_skew_nanosecond))?;
    timing.absorption = parts_per_million(settings.absorption_ppm);
    timing.check = match settings.check_cycles {
        OHMSPLIT_CHECK_NEVER => Check::Never,
        OHMSPLIT_CHECK_AT_START => Check::AtStart,
        cycles => u8::try_from(cycles)
            .map(Check::Every)
            .map_err(|_| OHMSPLIT_ERROR_OUT_OF_RANGE)?,
    };
    states
        .get(..codes.len())
        .and_then(|states| timing.with_cycle(states))
        .ok_or(OHMSPLIT_ERROR_CYCLE_TOO_LONG)
}

fn seconds(nanoseconds: i64) -> Result<Seconds, Refused> {
    rounded::<32>(nanoseconds, 1_000_000_000)
        .map(Seconds::from_bits)
        .ok_or(OHMSPLIT_ERROR_OUT_OF_RANGE)
}

fn reading_lag(settings: &ohmsplit_settings_t) -> Result<Option<Measured<Seconds>>, Refused> {
    if settings.reading_lag_nanosecond == OHMSPLIT_ABSENT {
        return Ok(None);
    }
    Ok(Some(Measured {
        value: seconds(settings.reading_lag_nanosecond)?,
        u: seconds(settings.reading_lag_uncertainty_nanosecond)?,
    }))
}

fn limits(settings: &ohmsplit_settings_t) -> Result<Limits, Refused> {
    let judged = judged(settings.judged).ok_or(OHMSPLIT_ERROR_JUDGED)?;
    let confirmations = u8::try_from(settings.confirmations)
        .ok()
        .filter(|&count| count > 0)
        .ok_or(OHMSPLIT_ERROR_OUT_OF_RANGE)?;
    Ok(Limits {
        alarm_ohm_per_volt: settings.alarm_ohm_per_volt,
        warning_ohm_per_volt: settings.warning_ohm_per_volt,
        hysteresis: parts_per_million(settings.hysteresis_ppm),
        confirmations,
        ..Limits::new(volts(settings.working_voltage_microvolt)?, judged)
    })
}

const fn refusal(error: ConfigError) -> Refused {
    match error {
        ConfigError::TooManyElements => OHMSPLIT_ERROR_TOO_MANY_PARTS,
        ConfigError::ResistanceNotPositive => OHMSPLIT_ERROR_RESISTANCE_NOT_POSITIVE,
        ConfigError::ChannelWithoutRange => OHMSPLIT_ERROR_CHANNEL_WITHOUT_RANGE,
        ConfigError::ChannelLimitsCrossed => OHMSPLIT_ERROR_CHANNEL_LIMITS_CROSSED,
        ConfigError::BlockOutOfRange => OHMSPLIT_ERROR_BLOCK_OUT_OF_RANGE,
        ConfigError::DwellOutOfRange => OHMSPLIT_ERROR_DWELL_OUT_OF_RANGE,
        ConfigError::CycleWithoutStimulus => OHMSPLIT_ERROR_CYCLE_WITHOUT_STIMULUS,
        ConfigError::CapacitanceNotPositive => OHMSPLIT_ERROR_CAPACITANCE_NOT_POSITIVE,
        ConfigError::WorkingVoltageNotPositive => OHMSPLIT_ERROR_WORKING_VOLTAGE_NOT_POSITIVE,
        ConfigError::LimitsCrossed => OHMSPLIT_ERROR_LIMITS_CROSSED,
        ConfigError::NegativeUncertainty => OHMSPLIT_ERROR_NEGATIVE_UNCERTAINTY,
        ConfigError::SkewOutOfRange => OHMSPLIT_ERROR_SKEW_OUT_OF_RANGE,
        ConfigError::CheckState => OHMSPLIT_ERROR_CHECK_STATE,
    }
}

fn volts(microvolts: i64) -> Result<Volts, Refused> {
    fixed_32(microvolts).map(Volts::new)
}

/// A relative uncertainty; all of `u32` is in range.
fn parts_per_million(ppm: u32) -> Ratio {
    Ratio::new(rounded::<32>(i64::from(ppm), 1_000_000).map_or(I32F32::MAX, I32F32::from_bits))
}

fn fixed_32(micro: i64) -> Result<I32F32, Refused> {
    rounded::<32>(micro, 1_000_000)
        .map(I32F32::from_bits)
        .ok_or(OHMSPLIT_ERROR_OUT_OF_RANGE)
}

fn ohms(milliohms: i64) -> Result<Ohms, Refused> {
    rounded::<16>(milliohms, 1000)
        .map(|bits| Ohms::new(I48F16::from_bits(bits)))
        .ok_or(OHMSPLIT_ERROR_OUT_OF_RANGE)
}

/// `value/parts` with `FRAC` fraction bits, rounded to nearest, ties upwards.
/// `parts` is at most 10⁹, so that a remainder of it has room for 32 bits more.
pub(crate) const fn rounded<const FRAC: u32>(value: i64, parts: i64) -> Option<i64> {
    let (Some(whole), Some(rest)) = (
        value.checked_div_euclid(parts),
        value.checked_rem_euclid(parts),
    ) else {
        return None;
    };
    let scaled = (rest << FRAC).saturating_add(parts >> 1);
    let (Some(shifted), Some(part)) = (whole.checked_mul(1 << FRAC), scaled.checked_div(parts))
    else {
        return None;
    };
    shifted.checked_add(part)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn micro_units_become_the_nearest_fixed_point_number(micro in -2_147_483_648_000_000i64..2_147_483_647_000_000) {
            let bits = i128::from(volts(micro).expect("in range").to_bits());
            let error = bits * 1_000_000 - (i128::from(micro) << 32);
            prop_assert!(error.abs() <= 500_000, "{error}");
        }

        #[test]
        fn milliohms_become_the_nearest_fixed_point_number(milli in -140_737_488_355_328_000i64..140_737_488_355_327_000) {
            let bits = i128::from(ohms(milli).expect("in range").to_bits());
            let error = bits * 1000 - (i128::from(milli) << 16);
            prop_assert!(error.abs() <= 500, "{error}");
        }

        #[test]
        fn any_settings_are_refused_or_taken_without_a_panic(numbers in proptest::collection::vec(any::<i64>(), 40)) {
            let mut next = numbers.iter().copied();
            let mut number = || next.next().unwrap_or_default();
            let mut settings = defaults();
            for channel in &mut settings.channels {
                channel.bits = number() as u32;
                channel.lowest_code = number() as i32;
                channel.highest_code = number() as i32;
                channel.span_microvolt = number();
                channel.divider_top_milliohm = number();
                channel.divider_bottom_milliohm = number();
            }
            settings.front_end = 1;
            settings.part_count = number() as u32 % 8;
            for part in &mut settings.parts {
                part.kind = number() as i32 % 11;
                part.resistance_milliohm = number();
                part.high_microvolt = number();
            }
            let _ = config(&settings);
        }
    }

    #[test]
    fn beyond_the_range_of_the_core_nothing_is_taken() {
        for micro in [
            2_147_483_648_000_000,
            -2_147_483_648_000_001,
            i64::MAX,
            i64::MIN,
        ] {
            assert_eq!(volts(micro), Err(OHMSPLIT_ERROR_OUT_OF_RANGE), "{micro}");
        }
        for milli in [140_737_488_355_328_000, i64::MAX, i64::MIN] {
            assert_eq!(ohms(milli), Err(OHMSPLIT_ERROR_OUT_OF_RANGE), "{milli}");
        }
    }

    #[test]
    fn the_defaults_are_those_of_the_core_to_the_last_digit_of_the_units() {
        let settings = defaults();
        let (timing, limits) = (
            Timing::default(),
            Limits::new(Volts::ZERO, Judged::WeakestRail),
        );
        assert_eq!(self::timing(&settings).expect("timing"), timing);
        assert_eq!(settings.hysteresis_ppm, 100_000);
        let error =
            parts_per_million(settings.hysteresis_ppm).to_bits() - limits.hysteresis.to_bits();
        assert!(error.abs() <= 1);
        assert_eq!(settings.capacitance_max_picofarad, 50_000_000);
    }
}
