//! Averaging blocks, dwells and the order of drive states.

use heapless::Vec;

use super::{ConfigError, Drive};
use crate::num;
use crate::units::{Measured, Microfarads, Ratio, Seconds};

/// Most drive states in one cycle.
pub const CYCLE_MAX: usize = 4;

/// Fewest averaging blocks in a dwell: what a settling proof needs.
pub(crate) const BLOCKS_MIN: u32 = 8;

/// When the sequencer takes a third drive state for a dwell between two drive cycles,
/// which checks the measuring circuit: with two, G and Gp fit any two voltages. The
/// third is [`Drive::Check`] where the network has a check resistor, else
/// [`Drive::Rest`]. It does so in a cycle of two driven states that both differ from
/// it (a logic source's rest is its low level: nothing to gain), and from a settled
/// or fitted answer on, so that the first answer is no later. A cycle that has
/// all three states is checked as it is.
///
/// With a check, [`crate::SwiftMonitor`] refuses an answer that departs from the one that was
/// checked, or that the check contradicts, until a check agrees with it
/// ([`crate::Reason::CircuitChanged`]). Warnings and alarms do not wait.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Check {
    /// Not at all: the drive keeps to its cycle. What only a third state shows has
    /// to be covered by the hardware.
    #[default]
    Never,
    /// Once, two cycles after the first answer; again as long as something is found.
    AtStart,
    /// At the start, and then with so many drive cycles between two checks; 0
    /// counts as 1.
    Every(u8),
}

/// Timing of the measurement. A *dwell* is the time spent in one drive state
/// between two drive changes (a half-period when two states alternate).
#[derive(Debug, Clone, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Timing {
    /// Length of an averaging block in microseconds, 100 to 10,000,000. A
    /// whole number of mains periods (20 ms for 50 Hz, 100 ms for 50 and
    /// 60 Hz) makes hum vanish.
    pub block_us: u32,
    /// Shortest dwell that the sequencer drives, in microseconds; at least
    /// eight blocks.
    pub dwell_min_us: u32,
    /// Longest dwell before the sequencer gives up waiting for settling, in
    /// microseconds. Once a time constant is known, eight of them are enough.
    pub dwell_max_us: u32,
    /// How far a reading lags behind the circuit at its time stamp: the time
    /// constant of an input filter, plus half of the time that the converter
    /// averages over, plus by how much the drive changes later than right after
    /// a sample. Zero for a converter that samples in an instant and switches
    /// that are set before the next. `None` when it is not known: anything from
    /// zero to a sampling period. An uncertainty above some ten microseconds
    /// costs the transient estimator accuracy where the circuit is slower than
    /// the dwell, up to a factor of two in the standard uncertainty.
    pub reading_lag: Option<Measured<Seconds>>,
    /// How much later the second channel is read than the first in one
    /// [`crate::Sample`], less than a block; negative when it is read before.
    /// The second channel is interpolated to the time of the first, which is
    /// exact while Vb moves evenly. Zero for channels that are sampled together.
    pub sampling_skew: Seconds,
    /// Largest capacitance the design expects. With it, a voltage that does
    /// not move is told to be a low resistance rather than a slow circuit.
    pub capacitance_max: Microfarads,
    /// Largest share of the capacitance that the insulation takes up slowly
    /// (dielectric absorption). Its current passes for a leak of up to this
    /// share of C over the dwell, which becomes part of the uncertainty. Zero
    /// is an ideal dielectric. Polypropylene film about 0.001, polyester film
    /// and class 2 ceramics 0.002 to 0.02, oil and paper up to 0.05 (from
    /// memory, not verified).
    pub absorption: Ratio,
    /// The check of the measuring circuit with the third drive state.
    pub check: Check,
    cycle: Vec<Drive, CYCLE_MAX>,
}

impl Default for Timing {
    /// 20 ms blocks, dwells of 0.5 to 60 s, no lag or skew, 50 µF without absorption,
    /// raise and lower in turn, no check at rest.
    fn default() -> Self {
        let mut cycle = Vec::new();
        // The capacity is four: these two pushes cannot fail.
        let _ = cycle.push(Drive::Raise);
        let _ = cycle.push(Drive::Lower);
        Self {
            block_us: 20_000,
            dwell_min_us: 500_000,
            dwell_max_us: 60_000_000,
            reading_lag: Some(Measured {
                value: Seconds::ZERO,
                u: Seconds::from_bits(4_295),
            }),
            sampling_skew: Seconds::ZERO,
            capacitance_max: Microfarads::from_int(50),
            absorption: Ratio::ZERO,
            check: Check::default(),
            cycle,
        }
    }
}

impl Timing {
    /// With another order of drive states; `None` when there are more than
    /// [`CYCLE_MAX`].
    #[must_use]
    pub fn with_cycle(mut self, cycle: &[Drive]) -> Option<Self> {
        self.cycle = Vec::from_slice(cycle).ok()?;
        Some(self)
    }

    /// The drive states in the order in which the sequencer takes them.
    #[must_use]
    pub fn cycle(&self) -> &[Drive] {
        &self.cycle
    }

    /// Length of an averaging block.
    #[must_use]
    pub(crate) const fn block(&self) -> Seconds {
        micros(self.block_us)
    }

    pub(super) fn check(&self) -> Result<(), ConfigError> {
        if self.block_us < 100 || self.block_us > 10_000_000 {
            return Err(ConfigError::BlockOutOfRange);
        }
        let shortest = self.block_us.saturating_mul(BLOCKS_MIN);
        if self.dwell_min_us < shortest || self.dwell_max_us < self.dwell_min_us {
            return Err(ConfigError::DwellOutOfRange);
        }
        if self.cycle.len() < 2 {
            return Err(ConfigError::CycleWithoutStimulus);
        }
        if self.capacitance_max <= Microfarads::ZERO {
            return Err(ConfigError::CapacitanceNotPositive);
        }
        let lag_u = self.reading_lag.map_or(Seconds::ZERO, |lag| lag.u);
        if lag_u < Seconds::ZERO || self.absorption < Ratio::ZERO {
            return Err(ConfigError::NegativeUncertainty);
        }
        if self.sampling_skew.abs() >= self.block() {
            return Err(ConfigError::SkewOutOfRange);
        }
        Ok(())
    }
}

/// Microseconds as [`Seconds`], rounded down to 2⁻³² s.
pub(crate) const fn micros(us: u32) -> Seconds {
    Seconds::from_bits(num::millionths(us))
}
