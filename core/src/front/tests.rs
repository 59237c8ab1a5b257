//! From samples to a block of volts.

use super::{ChannelSums, Order, RawBlock, Sampler, convert, residue};
use crate::config::{Channel, Config, Drive, Element, FrontEnd, Judged, Limits, Timing};
use crate::sample::Sample;
use crate::test_reports::config;
use crate::units::{Ohms, Volts};

fn sample(at_us: u32, drive: Drive, codes: [i32; 2]) -> Sample {
    Sample {
        at_us,
        drive,
        codes,
    }
}

/// The blocks of a sample a millisecond, of 20 ms each, from 0 up to a time.
fn blocks(
    sampler: &mut Sampler,
    end_ms: u32,
    drive: impl Fn(u32) -> Drive,
) -> std::vec::Vec<RawBlock> {
    let samples = (0..end_ms).map(|ms| sample(ms * 1000, drive(ms), [40_000, 50_000]));
    samples.filter_map(|sample| sampler.push(&sample)).collect()
}

#[test]
fn a_block_holds_the_samples_of_its_time_and_no_more() {
    let mut sampler = Sampler::new(&config());
    let whole = blocks(&mut sampler, 61, |_| Drive::Raise);
    assert_eq!(whole.len(), 3);
    for (number, block) in (0u16..).zip(&whole) {
        assert_eq!(
            (block.number, block.count, block.duration_us),
            (number, 20, 20_000)
        );
        assert_eq!(block.first_in_dwell, number == 0);
        assert!(!block.cut && !block.saturated && block.missing == 0);
        assert_eq!(block.channels.map(|sums| sums.sum), [800_000, 1_000_000]);
    }
    // The sample at 60 ms alone, and then none.
    let rest = sampler.finish().expect("a sample");
    assert_eq!(
        (rest.number, rest.count, rest.cut, rest.duration_us),
        (3, 1, true, 0)
    );
    assert_eq!(sampler.finish(), None);
    // Of fifteen the last has a period as well.
    blocks(&mut sampler, 15, |_| Drive::Raise);
    let rest = sampler.finish().expect("samples");
    assert_eq!((rest.count, rest.duration_us), (15, 15_000));
}

#[test]
fn a_block_ends_where_the_drive_changes() {
    let mut sampler = Sampler::new(&config());
    let change = |ms| if ms < 27 { Drive::Raise } else { Drive::Lower };
    let told = blocks(&mut sampler, 50, change);
    let lengths: std::vec::Vec<_> = told
        .iter()
        .map(|b| (b.drive, b.count, b.duration_us, b.cut))
        .collect();
    // The switch moved after the sample at 26 ms.
    assert_eq!(
        lengths,
        [
            (Drive::Raise, 20, 20_000, false),
            (Drive::Raise, 7, 7_000, true),
            (Drive::Lower, 20, 20_000, false),
        ]
    );
    assert_eq!(
        told.iter()
            .map(|b| b.first_in_dwell)
            .collect::<std::vec::Vec<_>>(),
        [true, false, true]
    );
    // A dwell of whole blocks ends with a whole one.
    let mut sampler = Sampler::new(&config());
    let change = |ms| if ms < 40 { Drive::Raise } else { Drive::Lower };
    let told = blocks(&mut sampler, 41, change);
    assert_eq!(told.len(), 2);
    assert!(
        told.iter()
            .all(|b| !b.cut && b.duration_us == 20_000 && b.missing == 0)
    );
}

