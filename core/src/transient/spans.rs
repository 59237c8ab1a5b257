//! The coefficients of the spans of a walk, worked out once for each kind.

use super::pass::Setting;
use super::span::Span;
use crate::config::Drive;

/// The coefficients of the last three kinds of span.
#[derive(Debug, Clone)]
pub(super) struct Spans {
    known: [Option<Span>; 3],
    oldest: usize,
}

impl Spans {
    pub(super) const NONE: Self = Self {
        known: [None; 3],
        oldest: 0,
    };

    fn place(&self, drive: Drive, duration_us: u32) -> Option<usize> {
        let is_for = |span: &Option<Span>| {
            let span = span.as_ref();
            span.is_some_and(|span| span.is_for(drive, duration_us))
        };
        self.known.iter().position(is_for)
    }

    /// The coefficients of a span that is known.
    pub(super) fn known(&self, drive: Drive, duration_us: u32) -> Option<&Span> {
        let place = self.place(drive, duration_us)?;
        self.known.get(place)?.as_ref()
    }

    /// Works out the coefficients of a span that is not known.
    #[cfg_attr(not(target_pointer_width = "64"), inline(never))]
    pub(super) fn know(&mut self, setting: &Setting<'_>, drive: Drive, duration_us: u32) {
        if self.place(drive, duration_us).is_some() {
            return;
        }
        let Some(span) = self.known.get_mut(self.oldest) else {
            return;
        };
        let row = &setting.ground.config.network().row(drive);
        let reference = &setting.ground.reference;
        let tick = setting.ground.record.tick_seconds();
        Span::write(
            span,
            setting.theta,
            reference,
            row,
            drive,
            duration_us,
            tick,
        );
        self.oldest = if self.oldest >= 2 {
            0
        } else {
            self.oldest.wrapping_add(1)
        };
    }
}
