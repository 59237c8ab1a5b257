//! May the contactors close?

use ohmsplit::permit::{Permit, Rules};

use super::status;
use crate::handle::{self, Content, Output, Refused, Slot};
use crate::types::*;
use crate::{after, given};

use ohmsplit_status_t::*;

impl Content for Permit {
    type Storage = ohmsplit_permit_t;
    const MARK: u32 = 0x6f50_7254;
}

/// Fills in the defaults.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_permit_rules_default(
    rules: *mut ohmsplit_rules_t,
) -> ohmsplit_status_t {
    status((|| {
        // SAFETY: the header demands memory of this type, the caller's own during the call.
        let output = unsafe { Output::new(rules) }?;
        let rules = Rules::default();
        output.put(ohmsplit_rules_t {
            age_max_second: rules.age_max_s,
            dwells: u32::from(rules.dwells),
            on_warning: i32::from(rules.on_warning),
        });
        Ok(OHMSPLIT_OK)
    })())
}

fn checked(rules: &ohmsplit_rules_t) -> Result<Rules, Refused> {
    let dwells = u8::try_from(rules.dwells).ok().filter(|&count| count > 0);
    Ok(Rules {
        age_max_s: rules.age_max_second,
        dwells: dwells.ok_or(OHMSPLIT_ERROR_OUT_OF_RANGE)?,
        on_warning: given::yes(rules.on_warning).map_err(|_| OHMSPLIT_ERROR_OUT_OF_RANGE)?,
    })
}

/// Puts a permit in its memory.
///
/// # Safety
/// The header's demands on pointers.
unsafe fn init(
    permit: *mut ohmsplit_permit_t,
    size: usize,
    rules: *const ohmsplit_rules_t,
    make: impl FnOnce(Rules) -> Result<Permit, Refused>,
) -> ohmsplit_status_t {
    status((|| {
        // SAFETY: the header demands `size` bytes, the caller's own during the call.
        let place = unsafe { handle::place(permit, size) }?;
        // SAFETY: the header demands rules that nobody writes during the call.
        let rules = unsafe { handle::input(rules) }?;
        place.put(Slot::new(make(checked(rules)?)?));
        Ok(OHMSPLIT_OK)
    })())
}

/// Makes a permit of a system that was never in use: withheld, nothing is
/// known. After a reset call ohmsplit_permit_restore instead.
///
/// Pass sizeof *permit as `size`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_permit_init(
    permit: *mut ohmsplit_permit_t,
    size: usize,
    rules: *const ohmsplit_rules_t,
) -> ohmsplit_status_t {
    // SAFETY: the header's demands are those of the call.
    unsafe { init(permit, size, rules, |rules| Ok(Permit::new(rules))) }
}

/// Makes a permit after a reset: withheld. `latched` is 1 when an alarm before
/// the reset was not acknowledged, or it is not known whether there was one;
/// ohmsplit_history_t tells it.
///
/// Pass sizeof *permit as `size`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_permit_restore(
    permit: *mut ohmsplit_permit_t,
    size: usize,
    rules: *const ohmsplit_rules_t,
    now_second: u32,
    latched: i32,
) -> ohmsplit_status_t {
    let make = |rules| {
        let latched = given::yes(latched).map_err(|_| OHMSPLIT_ERROR_OUT_OF_RANGE)?;
        Ok(Permit::restored(rules, now_second, latched))
    };
    // SAFETY: the header's demands are those of the call.
    unsafe { init(permit, size, rules, make) }
}

/// Background. Takes a report; every one must come. `now_second` is the time of
/// a clock of the caller's, as in all calls of permit.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_permit_take(
    permit: *mut ohmsplit_permit_t,
    now_second: u32,
    report: *const ohmsplit_report_t,
) -> ohmsplit_status_t {
    status((|| {
        // SAFETY: the header demands a report that nobody writes during the call.
        let report = given::report(unsafe { handle::input(report) }?)?;
        let take = |permit: &mut Permit| permit.take(now_second, &report);
        // SAFETY: the header demands a permit that only one context uses.
        unsafe { handle::exclusive(permit, take) }?;
        Ok(OHMSPLIT_OK)
    })())
}

/// Background. Contactors are about to move, or have moved: withheld until
/// there is fresh evidence.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_permit_network_changed(
    permit: *mut ohmsplit_permit_t,
    now_second: u32,
) -> ohmsplit_status_t {
    status((|| {
        let change = |permit: &mut Permit| permit.network_changed(now_second);
        // SAFETY: the header demands a permit that only one context uses.
        unsafe { handle::exclusive(permit, change) }?;
        Ok(OHMSPLIT_OK)
    })())
}

/// Background. Somebody answers for the alarm. Evidence from before does not
/// count.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_permit_acknowledge(
    permit: *mut ohmsplit_permit_t,
    now_second: u32,
) -> ohmsplit_status_t {
    status((|| {
        let acknowledge = |permit: &mut Permit| permit.acknowledge(now_second);
        // SAFETY: the header demands a permit that only one context uses.
        unsafe { handle::exclusive(permit, acknowledge) }?;
        Ok(OHMSPLIT_OK)
    })())
}

/// Background. May the contactors close, now? OHMSPLIT_GRANTED is the only yes;
/// OHMSPLIT_WITHHELD and every error are a no. `answer` says why and since when;
/// an error leaves it as it was.
///
/// It is about isolation alone, and no proof that a circuit is safe to touch.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_permit_ask(
    permit: *mut ohmsplit_permit_t,
    now_second: u32,
    answer: *mut ohmsplit_answer_t,
) -> ohmsplit_status_t {
    status((|| {
        // SAFETY: the header demands memory of this type, the caller's own during the call.
        let output = unsafe { Output::new(answer) }?;
        let ask = |permit: &mut Permit| permit.ask(now_second);
        // SAFETY: the header demands a permit that only one context uses.
        let answer = unsafe { handle::exclusive(permit, ask) }?;
        output.put(after::answer(&answer));
        Ok(match answer.permission {
            Ok(()) => OHMSPLIT_GRANTED,
            Err(_) => OHMSPLIT_WITHHELD,
        })
    })())
}
