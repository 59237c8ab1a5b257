//! The parts on the chassis node: drive and permanent resistors.

use ohmsplit::config::{Element, Landing};
use ohmsplit::units::Ohms;
use serde::{Deserialize, Serialize};

use super::config::{ohms, standard_uncertainty, volts};
use crate::document::{FieldFault, in_range};

/// The kinds of drive; see the drive table in `ohmsplit formats`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum DriveKind {
    /// ±U through a resistor to the negative rail.
    SourceToNegative,
    /// ±U through a resistor to each rail.
    SourceToBothRails,
    /// A resistor switched to the positive rail, or one to the negative rail.
    SwitchedResistors,
    /// A two-level logic source through a resistor to the negative rail.
    LogicSource,
}

impl DriveKind {
    /// The word in a network document.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::SourceToNegative => "source_to_negative",
            Self::SourceToBothRails => "source_to_both_rails",
            Self::SwitchedResistors => "switched_resistors",
            Self::LogicSource => "logic_source",
        }
    }

    /// The fields that this kind needs; it takes no other.
    const fn needs(self) -> &'static [&'static str] {
        match self {
            Self::SourceToNegative | Self::SourceToBothRails => {
                &["amplitude_V", "series_resistance_ohm"]
            }
            Self::SwitchedResistors => &["positive_resistance_ohm", "negative_resistance_ohm"],
            Self::LogicSource => &["low_V", "high_V", "series_resistance_ohm"],
        }
    }
}

/// The perturbation of the chassis-to-battery voltage.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct DrivePart {
    /// Kind; decides which of the fields below are given.
    pub kind: DriveKind,
    /// U of a source, 0.1 to 1000 V.
    #[serde(rename = "amplitude_V")]
    pub amplitude_v: Option<f64>,
    /// Low level of a logic source, -1000 to 1000 V.
    #[serde(rename = "low_V")]
    pub low_v: Option<f64>,
    /// High level of a logic source, above the low one.
    #[serde(rename = "high_V")]
    pub high_v: Option<f64>,
    /// Resistor in series with a source, 1 Ω to 1 GΩ.
    pub series_resistance_ohm: Option<f64>,
    /// Resistor from P to E, closed in raise.
    pub positive_resistance_ohm: Option<f64>,
    /// Resistor from N to E, closed in lower.
    pub negative_resistance_ohm: Option<f64>,
    /// Limit of error of the source voltage, 0 to 50 %.
    #[serde(default)]
    pub amplitude_tolerance_percent: f64,
    /// Limit of error of the drive's resistors, 0 to 50 %.
    #[serde(default)]
    pub resistance_tolerance_percent: f64,
    /// A known resistor, with a switch of its own that the check alone closes.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub check_resistor: Option<FixedPart>,
}

