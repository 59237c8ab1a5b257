//! What v made of a pack voltage that moved within the dwell.

use super::dwell::SLOT_SHIFT;
use crate::config::Drive;
use crate::num;
use crate::num::Saturating as _;
use crate::report::Reading;
use crate::units::{Measured, Seconds, Volts};

/// How far v and Vb went together within a dwell, to either side of a reading, in
/// volts. Where the pack moves and v settles, v goes w times as far, w being its
/// share of Vb. A ripple that the sampling turns into a slow wave passes through
/// the capacitances instead, in the ratio Cp/C: of what v does beyond w or short
/// of it, nobody knows where Vb stands without it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Course {
    pub(crate) chassis: i64,
    pub(crate) pack: i64,
}

impl Course {
    /// Vb stands still.
    pub(crate) const NONE: Self = Self {
        chassis: 0,
        pack: 0,
    };

    /// From the pack voltages of a dwell, and how far v goes with `Vb >> shift`.
    pub(super) fn of(packs: impl Iterator<Item = i64> + Clone, by_pack: i64, shift: u8) -> Self {
        let pack = match (packs.clone().min(), packs.max()) {
            (Some(least), Some(most)) => most.minus(least) >> 1,
            _ => 0,
        };
        Self {
            chassis: num::mul(by_pack, pack >> shift),
            pack,
        }
    }
}

/// A reading that is proved settled, with its course: in no more room than a
/// [`Reading`] takes.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Settled {
    pub(crate) chassis: Measured<Volts>,
    pub(crate) pack: Measured<Volts>,
    pub(crate) lag: Volts,
    /// With a negative uncertainty where none was seen.
    time_constant: Measured<Seconds>,
    pub(crate) dwell_us: u32,
    /// The course, in steps of a slot.
    course: [i32; 2],
    pub(crate) drive: Drive,
}

impl Settled {
    pub(crate) fn new(reading: &Reading, course: Course) -> Self {
        let short = |volts: i64| {
            let steps = volts >> SLOT_SHIFT;
            i32::try_from(steps).unwrap_or(if steps < 0 { i32::MIN } else { i32::MAX })
        };
        Self {
            chassis: reading.chassis,
            pack: reading.pack,
            lag: reading.lag,
            time_constant: reading.time_constant.unwrap_or(Measured {
                value: Seconds::ZERO,
                u: Seconds::from_bits(-1),
            }),
            dwell_us: reading.dwell_us,
            course: [course.chassis, course.pack].map(short),
            drive: reading.drive,
        }
    }

    pub(crate) fn reading(&self) -> Reading {
        Reading {
            drive: self.drive,
            chassis: self.chassis,
            pack: self.pack,
            lag: self.lag,
            time_constant: self.time_constant(),
            dwell_us: self.dwell_us,
        }
    }

    pub(crate) fn time_constant(&self) -> Option<Measured<Seconds>> {
        Some(self.time_constant).filter(|tau| tau.u >= Seconds::ZERO)
    }

    pub(crate) fn course(&self) -> Course {
        let [chassis, pack] = self.course.map(|steps| i64::from(steps) << SLOT_SHIFT);
        Course { chassis, pack }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_kept_comes_back_and_takes_no_more_room_than_a_reading() {
        assert!(size_of::<Option<Settled>>() <= size_of::<Reading>());
        let volts = |v| Measured {
            value: Volts::from_bits(v),
            u: Volts::from_bits(v >> 20),
        };
        let tau = Measured {
            value: Seconds::from_bits(77),
            u: Seconds::ZERO,
        };
        for time_constant in [None, Some(tau)] {
            let reading = Reading {
                drive: Drive::Lower,
                chassis: volts(-123_456_789_123),
                pack: volts(1 << 40),
                lag: Volts::from_bits(-5),
                time_constant,
                dwell_us: 500_000,
            };
            let course = Course {
                chassis: -3 << 30,
                pack: 5 << 30,
            };
            let settled = Settled::new(&reading, course);
            assert_eq!(settled.reading(), reading);
            assert_eq!(settled.course().chassis, course.chassis);
            assert_eq!(settled.course().pack, course.pack);
        }
    }
}
