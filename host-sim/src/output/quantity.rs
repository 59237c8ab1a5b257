//! Numbers with unit prefixes, and the words for reasons.

use ohmsplit::{Kind, Reason};

use super::figures::Resistance;

/// `value` with four significant digits and an SI prefix.
#[must_use]
pub fn si(value: f64, unit: &str) -> String {
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
    // Half of the last digit shown, so that 999.96 becomes 1.000 k.
    let (scale, prefix) = PREFIXES
        .into_iter()
        .find(|(scale, _)| size >= scale * 0.99995)
        .unwrap_or((1e-12, "p"));
    let scaled = value / scale;
    let decimals = match scaled.abs() {
        s if s < 9.9995 => 3,
        s if s < 99.995 => 2,
        s if s < 999.95 => 1,
        _ => 0,
    };
    format!("{scaled:.decimals$} {prefix}{unit}")
}

/// A resistance in words: its value, or what is known of it.
#[must_use]
pub(super) fn resistance(kind: Kind, of: &Resistance) -> String {
    match (kind, of.value, of.high) {
        (Kind::Figure, Some(value), _) => si(value, "Ω"),
        (Kind::Figure, None, _) => "no leak".to_owned(),
        (Kind::Short, _, Some(high)) => format!("short, below {}", si(high, "Ω")),
        (Kind::Short, _, None) => "not known".to_owned(),
        (Kind::Open, ..) => format!("open, above {}", si(of.low, "Ω")),
    }
}

/// The 95 % interval of a resistance in words.
#[must_use]
pub(super) fn interval(of: &Resistance) -> String {
    match of.high {
        Some(high) => format!("{} to {}", si(of.low, "Ω"), si(high, "Ω")),
        None => format!("above {}", si(of.low, "Ω")),
    }
}

/// Value and uncertainty with the same prefix and sensible digits.
#[must_use]
pub(super) fn with_u([value, u]: [f64; 2], unit: &str) -> String {
    format!("{} ±{}", si(value, unit), si(2.0 * u, unit))
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
        Reason::RecordTooShort => "too few samples in the dwell for a settling proof",
        Reason::Saturated => "a converter reading was at its limit",
        Reason::SamplesMissing => "samples were missing for a whole averaging block",
        Reason::PackVoltageMoving => "the pack voltage moved too much to be followed",
        Reason::PackVoltageTooLow => "the pack voltage is too low to judge a leak",
        Reason::Implausible => {
            "the readings contradict the network description: check it and the wiring"
        }
        Reason::TooUncertain => "the interval is too wide to decide between healthy and not",
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
}
