//! Whether the drive changed, and the chassis went where it pushes: what gives away an idle drive and swapped rails.
//!
//! Settled, `v = (Gp·Vb + i)/(G + g)`. Every drive makes v higher in `raise` than in `lower`, whatever the leak:
//! it adds a conductance towards P, or a current into the chassis. A recording in which every change
//! goes the other way is not that of the circuit described.

use ohmsplit::Reading;
use ohmsplit::config::Drive;

/// What it means.
pub(super) const BACKWARDS: &str = "v falls whenever the drive should raise it: either v is measured from the positive \
rail, or raise and lower are swapped";

/// What it means that the drive never changes.
pub(super) const NO_CHANGE: &str = "the drive is in one state throughout, and nothing can be measured without a change \
of it: see that the capture says what the switches did";

/// Changes between settled readings of `raise` and `lower`.
#[derive(Debug, Clone, Copy, Default)]
pub struct Direction {
    /// Drive of the reading before, and v as a part of Vb.
    before: Option<(Drive, f64)>,
    along: u32,
    against: u32,
    /// The only drive state so far; none once there were two.
    only: Option<Option<Drive>>,
}

impl Direction {
    /// A move below this part of Vb says nothing.
    const STILL: f64 = 1e-3;
    /// A leak that comes or goes between two readings can turn one change round, not three in a row.
    const ENOUGH: u32 = 3;

    /// Takes the drive state of the next report.
    pub fn driven(&mut self, drive: Drive) {
        let only = self.only.get_or_insert(Some(drive));
        if *only != Some(drive) {
            *only = None;
        }
    }

    /// The drive was in the same state all the time.
    #[must_use]
    pub const fn is_one_state(&self) -> bool {
        matches!(self.only, Some(Some(_)))
    }

    /// Takes the next settled reading.
    pub fn take(&mut self, reading: &Reading) {
        let volts = [reading.chassis, reading.pack].map(|volts| volts.value.get().to_num::<f64>());
        let part = volts[0] / volts[1];
        if matches!(reading.drive, Drive::Rest | Drive::Check) || !part.is_finite() {
            return;
        }
        let risen = match self.before.replace((reading.drive, part)) {
            Some((Drive::Lower, before)) if reading.drive == Drive::Raise => part - before,
            Some((Drive::Raise, before)) if reading.drive == Drive::Lower => before - part,
            _ => return,
        };
        if risen > Self::STILL {
            self.along += 1;
        } else if risen < -Self::STILL {
            self.against += 1;
        }
    }

    /// Every change went against the drive.
    #[must_use]
    pub const fn is_backwards(&self) -> bool {
        self.along == 0 && self.against >= Self::ENOUGH
    }
}

#[cfg(test)]
mod tests {
    use ohmsplit::units::{Measured, Volts};

    use super::*;

    /// What readings of these drives and voltages, at 400 V, come to.
    fn backwards(readings: &[(Drive, i32)]) -> bool {
        let volts = |value: i32| Measured {
            value: Volts::from_int(value),
            u: Volts::from_int(0),
        };
        let mut direction = Direction::default();
        for (drive, v) in readings {
            direction.take(&Reading {
                drive: *drive,
                chassis: volts(*v),
                pack: volts(400),
                lag: Volts::from_int(0),
                time_constant: None,
                dwell_us: 1_000_000,
            });
        }
        direction.is_backwards()
    }

    #[test]
    fn one_state_is_told_from_several() {
        let one_state = |drives: &[Drive]| {
            let mut direction = Direction::default();
            drives.iter().for_each(|&drive| direction.driven(drive));
            direction.is_one_state()
        };
        assert!(!one_state(&[]));
        assert!(one_state(&[Drive::Rest, Drive::Rest]));
        assert!(!one_state(&[Drive::Rest, Drive::Raise, Drive::Raise]));
        assert!(!one_state(&[Drive::Raise, Drive::Rest, Drive::Raise]));
    }

    #[test]
    fn only_a_recording_in_which_every_change_goes_the_wrong_way_is_backwards() {
        use Drive::{Lower, Raise, Rest};
        let wrong = [(Raise, 100), (Lower, 200), (Raise, 100), (Lower, 200)];
        assert!(backwards(&wrong));
        assert!(!backwards(&wrong[..3]));
        assert!(!backwards(&wrong.map(|(drive, v)| (drive, 300 - v))));
        // One change that goes along, as after a leak has come.
        assert!(!backwards(&[&wrong[..], &[(Raise, 250)]].concat()));
        // A hard short holds the chassis still; rest pushes nothing.
        assert!(!backwards(&wrong.map(|(drive, _)| (drive, 0))));
        assert!(!backwards(&wrong.map(|(_, v)| (Rest, v))));
    }
}
