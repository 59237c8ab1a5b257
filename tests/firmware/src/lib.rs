#![no_std]
//! What the images share. It builds for the host as well, so that the host can say what the
//! target must answer.

#[cfg(test)]
extern crate std;

#[cfg(target_os = "none")]
pub mod board;
pub mod captures;
pub mod circuit;
#[cfg(target_os = "none")]
pub mod device;
pub mod exercise;
pub mod footprint;
pub mod replay;
pub mod yardstick;
