//! The functions.

use core::mem::MaybeUninit;

use ohmsplit::config::{Config, Drive};
use ohmsplit::{Monitor, RawBlock, Sample, Sampler, Step};

use crate::handle::{self, Content, Output, Refused};
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
}

impl Content for Numbering {
    type Storage = ohmsplit_sampler_t;
    const MARK: u32 = 0x6f53_6d50;
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
}

impl Content for Following {
    type Storage = ohmsplit_monitor_t;
    const MARK: u32 = 0x6f4d_6e54;
}

/// Either side of a result is a status.
fn status(result: Result<ohmsplit_status_t, Refused>) -> ohmsplit_status_t {
    match result {
        Ok(status) | Err(status) => status,
    }
}
