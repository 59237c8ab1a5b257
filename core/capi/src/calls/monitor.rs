//! The monitor that waits for settled readings.

use ohmsplit::Monitor;

use super::following;
use crate::types::*;

/// Makes a monitor that has seen nothing, also out of one that was in use. Its
/// verdict is undetermined, not yet measured.
///
/// Pass sizeof *monitor as `size`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_monitor_init(
    monitor: *mut ohmsplit_monitor_t,
    size: usize,
    config: *const ohmsplit_config_t,
) -> ohmsplit_status_t {
    // SAFETY: the header's demands are those of the call.
    unsafe { following::init::<Monitor<'static>>(monitor, size, config) }
}

/// Background. Takes a block; it is not needed afterwards. Every block must
/// come, in order. Step until OHMSPLIT_OK before the next one: a settling
/// proof still under way when the next dwell ends is given up.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_monitor_accept(
    monitor: *mut ohmsplit_monitor_t,
    block: *const ohmsplit_block_t,
) -> ohmsplit_status_t {
    // SAFETY: the header's demands are those of the call.
    unsafe { following::accept::<Monitor<'static>>(monitor, block) }
}

/// Background. One slice of work of bounded length. OHMSPLIT_OK when there is
/// none, OHMSPLIT_BUSY when more is waiting, OHMSPLIT_REPORT_READY when a
/// dwell's report is in `report`; otherwise `report` is untouched.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_monitor_step(
    monitor: *mut ohmsplit_monitor_t,
    report: *mut ohmsplit_report_t,
) -> ohmsplit_status_t {
    // SAFETY: the header's demands are those of the call.
    unsafe { following::step::<Monitor<'static>>(monitor, report) }
}

/// Background. Ends the dwell under way, and the monitor with it: it takes no
/// more blocks. The dwell's report comes from the steps that follow. Call it
/// after the block of ohmsplit_sampler_finish was accepted.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_monitor_finish(
    monitor: *mut ohmsplit_monitor_t,
) -> ohmsplit_status_t {
    // SAFETY: the header's demands are those of the call.
    unsafe { following::finish::<Monitor<'static>>(monitor) }
}

/// Background. The drive state that the switches should take. It changes only
/// in ohmsplit_monitor_accept, ohmsplit_monitor_step,
/// ohmsplit_monitor_yield_bus and ohmsplit_monitor_resume_bus. Where something else
/// leads the drive it need not be followed: the samples say what was driven.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_monitor_drive(
    monitor: *mut ohmsplit_monitor_t,
    drive: *mut ohmsplit_drive_t,
) -> ohmsplit_status_t {
    // SAFETY: the header's demands are those of the call.
    unsafe { following::drive::<Monitor<'static>>(monitor, drive) }
}

/// Background. The verdict as it stands, and the ohmsplit_reason_t why it is
/// undetermined, 0 when it is not.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_monitor_verdict(
    monitor: *mut ohmsplit_monitor_t,
    verdict: *mut ohmsplit_verdict_t,
    reason: *mut i32,
) -> ohmsplit_status_t {
    // SAFETY: the header's demands are those of the call.
    unsafe { following::verdict::<Monitor<'static>>(monitor, verdict, reason) }
}

/// Background. What the self-diagnosis finds as it stands: bit n is
/// ohmsplit_finding_t n.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_monitor_findings(
    monitor: *mut ohmsplit_monitor_t,
    findings: *mut u32,
) -> ohmsplit_status_t {
    // SAFETY: the header's demands are those of the call.
    unsafe { following::findings::<Monitor<'static>>(monitor, findings) }
}

/// Background. Leaves the bus to another monitor: the drive rests, blocks are
/// not looked at, and the verdict is undetermined for that reason; an alarm
/// stands. What was measured before is forgotten.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_monitor_yield_bus(
    monitor: *mut ohmsplit_monitor_t,
) -> ohmsplit_status_t {
    // SAFETY: the header's demands are those of the call.
    unsafe { following::leave::<Monitor<'static>>(monitor, true) }
}

/// Background. Takes the bus back: the verdict stays undetermined until a new
/// drive cycle is measured and confirmed; an alarm stands until then.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_monitor_resume_bus(
    monitor: *mut ohmsplit_monitor_t,
) -> ohmsplit_status_t {
    // SAFETY: the header's demands are those of the call.
    unsafe { following::leave::<Monitor<'static>>(monitor, false) }
}
