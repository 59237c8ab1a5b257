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

/// The same replay on the host, where `callgrind` counts: each call stands alone under a name of its own. It prints how
/// often each was called, for `.ci/counts.sh`.
#[cfg(not(target_os = "none"))]
macro_rules! replay {
    ($name:ident, $monitor:ident) => {
        mod $name {
            use ohmsplit::config::Config;
            use ohmsplit::{$monitor, RawBlock, Sample, Sampler, Step};

            #[inline(never)]
            fn accept(monitor: &mut $monitor<'_>, block: &RawBlock) {
                monitor.accept(block);
            }

            #[inline(never)]
            fn step(monitor: &mut $monitor<'_>) -> Step {
                monitor.step()
            }

            /// Calls of push, accept and step, and answers.
            pub(super) fn calls(
                config: &Config,
                samples: impl Iterator<Item = Sample>,
            ) -> [u64; 4] {
                let (mut sampler, mut monitor) = (Sampler::new(config), $monitor::new(config));
                let mut calls = [0; 4];
                for sample in samples {
                    calls[0] += 1;
                    let Some(block) = super::push(&mut sampler, &sample) else {
                        continue;
                    };
                    calls[1] += 1;
                    accept(&mut monitor, &block);
                    let mut working = true;
                    while working {
                        calls[2] += 1;
                        let step = step(&mut monitor);
                        working = step != Step::Idle;
                        if matches!(step, Step::Answer(report) if report.estimate.is_ok()) {
                            calls[3] += 1;
                        }
                    }
                }
                calls
            }
        }
    };
}

#[cfg(not(target_os = "none"))]
#[inline(never)]
fn push(sampler: &mut ohmsplit::Sampler, sample: &ohmsplit::Sample) -> Option<ohmsplit::RawBlock> {
    sampler.push(sample)
}

#[cfg(not(target_os = "none"))]
replay!(settled, Monitor);
#[cfg(not(target_os = "none"))]
replay!(swift, SwiftMonitor);

#[cfg(not(target_os = "none"))]
fn main() {
    use ohmsplit_firmware::captures::CAPTURES;

    let mut totals = [[0; 4]; 2];
    for capture in &CAPTURES {
        let config = (capture.config)().expect("valid");
        let calls = [
            settled::calls(&config, capture.samples()),
            swift::calls(&config, capture.samples()),
        ];
        for (total, call) in totals
            .as_flattened_mut()
            .iter_mut()
            .zip(calls.as_flattened())
        {
            *total += call;
        }
    }
    println!("push {}", totals[0][0] + totals[1][0]);
    for (name, [_, calls @ ..]) in ["settled", "swift"].into_iter().zip(totals) {
        for (what, number) in ["accept", "step", "answer"].into_iter().zip(calls) {
            println!("{name}::{what} {number}");
        }
    }
}
