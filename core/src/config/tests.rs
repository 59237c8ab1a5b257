//! What is accepted and what is refused, on either side of each rule.

use super::*;
use crate::units::{Measured, Microfarads, Ohms, Ratio, Seconds};

fn channel() -> Channel {
    Channel::bipolar(16, Volts::from_int(1000))
}

fn front_end(first: Channel) -> FrontEnd {
    FrontEnd::ChassisAndPack {
        chassis: first,
        pack: channel(),
    }
}

fn source() -> Element {
    Element::source_to_negative(Volts::from_int(40), Ohms::from_int(1_000_000))
}

fn limits() -> Limits {
    Limits::new(Volts::from_int(400), Judged::WeakestRail)
}

const LEAST: Ratio = Ratio::from_bits(-1);

/// Why a configuration is refused that is sound but for one channel.
fn of_channel(change: impl Fn(&mut Channel)) -> Option<ConfigError> {
    let mut first = channel();
    change(&mut first);
    Config::try_new(front_end(first), &[source()], Timing::default(), limits()).err()
}

fn of_parts(parts: &[Element]) -> Option<ConfigError> {
    Config::try_new(front_end(channel()), parts, Timing::default(), limits()).err()
}

fn of_timing(change: impl Fn(&mut Timing)) -> Option<ConfigError> {
    let mut timing = Timing::default();
    change(&mut timing);
    Config::try_new(front_end(channel()), &[source()], timing, limits()).err()
}

fn of_limits(change: impl Fn(&mut Limits)) -> Option<ConfigError> {
    let mut limits = limits();
    change(&mut limits);
    Config::try_new(front_end(channel()), &[source()], Timing::default(), limits).err()
}

#[test]
fn a_channel_has_a_range_valid_codes_and_no_negative_uncertainty() {
    for (bits, due) in [(0, false), (1, true), (32, true), (33, false)] {
        let due = (!due).then_some(ConfigError::ChannelWithoutRange);
        assert_eq!(of_channel(|c| c.bits = bits), due, "{bits} bits");
    }
    let without = Some(ConfigError::ChannelWithoutRange);
    assert_eq!(of_channel(|c| c.span = Volts::ZERO), without);
    assert_eq!(of_channel(|c| c.span = Volts::from_bits(1)), None);
    let crossed = Some(ConfigError::ChannelLimitsCrossed);
    assert_eq!(of_channel(|c| c.lowest = c.highest), crossed);
    assert_eq!(of_channel(|c| c.lowest = c.highest - 1), None);
    let negative = Some(ConfigError::NegativeUncertainty);
    assert_eq!(of_channel(|c| c.gain_u = LEAST), negative);
    assert_eq!(of_channel(|c| c.offset_u = Volts::from_bits(-1)), negative);
}

#[test]
fn parts_are_resistors_and_no_more_than_there_is_room_for() {
    let more = |count| std::vec![source(); count];
    assert_eq!(of_parts(&more(MAX_ELEMENTS)), None);
    let many = Some(ConfigError::TooManyElements);
    assert_eq!(of_parts(&more(MAX_ELEMENTS + 1)), many);
    // A measuring divider at the chassis is one of them.
    let divider = Divider {
        top: Ohms::from_int(1_000_000),
        bottom: Ohms::from_int(10_000),
    };
    let divided = front_end(channel().behind(divider).expect("a bottom"));
    let config = |count| Config::try_new(divided, &more(count), Timing::default(), limits());
    let config_with_room = config(MAX_ELEMENTS - 1).expect("room for the divider");
    assert_eq!(config_with_room.network().elements().len(), MAX_ELEMENTS);
    assert_eq!(config(MAX_ELEMENTS).err(), many);

    let mut part = source();
    part.resistance = Ohms::from_bits(0);
    assert_eq!(of_parts(&[part]), Some(ConfigError::ResistanceNotPositive));
    part.resistance = Ohms::from_bits(1);
    assert_eq!(of_parts(&[part]), None);
    for (resistance_u, emf_u) in [(LEAST, Ratio::ZERO), (Ratio::ZERO, LEAST)] {
        let part = source().with_uncertainty(resistance_u, emf_u);
        assert_eq!(of_parts(&[part]), Some(ConfigError::NegativeUncertainty));
    }
}

