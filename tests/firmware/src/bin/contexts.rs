#![cfg_attr(target_os = "none", no_std, no_main)]
//! The core in a bare-metal loop: a timer interrupt samples, the main loop works off the blocks, and between them is
//! nothing but the lock-free handover. On the host, the same calls in turn: what each integration must answer.

#[cfg(target_os = "none")]
mod target {
    use core::panic::PanicInfo;

    use cortex_m::Peripherals;
    use cortex_m_rt::exception;
    use ohmsplit::config::Config;
    use ohmsplit::contexts::{Handover, Interrupt, Task};
    use ohmsplit::pins::Switches;
    use ohmsplit::{Step, SwiftMonitor};
    use ohmsplit_firmware::board::{self, Parcel};
    use ohmsplit_firmware::circuit::{self, Clock, Converters, Pin};

    /// What the interrupt owns, once it runs.
    struct Sampling {
        interrupt: Interrupt<'static>,
        converters: Converters,
        switches: Switches<'static, Pin, 2>,
        clock: Clock,
    }

    static START: Parcel<Sampling> = Parcel::new();

    #[exception]
    fn SysTick() {
        static mut OWN: Option<Sampling> = None;
        if OWN.is_none() {
            *OWN = START.take();
        }
        if let Some(own) = OWN {
            // A sample that is missing is noticed by the monitor.
            let _ = own
                .interrupt
                .tick(own.clock.now_us(), &mut own.converters, &mut own.switches);
        }
    }

    #[cortex_m_rt::entry]
    fn main() -> ! {
        let design = circuit::design().expect("a sound design");
        let config = cortex_m::singleton!(: Config = design).expect("once");
        let handover = cortex_m::singleton!(: Handover<8> = Handover::new()).expect("once");
        let (interrupt, mut task): (_, Task<'_, SwiftMonitor<'_>>) = handover.split(config);
        let (converters, pins, clock) = circuit::board();
        START.put(Sampling {
            interrupt,
            converters,
            switches: Switches::new(config.network(), pins).expect("two switches"),
            clock,
        });
        board::start_sampling(&mut Peripherals::take().expect("once").SYST);
        loop {
            match task.poll() {
                Step::Idle if circuit::is_over() => semihosting::process::exit(0),
                Step::Idle => cortex_m::asm::wfi(),
                Step::Busy => {}
                Step::Answer(report) => semihosting::println!("{report:x?}"),
            }
        }
    }

    #[panic_handler]
    fn panic(info: &PanicInfo<'_>) -> ! {
        board::stop(info)
    }
}

#[cfg(not(target_os = "none"))]
fn main() {
    use ohmsplit::contexts::{Handover, Task};
    use ohmsplit::pins::Switches;
    use ohmsplit::{Step, SwiftMonitor, Verdict};
    use ohmsplit_firmware::circuit;

    let config = circuit::design().expect("a sound design");
    let mut handover = Handover::<8>::new();
    let (mut interrupt, mut task): (_, Task<'_, SwiftMonitor<'_>>) = handover.split(&config);
    let (mut converters, pins, mut clock) = circuit::board();
    let mut switches = Switches::new(config.network(), pins).expect("two switches");
    let mut last = None;
    while !circuit::is_over() {
        let ticked = interrupt.tick(clock.now_us(), &mut converters, &mut switches);
        ticked.expect("neither converters nor pins fail");
        loop {
            match task.poll() {
                Step::Idle => break,
                Step::Busy => {}
                Step::Answer(report) => {
                    println!("{report:x?}");
                    last = Some(report);
                }
            }
        }
    }
    // 300 kΩ from the positive rail, within 2 %, and 750 Ω/V is healthy.
    let last = last.expect("a report");
    let ohms: i64 = last.estimate.expect("an estimate").positive.get().to_num();
    assert!((294_000..306_000).contains(&ohms), "{ohms} Ω");
    assert_eq!(last.verdict, Verdict::Healthy);
}
