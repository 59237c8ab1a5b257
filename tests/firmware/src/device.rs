//! What a vendor's crate tells of a device: one interrupt, which no peripheral raises, for tasks that are started
//! by software.

use cortex_m::interrupt::InterruptNumber;

/// Bits of priority that the interrupt controller of the emulated boards has.
pub const NVIC_PRIO_BITS: u8 = 3;

/// The last of the boards' 32 interrupts.
const NUMBER: usize = 31;

/// The interrupts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u16)]
pub enum Interrupt {
    /// Raised by software alone.
    SPARE = NUMBER as u16,
}

/// By the name that RTIC looks for.
pub use Interrupt as interrupt;

// SAFETY: the number is that of the vector below.
unsafe impl InterruptNumber for Interrupt {
    fn number(self) -> u16 {
        self as u16
    }
}

unsafe extern "C" {
    fn DefaultHandler();
    fn SPARE();
}

/// The interrupts' part of the vector table; `device.x` of `build.rs` names the handler's default.
#[doc(hidden)]
#[unsafe(link_section = ".vector_table.interrupts")]
#[unsafe(no_mangle)]
pub static __INTERRUPTS: [unsafe extern "C" fn(); NUMBER + 1] = {
    let mut vectors: [unsafe extern "C" fn(); NUMBER + 1] = [DefaultHandler; NUMBER + 1];
    vectors[NUMBER] = SPARE;
    vectors
};
