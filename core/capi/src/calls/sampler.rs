//! The interrupt's handle.

use ohmsplit::config::Config;
use ohmsplit::{RawBlock, Sample, Sampler};

use super::status;
use crate::handle::{self, Content, Output, Refused, Slot};
use crate::settings;
use crate::types::*;

use ohmsplit_status_t::*;

/// A sampler that numbers its blocks.
pub(super) struct Numbering {
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
pub(super) struct Numbered {
    pub(super) number: u32,
    pub(super) block: RawBlock,
}

impl Content for Numbered {
    type Storage = ohmsplit_block_t;
    const MARK: u32 = 0x6f42_6c4b;
}

/// Puts a block where C wants it, if there is one.
fn hand_over(block: Option<Numbered>, place: Output<Slot<Numbered>>) -> ohmsplit_status_t {
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
