//! Host side of ohmsplit: network documents, captures, the simulated plant,
//! and the tool that runs the core on them exactly as firmware does.

pub mod document;
pub mod error;
pub mod network;
pub mod plant;
pub mod scenario;
pub mod simulate;
