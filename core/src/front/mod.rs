//! Stage 1, counts to volts. Split where the contexts are split: the
//! [`Sampler`] sums counts in the interrupt, [`convert`] makes volts of a
//! block of them in the background.

mod align;
mod convert;
mod mains;
mod sampler;

pub(crate) use align::Align;
pub use convert::{Block, Flags};
pub(crate) use sampler::{ChannelSums, Order, bunch_places};
pub use sampler::{RawBlock, Sampler};

pub(crate) use convert::convert;
pub(crate) use mains::{FAR, residue};

/// Seconds in which the largest drift of a reading that is provided for, 0.2 V/s, comes to a volt.
pub(crate) const VOLT_OF_DRIFT_S: u32 = 5;

#[cfg(test)]
mod tests;
