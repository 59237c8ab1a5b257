//! Chains of equal resistors in series, so that none exceeds what it is rated for.

use serde::Deserialize;

use super::sheet::{Resistor, Sheet};

/// Sizes of chip and cylindrical resistors.
///
/// Rated voltage, power and creepage between the terminations are common
/// practice, no source: makers differ, and the part's own data sheet decides.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
pub enum Package {
    /// 1.6 mm by 0.8 mm.
    #[serde(rename = "0603")]
    Size0603,
    /// 2.0 mm by 1.25 mm.
    #[serde(rename = "0805")]
    Size0805,
    /// 3.2 mm by 1.6 mm.
    #[serde(rename = "1206")]
    Size1206,
    /// 5.0 mm by 2.5 mm.
    #[serde(rename = "2010")]
    Size2010,
    /// 6.3 mm by 3.2 mm.
    #[serde(rename = "2512")]
    Size2512,
}

impl Package {
    /// Rated volts, watts, and millimetres of creepage.
    const fn ratings(self) -> [f64; 3] {
        match self {
            Self::Size0603 => [75.0, 0.1, 0.8],
            Self::Size0805 => [150.0, 0.125, 1.1],
            Self::Size1206 => [200.0, 0.25, 2.0],
            Self::Size2010 => [200.0, 0.5, 3.6],
            Self::Size2512 => [200.0, 1.0, 4.8],
        }
    }

    /// The name of the size.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Size0603 => "0603",
            Self::Size0805 => "0805",
            Self::Size1206 => "1206",
            Self::Size2010 => "2010",
            Self::Size2512 => "2512",
        }
    }
}

/// Creepage in millimetres by voltage, pollution degree 2, material group III:
/// IEC 60664-1, table of creepage distances (from memory, not verified).
const CREEPAGE: [[f64; 2]; 18] = [
    [10.0, 0.4],
    [25.0, 0.5],
    [32.0, 0.53],
    [40.0, 1.1],
    [50.0, 1.2],
    [63.0, 1.25],
    [80.0, 1.3],
    [100.0, 1.4],
    [125.0, 1.5],
    [160.0, 1.6],
    [200.0, 2.0],
    [250.0, 2.5],
    [320.0, 3.2],
    [400.0, 4.0],
    [500.0, 5.0],
    [630.0, 6.3],
    [1000.0, 10.0],
    [2000.0, 20.0],
];

/// Largest working voltage for a creepage distance, straight between the
/// places of the table, 100 V for each millimetre beyond it.
#[must_use]
pub fn volts_for_creepage(mm: f64) -> f64 {
    let [first, .., last] = CREEPAGE;
    if mm <= first[1] {
        return first[0] * mm / first[1];
    }
    CREEPAGE.windows(2).find(|pair| mm <= pair[1][1]).map_or(
        last[0] + 100.0 * (mm - last[1]),
        |pair| {
            let [[v0, mm0], [v1, mm1]] = [pair[0], pair[1]];
            v0 + (v1 - v0) * (mm - mm0) / (mm1 - mm0)
        },
    )
}

/// Ratings of one resistor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ratings {
    /// Volts as rated.
    pub volts: f64,
    /// Watts as rated.
    pub watts: f64,
    /// Volts that its creepage permits.
    pub creepage_volts: f64,
    /// Volts that are used: part of the rated, and not above the creepage's.
    pub used_volts: f64,
    /// Watts that are used.
    pub used_watts: f64,
}

impl Ratings {
    /// Of the sheet's resistor.
    #[must_use]
    pub fn of(resistor: &Resistor) -> Self {
        let [volts, watts, mm] = resistor.package.ratings();
        let volts = resistor.voltage_v.unwrap_or(volts);
        let watts = resistor.power_w.unwrap_or(watts);
        let creepage_volts = volts_for_creepage(resistor.creepage_mm.unwrap_or(mm));
        let part = resistor.voltage_used_percent / 100.0;
        Self {
            volts,
            watts,
            creepage_volts,
            used_volts: (volts * part).min(creepage_volts),
            used_watts: watts * resistor.power_used_percent / 100.0,
        }
    }
}

