//! The sheet of one check: instruments and readings, as a TOML document.

use serde::{Deserialize, Serialize};

use crate::document::{Document, FieldFault, in_range};
use crate::error::HostError;

pub(super) const FORMAT: &str = "ohmsplit-in-situ-1";

/// How the voltmeter is used.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Wiring {
    /// One meter, moved from reading to reading.
    OneMeterMoved,
    /// Two meters of equal resistance, one from each rail to the chassis all the time.
    TwoMeters,
}

/// A rail.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, Serialize, clap::ValueEnum)]
#[serde(rename_all = "snake_case")]
pub enum Side {
    /// The negative rail.
    Negative,
    /// The positive rail.
    Positive,
}

impl Side {
    /// The rail with the higher reading, where Ro goes.
    #[must_use]
    pub fn higher(negative_v: f64, positive_v: f64) -> Self {
        if negative_v >= positive_v {
            Self::Negative
        } else {
            Self::Positive
        }
    }

    /// Its word.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Negative => "negative",
            Self::Positive => "positive",
        }
    }

    /// The other rail.
    #[must_use]
    pub const fn other(self) -> Self {
        match self {
            Self::Negative => Self::Positive,
            Self::Positive => Self::Negative,
        }
    }
}

/// What the meter's data sheet says.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Meter {
    /// Input resistance.
    pub resistance_ohm: f64,
    /// Its tolerance, [`Meter::RESISTANCE_TOLERANCE_PERCENT`] when not given.
    #[serde(default = "five")]
    pub resistance_tolerance_percent: f64,
    /// Accuracy, the part in percent of the reading.
    pub accuracy_percent: f64,
    /// Accuracy, the part in digits of the last place.
    pub accuracy_digits: f64,
    /// One digit of the last place.
    #[serde(rename = "resolution_V")]
    pub resolution_v: f64,
}

const fn five() -> f64 {
    Meter::RESISTANCE_TOLERANCE_PERCENT
}

impl Meter {
    /// Taken where the tolerance is not known: common practice, no source.
    pub const RESISTANCE_TOLERANCE_PERCENT: f64 = 5.0;

    /// The largest error of a reading in volts, at least half a digit.
    #[must_use]
    pub fn half_width(&self, reading_v: f64) -> f64 {
        let digits = self.accuracy_digits.max(0.5) * self.resolution_v;
        reading_v.abs() * self.accuracy_percent / 100.0 + digits
    }

    /// One reading is above another, whatever the meter is off.
    fn surely_above(&self, one: f64, other: f64) -> bool {
        one - other > self.half_width(one) + self.half_width(other)
    }
}

/// The resistor Ro.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Inserted {
    /// Its resistance.
    pub resistance_ohm: f64,
    /// Its tolerance.
    pub tolerance_percent: f64,
    /// The rail from which it goes to the chassis.
    pub side: Side,
}

/// The readings, magnitudes in volts.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Readings {
    /// Vb, rail to rail.
    #[serde(rename = "pack_V")]
    pub pack_v: f64,
    /// V1, negative rail to chassis.
    #[serde(rename = "negative_V")]
    pub negative_v: f64,
    /// V2, positive rail to chassis.
    #[serde(rename = "positive_V")]
    pub positive_v: f64,
    /// The rail that has Ro, to chassis, with Ro in place.
    #[serde(rename = "with_inserted_V")]
    pub with_inserted_v: f64,
    /// Vb read again with Ro in place.
    #[serde(
        rename = "pack_with_inserted_V",
        default,
        skip_serializing_if = "Option::is_none"
    )]
    pub pack_with_inserted_v: Option<f64>,
}

impl Readings {
    /// The reading at a rail without Ro.
    #[must_use]
    pub const fn at(&self, side: Side) -> f64 {
        match side {
            Side::Negative => self.negative_v,
            Side::Positive => self.positive_v,
        }
    }
}

/// One in-situ check.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Sheet {
    format: String,
    /// How the meter is used.
    pub wiring: Wiring,
    /// The voltage that ohms per volt refer to.
    #[serde(rename = "working_voltage_V")]
    pub working_voltage_v: f64,
    /// The voltmeter, or each of two.
    pub meter: Meter,
    /// Ro.
    pub inserted: Inserted,
    /// What was read.
    pub readings: Readings,
}

impl Sheet {
    /// A checked sheet.
    ///
    /// # Errors
    /// The field that cannot be used.
    pub fn new(
        wiring: Wiring,
        working_voltage_v: f64,
        meter: Meter,
        inserted: Inserted,
        readings: Readings,
    ) -> Result<Self, FieldFault> {
        let sheet = Self {
            format: FORMAT.to_owned(),
            wiring,
            working_voltage_v,
            meter,
            inserted,
            readings,
        };
        sheet.check()?;
        Ok(sheet)
    }

    /// Reads a sheet.
    ///
    /// # Errors
    /// With line and field, when it cannot be used.
    pub fn parse(document: &Document) -> Result<Self, HostError> {
        let sheet: Self = document.parse_as(FORMAT)?;
        sheet.check().map_err(|fault| document.locate(fault))?;
        Ok(sheet)
    }