#[test]
fn blocks_without_a_sample_are_counted() {
    // A sample at 0 ms and one after a pause; blocks between, and when that one's block ends:
    // in step with the first, or 20 ms after a drive change.
    for (pause_ms, missing, in_step_ms) in [(20, 0, 40), (39, 0, 40), (40, 1, 60), (105, 4, 120)] {
        for drive in [Drive::Raise, Drive::Lower] {
            let mut sampler = Sampler::new(&config());
            let mut push = |ms: u32, drive| sampler.push(&sample(ms * 1000, drive, [9, 9]));
            assert_eq!(push(0, Drive::Raise), None);
            let first = push(pause_ms, drive).expect("a block");
            // All time that passed is in the one or in the other.
            let length_ms = pause_ms - 20 * u32::from(missing);
            assert_eq!(
                (first.count, first.duration_us, first.missing),
                (1, 1000 * length_ms, 0)
            );
            let changed = drive == Drive::Lower;
            let end_ms = if changed { pause_ms + 20 } else { in_step_ms };
            if end_ms - 1 > pause_ms {
                assert_eq!(push(end_ms - 1, drive), None);
            }
            let second = push(end_ms, drive).expect("a block");
            assert_eq!((second.missing, second.first_in_dwell), (missing, changed));
        }
    }
}

/// Blocks of 20 ms on samples 1.005 ms apart: 19 or 20 of them, and as long as they are.
#[test]
fn a_block_is_as_long_as_its_samples() {
    let mut sampler = Sampler::new(&config());
    let samples = (0..1000).map(|n| sample(n * 1005, Drive::Raise, [9, 9]));
    let told: std::vec::Vec<_> = samples.filter_map(|s| sampler.push(&s)).collect();
    assert_eq!(told.len(), 50);
    for block in &told {
        assert_eq!(block.duration_us, block.count * 1005);
        assert!(matches!(block.count, 19 | 20) && !block.cut, "{block:?}");
    }
    assert!(told.iter().any(|block| block.count == 19));
}

/// Where a sample is lost at the drive change, nobody knows when the switch moved: a block counts as missing.
#[test]
fn a_sample_lost_at_a_drive_change_is_told() {
    for (gap_us, lost) in [
        (1000, 0),
        (600, 0),
        (1499, 0),
        (1501, 1),
        (2000, 1),
        (9000, 1),
    ] {
        for before in [7, 20, 21, 33] {
            let mut sampler = Sampler::new(&config());
            let mut told = std::vec::Vec::new();
            for n in 0..before {
                told.extend(sampler.push(&sample(n * 1000, Drive::Raise, [9, 9])));
            }
            let change_us = (before - 1) * 1000 + gap_us;
            for n in 0..21 {
                let sample = sample(change_us + n * 1000, Drive::Lower, [9, 9]);
                told.extend(sampler.push(&sample));
            }
            let [.., last, first] = told.as_slice() else {
                panic!("{told:?}");
            };
            assert_eq!((last.drive, first.drive), (Drive::Raise, Drive::Lower));
            assert_eq!(
                (last.missing, first.missing),
                (0, lost),
                "{gap_us} {before}"
            );
        }
    }
}

#[test]
fn a_code_at_a_limit_of_either_channel_marks_its_block() {
    for place in [0, 7, 19] {
        for codes in [
            [0, 9],
            [65_535, 9],
            [9, 0],
            [9, 65_535],
            [9, 9],
            [1, 65_534],
        ] {
            let mut sampler = Sampler::new(&config());
            let mut told = std::vec::Vec::new();
            for ms in 0..41 {
                let codes = if ms == place { codes } else { [9, 9] };
                told.extend(sampler.push(&sample(ms * 1000, Drive::Rest, codes)));
            }
            let limit = codes.iter().any(|&code| code == 0 || code == 65_535);
            assert_eq!(
                told.iter()
                    .map(|b| b.saturated)
                    .collect::<std::vec::Vec<_>>(),
                [limit, false]
            );
        }
    }
}

/// The sums of the first channel over these codes.
fn summed(codes: &[i32]) -> ChannelSums {
    let mut sampler = Sampler::new(&config());
    for (at_us, &code) in (0..).zip(codes) {
        assert_eq!(sampler.push(&sample(at_us, Drive::Rest, [code, 9])), None);
    }
    let [first, _] = sampler.finish().expect("samples").channels;
    first
}

