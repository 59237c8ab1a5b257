//! Preferred numbers for resistors, IEC 60063, from which the tests pick the
//! monitor's own resistors.

/// The E24 series, two digits.
pub const E24: [u32; 24] = [
    10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91,
];

/// The `n`th value of a series of `size` by the rule `digits·10^(n/size)`,
/// rounded.
#[must_use]
pub fn by_rule(n: u32, size: u32, digits: f64) -> u32 {
    (digits * 10f64.powf(f64::from(n) / f64::from(size))).round() as u32
}

/// The `n`th value of E96, three digits: the rule holds at all places.
#[must_use]
pub fn e96(n: u32) -> u32 {
    by_rule(n, 96, 100.0)
}

/// The nearest E96 value to a resistance, by ratio.
#[must_use]
pub fn nearest_e96(ohm: f64) -> f64 {
    let place = (ohm.log10() * 96.0).round();
    let decade = (place / 96.0).floor();
    let n = (place - 96.0 * decade) as u32;
    f64::from(e96(n)) * 10f64.powf(decade - 2.0)
}
