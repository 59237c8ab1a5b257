//! A capture or a stream watched as it arrives.
//!
//! One thread turns bytes into rows and waits where the bytes end; the other
//! feeds the core, exactly as in a replay, and shows what comes of it.

mod banner;
mod draw;
mod plot;
mod source;
mod state;

use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::time::{Duration, Instant};

use ohmsplit::config::Config;

pub use draw::draw;
pub use source::{Message, Source, start};
pub use state::State;

use crate::capture::Row;
use crate::error::HostError;
use crate::replay::Feed;
use crate::rig::{Event, MonitorKind};

/// How often a face is asked to show what is new.
const FRAME: Duration = Duration::from_millis(100);
/// A stream without a sample for so long counts as stalled: far above the time
/// between two samples of any drive cycle that can be measured.
pub const STALL: Duration = Duration::from_secs(2);

/// Whether samples still come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Flow {
    /// They may; the last one came so long ago.
    Open(Duration),
    /// The stream is over.
    Ended,
}

impl Flow {
    /// For how long nothing has come, when that is too long.
    #[must_use]
    pub fn stalled(self) -> Option<Duration> {
        match self {
            Self::Open(silence) if silence >= STALL => Some(silence),
            _ => None,
        }
    }
}

/// What shows a run.
pub trait Face {
    /// A sample.
    fn sample(&mut self, row: &Row);
    /// A line that is no row was passed over.
    fn skipped(&mut self, error: &HostError);
    /// A report of the core.
    fn event(&mut self, event: &Event);
    /// Shows what is new; false when the user wants no more.
    ///
    /// # Errors
    /// When it cannot be shown.
    fn show(&mut self, flow: Flow) -> Result<bool, HostError>;
}

/// Feeds rows to the core until the face wants no more.
///
/// # Errors
/// The first malformed row, or that of the face.
pub fn watch(
    messages: &Receiver<Message>,
    config: &Config,
    kind: MonitorKind,
    face: &mut impl Face,
) -> Result<(), HostError> {
    let mut feed = Some(Feed::new(config, kind));
    let mut newest = Instant::now();
    loop {
        let due = Instant::now() + FRAME;
        while feed.is_some() && Instant::now() < due {
            match messages.recv_timeout(due.saturating_duration_since(Instant::now())) {
                Ok(Message::Row(row)) => {
                    newest = Instant::now();
                    face.sample(&row);
                    if let Some(feed) = &mut feed {
                        feed.row(&row, &mut |event| face.event(event));
                    }
                }
                Ok(Message::Skipped(error)) => face.skipped(&error),
                Ok(Message::Failed(error)) => return Err(error),
                Ok(Message::Opened(_)) | Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => finish(feed.take(), face),
            }
        }
        let flow = match feed {
            Some(_) => Flow::Open(newest.elapsed()),
            None => Flow::Ended,
        };
        if !face.show(flow)? {
            finish(feed.take(), face);
            return Ok(());
        }
        if feed.is_none() {
            std::thread::sleep(FRAME);
        }
    }
}

fn finish(feed: Option<Feed<'_>>, face: &mut impl Face) {
    if let Some(feed) = feed {
        feed.finish(&mut |event| face.event(event));
    }
}

#[cfg(test)]
mod tests;
