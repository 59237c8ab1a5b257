//! The interrupt's handle.

use ohmsplit::config::Config;
use ohmsplit::{RawBlock, Sample, Sampler};

use super::status;
use crate::handle::{self, Content, Output, Refused, Slot};
use crate::settings;
use crate::types::*;

use ohmsplit_status_t::*;

/// A sampler that may be at its end.
pub(super) struct Sampling {
    sampler: Sampler,
    finished: bool,
}

impl Content for Sampling {
    type Storage = ohmsplit_sampler_t;
    const MARK: u32 = 0x6f53_6d50;
}

impl Sampling {
    fn push(&mut self, sample: &Sample) -> Result<Option<RawBlock>, Refused> {
        if self.finished {
            return Err(OHMSPLIT_ERROR_FINISHED);
        }
        Ok(self.sampler.push(sample))
    }

    fn finish(&mut self) -> Result<Option<RawBlock>, Refused> {
        if self.finished {
            return Err(OHMSPLIT_ERROR_FINISHED);
        }
        self.finished = true;
        Ok(self.sampler.finish())
    }
}

impl Content for RawBlock {
    type Storage = ohmsplit_block_t;
    const MARK: u32 = 0x6f42_6c4b;
}

/// Puts a block where C wants it, if there is one.
fn hand_over(block: Option<RawBlock>, place: Output<Slot<RawBlock>>) -> ohmsplit_status_t {
    let Some(block) = block else {
        return OHMSPLIT_OK;
    };
    place.put(Slot::new(block));
    OHMSPLIT_BLOCK_READY
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
        place.put(Slot::new(Sampling {
            sampler: Sampler::new(config),
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
        let done = unsafe { handle::exclusive(sampler, |s: &mut Sampling| s.push(&sample)) }??;
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
        let done = unsafe { handle::exclusive(sampler, Sampling::finish) }??;
        Ok(hand_over(done, place))
    })())
}
