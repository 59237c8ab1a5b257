//! The event record: what was judged and permitted, kept across resets.
//!
//! [`Journal`] appends records of 32 bytes to a ring of memory pages that the
//! integrator owns and reaches through [`Pages`]. Power may fail at any byte of
//! any write or erasure: all records before it are still read, except those of
//! the one page that was being erased, and nothing false is read but by a
//! chance of 2⁻³² for each damaged slot (CRC-32).
//!
//! After a reset: [`Journal::open`], [`History::restore`], then
//! [`crate::permit::Permit::restored`] with [`History::latched`]: the
//! permission begins withheld, and an alarm that nobody acknowledged still
//! waits for that. When the memory cannot be read, take the latch as set.
//!
//! ```
//! use ohmsplit::journal::{Event, History, Journal, Pages, RECORD_SIZE};
//!
//! /// Two pages of sixteen slots; in firmware, flash.
//! struct Memory([[[u8; RECORD_SIZE]; 16]; 2]);
//!
//! impl Pages for Memory {
//!     type Error = core::convert::Infallible;
//!     fn pages(&self) -> u32 { 2 }
//!     fn slots(&self) -> u32 { 16 }
//!     fn read(&mut self, page: u32, slot: u32, into: &mut [u8; RECORD_SIZE]) -> Result<(), Self::Error> {
//!         *into = self.0[page as usize][slot as usize];
//!         Ok(())
//!     }
//!     fn write(&mut self, page: u32, slot: u32, record: &[u8; RECORD_SIZE]) -> Result<(), Self::Error> {
//!         self.0[page as usize][slot as usize] = *record;
//!         Ok(())
//!     }
//!     fn erase(&mut self, page: u32) -> Result<(), Self::Error> {
//!         self.0[page as usize] = [[0xFF; RECORD_SIZE]; 16];
//!         Ok(())
//!     }
//! }
//!
//! let mut journal = Journal::open(Memory([[[0xFF; RECORD_SIZE]; 16]; 2])).unwrap();
//! journal.append(17, Event::Started).unwrap();
//! let mut history = History::default();
//! journal.visit(|record| history.take(record)).unwrap();
//! assert!(history.latched()); // No permission was recorded: the latch is taken as set.
//! ```
//!
#![doc = include_str!("format.md")]

mod history;
mod record;
mod recorder;
mod ring;
#[cfg(test)]
mod tests;

pub use history::History;
pub use record::{Event, Figures, Judgement, RECORD_SIZE, Record, Slot, VERSION};
pub use recorder::Recorder;
pub use ring::{Fault, Journal, Pages};
