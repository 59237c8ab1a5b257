#![cfg_attr(target_os = "none", no_std, no_main)]
//! Prints what an answer costs on the target, by drive: all instructions of the background between two reports with an
//! estimate, those of the samples between them, and what the background takes of a second.

#[cfg(target_os = "none")]
mod target {
    use core::hint::black_box;
    use core::panic::PanicInfo;

    use ohmsplit::contexts::Background;
    use ohmsplit::{Monitor, Sampler, Step, SwiftMonitor};
    use ohmsplit_firmware::board::{self, Counter};
    use ohmsplit_firmware::captures::{CAPTURES, Capture};

    /// In the doubled instructions of [`Counter::lap`].
    #[derive(Default)]
    struct Answers {
        number: u64,
        samples: u64,
        background: u64,
        /// Background since the answer before.
        running: u64,
        most: u64,
        /// Background, also after the last answer.
        all: u64,
        recorded_us: u64,
    }

    impl Answers {
        fn replay<'c, M: Background<'c>>(
            &mut self,
            counter: &mut Counter,
            config: &'c ohmsplit::config::Config,
            capture: &Capture,
        ) {
            let (mut sampler, mut monitor) = (Sampler::new(config), M::begin(config));
            for sample in capture.samples() {
                counter.lap();
                let block = black_box(sampler.push(black_box(&sample)));
                self.samples += counter.lap();
                let Some(block) = block else { continue };
                counter.lap();
                monitor.accept(black_box(&block));
                self.running += counter.lap();
                while self.step(counter, &mut monitor) {}
                self.recorded_us = u64::from(sample.at_us);
            }
            self.all = self.background + self.running;
        }

        /// Whether there is more to do.
        fn step<'c>(&mut self, counter: &mut Counter, monitor: &mut impl Background<'c>) -> bool {
            counter.lap();
            let step = monitor.step();
            black_box(&step);
            self.running += counter.lap();
            if let Step::Answer(report) = &step
                && report.estimate.is_ok()
            {
                self.number += 1;
                self.background += self.running;
                self.most = self.most.max(self.running);
                self.running = 0;
            }
            step != Step::Idle
        }

        fn print(&self, name: &str, monitor: &str) {
            let mean = |all: u64| all / 2 / self.number.max(1);
            semihosting::println!(
                "{name}, {monitor}: {} answers, background {} instructions an answer in the mean, at most {}, samples {}; background {} a second",
                self.number,
                mean(self.background),
                self.most / 2,
                mean(self.samples),
                self.all * 500_000 / self.recorded_us.max(1)
            );
        }
    }

    #[cortex_m_rt::entry]
    fn main() -> ! {
        let mut counter = Counter::start().expect("the timer is free");
        for capture in &CAPTURES {
            let config = (capture.config)().expect("valid");
            let mut answers = Answers::default();
            answers.replay::<Monitor<'_>>(&mut counter, &config, capture);
            answers.print(capture.name, "Monitor");
            let mut answers = Answers::default();
            answers.replay::<SwiftMonitor<'_>>(&mut counter, &config, capture);
            answers.print(capture.name, "SwiftMonitor");
        }
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
