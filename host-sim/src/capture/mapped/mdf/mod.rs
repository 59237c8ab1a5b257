//! ASAM MDF 4: channels of any groups, and CAN frames of bus logging. The
//! only module that opens such files.

mod bus;

use std::path::Path;
use std::sync::Arc;

use falcon_mdf::blocks::SyncType;
use falcon_mdf::{Channel, ChannelGroup, Conversion, Mf4Error, Mf4File, Signal, SignalValues};

use super::background::{Background, Give};
use super::can::{Database, STATE_MEND, unknown_state};
use super::wish::{Role, Search, States, Wish, missing};
use super::{Batch, Lane, ROLES, sample_error};
use crate::document::FieldFault;
use crate::error::HostError;

/// Samples decoded at a time.
const CHUNK: usize = 1 << 14;
/// What finished and unfinished files begin with.
const MAGICS: [&[u8]; 2] = [b"MDF     ", b"UnFinMF "];

pub(super) fn is_mdf(head: &[u8]) -> bool {
    MAGICS.iter().any(|magic| head.starts_with(magic))
}

/// An opened measurement file.
#[derive(Clone)]
pub(in crate::capture) struct Measurement {
    pub(super) name: String,
    file: Arc<Mf4File>,
}

/// A channel to read, and what for.
#[derive(Clone)]
struct Column {
    wish: Wish,
    channel: Channel,
}

impl Measurement {
    pub(super) fn open(path: &Path) -> Result<Self, HostError> {
        let name = path.display().to_string();
        // Not mapped into memory: a file that shrinks meanwhile would end the program.
        let file = Mf4File::open_buffered(path).map_err(|error| unreadable(&name, &error))?;
        Ok(Self {
            name,
            file: Arc::new(file),
        })
    }

    pub(super) fn channels(&self) -> Vec<String> {
        let names = self.file.channels().filter(|channel| !channel.is_master());
        names.map(|channel| channel.name.clone()).collect()
    }

    /// A lane for each channel group, and one for all CAN frames.
    pub(super) fn lanes(&self, search: &Search<'_>) -> Result<Vec<Lane>, FieldFault> {
        let database = search.dbc.as_deref().map(Database::read).transpose()?;
        let on_bus = |wish: &&Wish| database.as_ref().is_some_and(|dbc| dbc.has(wish));
        let (signals, plain): (Vec<&Wish>, Vec<&Wish>) = search.wishes.iter().partition(on_bus);
        let mut groups: Vec<Vec<Column>> = Vec::new();
        for wish in plain {
            let channel = self.find(wish, search, database.as_ref())?.clone();
            let place = |channel: &Channel| (channel.data_group_index, channel.channel_group_index);
            let column = Column {
                wish: wish.clone(),
                channel,
            };
            let same =
                |group: &&mut Vec<Column>| place(&group[0].channel) == place(&column.channel);
            match groups.iter_mut().find(same) {
                Some(group) => group.push(column),
                None => groups.push(vec![column]),
            }
        }
        let mut lanes = Vec::new();
        for columns in groups {
            lanes.push(self.group_lane(columns, search)?);
        }
        if let (Some(database), false) = (&database, signals.is_empty()) {
            lanes.push(self.frame_lane(database.decoder(search, &signals)?, &signals)?);
        }
        Ok(lanes)
    }

    /// The one channel that a wish names.
    fn find(
        &self,
        wish: &Wish,
        search: &Search<'_>,
        database: Option<&Database>,
    ) -> Result<&Channel, FieldFault> {
        let name = &wish.source.channel;
        let all = self.file.find_channels(name);
        let group_of = |channel: &Channel| {
            let group = self.group(channel);
            let number = self.group_number(channel);
            (number, group.acquisition_name.clone())
        };
        let chosen = |channel: &&&Channel| match &wish.source.group {
            None => true,
            Some(wanted) => {
                let (number, name) = group_of(channel);
                name == *wanted || number.to_string() == *wanted
            }
        };
        let found: Vec<&Channel> = all.iter().filter(chosen).copied().collect();
        let groups = || {
            let groups = all.iter().map(|channel| match group_of(channel) {
                (number, name) if name.is_empty() => number.to_string(),
                (number, name) => format!("{number} ({name})"),
            });
            groups.collect::<Vec<_>>().join(", ")
        };
        let channel = match found[..] {
            [channel] => channel,
            [] if all.is_empty() => {
                let mut names = self.channels();
                names.extend(database.iter().flat_map(|dbc| dbc.signals()));
                return Err(missing(&wish.path, name, search.file, &names));
            }
            _ => {
                let problem = format!("channel {name} is in the groups {}", groups());
                return Err(FieldFault::new(&wish.path, problem, "one of them")
                    .mend("choose with { channel = ..., group = \"NUMBER OR NAME\" }"));
            }
        };
        wish.check_unit(&channel.unit)?;
        if wish.role != Role::Drive && !channel.value_kind().is_numeric() {
            let problem = format!("channel {name} holds no numbers");
            return Err(FieldFault::new(&wish.path, problem, "a channel of numbers"));
        }
        Ok(channel)
    }

