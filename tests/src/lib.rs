//! Helpers for the tests that span packages: circuit theory written a second
//! time, the monitor under test built from it, and a feed that turns volts
//! into the codes and times that firmware would hand in.

pub mod bench;
pub mod bounds;
pub mod design;
pub mod disturbed;
pub mod fixtures;
pub mod honest;
pub mod nodal;
pub mod reference;
pub mod series;

/// The cargo that runs the test: where the one that built it was, there may be none by now.
#[must_use]
pub fn cargo() -> std::process::Command {
    std::process::Command::new(std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into()))
}