impl DrivePart {
    fn fields(&self) -> [(&'static str, Option<f64>); 6] {
        [
            ("amplitude_V", self.amplitude_v),
            ("low_V", self.low_v),
            ("high_V", self.high_v),
            ("series_resistance_ohm", self.series_resistance_ohm),
            ("positive_resistance_ohm", self.positive_resistance_ohm),
            ("negative_resistance_ohm", self.negative_resistance_ohm),
        ]
    }

    /// A field that the kind needs.
    fn need(&self, field: &str) -> Result<f64, FieldFault> {
        self.fields()
            .into_iter()
            .find_map(|(name, value)| (name == field).then_some(value).flatten())
            .ok_or_else(|| {
                let kind = self.kind.word();
                FieldFault::new(
                    &format!("drive.{field}"),
                    format!("missing, and a {kind} drive needs it"),
                    self.kind.needs().join(", "),
                )
                .mend(format!("add {field} to the [drive] table"))
            })
    }

    pub(super) fn check(&self) -> Result<(), FieldFault> {
        let needs = self.kind.needs();
        for (field, value) in self.fields() {
            let path = format!("drive.{field}");
            if needs.contains(&field) {
                let value = self.need(field)?;
                match field {
                    "amplitude_V" => in_range(&path, value, 0.1..=1000.0, "V")?,
                    "low_V" | "high_V" => in_range(&path, value, -1000.0..=1000.0, "V")?,
                    _ => in_range(&path, value, 1.0..=1.0e9, "ohm")?,
                };
            } else if value.is_some() {
                let problem = format!("a {} drive has no such field", self.kind.word());
                return Err(FieldFault::new(&path, problem, needs.join(", "))
                    .mend("remove the field, or correct drive.kind"));
            }
        }
        if let (Some(low), Some(high)) = (self.low_v, self.high_v)
            && low >= high
        {
            let problem = format!("the low level, {low} V, is not below the high level, {high} V");
            return Err(FieldFault::new(
                "drive.high_V",
                problem,
                "more than drive.low_V",
            ));
        }
        for (field, percent) in [
            (
                "amplitude_tolerance_percent",
                self.amplitude_tolerance_percent,
            ),
            (
                "resistance_tolerance_percent",
                self.resistance_tolerance_percent,
            ),
        ] {
            in_range(&format!("drive.{field}"), percent, 0.0..=50.0, "percent")?;
        }
        if let Some(part) = &self.check_resistor {
            part.check("drive.check_resistor")?;
        }
        Ok(())
    }

    /// The drive's parts for the core.
    ///
    /// # Errors
    /// A field that the kind needs and that is missing.
    pub(super) fn elements(&self) -> Result<Vec<Element>, FieldFault> {
        let series = || self.need("series_resistance_ohm").map(ohms);
        let parts = match self.kind {
            DriveKind::SourceToNegative => vec![Element::source_to_negative(
                volts(self.need("amplitude_V")?),
                series()?,
            )],
            DriveKind::SourceToBothRails => vec![Element::source_to_both_rails(
                volts(self.need("amplitude_V")?),
                series()?,
            )],
            DriveKind::LogicSource => vec![Element::logic_source(
                volts(self.need("low_V")?),
                volts(self.need("high_V")?),
                series()?,
            )],
            DriveKind::SwitchedResistors => vec![
                Element::switched_to_positive(ohms(self.need("positive_resistance_ohm")?)),
                Element::switched_to_negative(ohms(self.need("negative_resistance_ohm")?)),
            ],
        };
        let resistance_u = standard_uncertainty(self.resistance_tolerance_percent);
        let emf_u = standard_uncertainty(self.amplitude_tolerance_percent);
        let known = self.check_resistor.as_ref();
        Ok(parts
            .into_iter()
            .map(|part| part.with_uncertainty(resistance_u, emf_u))
            .chain(known.map(|part| part.element(Element::check_resistor)))
            .collect())
    }
}

/// A rail of the pack.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Rail {
    /// P.
    Positive,
    /// N.
    Negative,
}

impl Rail {
    /// P or N.
    #[must_use]
    pub const fn letter(self) -> &'static str {
        match self {
            Self::Positive => "P",
            Self::Negative => "N",
        }
    }

    /// The word in a network document.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Positive => "positive",
            Self::Negative => "negative",
        }
    }
}

/// A resistor between the chassis and a rail: one that stays connected, or the
/// check resistor.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct FixedPart {
    /// The rail.
    pub to: Rail,
    /// 1 Ω to 1 GΩ.
    pub resistance_ohm: f64,
    /// Limit of error, 0 to 50 %.
    #[serde(default)]
    pub tolerance_percent: f64,
}

impl FixedPart {
    pub(super) fn check(&self, path: &str) -> Result<(), FieldFault> {
        let ohm = self.resistance_ohm;
        in_range(&format!("{path}.resistance_ohm"), ohm, 1.0..=1.0e9, "ohm")?;
        let percent = self.tolerance_percent;
        in_range(
            &format!("{path}.tolerance_percent"),
            percent,
            0.0..=50.0,
            "percent",
        )?;
        Ok(())
    }

    pub(super) fn permanent(&self) -> Element {
        self.element(Element::permanent)
    }

    fn element(&self, part: fn(Ohms, Landing) -> Element) -> Element {
        let landing = match self.to {
            Rail::Positive => Landing::Positive,
            Rail::Negative => Landing::Negative,
        };
        let u = standard_uncertainty(self.tolerance_percent);
        part(ohms(self.resistance_ohm), landing).with_uncertainty(u, standard_uncertainty(0.0))
    }
}
