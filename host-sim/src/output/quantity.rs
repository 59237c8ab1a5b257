//! Numbers with unit prefixes, and the words for reasons.

use ohmsplit::{Finding, Kind, Reason};

use super::figures::Resistance;

/// `value` with four significant digits and an SI prefix.
#[must_use]
pub fn si(value: f64, unit: &str) -> String {
    si_digits(value, unit, 4)
}

/// `value` with so many significant digits, at least four, and an SI prefix.
fn si_digits(value: f64, unit: &str, digits: usize) -> String {
    const PREFIXES: [(f64, &str); 7] = [
        (1e9, "G"),
        (1e6, "M"),
        (1e3, "k"),
        (1.0, ""),
        (1e-3, "m"),
        (1e-6, "µ"),
        (1e-9, "n"),
    ];
    let size = value.abs();
    if size < 1e-12 || !size.is_finite() {
        return format!("{value:.0} {unit}");
    }
    // Half of the last digit of four, so that 999.96 becomes 1.000 k.
    let (scale, prefix) = PREFIXES
        .into_iter()
        .find(|(scale, _)| size >= scale * 0.99995)
        .unwrap_or((1e-12, "p"));
    let scaled = value / scale;
    let decimals = match scaled.abs() {
        s if s < 9.9995 => digits - 1,
        s if s < 99.995 => digits - 2,
        s if s < 999.95 => digits - 3,
        _ => digits - 4,
    };
    format!("{scaled:.decimals$} {prefix}{unit}")
}

/// A resistance in words: its value, or what is known of it.
#[must_use]
pub(crate) fn resistance(kind: Kind, of: &Resistance) -> String {
    match (kind, of.value, of.high) {
        (Kind::Figure, Some(value), _) => si(value, "Ω"),
        (Kind::Figure, None, _) => "no leak".to_owned(),
        (Kind::Short, _, Some(high)) => format!("short, below {}", si(high, "Ω")),
        (Kind::Short, _, None) => "not known".to_owned(),
        (Kind::Open, ..) => format!("open, above {}", si(of.low, "Ω")),
    }
}

/// The 95 % interval of a resistance in words, with digits enough to tell its
/// ends apart.
#[must_use]
pub(crate) fn interval(of: &Resistance) -> String {
    let Some(high) = of.high else {
        return format!("above {}", si(of.low, "Ω"));
    };
    let ends = |digits| [of.low, high].map(|end| si_digits(end, "Ω", digits));
    let [low, high] = (4..7)
        .map(ends)
        .find(|[low, high]| low != high)
        .unwrap_or_else(|| ends(7));
    format!("{low} to {high}")
}

/// A spread, never shown as none.
#[must_use]
pub(crate) fn plus_minus(spread: f64, decimals: usize) -> String {
    let least = 10f64.powi(-(decimals as i32));
    if spread < least {
        format!("±<{least:.decimals$}")
    } else {
        format!("±{spread:.decimals$}")
    }
}

/// Value and 95 % interval with unit prefixes.
#[must_use]
pub(crate) fn with_u([value, u]: [f64; 2], unit: &str) -> String {
    format!("{} ±{}", si(value, unit), si((2.0 * u).max(1e-12), unit))
}

/// What a reason means, in a few words.
#[must_use]
pub const fn explain(reason: Reason) -> &'static str {
    match reason {
        Reason::NotYetMeasured => "no drive cycle has completed yet",
        Reason::NotSettled => {
            "the voltage had not settled: the time constant is too long for the dwell"
        }
        Reason::StimulusTooWeak => {
            "the drive moves the voltage too little against noise and resolution"
        }
        Reason::RecordTooShort => {
            "fewer than eight averaging blocks in the dwell: lengthen it, or shorten block_ms"
        }
        Reason::Saturated => "a converter reading was at its limit",
        Reason::SamplesMissing => "samples were missing for a whole averaging block",
        Reason::PackVoltageMoving => "the pack voltage moved too much to be followed",
        Reason::PackVoltageTooLow => "the pack voltage is too low to judge a leak",
        Reason::Implausible => {
            "the readings contradict the network description: check it and the wiring"
        }
        Reason::TooUncertain => "the interval is too wide to decide between healthy and not",
        Reason::CircuitChanged => "the circuit changed between the readings of the cycle",
        Reason::Diagnosed => "the self-diagnosis found a fault of the measuring circuit",
        Reason::Interference => {
            "something moves the chassis that neither circuit nor drive explains"
        }
        Reason::BusYielded => "the bus is left to another monitor",
    }
}

/// What a finding means, in a few words.
#[must_use]
pub const fn explain_finding(finding: Finding) -> &'static str {
    match finding {
        Finding::ConverterStuck => "a converter gives one and the same code",
        Finding::ConverterSaturated => "a converter stays at its limit",
        Finding::ConverterBits => "a bit of a converter never changes",
        Finding::SenseLine => {
            "the chassis reads as a rail whatever is driven: sense line, or a hard short to that rail"
        }
        Finding::NoResponse => {
            "no drive change moves the chassis: no stimulus, or a hard short inside the stack"
        }
        Finding::SwitchStuck => "a drive state does the same as no drive: a switch is stuck",
        Finding::StatesContradict => {
            "no circuit has these settled voltages: drifted parts, or a leak that depends on voltage"
        }
        Finding::Polarity => "the chassis moves against the drive, or the pack reads negative",
        Finding::PackImplausible => "the chassis reads as outside of what pack and drive can do",
        Finding::TimeBase => "the number of samples in a block has changed: a clock is wrong",
        Finding::Capacitance => "the capacitance is larger than the design expects",
        Finding::StoredEnergy => "the capacitance holds more than 0.2 J",
        Finding::StimulusWeak => "noise and resolution are too high for the stimulus that arrives",
        Finding::Interference => {
            "another monitor, an alias of hum or ripple, or a leak that comes and goes"
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn prefixes_change_where_the_shown_digits_do() {
        for (value, text) in [
            (999_960.0, "1.000 MΩ"),
            (999_940.0, "999.9 kΩ"),
            (0.0, "0 Ω"),
            (-1234.0, "-1.234 kΩ"),
            (47.123e-9, "47.12 nΩ"),
            (9.9996, "10.00 Ω"),
        ] {
            assert_eq!(si(value, "Ω"), text);
        }
    }

    #[test]
    fn a_narrow_interval_is_not_shown_as_a_point() {
        let of = |low, high| Resistance {
            value: None,
            low,
            high: Some(high),
        };
        for (low, high, text) in [
            (199e3, 201e3, "199.0 kΩ to 201.0 kΩ"),
            (199_990.0, 200_010.0, "199.99 kΩ to 200.01 kΩ"),
            (199_999.6, 200_000.4, "199.9996 kΩ to 200.0004 kΩ"),
        ] {
            assert_eq!(interval(&of(low, high)), text);
        }
        assert_eq!(plus_minus(0.0004, 3), "±<0.001");
    }
}
