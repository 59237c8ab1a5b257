//! What a journal tells after a reset.

use super::record::{Event, Judgement, Record};
use super::ring::{Fault, Journal, Pages};
use crate::permit::Answer;
use crate::report::Verdict;
use crate::sections::Connected;
use crate::trend::Trend;

/// The newest of each kind of record, each with its time in seconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct History {
    /// The newest verdict.
    pub verdict: Option<(u32, Judgement)>,
    /// The newest alarm.
    pub alarm: Option<(u32, Judgement)>,
    /// The newest permission. It no longer holds.
    pub permission: Option<(u32, Answer)>,
    /// What was connected last.
    pub connected: Option<(u32, Connected)>,
    /// An alarm is newer than the newest permission: its latch was not recorded.
    alarmed_since: bool,
}

impl History {
    /// Reads all of a journal, oldest first, and gives the trend its points back.
    ///
    /// # Errors
    /// When the memory refuses; take the latch as set then.
    pub fn restore<P: Pages>(
        journal: &mut Journal<P>,
        trend: &mut Trend,
    ) -> Result<Self, Fault<P::Error>> {
        let mut history = Self::default();
        journal.visit(|record| {
            history.take(record);
            if let Event::TrendPoint(point) = record.event {
                trend.restore(point);
            }
        })?;
        Ok(history)
    }

    /// Takes the next record.
    pub const fn take(&mut self, record: &Record) {
        let at_s = record.at_s;
        match record.event {
            Event::Verdict(judgement) => {
                self.verdict = Some((at_s, judgement));
                if matches!(judgement.verdict, Verdict::Alarm) {
                    self.alarm = Some((at_s, judgement));
                    self.alarmed_since = true;
                }
            }
            Event::Permission(answer) => {
                self.permission = Some((at_s, answer));
                self.alarmed_since = false;
            }
            Event::Sections(connected) => self.connected = Some((at_s, connected)),
            Event::Started | Event::TrendPoint(_) | Event::Unknown { .. } => {}
        }
    }

    /// Whether the permission is to start with the alarm's latch set: it was,
    /// or it is not known.
    #[must_use]
    pub fn latched(&self) -> bool {
        self.alarmed_since || self.permission.is_none_or(|(_, answer)| answer.latched)
    }
}
