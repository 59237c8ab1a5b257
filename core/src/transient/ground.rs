//! What a fit works on.

use super::noise::Noise;
use super::record::View;
use super::theta::Reference;
use crate::config::Config;

/// Configuration and record, as they were when the fit began.
#[derive(Debug, Clone, Copy)]
pub(super) struct Ground<'a> {
    pub(super) config: &'a Config,
    pub(super) reference: Reference,
    pub(super) noise: &'a Noise,
    pub(super) record: View<'a>,
}

impl Ground<'_> {
    pub(super) const fn block_us(&self) -> u32 {
        self.config.timing().block_us
    }
}
