#![cfg_attr(target_os = "none", no_std, no_main)]
//! Prints what the inner loops cost in plain floating point, to hold those of the core against.

#[cfg(target_os = "none")]
mod target {
    use core::hint::black_box;
    use core::panic::PanicInfo;

    use ohmsplit::config::{Channel, Config, Drive, Element, FrontEnd, Judged, Limits, Timing};
    use ohmsplit::transient::{Progress, Transient};
    use ohmsplit::units::{Ohms, Volts};
    use ohmsplit::{Block, Flags};
    use ohmsplit_firmware::board::{self, Counter};

    const ENTRIES: usize = 200;
    const TICK: f32 = 1e-3;

    macro_rules! measure {
        ($counter:ident, $module:ident, $float:ident) => {{
            use ohmsplit_firmware::yardstick::$module::{Entry, Row, Sums, Theta, Walk, solve};
            let rows: [Row; 2] = [[1.0, 0.0, 40.0], [1.0, 0.0, -40.0]];
            let theta: Theta = [2.0, 0.15, 1.4, 0.25, 90.0, 0.0, -0.0005];
            let mut sums = [Sums::default(); 2];
            $counter.lap();
            for code in 0..1000 {
                for sum in &mut sums {
                    sum.push(black_box(33_000 + code % 7));
                }
            }
            let samples = $counter.lap() / 2;
            black_box(sums.map(|sums| sums.mean()));
            let mut walk = Walk::new(&theta, 400.0);
            $counter.lap();
            for k in 0..ENTRIES {
                let entry = Entry {
                    chassis: 70.0 + (k % 5) as $float,
                    pack: 400.0,
                    seconds: 0.02,
                    weight: 1.0,
                    row: k / 50 % 2,
                };
                walk.take(&theta, [1.0, 0.0], &rows, black_box(&entry), TICK as $float);
            }
            let entries = $counter.lap() / 2;
            let step = solve(black_box(&walk.normal), &[1e-3; 7]);
            let solved = $counter.lap() / 2;
            black_box(step);
            semihosting::println!(
                concat!(
                    stringify!($float),
                    ": sample {}, entry {}, step {} instructions"
                ),
                samples / 1000,
                entries / ENTRIES as u64,
                solved
            );
        }};
    }

    fn config() -> Option<Config> {
        let channel = Channel::bipolar(24, Volts::from_int(2000));
        let front_end = FrontEnd::ChassisAndPack {
            chassis: channel,
            pack: channel,
        };
        let source = Element::source_to_negative(Volts::from_int(40), Ohms::from_int(1_000_000));
        let limits = Limits::new(Volts::from_int(400), Judged::WeakestRail);
        Config::try_new(front_end, &[source], Timing::default(), limits).ok()
    }

    /// The core's walk over a record of 2 MΩ at 0.3 and 1 µF, dwells of a second: the same work as the yardstick's.
    fn core(counter: &mut Counter) {
        let config = config().expect("a sound configuration");
        let mut transient = Transient::new(&config);
        let mut chassis = 100.0f32;
        let mut fits = 0;
        for k in 0..=200 {
            let raised = k / 50 % 2 == 0;
            let settled = (0.15 * 400.0 + if raised { 40.0 } else { -40.0 }) / 1.5;
            // Mean and end of 20 ms, in which 3 % of the way are gone: to second order.
            let gone = (settled - chassis) * 0.029_554_5;
            let mean = Volts::from_bits(((chassis + gone * 0.5025) * 65_536.0) as i64 * 65_536);
            chassis += gone;
            transient.push(&Block {
                drive: if raised { Drive::Raise } else { Drive::Lower },
                flags: Flags {
                    first_in_dwell: k % 50 == 0,
                    ..Flags::default()
                },
                duration_us: 20_000,
                count: 20,
                chassis: mean,
                pack: Volts::from_int(400),
                chassis_scatter: Volts::from_bits(1 << 26),
                pack_scatter: Volts::from_bits(1 << 20),
                ..Block::default()
            });
            loop {
                match transient.step() {
                    Progress::Idle => break,
                    Progress::Fitted(_) => fits += 1,
                    _ => {}
                }
            }
        }
        counter.lap();
        let entries = transient.walk_once();
        let took = counter.lap() / 2;
        semihosting::println!(
            "core: entry {} instructions, of {entries} entries after {fits} fits",
            took / entries.max(1) as u64
        );
    }

    #[cortex_m_rt::entry]
    fn main() -> ! {
        let mut counter = Counter::start().expect("the timer is free");
        core(&mut counter);
        measure!(counter, single, f32);
        measure!(counter, double, f64);
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