#[test]
fn the_divider_of_a_rail_loads_that_rail() {
    let divided = |top| {
        let divider = Divider {
            top: Ohms::from_int(top),
            bottom: Ohms::from_int(100_000),
        };
        channel().behind(divider).expect("a bottom")
    };
    let pair = FrontEnd::RailPair {
        positive: divided(900_000),
        negative: divided(1_900_000),
    };
    let config = Config::try_new(pair, &[source()], Timing::default(), limits());
    let rest = config.expect("sound").network().row(Drive::Rest);
    let number = |g: crate::units::Microsiemens| g.get().to_num::<f64>();
    assert!((number(rest.g) - 1.5).abs() < 1e-6 && (number(rest.p) - 1.0).abs() < 1e-6);
}

#[test]
fn blocks_dwells_and_the_cycle_have_their_limits() {
    let block = Some(ConfigError::BlockOutOfRange);
    let with_block = |us: u32| {
        of_timing(|t| {
            (t.block_us, t.dwell_min_us, t.dwell_max_us) = (us, 8 * us, 80 * us);
        })
    };
    for (us, due) in [
        (99, block),
        (100, None),
        (10_000_000, None),
        (10_000_001, block),
    ] {
        assert_eq!(with_block(us), due, "{us}");
    }
    let dwell = Some(ConfigError::DwellOutOfRange);
    assert_eq!(of_timing(|t| t.dwell_min_us = 160_000), None);
    assert_eq!(of_timing(|t| t.dwell_min_us = 159_999), dwell);
    assert_eq!(of_timing(|t| t.dwell_max_us = t.dwell_min_us), None);
    assert_eq!(of_timing(|t| t.dwell_max_us = t.dwell_min_us - 1), dwell);

    let cycle = |states: &[Drive]| of_timing(|t| *t = t.clone().with_cycle(states).expect("room"));
    let without = Some(ConfigError::CycleWithoutStimulus);
    assert_eq!(cycle(&[Drive::Raise]), without);
    assert_eq!(cycle(&[Drive::Raise, Drive::Raise]), without);
    assert_eq!(cycle(&[Drive::Rest, Drive::Rest, Drive::Lower]), None);
    let five = [
        Drive::Rest,
        Drive::Raise,
        Drive::Rest,
        Drive::Lower,
        Drive::Rest,
    ];
    assert_eq!(Timing::default().with_cycle(&five), None);
    // A permanent part pushes alike in all states.
    let bleed = Element::permanent(Ohms::from_int(1_000_000), Landing::Negative);
    assert_eq!(of_parts(&[bleed]), without);
}

#[test]
fn capacitance_lag_absorption_and_skew_have_their_limits() {
    let capacitance = |bits| of_timing(|t| t.capacitance_max = Microfarads::from_bits(bits));
    assert_eq!(capacitance(0), Some(ConfigError::CapacitanceNotPositive));
    assert_eq!(capacitance(1), None);
    let negative = Some(ConfigError::NegativeUncertainty);
    let lag = |u| {
        of_timing(|t| {
            t.reading_lag = Some(Measured {
                value: Seconds::ZERO,
                u: Seconds::from_bits(u),
            });
        })
    };
    assert_eq!((lag(-1), lag(0)), (negative, None));
    assert_eq!(of_timing(|t| t.reading_lag = None), None);
    assert_eq!(of_timing(|t| t.absorption = LEAST), negative);
    let block = Timing::default().block().to_bits();
    let skew = |bits| of_timing(|t| t.sampling_skew = Seconds::from_bits(bits));
    for sign in [1, -1] {
        assert_eq!(skew(sign * block), Some(ConfigError::SkewOutOfRange));
        assert_eq!(skew(sign * (block - 1)), None);
    }
}

