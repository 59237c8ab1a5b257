#![cfg_attr(target_os = "none", no_std, no_main)]
//! Prints what the core costs on the target: instructions a call, memory, stack.

#[cfg(target_os = "none")]
mod target {
    use core::hint::black_box;
    use core::mem::MaybeUninit;
    use core::panic::PanicInfo;

    use ohmsplit::config::Config;
    use ohmsplit::contexts::Background;
    use ohmsplit::{Monitor, RawBlock, Sampler, Step, SwiftMonitor};
    use ohmsplit_firmware::board::{self, Counter};
    use ohmsplit_firmware::captures::{CAPTURES, Capture};

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
            let result = call();
            // By reference: a copy would count too.
            black_box(&result);
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
        fn background<'c>(
            &mut self,
            counter: &mut Counter,
            monitor: &mut impl Background<'c>,
            block: &RawBlock,
        ) {
            self.accept
                .measure(counter, || monitor.accept(black_box(block)));
            while self.step.measure(counter, || monitor.step()) != Step::Idle {}
        }

        #[inline(never)]
        fn replay<'c, M: Background<'c>>(
            &mut self,
            counter: &mut Counter,
            config: &'c Config,
            capture: &Capture,
        ) {
            let (mut sampler, mut monitor) = (Sampler::new(config), M::begin(config));
            for sample in capture.samples() {
                self.empty.measure(counter, || black_box(&sample).at_us);
                let block = self
                    .push
                    .measure(counter, || sampler.push(black_box(&sample)));
                if let Some(block) = block {
                    self.background(counter, &mut monitor, &block);
                }
            }
        }

        fn print(&self, monitor: &str) {
            semihosting::println!("{monitor}:");
            self.push.print("  Sampler::push", &self.empty);
            self.accept.print("  accept", &self.empty);
            self.step.print("  step", &self.empty);
        }
    }

    /// What [`Sampler::push`] takes in the mean, the call included: all samples in one go, so that
    /// the step of the counter does not matter.
    fn push_mean(counter: &mut Counter, config: &Config, capture: &Capture) -> (u64, u64) {
        let mut sampler = Sampler::new(config);
        counter.lap();
        let mut number = 0;
        for sample in capture.samples() {
            black_box(&sample);
            number += 1;
        }
        let empty = counter.lap();
        for sample in capture.samples() {
            let block = sampler.push(black_box(&sample));
            black_box(&block);
        }
        (counter.lap().saturating_sub(empty) / 2, number)
    }

    /// Bytes of stack below the caller, with the objects in static memory.
    #[derive(Default)]
    struct Stack {
        new: usize,
        push: usize,
        background: usize,
    }

    impl Stack {
        #[inline(never)]
        fn watch<M: Background<'static>>(
            &mut self,
            room: &mut MaybeUninit<M>,
            config: &'static Config,
            capture: &Capture,
        ) {
            let (monitor, new) = board::stack_of(|| room.write(M::begin(config)));
            self.new = self.new.max(new);
            let mut sampler = Sampler::new(config);
            for sample in capture.samples() {
                let (block, push) = board::stack_of(|| sampler.push(black_box(&sample)));
                self.push = self.push.max(push);
                let Some(block) = block else { continue };
                let ((), background) = board::stack_of(|| {
                    monitor.accept(black_box(&block));
                    // One answer at a time, the caller's room for it included.
                    while !matches!(black_box(&monitor.step()), Step::Idle) {}
                });
                self.background = self.background.max(background);
            }
        }

        fn print(&self, monitor: &str) {
            let Self {
                new,
                push,
                background,
            } = self;
            semihosting::println!(
                "{monitor}, bytes of stack below the caller: new {new}, push {push}, accept and step {background}"
            );
        }
    }

    fn stacks() {
        let config = |at: usize| (CAPTURES.get(at)?.config)().ok();
        let configs = cortex_m::singleton!(: [Option<Config>; 4] = core::array::from_fn(config));
        let configs: &'static [Option<Config>; 4] = configs.expect("once");
        let settled = cortex_m::singleton!(: MaybeUninit<Monitor<'static>> = MaybeUninit::uninit());
        let swift =
            cortex_m::singleton!(: MaybeUninit<SwiftMonitor<'static>> = MaybeUninit::uninit());
        let (settled, swift) = (settled.expect("once"), swift.expect("once"));
        let (mut of_settled, mut of_swift) = (Stack::default(), Stack::default());
        for (config, capture) in configs.iter().flatten().zip(&CAPTURES) {
            of_settled.watch(settled, config, capture);
            of_swift.watch(swift, config, capture);
        }
        of_settled.print("Monitor");
        of_swift.print("SwiftMonitor");
    }

    #[cortex_m_rt::entry]
    fn main() -> ! {
        let mut counter = Counter::start().expect("the timer is free");
        let configs = CAPTURES.each_ref().map(|capture| (capture.config)());
        let captures = || {
            let configs = configs.iter().map(|config| config.as_ref().expect("valid"));
            configs.zip(&CAPTURES)
        };
        let pushes = captures().fold((0, 0), |(all, number), (config, capture)| {
            let (more, of) = push_mean(&mut counter, config, capture);
            (all + more, number + of)
        });
        let tenths = 10 * pushes.0 / pushes.1.max(1);
        semihosting::println!(
            "Sampler::push, exactly: {}.{} instructions in the mean of {} calls",
            tenths / 10,
            tenths % 10,
            pushes.1
        );
        let mut costs = Costs::default();
        for (config, capture) in captures() {
            costs.replay::<Monitor<'_>>(&mut counter, config, capture);
        }
        costs.print("Monitor");
        let mut costs = Costs::default();
        for (config, capture) in captures() {
            costs.replay::<SwiftMonitor<'_>>(&mut counter, config, capture);
        }
        costs.print("SwiftMonitor");
        stacks();
        semihosting::println!(
            "bytes: Config {}, Sampler {}, Monitor {}, SwiftMonitor {}",
            size_of::<Config>(),
            size_of::<Sampler>(),
            size_of::<Monitor<'_>>(),
            size_of::<SwiftMonitor<'_>>()
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
