//! Memory that C owns and that this library lays out.

/// Alignment of the types that hold a handle.
pub const OHMSPLIT_ALIGNMENT: usize = 16;
/// Bytes of ohmsplit_config_t.
#[cfg(not(target_pointer_width = "64"))]
pub const OHMSPLIT_CONFIG_SIZE: usize = 848;
/// Bytes of ohmsplit_sampler_t.
#[cfg(not(target_pointer_width = "64"))]
pub const OHMSPLIT_SAMPLER_SIZE: usize = 144;
/// Bytes of ohmsplit_block_t.
#[cfg(not(target_pointer_width = "64"))]
pub const OHMSPLIT_BLOCK_SIZE: usize = 80;
/// Bytes of ohmsplit_monitor_t.
#[cfg(not(target_pointer_width = "64"))]
pub const OHMSPLIT_MONITOR_SIZE: usize = 1040;
/// Bytes of ohmsplit_swift_t.
#[cfg(not(target_pointer_width = "64"))]
pub const OHMSPLIT_SWIFT_SIZE: usize = 9232;
/// Bytes of ohmsplit_config_t.
#[cfg(target_pointer_width = "64")]
pub const OHMSPLIT_CONFIG_SIZE: usize = 1024;
/// Bytes of ohmsplit_sampler_t.
#[cfg(target_pointer_width = "64")]
pub const OHMSPLIT_SAMPLER_SIZE: usize = 256;
/// Bytes of ohmsplit_block_t.
#[cfg(target_pointer_width = "64")]
pub const OHMSPLIT_BLOCK_SIZE: usize = 128;
/// Bytes of ohmsplit_monitor_t.
#[cfg(target_pointer_width = "64")]
pub const OHMSPLIT_MONITOR_SIZE: usize = 8192;
/// Bytes of ohmsplit_swift_t.
#[cfg(target_pointer_width = "64")]
pub const OHMSPLIT_SWIFT_SIZE: usize = 16384;
/// Bytes of ohmsplit_permit_t.
#[cfg(not(target_pointer_width = "64"))]
pub const OHMSPLIT_PERMIT_SIZE: usize = 48;
/// Bytes of ohmsplit_sections_t.
#[cfg(not(target_pointer_width = "64"))]
pub const OHMSPLIT_SECTIONS_SIZE: usize = 496;
/// Bytes of ohmsplit_trend_t.
#[cfg(not(target_pointer_width = "64"))]
pub const OHMSPLIT_TREND_SIZE: usize = 576;
/// Bytes of ohmsplit_journal_t.
#[cfg(not(target_pointer_width = "64"))]
pub const OHMSPLIT_JOURNAL_SIZE: usize = 80;
/// Bytes of ohmsplit_permit_t.
#[cfg(target_pointer_width = "64")]
pub const OHMSPLIT_PERMIT_SIZE: usize = 128;
/// Bytes of ohmsplit_sections_t.
#[cfg(target_pointer_width = "64")]
pub const OHMSPLIT_SECTIONS_SIZE: usize = 768;
/// Bytes of ohmsplit_trend_t.
#[cfg(target_pointer_width = "64")]
pub const OHMSPLIT_TREND_SIZE: usize = 1024;
/// Bytes of ohmsplit_journal_t.
#[cfg(target_pointer_width = "64")]
pub const OHMSPLIT_JOURNAL_SIZE: usize = 256;

/// A checked configuration. Written by ohmsplit_config_init, then only read.
#[repr(C, align(16))]
pub struct ohmsplit_config_t {
    opaque: [u8; OHMSPLIT_CONFIG_SIZE],
}

/// The interrupt's handle.
#[repr(C, align(16))]
pub struct ohmsplit_sampler_t {
    opaque: [u8; OHMSPLIT_SAMPLER_SIZE],
}

/// The background task's handle: waits for settled readings.
#[repr(C, align(16))]
pub struct ohmsplit_monitor_t {
    opaque: [u8; OHMSPLIT_MONITOR_SIZE],
}

/// The background task's handle: reports before the circuit has settled.
#[repr(C, align(16))]
pub struct ohmsplit_swift_t {
    opaque: [u8; OHMSPLIT_SWIFT_SIZE],
}

/// A block of summed samples on its way from the interrupt to the background
/// task. It may be copied.
#[repr(C, align(16))]
pub struct ohmsplit_block_t {
    opaque: [u8; OHMSPLIT_BLOCK_SIZE],
}

/// May the contactors close? The background task's.
#[repr(C, align(16))]
pub struct ohmsplit_permit_t {
    opaque: [u8; OHMSPLIT_PERMIT_SIZE],
}

/// Which side of the contactors leaks. The background task's.
#[repr(C, align(16))]
pub struct ohmsplit_sections_t {
    opaque: [u8; OHMSPLIT_SECTIONS_SIZE],
}

/// Slow decline over days. The background task's.
#[repr(C, align(16))]
pub struct ohmsplit_trend_t {
    opaque: [u8; OHMSPLIT_TREND_SIZE],
}

/// Event records in memory pages of the caller's. The background task's.
#[repr(C, align(16))]
pub struct ohmsplit_journal_t {
    opaque: [u8; OHMSPLIT_JOURNAL_SIZE],
}
