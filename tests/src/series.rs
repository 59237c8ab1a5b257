//! Preferred numbers for resistors, IEC 60063, from which the tests pick the
//! monitor's own resistors: those that the design calculation picks from.

pub use ohmsplit_host::design::series::{E24, by_rule, e96, nearest_e96};
