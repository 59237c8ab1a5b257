//! Helpers for the tests that span packages: circuit theory written a second
//! time, the monitor under test built from it, and a feed that turns volts
//! into the codes and times that firmware would hand in.

pub mod bench;
pub mod bounds;
pub mod design;
pub mod fixtures;
pub mod honest;
pub mod nodal;
pub mod reference;
pub mod series;
