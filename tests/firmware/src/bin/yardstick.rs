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

    const TICK: f32 = 1e-3;
    const ROWS: [[f32; 3]; 2] = [[1.0, 0.0, 40.0], [1.0, 0.0, -40.0]];

    /// Means of 20 ms blocks of a circuit of 2 MΩ at 0.3 and 1 µF, dwells of a second.
    fn blocks() -> impl Iterator<Item = (usize, f32)> {
        let mut chassis = 100.0;
        (0..=200).map(move |k| {
            let [.., pushed] = ROWS[k / 50 % 2];
            let settled = (0.15 * 400.0 + pushed) / 1.5;
            // Mean and end of 20 ms, in which 3 % of the way are gone: to second order.
            let gone = (settled - chassis) * 0.029_554_5;
            let mean = chassis + gone * 0.5025;
            chassis += gone;
            (k, mean)
        })
    }

    /// Entries of that record.
    const ENTRIES: usize = 73;

    /// The record that the core makes of them: ten blocks after a switch alone, the others in fives; mean v, blocks,
    /// row, whether it is the first after the switch.
    fn record() -> [(f32, u32, usize, bool); ENTRIES] {
        let mut entries = [(0.0, 0, 0, false); ENTRIES];
        let mut places = entries.iter_mut();
        let (mut sum, mut gathered) = (0.0, 0);
        for (k, mean) in blocks() {
            sum += mean;
            gathered += 1;
            if k % 50 < 10 || gathered == 5 {
                let place = places.next().expect("room for all");
                *place = (sum / gathered as f32, gathered, k / 50 % 2, k % 50 == 0);
                (sum, gathered) = (0.0, 0);
            }
        }
        entries
    }

    /// What was counted on a walk, for the same work in both: entries used, left out, sums of five blocks, batches.
    fn print(what: &str, took: u64, [used, rejected, fives, batches]: [u32; 4]) {
        semihosting::println!(
            "{what}: entry {} instructions, of {used} entries, {rejected} left out, {fives} fives, {batches} batches",
            took / u64::from(used + rejected).max(1)
        );
    }

    macro_rules! measure {
        ($counter:ident, $module:ident, $float:ident) => {{
            use ohmsplit_firmware::yardstick::$module::{Entry, Known, Sums, Theta, Walk, solve};
            let mut sums = [Sums::default(); 2];
            $counter.lap();
            for code in 0..1000 {
                for sum in &mut sums {
                    sum.push(black_box(33_000 + code % 7));
                }
            }
            let samples = $counter.lap() / 2;
            black_box(sums.map(|sums| sums.mean()));
            let rows = ROWS.map(|row| row.map(|value| value as $float));
            let entries = record().map(|(chassis, blocks, row, first)| Entry {
                chassis: chassis as $float,
                pack: 400.0,
                seconds: 0.02 * blocks as $float,
                weight: 16.0 * blocks as $float,
                row,
                first,
            });
            let known = Known {
                reference: [1.0, 0.0],
                rows: &rows,
                block: 0.02,
                tick: TICK as $float,
                variance: Some(black_box(0.1)),
            };
            let theta: Theta = [1.5, 0.1, 1.0, 0.25, 100.0, 0.0, -0.0005];
            let mut walk = Walk::new(black_box(&theta), 400.0);
            $counter.lap();
            for entry in &entries {
                walk.take(&theta, &known, black_box(entry));
            }
            walk.residuals.close_batch();
            let took = $counter.lap() / 2;
            black_box(walk.residuals);
            let step = solve(black_box(&walk.normal), &[1e-3; 7]);
            let solved = $counter.lap() / 2;
            black_box(step);
            let told = walk.residuals;
            let tallies = [
                told.used,
                told.rejected,
                told.fives.count,
                told.batches.count,
            ];
            print(stringify!($float), took, tallies);
            semihosting::println!(
                concat!(stringify!($float), ": sample {}, step {} instructions"),
                samples / 1000,
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

    /// The core's walk over the record of these blocks: the same work as the yardstick's.
    fn core(counter: &mut Counter) {
        let config = config().expect("a sound configuration");
        let mut transient = Transient::new(&config);
        let mut fits = 0;
        for (k, mean) in blocks() {
            let raised = k / 50 % 2 == 0;
            let mean = Volts::from_bits((mean * 65_536.0) as i64 * 65_536);
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
        let tallies = transient.walk_once();
        print("core", counter.lap() / 2, tallies);
        semihosting::println!("core: after {fits} fits");
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
