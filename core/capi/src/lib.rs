#![cfg_attr(target_os = "none", no_std)]
#![allow(
    non_camel_case_types,
    clippy::enum_variant_names,
    reason = "the names are those that C sees, written once"
)]
#![allow(
    clippy::missing_safety_doc,
    reason = "what all calls demand stands once, at the top of the header"
)]
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
//! The C interface of ohmsplit. `include/ohmsplit.h`, made from this source,
//! is its document: contexts, ownership, units, codes.
//!
//! * `types`: what C sees, as plain integers
//! * `settings`: the C configuration to the core's
//! * `report`, `after`: what the core says, to what C gets
//! * `given`: what C hands back, to the core's
//! * `handle`: the core's values in memory that C owns, `pages`: memory pages
//!   that C reaches; with `calls` the only unsafe code of the workspace
//! * `calls`: the functions

mod after;
mod calls;
mod given;
mod handle;
mod pages;
mod report;
mod settings;
mod types;

pub use calls::*;
pub use types::*;

/// Nothing of this library can panic: the tests look for a panic in the linked
/// image and must find none. Should one be reached all the same, the watchdog ends it.
#[cfg(all(target_os = "none", feature = "panic-trap"))]
#[panic_handler]
fn trap(_: &core::panic::PanicInfo<'_>) -> ! {
    loop {
        core::hint::spin_loop();
    }
}