#[test]
fn limits_are_positive_and_in_order() {
    let voltage = Some(ConfigError::WorkingVoltageNotPositive);
    assert_eq!(of_limits(|l| l.working_voltage = Volts::ZERO), voltage);
    let crossed = Some(ConfigError::LimitsCrossed);
    assert_eq!(of_limits(|l| l.alarm_ohm_per_volt = 0), crossed);
    assert_eq!(of_limits(|l| l.alarm_ohm_per_volt = 1), None);
    assert_eq!(
        of_limits(|l| l.alarm_ohm_per_volt = l.warning_ohm_per_volt),
        None
    );
    assert_eq!(
        of_limits(|l| l.alarm_ohm_per_volt = l.warning_ohm_per_volt + 1),
        crossed
    );
    let negative = Some(ConfigError::NegativeUncertainty);
    assert_eq!(of_limits(|l| l.hysteresis = LEAST), negative);
    assert_eq!(of_limits(|l| l.hysteresis = Ratio::ZERO), None);
}

#[test]
fn figures_of_a_front_end_are_those_of_the_channel_that_measures() {
    let named = |parts: i32| Channel {
        gain_u: Ratio::from_ppm(parts),
        offset_u: Volts::from_int(parts),
        span: Volts::from_int(parts * 1000),
        ..channel()
    };
    let (one, two) = (named(1), named(2));
    let chassis = FrontEnd::ChassisAndPack {
        chassis: one,
        pack: two,
    };
    let pair = FrontEnd::RailPair {
        positive: one,
        negative: two,
    };
    assert_eq!(chassis.channels(), [&one, &two]);
    assert_eq!(pair.channels(), [&one, &two]);
    // v is measured by the chassis channel, or the one of the negative rail.
    assert_eq!(chassis.gain_u(), [one.gain_u, two.gain_u]);
    assert_eq!(pair.gain_u(), [two.gain_u, one.gain_u]);
    assert_eq!(chassis.chassis_offset_u(), one.offset_u);
    assert_eq!(pair.chassis_offset_u(), two.offset_u);
    // A step q is known to q/√12; of two channels the coarser counts for Vb.
    let steps = |front: &FrontEnd| {
        let volts = front.resolution().map(|v| v.get().to_num::<f64>());
        volts.map(|volts| (volts * 12f64.sqrt() * 65.536 * 100.0).round())
    };
    assert_eq!(steps(&chassis), [100.0, 200.0]);
    assert_eq!(steps(&pair), [200.0, 200.0]);
}

#[test]
fn a_monitor_has_one_third_state_and_the_check_state_is_that_of_its_resistor() {
    let known = Element::check_resistor(Ohms::from_int(300_000), Landing::Negative);
    let of = |parts: &[Element], cycle: &[Drive]| {
        let timing = Timing::default().with_cycle(cycle).expect("short enough");
        Config::try_new(front_end(channel()), parts, timing, limits())
    };
    use Drive::{Check, Lower, Raise, Rest};
    let with = [source(), known];
    for (parts, cycle, due) in [
        (&with[..], &[Raise, Lower][..], None),
        (&with[..], &[Raise, Lower, Check][..], None),
        (
            &with[..],
            &[Raise, Lower, Rest][..],
            Some(ConfigError::CheckState),
        ),
        (
            &with[..1],
            &[Raise, Lower, Check][..],
            Some(ConfigError::CheckState),
        ),
        (&with[..1], &[Raise, Lower, Rest][..], None),
    ] {
        assert_eq!(of(parts, cycle).err(), due, "{cycle:?}");
    }
    let cycle = [Raise, Lower];
    assert_eq!(of(&with, &cycle).expect("sound").third(), Check);
    assert_eq!(of(&with[..1], &cycle).expect("sound").third(), Rest);
}
