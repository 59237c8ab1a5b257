#![cfg_attr(target_os = "none", no_std, no_main)]
//! Prints what the inner loops cost in plain floating point, to hold those of the core against.

#[cfg(target_os = "none")]
mod target {
    use core::hint::black_box;
    use core::panic::PanicInfo;

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

    #[cortex_m_rt::entry]
    fn main() -> ! {
        let mut counter = Counter::start().expect("the timer is free");
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