/// Most resistors in one chain.
const CHAIN_MAX: u32 = 60;

/// Equal resistors in series.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Chain {
    /// How many.
    pub count: u32,
    /// Each, in ohms.
    pub each_ohm: f64,
    /// Most volts across the whole chain.
    pub volts: f64,
}

impl Chain {
    /// The shortest chain of about `ohm` that stands `volts` for ever within
    /// the used part of its ratings; with any one of its resistors shorted,
    /// the others stay within their full rating (common practice, no source).
    /// None when it would take more than 60.
    #[must_use]
    pub fn near(sheet: &Sheet, ohm: f64, volts: f64) -> Option<Self> {
        let ratings = Ratings::of(&sheet.resistor);
        (2..=CHAIN_MAX).find_map(|count| {
            let n = f64::from(count);
            let each_ohm = sheet.resistor.series.nearest(ohm / n);
            let chain = Self {
                count,
                each_ohm,
                volts,
            };
            let left = volts / (n - 1.0);
            let stands = chain.each_volts() <= ratings.used_volts
                && chain.each_watts() <= ratings.used_watts
                && left <= ratings.volts
                && left * left / each_ohm <= ratings.watts
                && each_ohm <= sheet.resistor.largest_ohm;
            stands.then_some(chain)
        })
    }

    /// The whole, in ohms.
    #[must_use]
    pub fn ohm(&self) -> f64 {
        f64::from(self.count) * self.each_ohm
    }

    /// Most volts across one.
    #[must_use]
    pub fn each_volts(&self) -> f64 {
        self.volts / f64::from(self.count)
    }

    /// Most watts in one.
    #[must_use]
    pub fn each_watts(&self) -> f64 {
        self.each_volts().powi(2) / self.each_ohm
    }

    /// Most watts in all.
    #[must_use]
    pub fn watts(&self) -> f64 {
        self.volts.powi(2) / self.ohm()
    }

    /// As in a list of parts: `5 x 200 kΩ`.
    #[must_use]
    pub fn words(&self) -> String {
        format!("{} × {}", self.count, super::emit::ohm(self.each_ohm))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::document::Document;

    fn sheet() -> Sheet {
        let document = Document::embedded("example", super::super::sheet::EXAMPLE);
        Sheet::parse(&document).expect("the example is good")
    }

    #[test]
    fn creepage_is_that_of_the_table_and_straight_in_between() {
        for [volts, mm] in CREEPAGE {
            assert!((volts_for_creepage(mm) - volts).abs() < 1e-9, "{mm}");
        }
        assert!((volts_for_creepage(8.15) - 815.0).abs() < 1e-9);
        assert!((volts_for_creepage(0.2) - 5.0).abs() < 1e-9);
    }

    #[test]
    fn no_resistor_of_a_chain_exceeds_its_ratings_even_with_one_shorted() {
        let sheet = sheet();
        let ratings = Ratings::of(&sheet.resistor);
        for volts in [60.0, 420.0, 950.0, 1500.0] {
            for ohm in [5e4, 2e5, 1e6, 1e7, 2e7] {
                let Some(chain) = Chain::near(&sheet, ohm, volts) else {
                    // A watt and more in each of sixty.
                    assert!(volts * volts / ohm > 5.0 || ohm > 1e8, "{volts} {ohm}");
                    continue;
                };
                assert!(chain.each_volts() <= ratings.used_volts);
                assert!(chain.each_watts() <= ratings.used_watts);
                let left = volts / f64::from(chain.count - 1);
                assert!(left <= ratings.volts && left * left / chain.each_ohm <= ratings.watts);
                assert!(
                    (chain.ohm() / ohm - 1.0).abs() < 0.05,
                    "{chain:?} for {ohm}"
                );
            }
        }
    }
}
