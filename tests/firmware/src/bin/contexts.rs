#![cfg_attr(target_os = "none", no_std, no_main)]
//! The core in a bare-metal loop, as firmware has it: a timer interrupt samples, the main loop works off the
//! blocks, and between them is nothing but the lock-free handover. The circuit is simulated in the interrupt;
//! it is the only thing here that computes with floating point.

#[cfg(target_os = "none")]
mod target {
    use core::cell::RefCell;
    use core::convert::Infallible;
    use core::panic::PanicInfo;
    use core::sync::atomic::{AtomicBool, AtomicU32, Ordering::Relaxed};

    use cortex_m::Peripherals;
    use cortex_m::interrupt::{self, Mutex};
    use cortex_m::peripheral::syst::SystClkSource;
    use cortex_m_rt::exception;
    use embedded_hal::digital::{ErrorType, OutputPin};
    use ohmsplit::config::{Channel, Config, Element, FrontEnd, Judged, Limits, Timing};
    use ohmsplit::contexts::{Handover, Interrupt, Readings, Task};
    use ohmsplit::pins::Switches;
    use ohmsplit::units::{Ohms, Volts};
    use ohmsplit::{Report, Step, SwiftMonitor, Verdict};
    use ohmsplit_firmware::board;

    /// Timer ticks between interrupts, of 40 instructions each: time enough for all work on either core.
    const TICKS: u32 = 5000;
    const SECONDS: u32 = 3;
    const WORKING_VOLTAGE: i32 = 400;

    fn design() -> Option<Config> {
        let channel = Channel::bipolar(16, Volts::from_int(2000));
        let front_end = FrontEnd::ChassisAndPack {
            chassis: channel,
            pack: channel,
        };
        let resistor = Ohms::from_int(1_000_000);
        let parts = [
            Element::switched_to_positive(resistor),
            Element::switched_to_negative(resistor),
        ];
        let limits = Limits::new(Volts::from_int(WORKING_VOLTAGE), Judged::WeakestRail);
        Config::try_new(front_end, &parts, Timing::default(), limits).ok()
    }

    /// A leak of 300 kΩ from the positive rail and 5 µF: a time constant of 1.15 s, so that the answer comes
    /// from the transient.
    struct Circuit {
        chassis: f32,
    }

    /// Levels of the two switches: the pins write, the circuit reads.
    static LEVELS: [AtomicBool; 2] = [const { AtomicBool::new(false) }; 2];

    impl Readings for Circuit {
        type Error = Infallible;

        /// A millisecond later. The step is exact to second order, far below the resolution.
        fn read(&mut self) -> Result<[i32; 2], Infallible> {
            let [up, down] = LEVELS
                .each_ref()
                .map(|level| f32::from(u8::from(level.load(Relaxed))));
            let (up, down) = (1.0 / 0.3 + up, down);
            let rate = |v: f32| (up * 400.0 - (up + down) * v) / 5.0 * 1e-3;
            let middle = self.chassis + rate(self.chassis) / 2.0;
            self.chassis += rate(middle);
            let code = |volts: f32| 32_768 + (volts * (65_536.0 / 2000.0) + 0.5) as i32;
            Ok([code(self.chassis), code(400.0)])
        }
    }

    struct Pin(usize);

    impl ErrorType for Pin {
        type Error = Infallible;
    }

    impl OutputPin for Pin {
        fn set_low(&mut self) -> Result<(), Infallible> {
            LEVELS[self.0].store(false, Relaxed);
            Ok(())
        }

        fn set_high(&mut self) -> Result<(), Infallible> {
            LEVELS[self.0].store(true, Relaxed);
            Ok(())
        }
    }

    /// What the interrupt owns, once it runs.
    struct Sampling {
        interrupt: Interrupt<'static>,
        circuit: Circuit,
        switches: Switches<'static, Pin, 2>,
        at_us: u32,
    }

    /// On its way from `main` into the interrupt.
    static START: Mutex<RefCell<Option<Sampling>>> = Mutex::new(RefCell::new(None));
    /// Samples taken.
    static TAKEN: AtomicU32 = AtomicU32::new(0);

    #[exception]
    fn SysTick() {
        static mut OWN: Option<Sampling> = None;
        let own = OWN.get_or_insert_with(|| {
            interrupt::free(|cs| START.borrow(cs).borrow_mut().take()).expect("main put it there")
        });
        own.at_us = own.at_us.wrapping_add(1000);
        let Ok(()) = own
            .interrupt
            .tick(own.at_us, &mut own.circuit, &mut own.switches);
        TAKEN.store(own.at_us / 1000, Relaxed);
    }

    fn start(config: &'static Config) -> Task<'static, SwiftMonitor<'static>> {
        let handover = cortex_m::singleton!(: Handover<8> = Handover::new()).expect("once");
        let (interrupt, task) = handover.split(config);
        let switches = Switches::new(config.network(), [Pin(0), Pin(1)]).expect("two switches");
        interrupt::free(|cs| {
            START.borrow(cs).replace(Some(Sampling {
                interrupt,
                circuit: Circuit { chassis: 200.0 },
                switches,
                at_us: 0,
            }))
        });
        let mut timer = Peripherals::take().expect("once").SYST;
        timer.set_clock_source(SystClkSource::Core);
        timer.set_reload(TICKS);
        timer.clear_current();
        timer.enable_interrupt();
        timer.enable_counter();
        task
    }

    #[cortex_m_rt::entry]
    fn main() -> ! {
        let config = design().expect("a sound design");
        let config = cortex_m::singleton!(: Config = config).expect("once");
        let mut task = start(config);
        let mut last = None;
        let mut reports = 0;
        while TAKEN.load(Relaxed) < SECONDS * 1000 {
            match task.poll() {
                Step::Idle => cortex_m::asm::wfi(),
                Step::Busy => {}
                Step::Answer(report) => {
                    reports += 1;
                    last = Some(report);
                }
            }
        }
        let taken = TAKEN.load(Relaxed);
        semihosting::println!(
            "{taken} samples from the interrupt, {reports} reports from the loop"
        );
        semihosting::process::exit(i32::from(!last.is_some_and(|report| is_right(&report))))
    }

    /// 300 kΩ from the positive rail, within 2 %, and 750 Ω/V is healthy.
    fn is_right(report: &Report) -> bool {
        let Ok(estimate) = &report.estimate else {
            semihosting::println!("{:?}", report.estimate);
            return false;
        };
        let ohms: i64 = estimate.positive.get().to_num();
        semihosting::println!("Rp {ohms} ohm, {:?}, {:?}", report.basis, report.verdict);
        (294_000..306_000).contains(&ohms) && report.verdict == Verdict::Healthy
    }

    #[panic_handler]
    fn panic(info: &PanicInfo<'_>) -> ! {
        board::stop(info)
    }
}

#[cfg(not(target_os = "none"))]
fn main() {
    eprintln!("interrupts come on a target: run with --target");
}
