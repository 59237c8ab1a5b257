//! What is looked for in a file: the drive state and the two readings, as the
//! `[channels]` table names them or by the names of the CSV columns.

use std::path::PathBuf;

use ohmsplit::config::Drive;

use super::{Layout, ROLES, code_of_drive};
use crate::document::FieldFault;
use crate::network::{ChannelsPart, NetworkFile, Readings, SourcePart};

/// How long a reading counts when nothing else is said, in seconds.
const STALE_S: f64 = 0.5;

/// What a channel is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Role {
    Drive,
    /// The reading whose samples set the rhythm of the rows.
    First,
    Second,
}

/// One channel that is looked for.
#[derive(Debug, Clone)]
pub(super) struct Wish {
    pub(super) role: Role,
    /// Field of the network document.
    pub(super) path: String,
    pub(super) source: SourcePart,
    /// Unit that a channel must have when it states one.
    unit: Option<String>,
}

impl Wish {
    fn new(role: Role, name: &str, source: SourcePart, unit: Option<&str>) -> Self {
        Self {
            role,
            path: format!("channels.{name}"),
            unit: source.unit.clone().or(unit.map(str::to_owned)),
            source,
        }
    }

    /// Refuses a channel in another unit.
    pub(super) fn check_unit(&self, found: &str) -> Result<(), FieldFault> {
        match &self.unit {
            Some(due) if !found.is_empty() && found != due => {
                let name = &self.source.channel;
                let problem = format!("channel {name} is in {found}, not in {due}");
                Err(FieldFault::new(&self.path, problem, due.as_str()).mend(format!(
                    "name a channel in {due}, or write {{ channel = \"{name}\", unit = \"{found}\", scale = ... }} with the factor from {found} to {due}"
                )))
            }
            _ => Ok(()),
        }
    }

    /// The quantity that the channel's value stands for.
    #[inline]
    pub(super) fn scaled(&self, value: f64) -> f64 {
        value * self.source.scale + self.source.offset
    }
}

/// What the drive channel's values mean.
#[derive(Debug, Clone, Default)]
pub(super) struct States(Vec<(String, Option<f64>, f64)>);

impl States {
    fn new(words: Vec<(String, Drive)>) -> Self {
        let entry = |(text, drive): (String, Drive)| {
            let number = text.trim().parse().ok();
            (text, number, code_of_drive(drive))
        };
        Self(words.into_iter().map(entry).collect())
    }

    /// The drive state of a text, as a code.
    pub(super) fn of_text(&self, text: &str) -> Option<f64> {
        let found = self.0.iter().find(|(known, ..)| known == text);
        found.map(|&(_, _, code)| code)
    }

    /// The drive state of a number, as a code.
    pub(super) fn of_number(&self, value: f64) -> Option<f64> {
        let found = self.0.iter().find(|(_, known, _)| *known == Some(value));
        found.map(|&(_, _, code)| code)
    }

    /// The values that are known, for messages.
    pub(super) fn known(&self) -> String {
        let known: Vec<&str> = self.0.iter().map(|(text, ..)| text.as_str()).collect();
        known.join(", ")
    }
}

/// All that is looked for, and how.
pub(super) struct Search<'a> {
    pub(super) file: &'a str,
    pub(super) layout: Layout,
    pub(super) wishes: [Wish; ROLES],
    /// The channel with the time, where it is not the time axis of a group.
    pub(super) time: Option<SourcePart>,
    pub(super) states: States,
    pub(super) dbc: Option<PathBuf>,
    /// Longest time between two changes of the drive, in seconds.
    dwell_max_s: f64,
}

