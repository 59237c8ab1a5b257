//! Settings and the configuration made of them.

use ohmsplit::config::Config;

use super::status;
use crate::handle::{self, Content, Output, Slot};
use crate::settings;
use crate::types::*;

use ohmsplit_status_t::*;

impl Content for Config {
    type Storage = ohmsplit_config_t;
    const MARK: u32 = 0x6f43_6e46;
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
