//! CAN frames to values, by the signals of a DBC.

use std::collections::BTreeMap;
use std::path::Path;

use falcon_mdf::candb::{CanDatabase, MessageDef, Multiplexing};

use super::ROLES;
use super::wish::{Search, States, Wish, missing};
use crate::document::FieldFault;

/// A logged frame.
pub(super) struct Frame<'a> {
    pub(super) id: u32,
    /// Number of the bus; 0 when the log does not say.
    pub(super) bus: u8,
    pub(super) data: &'a [u8],
}

/// One value that is taken from a signal.
#[derive(Clone)]
struct Target {
    wish: Wish,
    id: u32,
    signal: String,
    /// The bus that the message came from first.
    bus: Option<u8>,
}

/// Takes the values that are looked for from frames.
#[derive(Clone)]
pub(super) struct Decoder {
    /// Only the signals that are needed.
    database: CanDatabase,
    targets: Vec<Target>,
    states: States,
}

/// What is wrong with a frame.
pub(super) struct BadFrame {
    pub(super) channel: String,
    pub(super) problem: String,
    pub(super) expected: String,
    pub(super) mend: &'static str,
}

/// A database, and how its signals are named.
pub(super) struct Database(CanDatabase);

impl Database {
    /// Reads a DBC file.
    ///
    /// # Errors
    /// The field `channels.dbc`.
    pub(super) fn read(path: &Path) -> Result<Self, FieldFault> {
        let shown = path.display();
        let fault = |problem: String| {
            FieldFault::new("channels.dbc", problem, "a DBC file of the CAN bus")
                .mend("correct the name of the file, or the file")
        };
        let bytes =
            std::fs::read(path).map_err(|error| fault(format!("cannot read {shown}: {error}")))?;
        // Much older than UTF-8, and seldom in it: the bytes of Latin 1 are its characters.
        let text = String::from_utf8(bytes)
            .unwrap_or_else(|error| error.as_bytes().iter().map(|&byte| byte as char).collect());
        let database = CanDatabase::from_dbc(text.as_bytes()).map_err(|error| {
            let told = can_dbc::Dbc::try_from(text.as_str()).err();
            let told = told.map_or_else(|| error.to_string(), |error| error.to_string());
            fault(format!(
                "{shown} is no DBC: {}",
                told.trim().replace('\n', " ")
            ))
        })?;
        if database.messages().is_empty() {
            return Err(fault(format!("{shown} describes no message")));
        }
        Ok(Self(database))
    }

    fn find(&self, channel: &str) -> Option<(&MessageDef, String)> {
        let (message, signal) = channel.split_once('.')?;
        let found = self
            .0
            .messages()
            .iter()
            .find(|known| known.name == message)?;
        let known = found.signals.iter().any(|known| known.name == signal);
        known.then(|| (found, signal.to_owned()))
    }

    /// Whether a channel is a signal of this database.
    pub(super) fn has(&self, wish: &Wish) -> bool {
        self.find(&wish.source.channel).is_some()
    }

    /// All signals as `Message.Signal`.
    pub(super) fn signals(&self) -> Vec<String> {
        let messages = self.0.messages().iter();
        messages
            .flat_map(|message| {
                let signals = message.signals.iter();
                signals.map(|signal| format!("{}.{}", message.name, signal.name))
            })
            .collect()
    }

    /// The decoder of those wishes that are signals.
    ///
    /// # Errors
    /// A signal in another unit, or one that is not there.
    pub(super) fn decoder(
        &self,
        search: &Search<'_>,
        wishes: &[&Wish],
    ) -> Result<Decoder, FieldFault> {
        let mut needed: BTreeMap<u32, MessageDef> = BTreeMap::new();
        let mut targets = Vec::new();
        for &wish in wishes {
            let channel = &wish.source.channel;
            let Some((message, signal)) = self.find(channel) else {
                return Err(missing(&wish.path, channel, search.file, &self.signals()));
            };
            let entry = needed.entry(message.id).or_insert_with(|| MessageDef {
                signals: Vec::new(),
                ..message.clone()
            });
            for known in &message.signals {
                // Multiplexors decide whether a signal is there.
                let counts = known.name == signal || known.multiplexing != Multiplexing::None;
                if counts && !entry.signals.contains(known) {
                    entry.signals.push(known.clone());
                }
                if known.name == signal {
                    wish.check_unit(&known.unit)?;
                }
            }
            targets.push(Target {
                wish: wish.clone(),
                id: message.id,
                signal,
                bus: wish.source.bus,
            });
        }
        Ok(Decoder {
            database: CanDatabase::new(needed.into_values().collect()),
            targets,
            states: search.states.clone(),
        })
    }
}

