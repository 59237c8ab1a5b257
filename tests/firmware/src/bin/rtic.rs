#![cfg_attr(target_os = "none", no_std, no_main)]
//! The core as tasks of RTIC: `Interrupt` is a local resource of the hardware task at the timer, `Task` one of a
//! software task below it. Neither is shared, so that no lock is generated.

#[cfg(target_os = "none")]
#[rtic::app(device = ohmsplit_firmware::device, peripherals = false, dispatchers = [SPARE])]
mod app {
    use cortex_m_rt as _; // the start-up code
    use ohmsplit::config::Config;
    use ohmsplit::contexts::{Handover, Interrupt, Task};
    use ohmsplit::pins::Switches;
    use ohmsplit::{Step, SwiftMonitor};
    use ohmsplit_firmware::board;
    use ohmsplit_firmware::circuit::{self, Clock, Converters, Pin};

    #[shared]
    struct Shared {}

    #[local]
    struct Local {
        interrupt: Interrupt<'static>,
        converters: Converters,
        switches: Switches<'static, Pin, 2>,
        clock: Clock,
        task: Task<'static, SwiftMonitor<'static>>,
    }

    #[init(local = [config: Option<Config> = None, handover: Handover<8> = Handover::new()])]
    fn init(mut cx: init::Context) -> (Shared, Local) {
        let config: &'static Config = cx
            .local
            .config
            .insert(circuit::design().expect("a sound design"));
        let (interrupt, task) = cx.local.handover.split(config);
        let (converters, pins, clock) = circuit::board();
        let switches = Switches::new(config.network(), pins).expect("two switches");
        board::start_sampling(&mut cx.core.SYST);
        let local = Local {
            interrupt,
            converters,
            switches,
            clock,
            task,
        };
        (Shared {}, local)
    }

    #[task(binds = SysTick, priority = 2, local = [interrupt, converters, switches, clock])]
    fn sample(cx: sample::Context) {
        let own = cx.local;
        // A sample that is missing is noticed by the monitor.
        let _ = own
            .interrupt
            .tick(own.clock.now_us(), own.converters, own.switches);
        // An error: it is running still. A block that it has just missed waits for the next tick.
        let _ = background::spawn();
    }

    #[task(priority = 1, local = [task])]
    async fn background(cx: background::Context) {
        loop {
            match cx.local.task.poll() {
                Step::Idle => break,
                Step::Busy => {}
                Step::Answer(report) => semihosting::println!("{report:x?}"),
            }
        }
        if circuit::is_over() {
            semihosting::process::exit(0);
        }
    }

    #[idle]
    fn idle(_: idle::Context) -> ! {
        loop {
            cortex_m::asm::wfi();
        }
    }

    #[panic_handler]
    fn panic(info: &core::panic::PanicInfo<'_>) -> ! {
        board::stop(info)
    }
}

#[cfg(not(target_os = "none"))]
fn main() {
    eprintln!(
        "tasks run on a target: run with --target; `contexts` says on the host what they must answer"
    );
}
