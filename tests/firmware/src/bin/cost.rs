#![cfg_attr(target_os = "none", no_std, no_main)]
//! Prints what the core costs on the target: instructions a call, memory, stack.

#[cfg(target_os = "none")]
mod target {
    use core::hint::black_box;
    use core::panic::PanicInfo;

    use ohmsplit::config::Config;
    use ohmsplit::{Monitor, RawBlock, Sampler, Step};
    use ohmsplit_firmware::board::{self, Counter};
    use ohmsplit_firmware::captures::CAPTURES;

    /// Calls of one kind, in the doubled instructions of [`Counter::lap`].
    #[derive(Default)]
    struct Calls {
        number: u64,
        all: u64,
        most: u64,
    }

    impl Calls {
        /// Measures one call, less what an empty measurement takes.
        fn measure<T>(&mut self, counter: &mut Counter, call: impl FnOnce() -> T) -> T {
            counter.lap();
            let result = black_box(call());
            let took = counter.lap();
            self.number += 1;
            self.all += took;
            self.most = self.most.max(took);
            result
        }

        fn print(&self, what: &str, empty: &Self) {
            let mean = |calls: &Self| calls.all / 2 / calls.number.max(1);
            let (mean, most) = (mean(self) - mean(empty).min(mean(self)), self.most / 2);
            semihosting::println!(
                "{what}: {mean} instructions in the mean, at most {most}, of {} calls",
                self.number
            );
        }
    }

    #[derive(Default)]
    struct Costs {
        empty: Calls,
        push: Calls,
        accept: Calls,
        step: Calls,
    }

    impl Costs {
        fn background(
            &mut self,
            counter: &mut Counter,
            monitor: &mut Monitor<'_>,
            block: &RawBlock,
        ) {
            self.accept
                .measure(counter, || monitor.accept(black_box(block)));
            while self.step.measure(counter, || monitor.step()) != Step::Idle {}
        }
    }

    #[cortex_m_rt::entry]
    fn main() -> ! {
        let mut counter = Counter::start().expect("the timer is free");
        let mut costs = Costs::default();
        for capture in &CAPTURES {
            let config = (capture.config)().expect("a valid configuration");
            let (mut sampler, mut monitor) = (Sampler::new(&config), Monitor::new(&config));
            for sample in capture.samples() {
                costs
                    .empty
                    .measure(&mut counter, || black_box(&sample).at_us);
                let block = costs
                    .push
                    .measure(&mut counter, || sampler.push(black_box(&sample)));
                if let Some(block) = block {
                    costs.background(&mut counter, &mut monitor, &block);
                }
            }
        }
        let stack = board::deepest_stack();
        costs.push.print("Sampler::push", &costs.empty);
        costs.accept.print("Monitor::accept", &costs.empty);
        costs.step.print("Monitor::step", &costs.empty);
        semihosting::println!(
            "bytes: Config {}, Sampler {}, Monitor {}; deepest stack, all three on it: {stack}",
            size_of::<Config>(),
            size_of::<Sampler<'_>>(),
            size_of::<Monitor<'_>>()
        );
        semihosting::process::exit(0)
    }

    #[panic_handler]
    fn panic(info: &PanicInfo<'_>) -> ! {
        board::stop(info)
    }
}

#[cfg(not(target_os = "none"))]
fn main() {
    eprintln!("instructions are counted on a target: run with --target");
}
