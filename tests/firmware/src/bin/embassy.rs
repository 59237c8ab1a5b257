#![cfg_attr(target_os = "none", no_std, no_main)]
//! The core under Embassy: the timer's handler owns `Interrupt`, a task of the executor owns `Task`. It yields between
//! two slices of work, and sleeps until the interrupt signals when there is none.

#[cfg(target_os = "none")]
mod target {
    use core::panic::PanicInfo;

    use cortex_m::Peripherals;
    use cortex_m_rt::exception;
    use embassy_executor::Spawner;
    use embassy_futures::yield_now;
    use embassy_sync::blocking_mutex::raw::CriticalSectionRawMutex;
    use embassy_sync::signal::Signal;
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
    static SAMPLED: Signal<CriticalSectionRawMutex, ()> = Signal::new();

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
            SAMPLED.signal(());
        }
    }

    #[embassy_executor::task]
    async fn background(mut task: Task<'static, SwiftMonitor<'static>>) {
        loop {
            match task.poll() {
                Step::Idle if circuit::is_over() => semihosting::process::exit(0),
                Step::Idle => SAMPLED.wait().await,
                Step::Busy => yield_now().await,
                Step::Answer(report) => semihosting::println!("{report:x?}"),
            }
        }
    }

    #[embassy_executor::main]
    async fn main(spawner: Spawner) {
        let design = circuit::design().expect("a sound design");
        let config = cortex_m::singleton!(: Config = design).expect("once");
        let handover = cortex_m::singleton!(: Handover<8> = Handover::new()).expect("once");
        let (interrupt, task) = handover.split(config);
        let (converters, pins, clock) = circuit::board();
        START.put(Sampling {
            interrupt,
            converters,
            switches: Switches::new(config.network(), pins).expect("two switches"),
            clock,
        });
        spawner.spawn(background(task).expect("the only one"));
        board::start_sampling(&mut Peripherals::take().expect("once").SYST);
    }

    #[panic_handler]
    fn panic(info: &PanicInfo<'_>) -> ! {
        board::stop(info)
    }
}

#[cfg(not(target_os = "none"))]
fn main() {
    eprintln!(
        "tasks run on a target: run with --target; `contexts` says on the host what they must answer"
    );
}
