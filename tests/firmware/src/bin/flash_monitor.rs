#![cfg_attr(target_os = "none", no_std, no_main)]
//! An image of [`Monitor`](ohmsplit::Monitor) and nothing else, whose size is looked at.

#[cfg(target_os = "none")]
mod target {
    use core::mem::MaybeUninit;
    use core::panic::PanicInfo;

    use ohmsplit::Monitor;
    use ohmsplit_firmware::footprint;

    #[cortex_m_rt::entry]
    fn main() -> ! {
        let config = cortex_m::singleton!(: Option<ohmsplit::config::Config> = None);
        let room = cortex_m::singleton!(: MaybeUninit<Monitor<'static>> = MaybeUninit::uninit());
        if let (Some(config), Some(room)) = (config, room) {
            *config = footprint::config();
            if let Some(config) = config {
                footprint::run(config, room);
            }
        }
        loop {}
    }

    #[panic_handler]
    fn panic(_: &PanicInfo<'_>) -> ! {
        loop {}
    }
}

#[cfg(not(target_os = "none"))]
fn main() {
    eprintln!("the size of an image for a target is looked at: build with --target");
}
