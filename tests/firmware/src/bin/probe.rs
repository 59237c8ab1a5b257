#![cfg_attr(target_os = "none", no_std, no_main)]
//! Links only if no panic can be reached from the core: the panic handler calls a function that
//! does not exist, so that the linker fails unless the handler itself falls away.

#[cfg(target_os = "none")]
mod target {
    use core::panic::PanicInfo;

    use ohmsplit_firmware::exercise;

    #[cfg(not(feature = "keep-panics"))]
    unsafe extern "C" {
        safe fn a_panic_is_reachable() -> !;
    }

    #[cortex_m_rt::entry]
    fn main() -> ! {
        exercise::everything();
        #[cfg(feature = "deliberate-panic")]
        core::hint::black_box([0u8; 4][core::hint::black_box(4)]);
        semihosting::process::exit(0)
    }

    #[panic_handler]
    fn panic(_: &PanicInfo<'_>) -> ! {
        #[cfg(not(feature = "keep-panics"))]
        a_panic_is_reachable();
        #[cfg(feature = "keep-panics")]
        loop {}
    }
}

/// On the host the same calls run with every overflow check that a debug build has.
#[cfg(not(target_os = "none"))]
fn main() {
    ohmsplit_firmware::exercise::everything();
}
