#![cfg_attr(target_os = "none", no_std, no_main)]
//! Prints what the core makes of the captures, on the host and on the target alike.

#[cfg(target_os = "none")]
mod target {
    use core::fmt::{self, Write};
    use core::panic::PanicInfo;

    use ohmsplit_firmware::{board, replay};
    use semihosting::io::{Stdout, Write as _};

    /// Formatted text to the emulator's host.
    struct Host(Stdout);

    impl Write for Host {
        fn write_str(&mut self, text: &str) -> fmt::Result {
            self.0.write_all(text.as_bytes()).map_err(|_| fmt::Error)
        }
    }

    #[cortex_m_rt::entry]
    fn main() -> ! {
        let done =
            semihosting::io::stdout().is_ok_and(|out| replay::write_all(&mut Host(out)).is_ok());
        semihosting::process::exit(i32::from(!done))
    }

    #[panic_handler]
    fn panic(info: &PanicInfo<'_>) -> ! {
        board::stop(info)
    }
}

#[cfg(not(target_os = "none"))]
fn main() -> Result<(), std::fmt::Error> {
    let mut text = String::new();
    ohmsplit_firmware::replay::write_all(&mut text)?;
    print!("{text}");
    Ok(())
}
