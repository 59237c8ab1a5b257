//! Memory pages that C reaches for us.

use core::ffi::c_void;

use ohmsplit::journal::{Fault, Pages, RECORD_SIZE};

use crate::handle::Refused;
use crate::types::*;

use ohmsplit_status_t::*;

const _: () = assert!(RECORD_SIZE == OHMSPLIT_RECORD_SIZE);

/// The memory refused.
pub(crate) struct Refusal;

/// Functions and sizes as C gave them, none of them null.
pub(crate) struct Memory {
    context: *mut c_void,
    pages: u32,
    slots: u32,
    read: unsafe extern "C" fn(*mut c_void, u32, u32, *mut u8) -> i32,
    write: unsafe extern "C" fn(*mut c_void, u32, u32, *const u8) -> i32,
    erase: unsafe extern "C" fn(*mut c_void, u32) -> i32,
}

impl Memory {
    pub(crate) fn of(from: &ohmsplit_pages_t) -> Result<Self, Refused> {
        if from.pages < 2 || from.slots < 1 {
            return Err(OHMSPLIT_ERROR_MEMORY_TOO_SMALL);
        }
        Ok(Self {
            context: from.context,
            pages: from.pages,
            slots: from.slots,
            read: from.read.ok_or(OHMSPLIT_ERROR_NULL)?,
            write: from.write.ok_or(OHMSPLIT_ERROR_NULL)?,
            erase: from.erase.ok_or(OHMSPLIT_ERROR_NULL)?,
        })
    }
}

/// What a function of C's came to.
const fn done(code: i32) -> Result<(), Refusal> {
    if code == 0 { Ok(()) } else { Err(Refusal) }
}

impl Pages for Memory {
    type Error = Refusal;

    fn pages(&self) -> u32 {
        self.pages
    }

    fn slots(&self) -> u32 {
        self.slots
    }

    fn read(&mut self, page: u32, slot: u32, into: &mut [u8; RECORD_SIZE]) -> Result<(), Refusal> {
        // SAFETY: the header demands a function that writes a record's size and no more.
        done(unsafe { (self.read)(self.context, page, slot, into.as_mut_ptr()) })
    }

    fn write(&mut self, page: u32, slot: u32, record: &[u8; RECORD_SIZE]) -> Result<(), Refusal> {
        // SAFETY: the header demands a function that reads a record's size and no more.
        done(unsafe { (self.write)(self.context, page, slot, record.as_ptr()) })
    }

    fn erase(&mut self, page: u32) -> Result<(), Refusal> {
        // SAFETY: the header demands a function that keeps to the pages.
        done(unsafe { (self.erase)(self.context, page) })
    }
}

/// Why a journal does not work, as C gets it.
pub(crate) fn refused(fault: Fault<Refusal>) -> Refused {
    match fault {
        Fault::TooSmall => OHMSPLIT_ERROR_MEMORY_TOO_SMALL,
        Fault::Worn => OHMSPLIT_ERROR_MEMORY_WORN,
        Fault::Exhausted => OHMSPLIT_ERROR_MEMORY_EXHAUSTED,
        Fault::Memory(Refusal) => OHMSPLIT_ERROR_MEMORY,
    }
}
