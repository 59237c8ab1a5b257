//! Which side of the contactors leaks.

use super::{ohmsplit_measured_t, ohmsplit_resistance_t};

/// Bytes of ohmsplit_share_t.
pub const OHMSPLIT_SHARE_SIZE: usize = 104;
/// Most sections: one bit each in a set of them.
pub const OHMSPLIT_SECTIONS_MAX: u32 = 8;

/// What one side, or one or more sections, leak.
#[repr(C)]
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ohmsplit_share_t {
    /// One of ohmsplit_kind_t; none when `reason` is not 0, and no figure then
    /// is there.
    pub kind: i32,
    /// One of ohmsplit_reason_t: not yet measured when no two estimates, near
    /// enough in time, differ by just these sections; too uncertain when
    /// without them there is a hard short already; circuit changed when less
    /// leaks with them than without.
    pub reason: i32,
    /// Seconds between the two estimates; 0 for the battery side.
    pub apart_second: u32,
    /// Zero.
    pub reserved: u32,
    /// 1/R of both rails in parallel; its lower bound when the kind is short.
    pub conductance_femtosiemens: ohmsplit_measured_t,
    /// 1/Rp.
    pub positive_femtosiemens: ohmsplit_measured_t,
    /// 1/Rn.
    pub negative_femtosiemens: ohmsplit_measured_t,
    /// Both rails in parallel.
    pub isolation: ohmsplit_resistance_t,
    /// Where a single leak of this share would sit, 0 at N and 1,000,000 at P;
    /// absent when no leak is resolved.
    pub position_ppm: ohmsplit_measured_t,
}

const _: () = assert!(size_of::<ohmsplit_share_t>() == OHMSPLIT_SHARE_SIZE);
