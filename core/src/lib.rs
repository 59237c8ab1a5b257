#![no_std]
#![forbid(unsafe_code)]
#![cfg_attr(
    not(test),
    deny(
        clippy::float_arithmetic,
        clippy::arithmetic_side_effects,
        clippy::indexing_slicing,
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::panic,
        clippy::unreachable
    )
)]
//! Isolation-resistance estimation for floating high-voltage batteries.

#[cfg(test)]
extern crate std;

pub mod config;
mod drive;
mod estimate;
mod front;
mod judge;
mod monitor;
#[cfg(test)]
mod monitor_tests;
mod num;
mod reason;
mod report;
mod sample;
mod settle;
pub mod units;

pub use front::{Block, Flags, RawBlock, Sampler};
pub use monitor::{Monitor, Step};
pub use reason::Reason;
pub use report::{Estimate, Interval, Kind, Reading, Report, Verdict};
pub use sample::Sample;
