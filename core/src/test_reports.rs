//! Reports made by hand, for the tests of the stages after judgement.

use crate::config::{Channel, Config, Drive, Element, FrontEnd, Judged, Limits, Timing};
use crate::units::{Measured, Microamps, Microsiemens, Ohms, Ratio, Volts};
use crate::{Basis, Estimate, Interval, Kind, Reason, Report, Verdict};

/// A source of 40 V through 1 MΩ on a battery of 400 V.
pub(crate) fn config() -> Config {
    let channel = Channel::bipolar(16, Volts::from_int(4096));
    let front_end = FrontEnd::ChassisAndPack {
        chassis: channel,
        pack: channel,
    };
    let source = Element::source_to_negative(Volts::from_int(40), Ohms::from_int(1_000_000));
    let limits = Limits::new(Volts::from_int(400), Judged::WeakestRail);
    Config::try_new(front_end, &[source], Timing::default(), limits).expect("a sound configuration")
}

/// Nanosiemens as the core holds them.
pub(crate) fn nano(ns: f64) -> Microsiemens {
    Microsiemens::from_bits((ns * 4_294_967.296) as i64)
}

/// An estimate of Gp and Gn in nanosiemens, with standard uncertainties `u`
/// that are independent of each other.
pub(crate) fn estimate([positive, negative]: [f64; 2], [up, un]: [f64; 2]) -> Estimate {
    let (total, u) = (positive + negative, up.hypot(un));
    let measured = |value, u| Measured {
        value: nano(value),
        u: nano(u),
    };
    let interval = |value: f64, u: f64| Interval {
        low: Ohms::of(nano(value + 2.0 * u)),
        high: Ohms::of(nano(value - 2.0 * u)),
    };
    let rails = [interval(positive, up), interval(negative, un)];
    Estimate {
        kind: if total > 2.0 * u {
            Kind::Figure
        } else {
            Kind::Open
        },
        conductance: measured(total, u),
        positive_conductance: measured(positive, up),
        negative_conductance: measured(negative, un),
        isolation: Ohms::of(nano(total)),
        isolation_interval: interval(total, u),
        positive: Ohms::of(nano(positive)),
        positive_interval: rails[0],
        negative: Ohms::of(nano(negative)),
        negative_interval: rails[1],
        weakest: Ohms::of(nano(positive.max(negative))),
        weakest_interval: Interval {
            low: rails[0].low.min(rails[1].low),
            high: rails[0].high.min(rails[1].high),
        },
        position: (total > 2.0 * u).then(|| Measured {
            value: Ratio::from_ppm((positive / total * 1e6) as i32),
            u: Ratio::from_ppm((u / total * 1e6) as i32),
        }),
        touch_current: Measured {
            value: Microamps::ZERO,
            u: Microamps::ZERO,
        },
        capacitance: None,
        pack: Volts::from_int(400),
    }
}

/// An estimate of a battery without a leak.
pub(crate) fn open() -> Estimate {
    estimate([0.0; 2], [1.0; 2])
}

pub(crate) fn report(
    sequence: u32,
    verdict: Verdict,
    estimate: Result<Estimate, Reason>,
) -> Report {
    Report {
        sequence,
        drive: Drive::Raise,
        dwell_over: true,
        reading: Err(Reason::NotSettled),
        basis: Basis::Settled,
        estimate,
        judged: Judged::WeakestRail,
        verdict,
        findings: crate::Findings::NONE,
    }
}
