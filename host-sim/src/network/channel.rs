//! The measuring channels: dividers, converters, calibration.

use std::ops::RangeInclusive;

use ohmsplit::config::{Channel, Divider, FrontEnd};
use ohmsplit::units::Volts;
use serde::{Deserialize, Serialize};

use super::config::{Readings, ohms, ratio, standard_uncertainty, volts};
use crate::document::{FieldFault, in_range};

/// Which voltages the two channels measure.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum FrontEndKind {
    /// v = V(E) - V(N), and Vb = V(P) - V(N).
    ChassisAndPack,
    /// V(P) - V(E), and V(E) - V(N).
    RailPair,
}

impl FrontEndKind {
    /// Names of the two channels, in the order of the core's codes.
    #[must_use]
    pub const fn channels(self) -> [&'static str; 2] {
        match self {
            Self::ChassisAndPack => ["chassis", "pack"],
            Self::RailPair => ["positive", "negative"],
        }
    }

    /// The word in a network document.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::ChassisAndPack => "chassis_and_pack",
            Self::RailPair => "rail_pair",
        }
    }
}

/// The measuring channels.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct FrontEndPart {
    /// Kind; decides which two tables are given.
    pub kind: FrontEndKind,
    /// E to N.
    pub chassis: Option<ChannelPart>,
    /// P to N.
    pub pack: Option<ChannelPart>,
    /// P to E.
    pub positive: Option<ChannelPart>,
    /// E to N.
    pub negative: Option<ChannelPart>,
}

/// One measuring channel. A capture in volts needs none of the converter's fields.
#[derive(Debug, Clone, PartialEq, Default, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct ChannelPart {
    /// Divider, from the terminal to the converter pin, 0 Ω to 1 GΩ.
    pub divider_top_ohm: Option<f64>,
    /// Divider, from the converter pin to the reference terminal, 1 Ω to 1 GΩ.
    pub divider_bottom_ohm: Option<f64>,
    /// Resolution, 1 to 32 bits.
    pub converter_bits: Option<u8>,
    /// Volts at the converter pin that 2^bits codes span, 0.001 to 10,000 V.
    #[serde(rename = "converter_full_scale_V")]
    pub converter_full_scale_v: Option<f64>,
    /// Code at 0 V.
    pub zero_code: Option<i32>,
    /// Codes at or below are saturated; the converter's first code if left
    /// out. A negative one says that codes are signed.
    pub lowest_valid_code: Option<i32>,
    /// Codes at or above are saturated; the converter's last code if left out.
    pub highest_valid_code: Option<i32>,
    /// Limit of error of the whole channel's gain, 0 to 50 %.
    #[serde(default)]
    pub gain_tolerance_percent: f64,
    /// Limit of error of the offset, at the terminals, 0 to 1000 V.
    #[serde(default, rename = "offset_tolerance_V")]
    pub offset_tolerance_v: f64,
    /// Factor by which a reading is multiplied, 0.5 to 2.
    #[serde(default = "one")]
    pub calibration_gain: f64,
    /// Added to a reading, at the terminals, -1000 to 1000 V.
    #[serde(default, rename = "calibration_offset_V")]
    pub calibration_offset_v: f64,
}

const fn one() -> f64 {
    1.0
}

/// The converter of a channel, complete.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Converter {
    /// Resolution.
    pub bits: u8,
    /// Volts at the pin for 2^bits codes.
    pub full_scale_v: f64,
    /// Code at 0 V.
    pub zero_code: i32,
    /// Codes are two's complement.
    pub signed: bool,
}

impl Converter {
    /// All codes that the converter can give.
    #[must_use]
    pub fn codes(&self) -> RangeInclusive<i64> {
        let count = 1i64 << self.bits;
        if self.signed {
            -count / 2..=count / 2 - 1
        } else {
            0..=count - 1
        }
    }
}

impl ChannelPart {
    /// The divider, when both of its resistors are given.
    #[must_use]
    pub fn divider_ohm(&self) -> Option<(f64, f64)> {
        Some((self.divider_top_ohm?, self.divider_bottom_ohm?))
    }

