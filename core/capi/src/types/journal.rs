//! Event records.

use core::ffi::c_void;

/// Bytes of ohmsplit_history_t.
pub const OHMSPLIT_HISTORY_SIZE: usize = 124;
/// Bytes of ohmsplit_judgement_t.
pub const OHMSPLIT_JUDGEMENT_SIZE: usize = 40;
use super::ohmsplit_answer_t;

/// Bytes of a record, and of a slot.
pub const OHMSPLIT_RECORD_SIZE: usize = 32;

/// Memory pages of the caller's, in flash for instance, each erased as a whole
/// to 0xFF; a slot holds one record and is written once between two erasures.
/// The functions return 0 when they did their work and anything else when the
/// memory refused. They are called from journal calls only, in the context of
/// these, and must not call on the same journal. Power may fail in any of them.
#[repr(C)]
#[derive(Debug, Clone, Copy)]
pub struct ohmsplit_pages_t {
    /// Handed to the functions, for the caller's use.
    pub context: *mut c_void,
    /// Number of pages, at least 2.
    pub pages: u32,
    /// Slots of a page, at least 1.
    pub slots: u32,
    /// Reads OHMSPLIT_RECORD_SIZE bytes.
    pub read: Option<
        unsafe extern "C" fn(context: *mut c_void, page: u32, slot: u32, into: *mut u8) -> i32,
    >,
    /// Writes OHMSPLIT_RECORD_SIZE bytes to a slot that is free.
    pub write: Option<
        unsafe extern "C" fn(context: *mut c_void, page: u32, slot: u32, from: *const u8) -> i32,
    >,
    /// Erases a page.
    pub erase: Option<unsafe extern "C" fn(context: *mut c_void, page: u32) -> i32>,
}

/// A verdict that was recorded.
#[repr(C)]
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct ohmsplit_judgement_t {
    /// 1 when there is such a record, 0 when not; all else is then 0.
    pub known: i32,
    /// When it was recorded.
    pub at_second: u32,
    /// One of ohmsplit_verdict_t.
    pub verdict: i32,
    /// One of ohmsplit_reason_t.
    pub verdict_reason: i32,
    /// One of ohmsplit_basis_t.
    pub basis: i32,
    /// One of ohmsplit_kind_t; figures are there unless it is none.
    pub kind: i32,
    /// Both rails in parallel, UINT32_MAX above that.
    pub isolation_ohm: u32,
    /// The weaker rail, UINT32_MAX above that.
    pub weakest_ohm: u32,
    /// Position in the stack, -1 when there is none.
    pub position_ppm: i32,
    /// Pack voltage.
    pub pack_decivolt: u32,
}

/// What the records tell after a reset: the newest of each kind.
#[repr(C)]
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ohmsplit_history_t {
    /// 1 when the permission is to start latched: an alarm was not
    /// acknowledged, or it is not known. For ohmsplit_permit_restore.
    pub latched: i32,
    /// 1 when there is a record of what was connected, 0 when not.
    pub connected_known: i32,
    /// When that was.
    pub connected_at_second: u32,
    /// A bit for each section that was connected last.
    pub connected: u32,
    /// The newest verdict.
    pub verdict: ohmsplit_judgement_t,
    /// The newest alarm.
    pub alarm: ohmsplit_judgement_t,
    /// 1 when there is a record of a permission, 0 when not; it no longer holds.
    pub permission_known: i32,
    /// When that was.
    pub permission_at_second: u32,
    /// The newest permission, withheld when there is no record.
    pub permission: ohmsplit_answer_t,
}

const _: () = assert!(size_of::<ohmsplit_judgement_t>() == OHMSPLIT_JUDGEMENT_SIZE);

const _: () = assert!(size_of::<ohmsplit_history_t>() == OHMSPLIT_HISTORY_SIZE);