impl<'a> Search<'a> {
    /// What the document asks for; `names` are the channels that the file has.
    pub(super) fn new(
        network: &NetworkFile,
        file: &'a str,
        names: &[String],
    ) -> Result<Self, FieldFault> {
        let none = ChannelsPart::default();
        let table = network.channels.as_ref().unwrap_or(&none);
        let layout = if table.readings.is_empty() {
            layout_in_file(network, file, names)?
        } else {
            layout_of(table)?
        };
        let unit = (layout.readings == Readings::Volts).then_some("V");
        let [first, second] = layout.columns();
        let source = |name: &str| {
            let given = table.readings.get(name).cloned();
            given.unwrap_or_else(|| SourcePart::named(name))
        };
        let drive = table.drive.clone();
        Ok(Self {
            file,
            layout,
            wishes: [
                Wish::new(
                    Role::Drive,
                    "drive",
                    drive.unwrap_or_else(|| SourcePart::named("drive")),
                    None,
                ),
                Wish::new(Role::First, first, source(first), unit),
                Wish::new(Role::Second, second, source(second), unit),
            ],
            time: table.time.clone(),
            states: States::new(table.states()?),
            dbc: table.dbc.clone(),
            dwell_max_s: network.timing.dwell_max_s,
        })
    }

    pub(super) fn channels(&self) -> [String; ROLES] {
        self.wishes.clone().map(|wish| wish.source.channel)
    }

    /// How long each role's last value counts, in seconds.
    pub(super) fn stale_s(&self) -> [f64; ROLES] {
        let by_default = [self.dwell_max_s, STALE_S, STALE_S];
        std::array::from_fn(|place| {
            let given = self.wishes[place].source.stale_after_s;
            given.unwrap_or(by_default[place])
        })
    }
}

/// The pair of readings that a table names.
fn layout_of(table: &ChannelsPart) -> Result<Layout, FieldFault> {
    let all = "one pair of readings, both in volts or both in codes: chassis_V and pack_V, chassis_code and pack_code, positive_V and negative_V, positive_code and negative_code";
    let known = |name: &str| {
        Layout::ALL
            .iter()
            .any(|layout| layout.columns().contains(&name))
    };
    if let Some(name) = table.readings.keys().find(|name| !known(name)) {
        let path = format!("channels.{name}");
        return Err(
            FieldFault::new(&path, "is no field of this table", all).mend(
                "correct the name; besides readings there are time, drive, drive_states and dbc",
            ),
        );
    }
    let complete = |layout: &&Layout| {
        let columns = layout.columns();
        let all = columns
            .iter()
            .all(|&name| table.readings.contains_key(name));
        all && table.readings.len() == columns.len()
    };
    Layout::ALL.iter().find(complete).copied().ok_or_else(|| {
        let given: Vec<&str> = table.readings.keys().map(String::as_str).collect();
        let problem = format!("{} is no complete pair of readings", given.join(", "));
        FieldFault::new("channels", problem, all).mend("name one pair, and only that")
    })
}

/// The pair of readings that a file has under the names of the CSV columns.
fn layout_in_file(
    network: &NetworkFile,
    file: &str,
    names: &[String],
) -> Result<Layout, FieldFault> {
    let has = |name: &str| names.iter().any(|known| known == name);
    let fits = |layout: &&Layout| {
        layout.kind == network.front_end.kind && layout.columns().into_iter().all(has)
    };
    Layout::ALL.iter().find(fits).copied().ok_or_else(|| {
        let columns = Layout::new(network.front_end.kind, network.readings()).columns();
        missing("channels", columns[0], file, names)
            .mend("say in the [channels] table which channel is what; `ohmsplit formats` shows one")
    })
}

/// The fault of a channel that is not there: lists what there is, nearest
/// names first.
pub(super) fn missing(path: &str, wanted: &str, file: &str, names: &[String]) -> FieldFault {
    const SHOWN: usize = 12;
    let far = |name: &String| {
        let [one, other] = [wanted, name].map(str::to_lowercase);
        // Thousandths: distances of different lengths are comparable.
        1000 - (strsim::normalized_damerau_levenshtein(&one, &other) * 1000.0) as u32
    };
    let mut names: Vec<&String> = names.iter().collect();
    names.sort_by_cached_key(|name| (far(name), (*name).clone()));
    names.dedup();
    let mut expected = names
        .iter()
        .take(SHOWN)
        .map(|name| name.as_str())
        .collect::<Vec<_>>()
        .join(", ");
    if names.len() > SHOWN {
        expected.push_str(&format!(" and {} more", names.len() - SHOWN));
    }
    if names.is_empty() {
        "a file with named channels".clone_into(&mut expected);
    }
    FieldFault::new(path, format!("{file} has no channel {wanted}"), expected)
        .mend("correct the name of the channel")
}