#[test]
fn scatter_is_summed_from_neighbours_and_stays_large_when_it_is_full() {
    let sums = summed(&[10, 13, 13, 9]);
    assert_eq!((sums.sum, sums.squares, sums.last), (45, 9 + 16, 9));
    // From end to end of 32 bits: a step counts as 2^31, its square as 2^62.
    let full = summed(&[i32::MIN, i32::MAX]).squares;
    assert_eq!(full, (u64::from(u32::MAX) / 2).pow(2));
    let ends: std::vec::Vec<i32> = [i32::MIN, i32::MAX].repeat(500);
    for count in 2..=ends.len() {
        assert!(summed(&ends[..count]).squares > 1 << 48, "{count}");
    }
}

/// The blocks of 20 ms of a signal that is sampled at so many hertz, both channels alike.
fn sampled(rate: u32, seconds: f64, code: impl Fn(u32) -> i32) -> std::vec::Vec<RawBlock> {
    let mut sampler = Sampler::new(&config());
    let last = (f64::from(rate) * seconds) as u32;
    let push = |k: u32| {
        let at_us = (u64::from(k) * 1_000_000 / u64::from(rate)) as u32;
        sampler.push(&sample(at_us, Drive::Rest, [code(k); 2]))
    };
    (0..=last).filter_map(push).collect()
}

/// Against sums of the codes themselves. The first block is not yet known to come so fast.
#[test]
fn samples_faster_than_a_millisecond_are_bunched() {
    type Codes = std::vec::Vec<i32>;
    let code = |k: u32| (k.wrapping_mul(2_654_435_761) >> 20) as i32;
    let rates = [
        (500, 1),
        (1000, 1),
        (2000, 2),
        (5000, 4),
        (10_000, 8),
        (50_000, 32),
        (400_000, 128),
    ];
    for (rate, bunch) in rates {
        let per_block = rate / 50;
        for (at, block) in (0..).zip(sampled(rate, 0.07, code)) {
            let bunch = if at == 0 { 1 } else { bunch };
            let codes: Codes = (0..per_block).map(|k| code(at * per_block + k)).collect();
            let bunches: Codes = codes
                .chunks_exact(bunch)
                .map(|some| some.iter().sum())
                .collect();
            let pairs = bunches.chunks_exact(2);
            let square = |two: &[i32]| u64::from(two[0].abs_diff(two[1])).pow(2);
            let [first, second] = block.channels;
            assert_eq!(block.count, per_block, "{rate}");
            let paired = first.paired(block.count) as usize;
            assert_eq!(paired, pairs.len() * bunch, "{rate} {at}");
            let due: u64 = pairs.map(square).sum();
            assert_eq!((first.squares, first), (due, second), "{rate} {at}");
        }
    }
}

/// White noise: its deviation over the root of the number of samples. Hum at 50 Hz: its deviation,
/// from the root of the number of bunches, within what it moves in one of them.
#[test]
fn noise_and_hum_are_told_alike_however_fast_samples_come() {
    for rate in [1000, 2000, 5000, 10_000, 50_000] {
        let mean_square = |code: &dyn Fn(u32) -> i32, hum: bool| {
            let blocks = sampled(rate, 2.0, code);
            let squares = blocks.iter().skip(1).map(|raw| {
                let block = convert(&config(), raw).expect("samples");
                let scatter = block.chassis_scatter.to_bits();
                let root = crate::num::sqrt_int(block.count >> block.bunched);
                let told = crate::num::mul(scatter, root);
                let apart = 20_000 / (block.count >> block.bunched);
                let told = if hum { residue(told, apart) } else { scatter };
                Volts::from_bits(told).get().to_num::<f64>().powi(2)
            });
            (squares.sum::<f64>() / (blocks.len() - 1) as f64).sqrt()
        };
        // Even over 256 codes of 1/16 V.
        let random = |k: u32| {
            let mixed = k.wrapping_mul(2_654_435_761);
            ((mixed ^ mixed >> 15).wrapping_mul(2_246_822_519) >> 24) as i32
        };
        let noise = mean_square(&|k| 32_768 + random(k), false);
        let due = (256f64.powi(2) / 12.0).sqrt() / 16.0 / f64::from(rate / 50).sqrt();
        assert!((noise / due - 1.0).abs() < 0.08, "{rate}: {noise} {due}");
        let turn = std::f64::consts::TAU * 50.0 / f64::from(rate);
        let hum = mean_square(
            &|k| 32_768 + (1600.0 * (turn * f64::from(k)).sin()) as i32,
            true,
        );
        let due = 100.0 / 2f64.sqrt() * 0.01 / 3f64.sqrt();
        assert!((hum / due - 1.0).abs() < 0.05, "{rate}: {hum} {due}");
    }
}

