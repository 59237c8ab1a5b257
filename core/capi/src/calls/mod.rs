//! The functions.

mod following;
mod journal;
mod monitor;
mod permit;
mod sampler;
mod sections;
mod settings;
mod swift;
mod trend;

pub use journal::*;
pub use monitor::*;
pub use permit::*;
pub use sampler::*;
pub use sections::*;
pub use settings::*;
pub use swift::*;
pub use trend::*;

use crate::handle::Refused;
use crate::types::*;

/// Where RAM is scarce the sizes in types/handles.rs are exact. When the core has
/// changed, the compiler says here what they have to be.
#[cfg(not(target_pointer_width = "64"))]
const _: () = {
    use crate::handle::Slot;
    use following::Following;
    use journal::Keeping;
    use ohmsplit::config::Config;
    use ohmsplit::permit::Permit;
    use ohmsplit::sections::Sections;
    use ohmsplit::trend::Trend;
    use ohmsplit::{Monitor, RawBlock, SwiftMonitor};
    use sampler::Sampling;

    let _: [u8; Slot::<Config>::SIZE] = [0; OHMSPLIT_CONFIG_SIZE];
    let _: [u8; Slot::<Sampling>::SIZE] = [0; OHMSPLIT_SAMPLER_SIZE];
    let _: [u8; Slot::<RawBlock>::SIZE] = [0; OHMSPLIT_BLOCK_SIZE];
    let _: [u8; Slot::<Following<Monitor<'_>>>::SIZE] = [0; OHMSPLIT_MONITOR_SIZE];
    let _: [u8; Slot::<Following<SwiftMonitor<'_>>>::SIZE] = [0; OHMSPLIT_SWIFT_SIZE];
    let _: [u8; Slot::<Permit>::SIZE] = [0; OHMSPLIT_PERMIT_SIZE];
    let _: [u8; Slot::<Sections>::SIZE] = [0; OHMSPLIT_SECTIONS_SIZE];
    let _: [u8; Slot::<Trend>::SIZE] = [0; OHMSPLIT_TREND_SIZE];
    let _: [u8; Slot::<Keeping>::SIZE] = [0; OHMSPLIT_JOURNAL_SIZE];
};

/// Either side of a result is a status.
pub(crate) fn status(result: Result<ohmsplit_status_t, Refused>) -> ohmsplit_status_t {
    match result {
        Ok(status) | Err(status) => status,
    }
}