    /// The converter; `path` names the channel in the fault.
    ///
    /// # Errors
    /// The first of its fields that is missing.
    pub fn converter(&self, path: &str) -> Result<Converter, FieldFault> {
        let missing = |field: &str| {
            FieldFault::new(
                &format!("{path}.{field}"),
                "missing, and converter codes mean nothing without it",
                "converter_bits, converter_full_scale_V and zero_code",
            )
            .mend(format!("add {field} to the [{path}] table"))
        };
        Ok(Converter {
            bits: self
                .converter_bits
                .ok_or_else(|| missing("converter_bits"))?,
            full_scale_v: self
                .converter_full_scale_v
                .ok_or_else(|| missing("converter_full_scale_V"))?,
            zero_code: self.zero_code.ok_or_else(|| missing("zero_code"))?,
            signed: self.lowest_valid_code.is_some_and(|code| code < 0),
        })
    }

    fn check(&self, path: &str) -> Result<(), FieldFault> {
        let at = |field: &str| format!("{path}.{field}");
        self.check_divider(path)?;
        let optional = [
            ("divider_top_ohm", self.divider_top_ohm, 0.0..=1.0e9, "ohm"),
            (
                "divider_bottom_ohm",
                self.divider_bottom_ohm,
                1.0..=1.0e9,
                "ohm",
            ),
            (
                "converter_bits",
                self.converter_bits.map(f64::from),
                1.0..=32.0,
                "bits",
            ),
            (
                "converter_full_scale_V",
                self.converter_full_scale_v,
                1e-3..=1e4,
                "V",
            ),
            (
                "gain_tolerance_percent",
                Some(self.gain_tolerance_percent),
                0.0..=50.0,
                "percent",
            ),
            (
                "offset_tolerance_V",
                Some(self.offset_tolerance_v),
                0.0..=1000.0,
                "V",
            ),
            (
                "calibration_gain",
                Some(self.calibration_gain),
                0.5..=2.0,
                "",
            ),
            (
                "calibration_offset_V",
                Some(self.calibration_offset_v),
                -1e3..=1e3,
                "V",
            ),
        ];
        for (field, value, range, unit) in optional {
            if let Some(value) = value {
                in_range(&at(field), value, range, unit)?;
            }
        }
        self.check_span(path)?;
        if self.converter_bits.is_some() {
            self.check_codes(path)?;
        }
        Ok(())
    }

    /// Millivolts, or a divider the wrong way round, reach far beyond any pack.
    fn check_span(&self, path: &str) -> Result<(), FieldFault> {
        const MOST_V: f64 = 20e3;
        let (top, bottom) = self.divider_ohm().unwrap_or((0.0, 1.0));
        let span_v = self.converter_full_scale_v.unwrap_or(0.0) * (top + bottom) / bottom;
        if span_v <= MOST_V {
            return Ok(());
        }
        let field = format!("{path}.converter_full_scale_V");
        let problem = format!("all codes together reach {span_v:.0} V at the terminals");
        Err(FieldFault::new(&field, problem, format!("at most {MOST_V:.0} V")).mend(
            "give the volts at the converter's pin; check that divider_top_ohm is the resistor at the high voltage",
        ))
    }

    /// A divider has two resistors.
    fn check_divider(&self, path: &str) -> Result<(), FieldFault> {
        let (there, absent) = match (self.divider_top_ohm, self.divider_bottom_ohm) {
            (Some(_), None) => ("divider_top_ohm", "divider_bottom_ohm"),
            (None, Some(_)) => ("divider_bottom_ohm", "divider_top_ohm"),
            _ => return Ok(()),
        };
        Err(FieldFault::new(
            &format!("{path}.{absent}"),
            format!("missing, while {there} is given"),
            "both resistors of the divider, or none",
        )
        .mend(format!("add {absent}, or remove {there}")))
    }

    /// Codes that the network names must be codes that the converter has.
    fn check_codes(&self, path: &str) -> Result<(), FieldFault> {
        let codes = self.converter(path)?.codes();
        for (field, code) in [
            ("zero_code", self.zero_code),
            ("lowest_valid_code", self.lowest_valid_code),
            ("highest_valid_code", self.highest_valid_code),
        ] {
            if let Some(code) = code
                && !codes.contains(&i64::from(code))
            {
                let expected = format!("{} to {}", codes.start(), codes.end());
                let problem = format!("{code} is no code of this converter");
                return Err(FieldFault::new(&format!("{path}.{field}"), problem, expected)
                    .mend("correct the code or converter_bits; signed codes need a negative lowest_valid_code"));
            }
        }
        let (lowest, highest) = self.valid_codes(&codes);
        if lowest >= highest {
            return Err(FieldFault::new(
                &format!("{path}.highest_valid_code"),
                format!("{highest} is not above lowest_valid_code, {lowest}"),
                "a valid range with codes in it",
            ));
        }
        Ok(())
    }

