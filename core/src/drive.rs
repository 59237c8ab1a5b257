//! Stage 3, drive sequencing: which drive state the switches should take
//! next, and which readings form one drive cycle.

use crate::config::{Config, Drive};
use crate::report::Reading;

/// The sequencer: walks the drive cycle, one dwell after another.
#[derive(Debug, Clone, Default)]
pub(crate) struct Sequencer {
    place: usize,
}

impl Sequencer {
    /// The drive state that the switches should be in.
    pub(crate) fn drive(&self, config: &Config) -> Drive {
        config
            .timing()
            .cycle()
            .get(self.place)
            .copied()
            .unwrap_or_default()
    }

    /// On to the next dwell.
    pub(crate) fn advance(&mut self, config: &Config) {
        let next = self.place.saturating_add(1);
        self.place = if next < config.timing().cycle().len() {
            next
        } else {
            0
        };
    }

    /// True when a dwell of this many blocks has lasted as long as it must,
    /// and, separately, as long as it may.
    pub(crate) fn due(config: &Config, blocks: u32) -> (bool, bool) {
        let timing = config.timing();
        let lasted = blocks.saturating_mul(timing.block_us);
        (lasted >= timing.dwell_min_us, lasted >= timing.dwell_max_us)
    }
}

/// The latest reading of each drive state, with the dwell it came from.
#[derive(Debug, Clone, Default)]
pub(crate) struct Cycle {
    latest: [Option<(u32, Reading)>; 3],
}

impl Cycle {
    /// A dwell gave a reading.
    pub(crate) fn put(&mut self, sequence: u32, reading: Reading) {
        if let Some(place) = self.latest.get_mut(reading.drive.index()) {
            *place = Some((sequence, reading));
        }
    }

    /// A dwell gave none: the one before it in this state no longer counts.
    pub(crate) fn clear(&mut self, drive: Drive) {
        if let Some(place) = self.latest.get_mut(drive.index()) {
            *place = None;
        }
    }

    /// The readings of the last cycle, newest last.
    pub(crate) fn readings(&self, config: &Config, sequence: u32) -> impl Iterator<Item = Reading> {
        let length = config.timing().cycle().len() as u32;
        let mut fresh = self
            .latest
            .map(|entry| entry.filter(|(at, _)| sequence.wrapping_sub(*at) < length));
        fresh.sort_unstable_by_key(|entry| {
            entry.map_or(u32::MAX, |(at, _)| {
                u32::MAX.wrapping_sub(sequence.wrapping_sub(at))
            })
        });
        fresh.into_iter().flatten().map(|(_, reading)| reading)
    }
}
