//! What a fit works on.

use super::record::View;
use super::search::Bounds;
use super::theta::Reference;
use crate::config::Config;
use crate::num::millionths;

/// Configuration and record, as they were when the fit began.
#[derive(Debug, Clone, Copy)]
pub(super) struct Ground<'a> {
    pub(super) config: &'a Config,
    pub(super) reference: Reference,
    pub(super) record: View<'a>,
}

impl Ground<'_> {
    pub(super) const fn block_us(&self) -> u32 {
        self.config.timing().block_us
    }

    pub(super) fn bounds(&self) -> Bounds {
        Bounds {
            reference: self.reference,
            block: millionths(self.block_us()),
            length: millionths(self.record.length_us()),
        }
    }
}
