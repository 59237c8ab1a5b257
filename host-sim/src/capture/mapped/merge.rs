//! Rows from lanes of different rhythm: each sample of the first reading
//! makes one, with the last values of the others at or before it. A value
//! that is too old is an error, never a guess.

use super::wish::Role;
use super::{Batch, Lane, ROLES, Source, sample_error};
use crate::error::HostError;

/// All values at one sample of the first reading.
pub(super) struct Tick {
    pub(super) time_s: f64,
    pub(super) values: [f64; ROLES],
    /// Number of the sample in its lane, counted from 1.
    pub(super) number: u64,
}

/// A lane, and how far it has been read.
struct Head {
    source: Box<dyn Source>,
    batch: Batch,
    at: usize,
    /// Updates in the batches before.
    before: u64,
    last_s: f64,
}

impl Head {
    fn new(source: Box<dyn Source>) -> Self {
        Self {
            source,
            batch: Batch::default(),
            at: 0,
            before: 0,
            last_s: f64::NEG_INFINITY,
        }
    }

    /// Time of the next update, or `None` at the end.
    #[inline]
    fn peek(&mut self) -> Result<Option<f64>, HostError> {
        while self.at >= self.batch.times.len() {
            let Some(batch) = self.source.next_batch()? else {
                return Ok(None);
            };
            self.before += self.batch.times.len() as u64;
            self.batch = batch;
            self.at = 0;
        }
        Ok(Some(self.batch.times[self.at]))
    }

    fn has(&self, role: Role) -> bool {
        let value = self.batch.values[role as usize].get(self.at);
        value.is_some_and(|value| !value.is_nan())
    }

    const fn number(&self) -> u64 {
        self.before + self.at as u64 + 1
    }
}

/// The last value of a role.
#[derive(Clone, Copy)]
struct Held {
    value: f64,
    time_s: f64,
}

pub(super) struct Merge {
    file: String,
    channels: [String; ROLES],
    clock: Head,
    others: Vec<Head>,
    held: [Held; ROLES],
    stale_s: [f64; ROLES],
    last_s: f64,
}

impl Merge {
    pub(super) fn new(
        file: String,
        lanes: Vec<Lane>,
        stale_s: [f64; ROLES],
        channels: &[String; ROLES],
    ) -> Self {
        let (clock, others): (Vec<Lane>, Vec<Lane>) = lanes
            .into_iter()
            .partition(|lane| lane.carries[Role::First as usize]);
        let mut heads = clock
            .into_iter()
            .chain(others)
            .map(|lane| Head::new(lane.source));
        let nothing = || Head::new(Box::new(Nothing));
        Self {
            file,
            channels: channels.clone(),
            clock: heads.next().unwrap_or_else(nothing),
            others: heads.collect(),
            held: [Held {
                value: f64::NAN,
                time_s: f64::NEG_INFINITY,
            }; ROLES],
            stale_s,
            last_s: f64::NEG_INFINITY,
        }
    }

    /// The next moment at which all values are known.
    #[inline]
    pub(super) fn next_tick(&mut self) -> Result<Option<Tick>, HostError> {
        loop {
            let Some(time_s) = self.clock.peek()? else {
                return Ok(None);
            };
            let number = self.clock.number();
            let ticks = self.clock.has(Role::First);
            if ticks && (time_s <= self.last_s || time_s.is_nan()) {
                return Err(self.not_increasing(number, time_s, self.last_s));
            }
            take(&mut self.clock, &mut self.held, time_s)
                .map_err(|last| self.not_increasing(number, time_s, last))?;
            if !ticks {
                continue;
            }
            self.last_s = time_s;
            self.catch_up(time_s)?;
            if self.held.iter().all(|held| !held.value.is_nan()) {
                self.refuse_stale(number, time_s)?;
                return Ok(Some(Tick {
                    time_s,
                    values: self.held.map(|held| held.value),
                    number,
                }));
            }
        }
    }

    /// At the end: the channels of which no value has come.
    pub(super) fn without_value(&self) -> Vec<&str> {
        let never = |held: &Held| held.value.is_nan();
        let names = self.channels.iter().zip(&self.held);
        if never(&self.held[Role::First as usize]) {
            // Nothing else was looked at without it.
            return vec![&self.channels[Role::First as usize]];
        }
        names
            .filter(|(_, held)| never(held))
            .map(|(name, _)| name.as_str())
            .collect()
    }

    /// Takes all updates up to a moment: of other lanes, and of the clock's
    /// own lane when they have the same time, as frames of one instant do.
    #[inline]
    fn catch_up(&mut self, time_s: f64) -> Result<(), HostError> {
        while self.clock.peek()? == Some(time_s) && !self.clock.has(Role::First) {
            let number = self.clock.number();
            take(&mut self.clock, &mut self.held, time_s)
                .map_err(|last| self.not_increasing(number, time_s, last))?;
        }
        for place in 0..self.others.len() {
            let lane = &mut self.others[place];
            while let Some(next_s) = lane
                .peek()?
                .filter(|&next_s| next_s <= time_s || next_s.is_nan())
            {
                let number = lane.number();
                if let Err(last) = take(lane, &mut self.held, next_s) {
                    return Err(self.not_increasing(number, next_s, last));
                }
            }
        }
        Ok(())
    }

    #[inline]
    fn refuse_stale(&self, number: u64, time_s: f64) -> Result<(), HostError> {
        for (place, held) in self.held.iter().enumerate() {
            let age_s = time_s - held.time_s;
            if age_s > self.stale_s[place] {
                return Err(self.stale(place, number, time_s, age_s));
            }
        }
        Ok(())
    }

    #[cold]
    fn stale(&self, place: usize, number: u64, time_s: f64, age_s: f64) -> HostError {
        let problem = format!(
            "at {time_s} s, sample {number} of {}, its last value is {age_s:.3} s old",
            self.channels[Role::First as usize]
        );
        HostError::input(format!("channel {}: {problem}", self.channels[place]))
            .in_file(&*self.file)
            .expected(format!("a value at least every {} s", self.stale_s[place]))
            .mend(
                "record the channel more often, or raise its stale_after_s in the [channels] table",
            )
    }

    #[cold]
    fn not_increasing(&self, number: u64, time_s: f64, last_s: f64) -> HostError {
        let problem = format!("the time {time_s} s does not come after {last_s} s");
        let channel = &self.channels[Role::First as usize];
        sample_error(&self.file, channel, number, problem)
            .expected("times in seconds that increase from sample to sample")
            .mend("sort the samples by time and remove doubles")
    }
}

/// Takes a lane's next update into the held values; the time before, when
/// this one is earlier or no number.
#[inline]
fn take(lane: &mut Head, held: &mut [Held; ROLES], time_s: f64) -> Result<(), f64> {
    if time_s < lane.last_s || time_s.is_nan() {
        return Err(lane.last_s);
    }
    lane.last_s = time_s;
    for (role, held) in held.iter_mut().enumerate() {
        if let Some(&value) = lane.batch.values[role].get(lane.at)
            && !value.is_nan()
        {
            *held = Held { value, time_s };
        }
    }
    lane.at += 1;
    Ok(())
}

/// A lane without samples.
struct Nothing;

impl Source for Nothing {
    fn next_batch(&mut self) -> Result<Option<Batch>, HostError> {
        Ok(None)
    }
}
