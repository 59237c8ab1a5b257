//! Preferred numbers for resistors and capacitors, IEC 60063.

use serde::Deserialize;

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
    Series::E96.nearest(ohm)
}

/// A series of preferred numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
pub enum Series {
    /// 6 values a decade: capacitors.
    #[serde(skip)]
    E6,
    /// 24 values a decade: parts of 5 %, and tighter.
    E24,
    /// 96 values a decade: parts of 1 %, and tighter.
    E96,
}

impl Series {
    /// Values of a decade, in its order, from 1 up to below 10.
    #[must_use]
    pub fn decade(self) -> Vec<f64> {
        match self {
            Self::E6 => E24.iter().step_by(4).map(|&n| tenths(n)).collect(),
            Self::E24 => E24.iter().map(|&n| tenths(n)).collect(),
            Self::E96 => (0..96).map(|n| tenths(e96(n)) / 10.0).collect(),
        }
    }

    /// The name in IEC 60063.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::E6 => "E6",
            Self::E24 => "E24",
            Self::E96 => "E96",
        }
    }

    /// The values around one, in order: at least one at or below it and one above.
    fn around(self, value: f64) -> Vec<f64> {
        let decade = value.log10().floor() as i32;
        let scale = |exponent: i32, digits: f64| {
            // A power of ten of a whole number, so that 10 kΩ is 10,000 Ω.
            let rounded = (digits * 100.0).round();
            match exponent - 2 {
                down if down < 0 => rounded / 10f64.powi(-down),
                up => rounded * 10f64.powi(up),
            }
        };
        (decade - 1..=decade + 1)
            .flat_map(|exponent| {
                self.decade()
                    .into_iter()
                    .map(move |digits| scale(exponent, digits))
            })
            .collect()
    }

    /// The nearest value, by ratio.
    #[must_use]
    pub fn nearest(self, value: f64) -> f64 {
        let off = |one: f64| (one / value).ln().abs();
        self.around(value)
            .into_iter()
            .min_by(|a, b| off(*a).total_cmp(&off(*b)))
            .unwrap_or(value)
    }

    /// The largest value that is not above.
    #[must_use]
    pub fn at_most(self, value: f64) -> f64 {
        let below = |one: &f64| *one <= value * (1.0 + 1e-9);
        self.around(value).into_iter().rfind(below).unwrap_or(value)
    }
}

fn tenths(digits: u32) -> f64 {
    f64::from(digits) / 10.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_found_in_every_decade_and_whole() {
        assert_eq!(Series::E24.nearest(10_000.0), 10_000.0);
        assert_eq!(Series::E96.nearest(332_100.0), 332_000.0);
        assert_eq!(Series::E24.at_most(99_999.0), 91_000.0);
        assert_eq!(Series::E96.at_most(102_000.0), 102_000.0);
        assert_eq!(Series::E24.at_most(9.99), 9.1);
        assert_eq!(Series::E6.decade(), [1.0, 1.5, 2.2, 3.3, 4.7, 6.8]);
    }

    #[test]
    fn the_neighbours_of_5000_in_e24_are_4700_and_5100() {
        // Read: package index page of eseries; check values, section 6.
        assert_eq!(Series::E24.at_most(5000.0), 4700.0);
        assert_eq!(Series::E24.nearest(5000.0), 5100.0);
        // 319 -> 330 in E24 (same source).
        assert_eq!(Series::E24.nearest(319.0), 330.0);
    }
}
