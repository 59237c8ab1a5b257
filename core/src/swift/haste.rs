//! How often the watch may change the drive: seldom twice in a row in one state. A
//! suspicion that comes back would else keep it from ever settling, and the
//! diagnosis from a reading.

use crate::config::Drive;

/// Dwells after which one may be cut short that was cut short before.
const CALM: u8 = 8;

/// Whether a state's dwell is cut short, or the one before was.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
enum Hurried {
    #[default]
    Not,
    Now,
    Before,
}

#[derive(Debug, Clone)]
pub(super) struct Haste {
    hurried: [Hurried; 3],
    /// Dwells since one was cut short twice in a row.
    calm: u8,
}

impl Haste {
    pub(super) const fn new() -> Self {
        Self {
            hurried: [Hurried::Not; 3],
            calm: CALM,
        }
    }

    /// The watch wants to cut the dwell in this state short: true when it may. Where a
    /// check holds the states against each other, each is heard out at least every other time.
    pub(super) fn allows(&mut self, drive: Drive, checked: bool) -> bool {
        let Some(hurried) = self.hurried.get_mut(drive.slot()) else {
            return false;
        };
        let again = *hurried != Hurried::Not;
        if again && (checked || self.calm < CALM) {
            return false;
        }
        if again {
            self.calm = 0;
        }
        *hurried = Hurried::Now;
        true
    }

    /// A dwell in this state is over.
    pub(super) fn over(&mut self, drive: Drive) {
        self.calm = self.calm.saturating_add(1);
        if let Some(hurried) = self.hurried.get_mut(drive.slot()) {
            *hurried = match hurried {
                Hurried::Now => Hurried::Before,
                Hurried::Before | Hurried::Not => Hurried::Not,
            };
        }
    }
}