    fn check(&self) -> Result<(), FieldFault> {
        self.check_instruments()?;
        self.check_readings()?;
        self.check_agreement()
    }

    fn check_instruments(&self) -> Result<(), FieldFault> {
        let (meter, inserted) = (&self.meter, &self.inserted);
        for (path, value, range, unit) in [
            (
                "working_voltage_V",
                self.working_voltage_v,
                1.0..=2000.0,
                "V",
            ),
            (
                "meter.resistance_ohm",
                meter.resistance_ohm,
                1e5..=1e12,
                "ohm",
            ),
            (
                "meter.resistance_tolerance_percent",
                meter.resistance_tolerance_percent,
                0.0..=50.0,
                "%",
            ),
            (
                "meter.accuracy_percent",
                meter.accuracy_percent,
                0.0..=20.0,
                "%",
            ),
            (
                "meter.accuracy_digits",
                meter.accuracy_digits,
                0.0..=1000.0,
                "digits",
            ),
            ("meter.resolution_V", meter.resolution_v, 1e-6..=10.0, "V"),
            // Above a quarter of the meter the meter hides what Ro does.
            (
                "inserted.resistance_ohm",
                inserted.resistance_ohm,
                100.0..=meter.resistance_ohm / 4.0,
                "ohm",
            ),
            (
                "inserted.tolerance_percent",
                inserted.tolerance_percent,
                0.0..=20.0,
                "%",
            ),
        ] {
            in_range(path, value, range, unit)?;
        }
        Ok(())
    }

    fn check_readings(&self) -> Result<(), FieldFault> {
        let readings = &self.readings;
        for (path, value, range, unit) in [
            ("readings.pack_V", readings.pack_v, 1.0..=2000.0, "V"),
            (
                "readings.negative_V",
                readings.negative_v,
                0.0..=2000.0,
                "V",
            ),
            (
                "readings.positive_V",
                readings.positive_v,
                0.0..=2000.0,
                "V",
            ),
            (
                "readings.with_inserted_V",
                readings.with_inserted_v,
                0.0..=2000.0,
                "V",
            ),
        ] {
            in_range(path, value, range, unit)?;
        }
        if let Some(value) = readings.pack_with_inserted_v {
            in_range("readings.pack_with_inserted_V", value, 1.0..=2000.0, "V")?;
        }
        Ok(())
    }

    /// Readings that no circuit yields, beyond what the meter may be off.
    fn check_agreement(&self) -> Result<(), FieldFault> {
        let (readings, side) = (&self.readings, self.inserted.side);
        let beyond = |a: f64, b: f64| self.meter.surely_above(a, b);
        check_rails(
            self.wiring,
            &self.meter,
            [readings.pack_v, readings.negative_v, readings.positive_v],
        )?;
        let (here, there) = (readings.at(side), readings.at(side.other()));
        if beyond(there, here) {
            let problem = format!(
                "Ro is on the {} side, where the reading is the smaller one: the result would be the stronger rail",
                side.word()
            );
            return Err(
                FieldFault::new("inserted.side", problem, side.other().word()).mend(format!(
                    "repeat the reading with Ro from the {} rail to the chassis",
                    side.other().word()
                )),
            );
        }
        let allowed =
            here * readings.pack_with_inserted_v.unwrap_or(readings.pack_v) / readings.pack_v;
        if beyond(readings.with_inserted_v, allowed) {
            let problem = format!(
                "{} V with Ro is more than {here} V without: a resistor cannot raise it",
                readings.with_inserted_v
            );
            return Err(FieldFault::new("readings.with_inserted_V", problem, format!("at most {here} V"))
                .mend(format!(
                    "read from the {} rail to the chassis, the rail that has Ro, and wait until the reading stands still",
                    side.word()
                )));
        }
        Ok(())
    }
}

/// Readings of the rails without Ro that no circuit yields: Vb, V1, V2.
pub(super) fn check_rails(
    wiring: Wiring,
    meter: &Meter,
    [pack, negative, positive]: [f64; 3],
) -> Result<(), FieldFault> {
    for (path, value) in [
        ("readings.negative_V", negative),
        ("readings.positive_V", positive),
    ] {
        if meter.surely_above(value, pack) {
            let problem = format!("{value} V to the chassis is more than the pack voltage");
            return Err(FieldFault::new(path, problem, format!("at most {pack} V"))
                .mend("read again: the pack voltage goes rail to rail; a chassis outside the rails has another source on it"));
        }
    }
    let (path, higher) = match Side::higher(negative, positive) {
        Side::Negative => ("readings.negative_V", negative),
        Side::Positive => ("readings.positive_V", positive),
    };
    if wiring == Wiring::TwoMeters && meter.surely_above(pack / 2.0, higher) {
        let problem =
            format!("two meters share the pack voltage, and the higher one reads {higher} V");
        return Err(FieldFault::new(path, problem, format!("at least half of {pack} V"))
            .mend("see that both meters are connected, rail to chassis; one meter that is moved is another wiring"));
    }
    Ok(())
}
