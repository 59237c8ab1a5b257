//! What the designer declares. Judged once, at construction; no stage checks
//! it again. Tuning is immutable: state lives elsewhere and borrows it.

mod channel;
mod circuit;
mod drive;
mod element;
mod limits;
mod timing;

pub use channel::{Channel, Divider, FrontEnd};
pub use circuit::{MAX_ELEMENTS, Network, Row};
pub use drive::Drive;
pub use element::{Contact, Element, Landing};
pub use limits::{Judged, Limits};
pub(crate) use timing::BLOCKS_MIN;
pub use timing::{CYCLE_MAX, Check, Timing};

use crate::units::Volts;

/// A checked configuration of one monitor.
#[derive(Debug, Clone, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Config {
    front_end: FrontEnd,
    network: Network,
    timing: Timing,
    limits: Limits,
}

/// Why a configuration is refused.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum ConfigError {
    /// More parts, measuring dividers included, than [`MAX_ELEMENTS`].
    TooManyElements,
    /// A resistance is not positive.
    ResistanceNotPositive,
    /// A converter has fewer than 1 or more than 32 bits, or no span.
    ChannelWithoutRange,
    /// A channel's limits leave no valid code.
    ChannelLimitsCrossed,
    /// The averaging block is shorter than 100 µs or longer than 10 s.
    BlockOutOfRange,
    /// `dwell_min` is shorter than eight blocks, or `dwell_max` shorter than `dwell_min`.
    DwellOutOfRange,
    /// The drive cycle has fewer than two states, or all its states push alike.
    CycleWithoutStimulus,
    /// The largest capacitance expected is not positive.
    CapacitanceNotPositive,
    /// The working voltage is not positive.
    WorkingVoltageNotPositive,
    /// The alarm limit is not positive, or above the warning limit.
    LimitsCrossed,
    /// An uncertainty, or the hysteresis, is negative.
    NegativeUncertainty,
    /// The channels are read a block or more apart.
    SkewOutOfRange,
    /// The drive cycle has the check state without a check resistor, or rest
    /// beside one.
    CheckState,
}

impl Config {
    /// Checks the parts against each other and adds the measuring dividers to
    /// the network: their loading is never ignored.
    ///
    /// # Errors
    /// One [`ConfigError`] for each rule.
    pub fn try_new(
        front_end: FrontEnd,
        parts: &[Element],
        timing: Timing,
        limits: Limits,
    ) -> Result<Self, ConfigError> {
        for channel in front_end.channels() {
            check_channel(channel)?;
        }
        let network = with_dividers(&front_end, parts)?;
        timing.check()?;
        if !timing.cycle().iter().any(|&state| {
            timing
                .cycle()
                .first()
                .is_some_and(|&first| !network.same(first, state))
        }) {
            return Err(ConfigError::CycleWithoutStimulus);
        }
        // A monitor has one third state.
        let other = if network.has_check_resistor() {
            Drive::Rest
        } else {
            Drive::Check
        };
        if timing.cycle().contains(&other) {
            return Err(ConfigError::CheckState);
        }
        limits.check()?;
        Ok(Self {
            front_end,
            network,
            timing,
            limits,
        })
    }

    /// The measuring channels.
    #[must_use]
    pub const fn front_end(&self) -> &FrontEnd {
        &self.front_end
    }
    /// All parts on the chassis node, measuring dividers included.
    #[must_use]
    pub const fn network(&self) -> &Network {
        &self.network
    }
    /// Timing of blocks, dwells and the drive cycle.
    #[must_use]
    pub const fn timing(&self) -> &Timing {
        &self.timing
    }
    /// The state that checks the driven ones: with the check resistor where there
    /// is one, else at rest.
    #[must_use]
    pub fn third(&self) -> Drive {
        if self.network.has_check_resistor() {
            Drive::Check
        } else {
            Drive::Rest
        }
    }
    /// The states in the order of tables of three.
    pub(crate) fn states(&self) -> [Drive; 3] {
        [self.third(), Drive::Raise, Drive::Lower]
    }
    /// Raise and lower take turns, and both differ from the third state.
    pub(crate) fn third_checks(&self) -> bool {
        let third = self.third();
        let differs = |drive: &Drive| {
            self.timing.cycle().contains(drive) && !self.network.same(*drive, third)
        };
        [Drive::Raise, Drive::Lower].iter().all(differs)
    }
    /// Limits and what is judged.
    #[must_use]
    pub const fn limits(&self) -> &Limits {
        &self.limits
    }
}

fn check_channel(channel: &Channel) -> Result<(), ConfigError> {
    if channel.bits < 1 || channel.bits > 32 || channel.span <= Volts::ZERO {
        return Err(ConfigError::ChannelWithoutRange);
    }
    if channel.lowest >= channel.highest {
        return Err(ConfigError::ChannelLimitsCrossed);
    }
    if channel.gain_u.to_bits() < 0 || channel.offset_u < Volts::ZERO {
        return Err(ConfigError::NegativeUncertainty);
    }
    Ok(())
}

fn with_dividers(front_end: &FrontEnd, parts: &[Element]) -> Result<Network, ConfigError> {
    let landings = match front_end {
        FrontEnd::ChassisAndPack { .. } => [Some(Landing::Negative), None],
        FrontEnd::RailPair { .. } => [Some(Landing::Positive), Some(Landing::Negative)],
    };
    let mut all: heapless::Vec<Element, MAX_ELEMENTS> =
        heapless::Vec::from_slice(parts).map_err(|_| ConfigError::TooManyElements)?;
    for (channel, landing) in front_end.channels().into_iter().zip(landings) {
        if let (Some(divider), Some(landing)) = (channel.divider, landing) {
            let load = Element::permanent(divider.load(), landing);
            all.push(load).map_err(|_| ConfigError::TooManyElements)?;
        }
    }
    for part in &all {
        if part.resistance.to_bits() <= 0 {
            return Err(ConfigError::ResistanceNotPositive);
        }
        if part.resistance_u.to_bits() < 0 || part.emf_u.to_bits() < 0 {
            return Err(ConfigError::NegativeUncertainty);
        }
    }
    Network::new(&all).ok_or(ConfigError::TooManyElements)
}

#[cfg(test)]
mod tests;
