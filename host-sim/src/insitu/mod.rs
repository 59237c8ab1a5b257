//! The in-situ check: isolation by hand with a voltmeter and a known resistor
//! Ro, as UN R100 (REESS annex, 1.2) and 49 CFR 571.305 S7.6 (from memory, not
//! verified) word it, with the uncertainty that follows from the instruments.

mod compare;
mod compute;
mod guide;
mod ohms;
mod sheet;
mod text;

#[cfg(test)]
mod published;
#[cfg(test)]
mod tests;

pub use compare::{Claim, Comparison, Figure, Held, compare};
pub use compute::{Answer, Bounded, Findings, compute};
pub use guide::guide;
pub(crate) use ohms::{number, ohms};
pub use sheet::{Inserted, Meter, Readings, Sheet, Side, Wiring};
pub use text::text;

/// A sheet with a comment on each field that needs one.
pub const EXAMPLE: &str = include_str!("example.toml");