impl Decoder {
    /// The values by role that a frame holds, NaN where it holds none; `None`
    /// when it holds none at all.
    pub(super) fn decode(&mut self, frame: &Frame<'_>) -> Result<Option<[f64; ROLES]>, BadFrame> {
        if !self.targets.iter().any(|target| target.id == frame.id) {
            return Ok(None);
        }
        let decoded = self.database.decode(frame.id, frame.data);
        let mut values = [f64::NAN; ROLES];
        let mut any = false;
        for target in &mut self.targets {
            if target.id != frame.id || target.wish.source.bus.is_some_and(|bus| bus != frame.bus) {
                continue;
            }
            let Some(signal) = decoded.iter().find(|known| known.name == target.signal) else {
                continue;
            };
            let first = *target.bus.get_or_insert(frame.bus);
            if first != frame.bus {
                return Err(BadFrame {
                    channel: target.wish.source.channel.clone(),
                    problem: format!("the message comes on bus {first} and on bus {}", frame.bus),
                    expected: "one bus".to_owned(),
                    mend: "choose one: { channel = ..., bus = ... } in the [channels] table",
                });
            }
            let role = target.wish.role;
            values[role as usize] = match role {
                super::Role::Drive => {
                    let by_text = signal.text.and_then(|text| self.states.of_text(text));
                    let state = by_text.or_else(|| self.states.of_number(signal.value));
                    state.ok_or_else(|| BadFrame {
                        channel: target.wish.source.channel.clone(),
                        problem: unknown_state(signal.text, signal.value),
                        expected: self.states.known(),
                        mend: STATE_MEND,
                    })?
                }
                _ => target.wish.scaled(signal.value),
            };
            any = true;
        }
        Ok(any.then_some(values))
    }
}

/// How an unknown drive state is mended.
pub(super) const STATE_MEND: &str =
    "say in channels.drive_states which drive state each value of the channel means";

/// A value that no drive state has.
pub(super) fn unknown_state(text: Option<&str>, value: f64) -> String {
    match text {
        Some(text) => format!("\"{text}\" is not a drive state"),
        None => format!("{value} is not a drive state"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The whole database of a DBC, decoded as captures are.
    fn decode(database: &Database, id: u32, data: &[u8]) -> Vec<(String, f64)> {
        let signals = database.0.decode(id, data);
        signals
            .into_iter()
            .map(|signal| (signal.name.to_owned(), signal.value))
            .collect()
    }

    /// Values by the Python library cantools, of signals in both byte orders,
    /// signed and not, scaled, multiplexed, across byte borders.
    #[test]
    fn signals_are_decoded_as_an_independent_library_decodes_them() {
        let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/../hil-fixtures/formats/");
        let database =
            Database::read(Path::new(&format!("{folder}signals.dbc"))).expect("a database");
        let table = std::fs::read_to_string(format!("{folder}signals.csv")).expect("a table");
        let mut seen = 0;
        for line in table.lines().filter(|line| !line.starts_with('#')).skip(1) {
            let fields: Vec<&str> = line.split(',').collect();
            let [id, data, signal, value] = fields[..] else {
                panic!("{line}")
            };
            let bytes = super::super::frames::hex(data.as_bytes()).expect("hex");
            let id: u32 = id.parse().expect("an identifier");
            let value: f64 = value.parse().expect("a number");
            let found = decode(&database, id, &bytes);
            let found = found.iter().find(|(name, _)| name == signal);
            let (_, found) = found.unwrap_or_else(|| panic!("{line}"));
            assert!(
                (found - value).abs() <= 1e-12 * value.abs(),
                "{line}: {found}"
            );
            seen += 1;
        }
        assert!(seen >= 200, "{seen}");
    }
}
