//! The coefficients of the spans of a walk, worked out once for each kind.

use super::pass::Setting;
use super::span::Span;
use super::theta::Theta;
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

    /// The coefficients of a span, worked out if they are not known.
    #[cfg_attr(not(target_pointer_width = "64"), inline(never))]
    pub(super) fn get(
        &mut self,
        setting: &Setting<'_>,
        theta: &Theta,
        drive: Drive,
        duration_us: u32,
    ) -> Option<&Span> {
        let place = match self.place(drive, duration_us) {
            Some(place) => place,
            None => {
                let row = &setting.ground.config.network().row(drive);
                let place = self.oldest;
                let span = self.known.get_mut(place)?;
                let reference = &setting.ground.reference;
                let tick = setting.ground.record.tick_seconds();
                Span::write(span, theta, reference, row, drive, duration_us, tick);
                self.oldest = if place >= 2 { 0 } else { place.wrapping_add(1) };
                place
            }
        };
        self.known.get(place)?.as_ref()
    }
}
