//! The `[channels]` table: which channel of a measurement file holds what.
//! CSV captures have fixed column names and need none.

use std::collections::BTreeMap;
use std::fmt;
use std::path::{Path, PathBuf};

use ohmsplit::config::Drive;
use serde::de::value::MapAccessDeserializer;
use serde::de::{MapAccess, Visitor};
use serde::{Deserialize, Deserializer, Serialize};

use super::drive_of;
use crate::document::{FieldFault, in_range};

/// Channels by what they hold. A reading is named as its column in a CSV
/// capture: `chassis_V`, `pack_code` and so on.
#[derive(Debug, Clone, PartialEq, Default, Deserialize, Serialize)]
pub struct ChannelsPart {
    /// Database of the CAN frames; a relative path starts at this document.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dbc: Option<PathBuf>,
    /// Seconds; the time axis of the channel's group when left out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub time: Option<SourcePart>,
    /// The drive state.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub drive: Option<SourcePart>,
    /// What the drive channel's values mean: numbers or texts to `rest`,
    /// `raise`, `lower` or `check`. Those words themselves when left out.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub drive_states: BTreeMap<String, String>,
    /// The two readings.
    #[serde(flatten)]
    pub readings: BTreeMap<String, SourcePart>,
}

/// Where a value comes from. A text alone is the name of the channel.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SourcePart {
    /// Name of the channel; for a CAN signal `Message.Signal`.
    pub channel: String,
    /// Name or number of the channel group, where names are not unique.
    pub group: Option<String>,
    /// Number of the CAN bus, where the message is on several.
    pub bus: Option<u8>,
    /// Unit that the file must state, if it states one.
    pub unit: Option<String>,
    /// The value is the channel's value times this ...
    pub scale: f64,
    /// ... plus this.
    pub offset: f64,
    /// How long the last value counts, in seconds.
    pub stale_after_s: Option<f64>,
}

impl SourcePart {
    /// A channel whose values are taken as they are.
    #[must_use]
    pub fn named(channel: &str) -> Self {
        Self {
            channel: channel.to_owned(),
            group: None,
            bus: None,
            unit: None,
            scale: 1.0,
            offset: 0.0,
            stale_after_s: None,
        }
    }

    fn check(&self, path: &str) -> Result<(), FieldFault> {
        if self.scale == 0.0 {
            let fault = FieldFault::new(&format!("{path}.scale"), "is zero", "another number");
            return Err(fault);
        }
        in_range(&format!("{path}.scale"), self.scale, -1e12..=1e12, "")?;
        in_range(&format!("{path}.offset"), self.offset, -1e12..=1e12, "")?;
        if let Some(limit) = self.stale_after_s {
            in_range(&format!("{path}.stale_after_s"), limit, 1e-6..=1e6, "s")?;
        }
        Ok(())
    }
}

/// The table form of a [`SourcePart`].
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SourceTable {
    channel: String,
    group: Option<Group>,
    bus: Option<u8>,
    unit: Option<String>,
    #[serde(default = "one")]
    scale: f64,
    #[serde(default)]
    offset: f64,
    stale_after_s: Option<f64>,
}

/// A group by its name, or by its number.
#[derive(Deserialize)]
#[serde(untagged, expecting = "the name or the number of a group")]
enum Group {
    Name(String),
    Number(u64),
}

const fn one() -> f64 {
    1.0
}

impl<'de> Deserialize<'de> for SourcePart {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Form;
        impl<'de> Visitor<'de> for Form {
            type Value = SourcePart;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("the name of a channel, or a table with `channel`")
            }

            fn visit_str<E>(self, name: &str) -> Result<SourcePart, E> {
                Ok(SourcePart::named(name))
            }

            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<SourcePart, A::Error> {
                let table = SourceTable::deserialize(MapAccessDeserializer::new(map))?;
                Ok(SourcePart {
                    channel: table.channel,
                    group: table.group.map(|group| match group {
                        Group::Name(name) => name,
                        Group::Number(number) => number.to_string(),
                    }),
                    bus: table.bus,
                    unit: table.unit,
                    scale: table.scale,
                    offset: table.offset,
                    stale_after_s: table.stale_after_s,
                })
            }
        }
        deserializer.deserialize_any(Form)
    }
}

impl ChannelsPart {
    /// Paths of files become paths from where the program runs.
    pub(super) fn resolve(&mut self, document: &str) {
        if let (Some(dbc), Some(folder)) = (&mut self.dbc, Path::new(document).parent()) {
            *dbc = folder.join(&*dbc);
        }
    }

    pub(super) fn check(&self) -> Result<(), FieldFault> {
        let fixed = [("time", &self.time), ("drive", &self.drive)];
        for (name, source) in fixed {
            if let Some(source) = source {
                source.check(&format!("channels.{name}"))?;
            }
        }
        for (name, source) in &self.readings {
            source.check(&format!("channels.{name}"))?;
        }
        self.states().map(drop)
    }

    /// What the drive channel's values mean, as texts.
    ///
    /// # Errors
    /// The entry that names no drive state.
    pub fn states(&self) -> Result<Vec<(String, Drive)>, FieldFault> {
        if self.drive_states.is_empty() {
            return Ok(Drive::ALL
                .into_iter()
                .map(|drive| (drive.name().to_owned(), drive))
                .collect());
        }
        self.drive_states
            .iter()
            .map(|(value, word)| {
                let drive = drive_of(word).ok_or_else(|| {
                    FieldFault::new(
                        &format!("channels.drive_states.{value}"),
                        format!("\"{word}\" is not a drive state"),
                        "rest, raise, lower or check",
                    )
                })?;
                Ok((value.clone(), drive))
            })
            .collect()
    }
}
