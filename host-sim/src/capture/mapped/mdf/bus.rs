//! CAN frames of bus logging.

use falcon_mdf::{ChannelGroup, Mf4Error, SignalValues, SignalsChunks};

use super::{CHUNK, Measurement, numbers, unreadable};
use crate::capture::mapped::background::{Background, Give};
use crate::capture::mapped::can::{Decoder, Frame};
use crate::capture::mapped::wish::Wish;
use crate::capture::mapped::{Batch, Lane, ROLES, sample_error};
use crate::document::FieldFault;
use crate::error::HostError;

impl Measurement {
    /// The lane of all CAN frames.
    pub(super) fn frame_lane(
        &self,
        decoder: Decoder,
        wishes: &[&Wish],
    ) -> Result<Lane, FieldFault> {
        let groups = self.file.can_frame_groups();
        if groups.is_empty() {
            let problem = format!("{} has no CAN frames", self.name);
            return Err(
                FieldFault::new("channels.dbc", problem, "a file with CAN bus logging")
                    .mend("name channels that the file has, or record the bus"),
            );
        }
        let groups: Vec<ChannelGroup> = groups.into_iter().cloned().collect();
        let mut carries = [false; ROLES];
        for wish in wishes {
            carries[wish.role as usize] = true;
        }
        let this = self.clone();
        let work = move |give: &mut Give<'_>| this.read_frames(&groups, decoder, give);
        Ok(Lane {
            carries,
            source: Box::new(Background::new(&self.name, work)),
        })
    }

    /// The frames of all groups in order of time, decoded.
    fn read_frames(
        &self,
        groups: &[ChannelGroup],
        mut decoder: Decoder,
        give: &mut Give<'_>,
    ) -> Result<(), HostError> {
        let mut streams = Vec::new();
        for group in groups {
            streams.push(FrameStream::new(self, group)?);
        }
        let mut batch = Batch::default();
        loop {
            // Few groups: the earliest is found by looking at each.
            let mut earliest: Option<(f64, usize)> = None;
            for (place, stream) in streams.iter_mut().enumerate() {
                if let Some(time_s) = stream.peek()?
                    && earliest.is_none_or(|(first_s, _)| time_s < first_s)
                {
                    earliest = Some((time_s, place));
                }
            }
            let Some((time_s, place)) = earliest else {
                break;
            };
            let stream = &mut streams[place];
            let decoded = decoder.decode(&stream.frame()).map_err(|bad| {
                sample_error(&self.name, &bad.channel, stream.number(), bad.problem)
                    .expected(bad.expected)
                    .mend(bad.mend)
            })?;
            stream.at += 1;
            if let Some(values) = decoded {
                batch.push(time_s, values);
            }
            if batch.times.len() >= CHUNK && !give(std::mem::take(&mut batch)) {
                return Ok(());
            }
        }
        give(batch);
        Ok(())
    }
}

/// The frames of one group, a chunk at a time.
struct FrameStream<'a> {
    measurement: &'a Measurement,
    chunks: SignalsChunks<'a>,
    has_length: bool,
    times: Vec<f64>,
    ids: Vec<f64>,
    payloads: SignalValues,
    lengths: Vec<f64>,
    buses: Vec<f64>,
    at: usize,
    before: u64,
}

impl<'a> FrameStream<'a> {
    fn new(measurement: &'a Measurement, group: &ChannelGroup) -> Result<Self, HostError> {
        let bad = |error: Mf4Error| unreadable(&measurement.name, &error);
        let field = |name: &str| group.find_channel(&format!("CAN_DataFrame.{name}"));
        let absent = || {
            bad(Mf4Error::ChannelNotFound {
                name: "CAN_DataFrame".to_owned(),
            })
        };
        let time = group.master_channel().ok_or_else(absent)?;
        measurement.refuse_truncated(time)?;
        let mut channels = vec![
            time,
            field("ID").ok_or_else(absent)?,
            field("DataBytes").ok_or_else(absent)?,
        ];
        let length = field("DataLength");
        channels.extend(length);
        channels.extend(field("BusChannel"));
        Ok(Self {
            measurement,
            chunks: measurement
                .file
                .signals_chunks(&channels, CHUNK)
                .map_err(bad)?,
            has_length: length.is_some(),
            times: Vec::new(),
            ids: Vec::new(),
            payloads: SignalValues::U8(Vec::new()),
            lengths: Vec::new(),
            buses: Vec::new(),
            at: 0,
            before: 0,
        })
    }

    /// Time of the next frame, or `None` at the end.
    fn peek(&mut self) -> Result<Option<f64>, HostError> {
        let bad = |error: Mf4Error| unreadable(&self.measurement.name, &error);
        while self.at >= self.times.len() {
            let Some(signals) = self.chunks.next() else {
                return Ok(None);
            };
            let signals = signals.map_err(bad)?;
            self.before += self.times.len() as u64;
            self.at = 0;
            self.times = numbers(&signals[0]).map_err(bad)?;
            self.ids = numbers(&signals[1]).map_err(bad)?;
            self.payloads = signals[2].values().map_err(bad)?;
            let mut more = signals[3..].iter();
            let mut next = |there: bool| {
                let signal = there.then(|| more.next()).flatten();
                signal.map_or(Ok(Vec::new()), numbers)
            };
            self.lengths = next(self.has_length).map_err(bad)?;
            self.buses = next(true).map_err(bad)?;
        }
        Ok(Some(self.times[self.at]))
    }

    const fn number(&self) -> u64 {
        self.before + self.at as u64 + 1
    }

    /// The frame that was peeked at.
    fn frame(&self) -> Frame<'_> {
        let at = self.at;
        let data = self.payloads.bytes_at(at).unwrap_or_default();
        let length = self
            .lengths
            .get(at)
            .map_or(data.len(), |&length| length as usize);
        Frame {
            id: self.ids.get(at).map_or(0, |&id| id as u32 & 0x1fff_ffff),
            bus: self.buses.get(at).map_or(0, |&bus| bus as u8),
            data: data.get(..length).unwrap_or(data),
        }
    }
}
