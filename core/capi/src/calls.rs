//! The functions.

use ohmsplit::config::Config;
use ohmsplit::{Monitor, RawBlock, Sample, Sampler, Step};

use crate::handle::{self, Content, Output, Refused, Slot};
use crate::types::*;
use crate::{report, settings};

use ohmsplit_status_t::*;

impl Content for Config {
    type Storage = ohmsplit_config_t;
    const MARK: u32 = 0x6f43_6e46;
}

/// A sampler that numbers its blocks.
struct Numbering {
    sampler: Sampler<'static>,
    next: u32,
    finished: bool,
}

impl Content for Numbering {
    type Storage = ohmsplit_sampler_t;
    const MARK: u32 = 0x6f53_6d50;
}

impl Numbering {
    fn push(&mut self, sample: &Sample) -> Result<Option<Numbered>, Refused> {
        if self.finished {
            return Err(OHMSPLIT_ERROR_FINISHED);
        }
        let block = self.sampler.push(sample);
        Ok(block.map(|block| self.number(block)))
    }

    fn finish(&mut self) -> Result<Option<Numbered>, Refused> {
        if self.finished {
            return Err(OHMSPLIT_ERROR_FINISHED);
        }
        self.finished = true;
        let block = self.sampler.finish();
        Ok(block.map(|block| self.number(block)))
    }

    fn number(&mut self, block: RawBlock) -> Numbered {
        let number = self.next;
        self.next = number.wrapping_add(1);
        Numbered { number, block }
    }
}

/// A block and its number.
struct Numbered {
    number: u32,
    block: RawBlock,
}

impl Content for Numbered {
    type Storage = ohmsplit_block_t;
    const MARK: u32 = 0x6f42_6c4b;
}

/// A monitor that knows which block it is to get next.
struct Following {
    monitor: Monitor<'static>,
    config: &'static Config,
    next: Option<u32>,
    finished: bool,
}

impl Content for Following {
    type Storage = ohmsplit_monitor_t;
    const MARK: u32 = 0x6f4d_6e54;
}

