//! Which side of the contactors leaks.

use ohmsplit::sections::{Connected, Sections};

use super::status;
use crate::handle::{self, Content, Output, Refused, Slot};
use crate::types::*;
use crate::{after, given};

use ohmsplit_status_t::*;

impl Content for Sections {
    type Storage = ohmsplit_sections_t;
    const MARK: u32 = 0x6f53_6354;
}

/// A set of sections.
pub(super) fn connected(bits: u32) -> Result<Connected, Refused> {
    let bits = u8::try_from(bits).map_err(|_| OHMSPLIT_ERROR_OUT_OF_RANGE)?;
    Ok(Connected::from_bits(bits))
}

/// Makes sections of which nothing is known. A section is a part of the
/// network that contactors connect as a whole, both poles; the battery side is
/// always connected. `connected` has bit k set when section k is, 0 to
/// OHMSPLIT_SECTIONS_MAX - 1. Estimates further apart than `apart_max_second`
/// are not compared: the leak itself may have changed in between.
///
/// Pass sizeof *sections as `size`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_sections_init(
    sections: *mut ohmsplit_sections_t,
    size: usize,
    connected: u32,
    apart_max_second: u32,
) -> ohmsplit_status_t {
    status((|| {
        // SAFETY: the header demands `size` bytes, the caller's own during the call.
        let place = unsafe { handle::place(sections, size) }?;
        let connected = self::connected(connected)?;
        place.put(Slot::new(Sections::new(connected, apart_max_second)));
        Ok(OHMSPLIT_OK)
    })())
}

/// Background. Contactors have come to rest, and sampler and monitor were made
/// anew since: nothing measured before describes the circuit now.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_sections_switched(
    sections: *mut ohmsplit_sections_t,
    connected: u32,
) -> ohmsplit_status_t {
    status((|| {
        let connected = self::connected(connected)?;
        let switch = |sections: &mut Sections| sections.switched(connected);
        // SAFETY: the header demands sections that only one context uses.
        unsafe { handle::exclusive(sections, switch) }?;
        Ok(OHMSPLIT_OK)
    })())
}

/// Background. Takes a report measured with what is connected now.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_sections_take(
    sections: *mut ohmsplit_sections_t,
    now_second: u32,
    report: *const ohmsplit_report_t,
) -> ohmsplit_status_t {
    status((|| {
        // SAFETY: the header demands a report that nobody writes during the call.
        let report = given::report(unsafe { handle::input(report) }?)?;
        let take = |sections: &mut Sections| sections.take(now_second, &report);
        // SAFETY: the header demands sections that only one context uses.
        unsafe { handle::exclusive(sections, take) }?;
        Ok(OHMSPLIT_OK)
    })())
}

/// Background. What these sections leak together, bit by bit as in
/// ohmsplit_sections_init; 0 is the battery side. `share` is filled whether
/// there are figures or a reason.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_sections_share(
    sections: *mut ohmsplit_sections_t,
    of: u32,
    share: *mut ohmsplit_share_t,
) -> ohmsplit_status_t {
    status((|| {
        // SAFETY: the header demands memory of this type, the caller's own during the call.
        let output = unsafe { Output::new(share) }?;
        let of = self::connected(of)?;
        // SAFETY: the header demands sections that only one context uses.
        let found = unsafe { handle::exclusive(sections, |s: &mut Sections| s.share(of)) }?;
        output.put(after::share(found));
        Ok(OHMSPLIT_OK)
    })())
}