    fn valid_codes(&self, codes: &RangeInclusive<i64>) -> (i32, i32) {
        let clamp = |code: i64| i32::try_from(code).unwrap_or(i32::MAX);
        (
            self.lowest_valid_code.unwrap_or(clamp(*codes.start())),
            self.highest_valid_code.unwrap_or(clamp(*codes.end())),
        )
    }

    fn channel(&self, path: &str, readings: Readings) -> Result<Channel, FieldFault> {
        let mut channel = match readings {
            Readings::Volts => MICROVOLTS,
            Readings::Codes => self.converter_channel(path)?,
        };
        channel.gain_u = standard_uncertainty(self.gain_tolerance_percent);
        channel.offset_u = volts(self.offset_tolerance_v / 3f64.sqrt());
        if let Some((top, bottom)) = self.divider_ohm() {
            let divider = Divider {
                top: ohms(top),
                bottom: ohms(bottom),
            };
            if readings == Readings::Volts {
                // Already at the terminals: the divider only loads.
                channel.divider = Some(divider);
            } else if let Some(scaled) = channel.behind(divider) {
                channel = scaled;
            }
        }
        Ok(channel)
    }

    fn converter_channel(&self, path: &str) -> Result<Channel, FieldFault> {
        let converter = self.converter(path)?;
        let (lowest, highest) = self.valid_codes(&converter.codes());
        Ok(Channel {
            bits: converter.bits,
            zero_code: converter.zero_code,
            span: volts(converter.full_scale_v * self.calibration_gain),
            offset: volts(self.calibration_offset_v),
            lowest,
            highest,
            ..MICROVOLTS
        })
    }
}

/// The channel of a capture in volts: one code is a microvolt.
const MICROVOLTS: Channel = Channel {
    bits: 32,
    zero_code: 0,
    // 2^32 µV: 2^32 · 2^32 / 10^6 in units of 2^-32 V.
    span: Volts::from_bits((1i128 << 64).wrapping_div(1_000_000) as i64),
    offset: Volts::ZERO,
    lowest: i32::MIN,
    highest: i32::MAX,
    gain_u: ratio(0),
    offset_u: Volts::ZERO,
    divider: None,
};

impl FrontEndPart {
    /// The two channels in the order of the core's codes; an empty one where
    /// the document gives no table.
    #[must_use]
    pub fn channels(&self) -> [ChannelPart; 2] {
        let pair = match self.kind {
            FrontEndKind::ChassisAndPack => [&self.chassis, &self.pack],
            FrontEndKind::RailPair => [&self.positive, &self.negative],
        };
        pair.map(|part| part.clone().unwrap_or_default())
    }

    pub(super) fn check(&self) -> Result<(), FieldFault> {
        let tables = [
            ("chassis", &self.chassis),
            ("pack", &self.pack),
            ("positive", &self.positive),
            ("negative", &self.negative),
        ];
        for (name, part) in tables {
            let Some(part) = part else { continue };
            let path = format!("front_end.{name}");
            if !self.kind.channels().contains(&name) {
                let problem = format!("a {} front end has no such channel", self.kind.word());
                return Err(
                    FieldFault::new(&path, problem, self.kind.channels().join(" and "))
                        .mend("remove the table, or correct front_end.kind"),
                );
            }
            part.check(&path)?;
        }
        Ok(())
    }

    pub(super) fn front_end(&self, readings: Readings) -> Result<FrontEnd, FieldFault> {
        let [one, two] = self.kind.channels();
        let [first, second] = self.channels();
        let first = first.channel(&format!("front_end.{one}"), readings)?;
        let second = second.channel(&format!("front_end.{two}"), readings)?;
        Ok(match self.kind {
            FrontEndKind::ChassisAndPack => FrontEnd::ChassisAndPack {
                chassis: first,
                pack: second,
            },
            FrontEndKind::RailPair => FrontEnd::RailPair {
                positive: first,
                negative: second,
            },
        })
    }
}