impl Following {
    /// Nothing is known of what a gap held: a dwell may have ended in it. So
    /// what came before is forgotten.
    fn accept(&mut self, numbered: &Numbered) -> Result<ohmsplit_status_t, Refused> {
        if self.finished {
            return Err(OHMSPLIT_ERROR_FINISHED);
        }
        let lost = self.next.is_some_and(|next| next != numbered.number);
        if lost {
            self.monitor = Monitor::new(self.config);
        }
        self.next = Some(numbered.number.wrapping_add(1));
        self.monitor.accept(&numbered.block);
        if lost {
            Err(OHMSPLIT_ERROR_BLOCK_LOST)
        } else {
            Ok(OHMSPLIT_OK)
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

/// Where RAM is scarce the sizes in types.rs are exact. When the core has
/// changed, the compiler says here what they have to be.
#[cfg(not(target_pointer_width = "64"))]
const _: () = {
    let _: [u8; Slot::<Config>::SIZE] = [0; OHMSPLIT_CONFIG_SIZE];
    let _: [u8; Slot::<Numbering>::SIZE] = [0; OHMSPLIT_SAMPLER_SIZE];
    let _: [u8; Slot::<Numbered>::SIZE] = [0; OHMSPLIT_BLOCK_SIZE];
    let _: [u8; Slot::<Following>::SIZE] = [0; OHMSPLIT_MONITOR_SIZE];
};

/// Either side of a result is a status.
fn status(result: Result<ohmsplit_status_t, Refused>) -> ohmsplit_status_t {
    match result {
        Ok(status) | Err(status) => status,
    }
}

/// Puts a block where C wants it, if there is one.
fn hand_over(block: Option<Numbered>, place: Output<Slot<Numbered>>) -> ohmsplit_status_t {
    let Some(block) = block else {
        return OHMSPLIT_OK;
    };
    place.put(Slot::new(block));
    OHMSPLIT_BLOCK_READY
}

/// Fills in `interface` and the defaults of timing and limits, and zeroes the
/// rest: front end, parts, working voltage and the judged figure are to be
/// set, and ohmsplit_config_init refuses zero in each of them.
///
/// Pass OHMSPLIT_INTERFACE as `interface`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_settings_default(
    settings: *mut ohmsplit_settings_t,
    interface: u32,
) -> ohmsplit_status_t {
    status((|| {
        if interface != OHMSPLIT_INTERFACE {
            return Err(OHMSPLIT_ERROR_INTERFACE);
        }
        // SAFETY: the header demands memory of this type, the caller's own during the call.
        let output = unsafe { Output::new(settings) }?;
        output.put(settings::defaults());
        Ok(OHMSPLIT_OK)
    })())
}

/// Checks the settings and makes the configuration that samplers and monitors
/// read. The settings are not needed afterwards. The configuration must stay
/// where it is, unchanged, as long as any of them is in use.
///
/// Pass sizeof *config as `size`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_config_init(
    config: *mut ohmsplit_config_t,
    size: usize,
    settings: *const ohmsplit_settings_t,
) -> ohmsplit_status_t {
    status((|| {
        // SAFETY: the header demands `size` bytes, the caller's own during the call.
        let place = unsafe { handle::place(config, size) }?;
        // SAFETY: the header demands settings that nobody writes during the call.
        let settings = unsafe { handle::input(settings) }?;
        place.put(Slot::new(settings::config(settings)?));
        Ok(OHMSPLIT_OK)
    })())
}

/// Makes a sampler that has seen nothing, also out of one that was in use.
///
/// Pass sizeof *sampler as `size`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_sampler_init(
    sampler: *mut ohmsplit_sampler_t,
    size: usize,
    config: *const ohmsplit_config_t,
) -> ohmsplit_status_t {
    status((|| {
        // SAFETY: the header demands `size` bytes, the caller's own during the call.
        let place = unsafe { handle::place(sampler, size) }?;
        // SAFETY: the header demands that the configuration outlives the sampler unchanged.
        let config = unsafe { handle::shared::<Config>(config) }?;
        place.put(Slot::new(Numbering {
            sampler: Sampler::new(config),
            next: 0,
            finished: false,
        }));
        Ok(OHMSPLIT_OK)
    })())
}

/// INTERRUPT. Takes one sample. OHMSPLIT_BLOCK_READY when it completed a block,
/// which is then in `block`; otherwise `block` is untouched.
///
/// Samples whose time does not advance are taken as missing.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_sampler_push(
    sampler: *mut ohmsplit_sampler_t,
    sample: *const ohmsplit_sample_t,
    block: *mut ohmsplit_block_t,
) -> ohmsplit_status_t {
    status((|| {
        // SAFETY: the header demands a sample that nobody writes during the call.
        let sample = unsafe { handle::input(sample) }?;
        // SAFETY: the header demands memory of this type, the caller's own during the call.
        let place = unsafe { handle::place(block, size_of::<ohmsplit_block_t>()) }?;
        let sample = Sample {
            at_us: sample.at_microsecond,
            drive: settings::drive(sample.drive).ok_or(OHMSPLIT_ERROR_DRIVE)?,
            codes: sample.codes,
        };
        // SAFETY: the header demands a sampler that only one context uses.
        let done = unsafe { handle::exclusive(sampler, |s: &mut Numbering| s.push(&sample)) }??;
        Ok(hand_over(done, place))
    })())
}

/// INTERRUPT, or with it disabled. Ends the block under way and the sampler
/// with it. OHMSPLIT_BLOCK_READY when there was a block, which is then in
/// `block`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_sampler_finish(
    sampler: *mut ohmsplit_sampler_t,
    block: *mut ohmsplit_block_t,
) -> ohmsplit_status_t {
    status((|| {
        // SAFETY: the header demands memory of this type, the caller's own during the call.
        let place = unsafe { handle::place(block, size_of::<ohmsplit_block_t>()) }?;
        // SAFETY: the header demands a sampler that only one context uses.
        let done = unsafe { handle::exclusive(sampler, Numbering::finish) }??;
        Ok(hand_over(done, place))
    })())
}

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
    status((|| {
        // SAFETY: the header demands `size` bytes, the caller's own during the call.
        let place = unsafe { handle::place(monitor, size) }?;
        // SAFETY: the header demands that the configuration outlives the monitor unchanged.
        let config = unsafe { handle::shared::<Config>(config) }?;
        place.put(Slot::new(Following {
            monitor: Monitor::new(config),
            config,
            next: None,
            finished: false,
        }));
        Ok(OHMSPLIT_OK)
    })())
}

