//! Host side of ohmsplit: network documents, captures, the simulated plant,
//! and the tool that runs the core on them exactly as firmware does.

// It would panic where standard error cannot be written: `cli::show::note` does not.
#![warn(clippy::print_stderr)]

pub mod bound;
pub mod bulk;
pub mod campaign;
pub mod capture;
pub mod cli;
pub mod design;
pub mod document;
pub mod error;
pub mod evidence;
pub mod expected;
pub mod fleet;
pub mod injection;
pub mod insitu;
pub mod interrupt;
pub mod journal;
pub mod live;
pub mod network;
pub mod ordered;
pub mod output;
pub mod plant;
pub mod regress;
pub mod replay;
pub mod rig;
pub mod scenario;
pub mod simulate;
pub mod sweep;
pub mod table;
#[cfg(test)]
mod test_car;
