//! A recorded capture through the core: the recorded drive leads.

use ohmsplit::Sample;
use ohmsplit::config::Config;

use crate::capture::{Reader, Row};
use crate::error::HostError;
use crate::rig::{Clock, Event, MonitorKind, Rig};

/// Runs a capture that is bound to its configuration. `on_row` gets every
/// row, `on_event` every report of the core.
///
/// # Errors
/// The first malformed row, what came before it has been reported; or rows that are all too far apart.
pub fn run(
    reader: &mut Reader,
    config: &Config,
    kind: MonitorKind,
    mut on_row: impl FnMut(&Row),
    mut on_event: impl FnMut(&Event),
) -> Result<(), HostError> {
    let mut feed = Feed::new(config, kind);
    while let Some(row) = reader.next_row()? {
        on_row(&row);
        feed.row(&row, &mut on_event);
    }
    if let Some(closest_s) = feed.too_sparse() {
        return Err(reader.too_sparse(closest_s, feed.block_s));
    }
    feed.finish(&mut on_event);
    Ok(())
}

/// The core, fed with the rows of a capture.
#[derive(Debug, Clone)]
pub struct Feed<'c> {
    rig: Rig<'c>,
    clock: Clock,
    block_s: f64,
    before_s: f64,
    closest_s: f64,
}

impl<'c> Feed<'c> {
    /// A monitor that has just been switched on.
    #[must_use]
    pub fn new(config: &'c Config, kind: MonitorKind) -> Self {
        Self {
            rig: Rig::new(config, kind),
            clock: Clock::default(),
            block_s: f64::from(config.timing().block_us) * 1e-6,
            before_s: f64::NEG_INFINITY,
            closest_s: f64::INFINITY,
        }
    }

    /// Takes the next row.
    #[inline]
    pub fn row(&mut self, row: &Row, on_event: &mut impl FnMut(&Event)) {
        self.closest_s = self.closest_s.min(row.time_s - self.before_s);
        self.before_s = row.time_s;
        let sample = Sample {
            at_us: self.clock.at(row.time_s),
            drive: row.drive,
            codes: row.codes,
        };
        self.rig.push(row.time_s, &sample, on_event);
    }

    /// Length of an averaging block, in seconds.
    #[must_use]
    pub const fn block_s(&self) -> f64 {
        self.block_s
    }

    /// How far apart the closest rows were, when no averaging block can hold two of them.
    #[must_use]
    pub fn too_sparse(&self) -> Option<f64> {
        (self.closest_s.is_finite() && self.closest_s > self.block_s).then_some(self.closest_s)
    }

    /// The rows are over.
    pub fn finish(self, on_event: &mut impl FnMut(&Event)) {
        self.rig.finish(on_event);
    }
}
