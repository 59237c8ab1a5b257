//! What both monitors do behind their handles.

use ohmsplit::config::Config;
use ohmsplit::contexts::Background;
use ohmsplit::{Monitor, RawBlock, Step, SwiftMonitor};

use super::status;
use crate::handle::{self, Content, Output, Refused, Slot};
use crate::report;
use crate::types::*;

use ohmsplit_status_t::*;

/// A monitor that may be at its end.
pub(super) struct Following<M> {
    monitor: M,
    finished: bool,
}

impl Content for Following<Monitor<'static>> {
    type Storage = ohmsplit_monitor_t;
    const MARK: u32 = 0x6f4d_6e54;
}

impl Content for Following<SwiftMonitor<'static>> {
    type Storage = ohmsplit_swift_t;
    const MARK: u32 = 0x6f53_7746;
}

impl<M: Background<'static>> Following<M> {
    fn accept(&mut self, block: &RawBlock) -> Result<ohmsplit_status_t, Refused> {
        if self.finished {
            return Err(OHMSPLIT_ERROR_FINISHED);
        }
        if self.monitor.accept(block) {
            Ok(OHMSPLIT_OK)
        } else {
            Err(OHMSPLIT_ERROR_BLOCK_LOST)
        }
    }

    fn finish(&mut self) -> Result<ohmsplit_status_t, Refused> {
        if self.finished {
            return Err(OHMSPLIT_ERROR_FINISHED);
        }
        self.finished = true;
        self.monitor.finish();
        Ok(OHMSPLIT_OK)
    }
}

/// What lies behind the handle of a monitor.
pub(super) type Storage<M> = <Following<M> as Content>::Storage;

/// Makes one that has seen nothing.
///
/// # Safety
/// The header's demands on pointers.
pub(super) unsafe fn init<M>(
    monitor: *mut Storage<M>,
    size: usize,
    config: *const ohmsplit_config_t,
) -> ohmsplit_status_t
where
    M: Background<'static>,
    Following<M>: Content,
{
    status((|| {
        // SAFETY: the header demands `size` bytes, the caller's own during the call.
        let place = unsafe { handle::place(monitor, size) }?;
        // SAFETY: the header demands that the configuration outlives the monitor unchanged.
        let config = unsafe { handle::shared::<Config>(config) }?;
        place.put(Slot::new(Following {
            monitor: M::begin(config),
            finished: false,
        }));
        Ok(OHMSPLIT_OK)
    })())
}

/// Takes a block.
///
/// # Safety
/// The header's demands on pointers.
pub(super) unsafe fn accept<M>(
    monitor: *mut Storage<M>,
    block: *const ohmsplit_block_t,
) -> ohmsplit_status_t
where
    M: Background<'static>,
    Following<M>: Content,
{
    status((|| {
        // SAFETY: the header demands a block that nobody writes during the call.
        let block = unsafe { handle::shared::<RawBlock>(block) }?;
        // SAFETY: the header demands a monitor that only one context uses.
        unsafe { handle::exclusive(monitor, |m: &mut Following<M>| m.accept(block)) }?
    })())
}

/// One slice of work.
///
/// # Safety
/// The header's demands on pointers.
pub(super) unsafe fn step<M>(
    monitor: *mut Storage<M>,
    report: *mut ohmsplit_report_t,
) -> ohmsplit_status_t
where
    M: Background<'static>,
    Following<M>: Content,
{
    status((|| {
        // SAFETY: the header demands memory of this type, the caller's own during the call.
        let output = unsafe { Output::new(report) }?;
        // SAFETY: the header demands a monitor that only one context uses.
        let step = unsafe { handle::exclusive(monitor, |m: &mut Following<M>| m.monitor.step()) }?;
        Ok(match step {
            Step::Idle => OHMSPLIT_OK,
            Step::Busy => OHMSPLIT_BUSY,
            Step::Answer(answer) => {
                output.put(report::of(&answer));
                OHMSPLIT_REPORT_READY
            }
        })
    })())
}

/// Ends the dwell under way.
///
/// # Safety
/// The header's demands on pointers.
pub(super) unsafe fn finish<M>(monitor: *mut Storage<M>) -> ohmsplit_status_t
where
    M: Background<'static>,
    Following<M>: Content,
{
    status((|| {
        // SAFETY: the header demands a monitor that only one context uses.
        unsafe { handle::exclusive(monitor, Following::<M>::finish) }?
    })())
}

/// The drive state wanted.
///
/// # Safety
/// The header's demands on pointers.
pub(super) unsafe fn drive<M>(
    monitor: *mut Storage<M>,
    drive: *mut ohmsplit_drive_t,
) -> ohmsplit_status_t
where
    M: Background<'static>,
    Following<M>: Content,
{
    status((|| {
        // SAFETY: the header demands memory of this type, the caller's own during the call.
        let output = unsafe { Output::new(drive) }?;
        // SAFETY: the header demands a monitor that only one context uses.
        let wanted =
            unsafe { handle::exclusive(monitor, |m: &mut Following<M>| m.monitor.drive()) }?;
        output.put(report::drive(wanted));
        Ok(OHMSPLIT_OK)
    })())
}

/// The verdict as it stands.
///
/// # Safety
/// The header's demands on pointers.
pub(super) unsafe fn verdict<M>(
    monitor: *mut Storage<M>,
    verdict: *mut ohmsplit_verdict_t,
    reason: *mut i32,
) -> ohmsplit_status_t
where
    M: Background<'static>,
    Following<M>: Content,
{
    status((|| {
        // SAFETY: the header demands memory of this type, the caller's own during the call.
        let verdict = unsafe { Output::new(verdict) }?;
        // SAFETY: as above.
        let reason = unsafe { Output::new(reason) }?;
        // SAFETY: the header demands a monitor that only one context uses.
        let stands =
            unsafe { handle::exclusive(monitor, |m: &mut Following<M>| m.monitor.verdict()) }?;
        let (code, why) = report::verdict(stands);
        verdict.put(code);
        reason.put(why);
        Ok(OHMSPLIT_OK)
    })())
}

/// What the self-diagnosis finds.
///
/// # Safety
/// The header's demands on pointers.
pub(super) unsafe fn findings<M>(monitor: *mut Storage<M>, findings: *mut u32) -> ohmsplit_status_t
where
    M: Background<'static>,
    Following<M>: Content,
{
    status((|| {
        // SAFETY: the header demands memory of this type, the caller's own during the call.
        let output = unsafe { Output::new(findings) }?;
        // SAFETY: the header demands a monitor that only one context uses.
        let found =
            unsafe { handle::exclusive(monitor, |m: &mut Following<M>| m.monitor.findings()) }?;
        output.put(found.bits());
        Ok(OHMSPLIT_OK)
    })())
}

/// Leaves the bus to another monitor, or takes it back.
///
/// # Safety
/// The header's demands on pointers.
pub(super) unsafe fn leave<M>(monitor: *mut Storage<M>, leave: bool) -> ohmsplit_status_t
where
    M: Background<'static>,
    Following<M>: Content,
{
    status((|| {
        let change = |m: &mut Following<M>| {
            if leave {
                m.monitor.yield_bus();
            } else {
                m.monitor.resume_bus();
            }
        };
        // SAFETY: the header demands a monitor that only one context uses.
        unsafe { handle::exclusive(monitor, change) }?;
        Ok(OHMSPLIT_OK)
    })())
}
