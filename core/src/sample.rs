//! What firmware hands in: one pair of converter codes with its time and drive state.

use crate::config::Drive;

/// One pair of converter readings, taken together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Sample {
    /// Time in microseconds of a free-running counter that wraps at 2³².
    pub at_us: u32,
    /// The drive state in force since the sample before.
    pub drive: Drive,
    /// Codes in the order of the front end's channels.
    pub codes: [i32; 2],
}