    fn group(&self, channel: &Channel) -> &ChannelGroup {
        &self.file.data_groups()[channel.data_group_index].channel_groups
            [channel.channel_group_index]
    }

    /// Groups counted over the whole file, from 0.
    fn group_number(&self, channel: &Channel) -> usize {
        let before = &self.file.data_groups()[..channel.data_group_index];
        let groups: usize = before.iter().map(|data| data.channel_groups.len()).sum();
        groups + channel.channel_group_index
    }

    fn group_lane(&self, columns: Vec<Column>, search: &Search<'_>) -> Result<Lane, FieldFault> {
        let group = self.group(&columns[0].channel);
        let time = match &search.time {
            Some(source) => {
                let found = group.find_channel(&source.channel).ok_or_else(|| {
                    let names: Vec<String> = group
                        .channels
                        .iter()
                        .map(|channel| channel.name.clone())
                        .collect();
                    missing("channels.time", &source.channel, search.file, &names)
                })?;
                (found.clone(), source.scale, source.offset)
            }
            None => (time_axis(group, &columns[0])?, 1.0, 0.0),
        };
        let mut carries = [false; ROLES];
        for column in &columns {
            carries[column.wish.role as usize] = true;
        }
        let (this, states) = (self.clone(), search.states.clone());
        let work = move |give: &mut Give<'_>| this.read_group(&time, &columns, &states, give);
        Ok(Lane {
            carries,
            source: Box::new(Background::new(&self.name, work)),
        })
    }

    fn read_group(
        &self,
        (time, scale, offset): &(Channel, f64, f64),
        columns: &[Column],
        states: &States,
        give: &mut Give<'_>,
    ) -> Result<(), HostError> {
        self.refuse_truncated(time)?;
        let all: Vec<&Channel> = std::iter::once(time)
            .chain(columns.iter().map(|column| &column.channel))
            .collect();
        let bad = |error: Mf4Error| unreadable(&self.name, &error);
        let mut before = 0;
        for signals in self.file.signals_chunks(&all, CHUNK).map_err(bad)? {
            let signals = signals.map_err(bad)?;
            let mut batch = Batch {
                times: numbers(&signals[0]).map_err(bad)?,
                ..Batch::default()
            };
            if (*scale, *offset) != (1.0, 0.0) {
                batch
                    .times
                    .iter_mut()
                    .for_each(|time| *time = *time * scale + offset);
            }
            for (column, signal) in columns.iter().zip(&signals[1..]) {
                let role = column.wish.role;
                batch.values[role as usize] = if role == Role::Drive {
                    self.states(signal, states, before)?
                } else {
                    let mut values = numbers(signal).map_err(bad)?;
                    values
                        .iter_mut()
                        .for_each(|value| *value = column.wish.scaled(*value));
                    values
                };
            }
            before += batch.times.len() as u64;
            if !give(batch) {
                return Ok(());
            }
        }
        Ok(())
    }

