//! Two readings from before and after a change contradict each other: what is
//! told of readings has to be told again of the next.

/// A rule that has to hold, or to fail, twice in a row.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Twice {
    pub(super) found: bool,
    once: bool,
}

impl Twice {
    /// It holds, or has held once.
    pub(super) const fn is_in_question(&self) -> bool {
        self.found || self.once
    }

    /// As [`Twice::take`], of what is told at once where it holds.
    pub(super) fn take_at_once(&mut self, holds: Option<bool>) {
        if holds == Some(true) {
            self.found = true;
            self.once = false;
        } else {
            self.take(holds);
        }
    }

    pub(super) fn take(&mut self, holds: Option<bool>) {
        let Some(holds) = holds else { return };
        let differs = holds != self.found;
        if differs && self.once {
            self.found = holds;
        }
        self.once = differs && !self.once;
    }
}
