//! The oldest entries of a record that is full, or of another circuit, are given up; the search that is under way then
//! starts where v is when they are gone.

use super::Transient;
use super::model::{Part, Prediction, Walk};
use super::record::CAPACITY;
use super::span::{Lead, Span};
use crate::num::millionths;

/// Entries given up when the record is full, and how many of them in one slice.
const EVICTED: u8 = 8;
const EVICTED_AT_ONCE: u8 = 2;
/// Entries that may come before they are given up.
const ROOM: usize = 4;

impl Transient<'_> {
    /// Makes room where there is little: gives up a fit under way.
    pub(super) fn make_room(&mut self) {
        if self.record.len() >= CAPACITY - ROOM && self.surplus == 0 {
            self.fitting.stop();
            self.surplus = EVICTED;
        }
    }

    /// Gives up some of the oldest entries; the start of the search follows.
    #[inline(never)]
    pub(super) fn evict(&mut self) {
        let Some(first) = self.record.get(0) else {
            return;
        };
        let theta = *self.fitting.theta();
        let tick = self.record.tick_seconds();
        let mut walk = Walk::new(&theta, first.pack());
        let mut span = None;
        for entry in self.record.iter().take(EVICTED_AT_ONCE.into()) {
            let row = &self.config.network().row(entry.drive);
            let drive = entry.drive;
            let reference = &self.reference;
            let duration_us = entry.duration_us;
            Span::write(&mut span, &theta, reference, row, drive, duration_us, tick);
            if let Some(span) = &span {
                let part = Part::still(entry.pack());
                let mut out = Prediction::default();
                let _ = walk.pass(span, &theta, &part, &Lead::STILL, &mut out);
            }
        }
        self.surplus = self.surplus.saturating_sub(EVICTED_AT_ONCE);
        let evicted = self.record.drop_oldest(EVICTED_AT_ONCE.into());
        if let Some(first) = self.record.get(0) {
            walk.arrive(&theta, first.pack());
        }
        self.fitting.shorten(millionths(evicted), walk.v());
    }

    /// Gives up all but the newest of the entries that were fitted.
    #[inline(never)]
    pub(super) fn keep(&mut self, newest: usize) {
        let surplus = self.seen.saturating_sub(newest);
        let dropped = self.record.drop_oldest(surplus);
        let start = self.record.get(0).map_or(0, |first| first.chassis());
        self.fitting.shorten(millionths(dropped), start);
    }
}