    /// The drive states of a chunk, as codes.
    fn states(&self, signal: &Signal, states: &States, before: u64) -> Result<Vec<f64>, HostError> {
        let bad = |error: Mf4Error| unreadable(&self.name, &error);
        let channel = signal.channel();
        let told = |place: usize, text: Option<&str>, value: f64| {
            let number = before + place as u64 + 1;
            sample_error(
                &self.name,
                &channel.name,
                number,
                unknown_state(text, value),
            )
            .expected(states.known())
            .mend(STATE_MEND)
        };
        let labelled = matches!(
            channel.conversion,
            Conversion::ValueToText { .. } | Conversion::RangeToText { .. }
        );
        let values = if labelled {
            signal.raw_values()
        } else {
            signal.values()
        };
        let mut codes = Vec::with_capacity(signal.len());
        match values.map_err(bad)? {
            SignalValues::Str(texts) => {
                for (place, text) in texts.iter().enumerate() {
                    let code = states.of_text(text.trim_end_matches('\0'));
                    codes.push(code.ok_or_else(|| told(place, Some(text), f64::NAN))?);
                }
            }
            values => {
                // A state lasts for many samples: the table is asked when it changes.
                let mut last = (f64::NAN, f64::NAN);
                for (place, value) in values.to_f64().into_iter().enumerate() {
                    if value != last.0 {
                        let text = channel.conversion.convert_text(value, channel.is_float());
                        let code = match &text {
                            Some(text) if labelled => states.of_text(text),
                            _ => states.of_number(value),
                        };
                        let code = code.ok_or_else(|| told(place, text.as_deref(), value))?;
                        last = (value, code);
                    }
                    codes.push(last.1);
                }
            }
        }
        hide_invalid(signal, &mut codes);
        Ok(codes)
    }

    /// A file that declares more samples of a group than it holds was cut.
    fn refuse_truncated(&self, channel: &Channel) -> Result<(), HostError> {
        let group = self.group(channel);
        let declared = self.declared(group).unwrap_or(group.sample_count);
        if declared <= group.sample_count || self.file.unfinalized().is_some() {
            return Ok(());
        }
        let held = group.sample_count;
        let problem =
            format!("the file ends too early: {declared} samples declared, {held} are there");
        Err(sample_error(&self.name, &channel.name, held + 1, problem)
            .expected("a whole ASAM MDF 4 file")
            .mend("copy the file again from where it was recorded"))
    }

    /// Number of samples by the file's own words (ASAM MDF 4: `cg_cycle_count`,
    /// the second word behind the links of the block).
    fn declared(&self, group: &ChannelGroup) -> Option<u64> {
        let word = |at: u64| {
            let bytes = self.file.read_raw(at, 8).ok()?;
            Some(u64::from_le_bytes(bytes.try_into().ok()?))
        };
        let block = group.block_offset();
        let links = word(block + 16)?;
        word(block + 24 + links.checked_mul(8)?.checked_add(8)?)
    }
}

/// The time axis of a group, in seconds.
fn time_axis(group: &ChannelGroup, column: &Column) -> Result<Channel, FieldFault> {
    let fault = |problem: String| {
        FieldFault::new(
            &column.wish.path,
            problem,
            "a channel of a group with a time axis",
        )
        .mend("name the channel with the time in seconds: time = \"...\" in [channels]")
    };
    let name = &column.wish.source.channel;
    let axis = group
        .master_channel()
        .ok_or_else(|| fault(format!("the group of channel {name} has no time axis")))?;
    let in_seconds = axis.unit.is_empty() || axis.unit == "s";
    if axis.sync_type != SyncType::Time || !in_seconds {
        let problem = format!(
            "the axis {} of channel {name} is not time in seconds",
            axis.name
        );
        return Err(fault(problem));
    }
    Ok(axis.clone())
}

/// Values as numbers, NaN where the file marks them invalid.
fn numbers(signal: &Signal) -> Result<Vec<f64>, Mf4Error> {
    let mut values = match signal.values()? {
        SignalValues::F64(values) => values,
        values => values.to_f64(),
    };
    hide_invalid(signal, &mut values);
    Ok(values)
}

fn hide_invalid(signal: &Signal, values: &mut [f64]) {
    for (value, valid) in values
        .iter_mut()
        .zip(signal.validity().into_iter().flatten())
    {
        if !valid {
            *value = f64::NAN;
        }
    }
}

fn unreadable(file: &str, error: &Mf4Error) -> HostError {
    match error {
        Mf4Error::Io(error) if error.kind() != std::io::ErrorKind::UnexpectedEof => {
            HostError::system(file, "cannot read", error)
        }
        error => HostError::input(format!("cannot be read as MDF: {error}"))
            .in_file(file)
            .expected("a whole ASAM MDF file, version 4.00 to 4.20")
            .mend("copy the file again from where it was recorded, or convert an older version"),
    }
}