/// Background. Takes a block; it is not needed afterwards. Every block must
/// come, in order. Step until OHMSPLIT_OK before the next one: a settling
/// proof still under way when the next dwell ends is given up.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_monitor_accept(
    monitor: *mut ohmsplit_monitor_t,
    block: *const ohmsplit_block_t,
) -> ohmsplit_status_t {
    status((|| {
        // SAFETY: the header demands a block that nobody writes during the call.
        let block = unsafe { handle::shared::<Numbered>(block) }?;
        // SAFETY: the header demands a monitor that only one context uses.
        unsafe { handle::exclusive(monitor, |m: &mut Following| m.accept(block)) }?
    })())
}

/// Background. One slice of work of bounded length. OHMSPLIT_OK when there is
/// none, OHMSPLIT_BUSY when more is waiting, OHMSPLIT_REPORT_READY when a
/// dwell's report is in `report`; otherwise `report` is untouched.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_monitor_step(
    monitor: *mut ohmsplit_monitor_t,
    report: *mut ohmsplit_report_t,
) -> ohmsplit_status_t {
    status((|| {
        // SAFETY: the header demands memory of this type, the caller's own during the call.
        let output = unsafe { Output::new(report) }?;
        // SAFETY: the header demands a monitor that only one context uses.
        let step = unsafe { handle::exclusive(monitor, |m: &mut Following| m.monitor.step()) }?;
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

/// Background. Ends the dwell under way, and the monitor with it: it takes no
/// more blocks. The dwell's report comes from the steps that follow. Call it
/// after the block of ohmsplit_sampler_finish was accepted.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_monitor_finish(
    monitor: *mut ohmsplit_monitor_t,
) -> ohmsplit_status_t {
    status((|| {
        // SAFETY: the header demands a monitor that only one context uses.
        unsafe { handle::exclusive(monitor, Following::finish) }?
    })())
}

/// Background. The drive state that the switches should take. It changes only
/// in ohmsplit_monitor_accept and ohmsplit_monitor_step. Where something else
/// leads the drive it need not be followed: the samples say what was driven.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_monitor_drive(
    monitor: *mut ohmsplit_monitor_t,
    drive: *mut ohmsplit_drive_t,
) -> ohmsplit_status_t {
    status((|| {
        // SAFETY: the header demands memory of this type, the caller's own during the call.
        let output = unsafe { Output::new(drive) }?;
        // SAFETY: the header demands a monitor that only one context uses.
        let wanted = unsafe { handle::exclusive(monitor, |m: &mut Following| m.monitor.drive()) }?;
        output.put(report::drive(wanted));
        Ok(OHMSPLIT_OK)
    })())
}

/// Background. The verdict as it stands, and the ohmsplit_reason_t why it is
/// undetermined, 0 when it is not.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_monitor_verdict(
    monitor: *mut ohmsplit_monitor_t,
    verdict: *mut ohmsplit_verdict_t,
    reason: *mut i32,
) -> ohmsplit_status_t {
    status((|| {
        // SAFETY: the header demands memory of this type, the caller's own during the call.
        let verdict = unsafe { Output::new(verdict) }?;
        // SAFETY: as above.
        let reason = unsafe { Output::new(reason) }?;
        // SAFETY: the header demands a monitor that only one context uses.
        let stands =
            unsafe { handle::exclusive(monitor, |m: &mut Following| m.monitor.verdict()) }?;
        let (code, why) = report::verdict(stands);
        verdict.put(code);
        reason.put(why);
        Ok(OHMSPLIT_OK)
    })())
}