#[test]
fn a_block_that_was_lost_is_noticed() {
    let block = |number| RawBlock {
        number,
        ..RawBlock::default()
    };
    let mut order = Order::default();
    let follows: std::vec::Vec<bool> = [65_534, 65_535, 0, 2, 3, 3]
        .map(|n| order.follows(&block(n)))
        .into();
    assert_eq!(follows, [true, true, true, false, true, false]);
}

fn rail_pair() -> Config {
    let channel = Channel::bipolar(16, Volts::from_int(4096));
    let front_end = FrontEnd::RailPair {
        positive: channel,
        negative: channel,
    };
    let source = Element::source_to_negative(Volts::from_int(40), Ohms::from_int(1_000_000));
    let limits = Limits::new(Volts::from_int(400), Judged::WeakestRail);
    Config::try_new(front_end, &[source], Timing::default(), limits).expect("a sound configuration")
}

/// 4096 V over 16 bits: a code is 1/16 V. The standard uncertainty of a mean of n is that
/// of one, the root of half the mean square of neighbours' differences, over the root of n.
#[test]
fn a_block_becomes_mean_voltages_and_their_scatter() {
    let sums = |sum: i64, squares| ChannelSums {
        last: 0,
        first: 0,
        places: 0,
        sum,
        squares,
    };
    let zero = 32_768 * 25;
    let raw = RawBlock {
        drive: Drive::Lower,
        count: 25,
        duration_us: 20_000,
        missing: 3,
        first_in_dwell: true,
        channels: [
            sums(zero + 25 * 1600, 12 * 2 * 400),
            sums(zero + 25 * 4800, 12 * 2 * 225),
        ],
        ..RawBlock::default()
    };
    let close = |volts: Volts, due: f64| {
        let volts = volts.get().to_num::<f64>();
        assert!((volts - due).abs() < 1e-6, "{volts} {due}");
    };
    let block = convert(&config(), &raw).expect("samples");
    close(block.chassis, 100.0);
    close(block.pack, 300.0);
    // 20 codes a sample, and 15.
    close(block.chassis_scatter, 20.0 / 5.0 / 16.0);
    close(block.pack_scatter, 15.0 / 5.0 / 16.0);
    assert_eq!(
        (block.drive, block.missing, block.count),
        (Drive::Lower, 3, 25)
    );
    assert!(block.flags.first_in_dwell && !block.flags.cut && !block.flags.saturated);
    // Of each rail to the chassis: v is the second, Vb the sum.
    let block = convert(&rail_pair(), &raw).expect("samples");
    close(block.chassis, 300.0);
    close(block.pack, 400.0);
    close(block.chassis_scatter, 15.0 / 5.0 / 16.0);
    close(block.pack_scatter, 25.0 / 5.0 / 16.0);
    // One sample shows no scatter; none is no block.
    let one = RawBlock {
        count: 1,
        channels: [sums(32_768 + 16, 0); 2],
        ..raw
    };
    let block = convert(&config(), &one).expect("a sample");
    close(block.chassis, 1.0);
    close(block.chassis_scatter, 0.0);
    assert_eq!(convert(&config(), &RawBlock::default()), None);
}
