//! What the emulated boards need beside the core: a way out, a timer interrupt, and a count of instructions.

use core::cell::RefCell;
use core::panic::PanicInfo;

use cortex_m::Peripherals;
use cortex_m::interrupt::{self, Mutex};
use cortex_m::peripheral::SYST;
use cortex_m::peripheral::syst::SystClkSource;

/// Prints the panic to the host and ends the emulator with exit code 101.
pub fn stop(info: &PanicInfo<'_>) -> ! {
    semihosting::eprintln!("{info}");
    semihosting::process::exit(101)
}

/// Something on its way into an interrupt: put there once, before the interrupt is enabled, and taken once.
pub struct Parcel<T>(Mutex<RefCell<Option<T>>>);

impl<T> Default for Parcel<T> {
    fn default() -> Self {
        Self::new()
    }
}

impl<T> Parcel<T> {
    /// Empty; for a `static`.
    #[must_use]
    pub const fn new() -> Self {
        Self(Mutex::new(RefCell::new(None)))
    }

    /// Puts it there.
    pub fn put(&self, what: T) {
        interrupt::free(|cs| self.0.borrow(cs).replace(Some(what)));
    }

    /// Takes it.
    pub fn take(&self) -> Option<T> {
        interrupt::free(|cs| self.0.borrow(cs).take())
    }
}

/// Timer ticks between interrupts, of 40 instructions each: time enough for all work on either core (the lesser one
/// has no atomic exchange), so that the answers do not depend on when an interrupt comes.
const TICKS: u32 = if cfg!(target_has_atomic = "32") {
    2500
} else {
    7500
};

/// Starts the sampling interrupt.
pub fn start_sampling(timer: &mut SYST) {
    timer.set_clock_source(SystClkSource::Core);
    timer.set_reload(TICKS);
    timer.clear_current();
    timer.enable_interrupt();
    timer.enable_counter();
}

/// Counts instructions with the system timer. It ticks with the emulated core's clock while the
/// emulator takes one nanosecond an instruction: 40 instructions a tick at the 25 MHz of the
/// boards. Instructions are not cycles: flash wait states and
/// multi-cycle instructions of real silicon come on top.
#[derive(Debug)]
pub struct Counter {
    last: u32,
}

impl Counter {
    /// Starts the timer; `None` when it is taken.
    pub fn start() -> Option<Self> {
        let mut timer = Peripherals::take()?.SYST;
        timer.set_clock_source(SystClkSource::Core);
        timer.set_reload(0x00ff_ffff);
        timer.clear_current();
        timer.enable_counter();
        Some(Self {
            last: SYST::get_current(),
        })
    }

    /// Twice the instructions since the last call, or since the start.
    pub fn lap(&mut self) -> u64 {
        let now = SYST::get_current();
        // The timer counts down in 24 bits.
        let ticks = self.last.wrapping_sub(now) & 0x00ff_ffff;
        self.last = now;
        u64::from(ticks) * TWICE_INSTRUCTIONS_PER_TICK
    }
}

const TWICE_INSTRUCTIONS_PER_TICK: u64 = 80;

/// What the stack is painted with.
const PAINT: u32 = 0xcccc_cccc;

/// Words below the caller's frame that are watched.
const WATCHED: usize = 4 << 10;

/// Calls, and is not merged with its caller.
#[inline(never)]
fn apart<T>(work: impl FnOnce() -> T) -> T {
    work()
}

/// Runs `work` and says how many bytes of stack it took below its caller.
#[inline(never)]
pub fn stack_of<T>(work: impl FnOnce() -> T) -> (T, usize) {
    let top =
        core::ptr::with_exposed_provenance_mut::<u32>(cortex_m::register::msp::read() as usize);
    let bottom = top.wrapping_sub(WATCHED);
    let mut at = top;
    while at > bottom {
        at = at.wrapping_sub(1);
        // SAFETY: below the stack pointer, in RAM that nothing else uses: the boards have megabytes.
        unsafe { at.write_volatile(PAINT) };
    }
    let result = apart(work);
    // SAFETY: as above.
    while at < top && unsafe { at.read_volatile() } == PAINT {
        at = at.wrapping_add(1);
    }
    (result, top.addr() - at.addr())
}
