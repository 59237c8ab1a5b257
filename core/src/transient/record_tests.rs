//! The running record against plain bookkeeping in f64.

use super::plant::{Noise, real};
use super::record::{CAPACITY, Entry, Pushed, Record, View, WHOLE};
use crate::config::Drive;
use crate::front::{Block, Flags};
use crate::units::Volts;
use fixed::types::I32F32;
use std::vec::Vec;

const BLOCK_US: u32 = 20_000;
const FULL: u32 = 16;
/// Of the mean of a block, in volts.
const SCATTER: f64 = 0.1;

fn volts(x: f64) -> Volts {
    Volts::new(I32F32::from_num(x))
}

fn block(chassis: f64, pack: f64) -> Block {
    Block {
        drive: Drive::Raise,
        duration_us: BLOCK_US,
        count: FULL,
        chassis: volts(chassis),
        pack: volts(pack),
        chassis_scatter: volts(SCATTER),
        ..Block::default()
    }
}

fn first(drive: Drive, chassis: f64) -> Block {
    Block {
        drive,
        flags: Flags {
            first_in_dwell: true,
            ..Flags::default()
        },
        ..block(chassis, 400.0)
    }
}

const QUIET: i64 = 1 << 30;

fn record(blocks: &[Block]) -> (Record, Vec<Pushed>) {
    let mut record = Record::new(BLOCK_US);
    let said = blocks.iter().map(|block| record.push(block, QUIET));
    let said = said.collect();
    (record, said)
}

fn entries(record: &Record) -> Vec<Entry> {
    record.iter().collect()
}

/// Blocks of an entry that begins so many blocks after the switch, as the documentation of the module states it.
fn due_span(age: usize) -> usize {
    if age < 10 {
        1
    } else {
        (age / 8 / 5 * 5).clamp(5, 60)
    }
}

#[test]
fn entries_are_means_over_spans_that_grow_with_the_age() {
    let mut noise = Noise(5);
    let readings: Vec<[f64; 2]> = (0..700)
        .map(|_| {
            [
                150.0 + 20.0 * noise.uniform(),
                400.0 + 0.1 * noise.uniform(),
            ]
        })
        .collect();
    let mut blocks: Vec<Block> = readings.iter().map(|&[v, vb]| block(v, vb)).collect();
    blocks[0].flags.first_in_dwell = true;
    let (record, said) = record(&blocks);
    let mut age = 0;
    for (place, entry) in entries(&record).iter().enumerate() {
        let span = due_span(age);
        let part = &readings[age..age + span];
        for (at, told) in [entry.chassis(), entry.pack()].into_iter().enumerate() {
            let mean = part.iter().map(|reading| reading[at]).sum::<f64>() / span as f64;
            assert!((real(told) - mean).abs() < 2e-6, "{place}: {mean}");
        }
        assert_eq!(entry.duration_us, BLOCK_US * span as u32);
        assert_eq!(u32::from(entry.weight), WHOLE * span as u32);
        assert_eq!((entry.drive, entry.first), (Drive::Raise, place == 0));
        age += span;
        // An entry is there with the last of its blocks.
        assert_eq!(said[age - 1], Pushed::Closed, "{age}");
    }
    assert!(age > 600);
    let closed = said.iter().filter(|&&said| said == Pushed::Closed);
    assert_eq!(closed.count(), record.len());
}

#[test]
fn a_drive_change_closes_what_is_gathered_and_counts_anew() {
    let mut blocks = std::vec![first(Drive::Raise, 100.0)];
    blocks.extend((0..12).map(|_| block(100.0, 400.0)));
    blocks.push(first(Drive::Lower, 90.0));
    blocks.push(block(91.0, 400.0));
    let (record, _) = record(&blocks);
    let found: Vec<_> = entries(&record)
        .iter()
        .map(|entry| (entry.duration_us / BLOCK_US, entry.drive, entry.first))
        .collect();
    let mut due = std::vec![(1, Drive::Raise, true)];
    due.extend([(1, Drive::Raise, false); 9]);
    due.push((3, Drive::Raise, false));
    due.push((1, Drive::Lower, true));
    due.push((1, Drive::Raise, false));
    assert_eq!(found, due);
}

#[test]
fn a_pack_that_moves_is_not_merged() {
    // A quarter of a volt counts as standing still.
    for (away, merged) in [
        (0.2499, true),
        (0.2501, false),
        (-0.2499, true),
        (-0.2501, false),
    ] {
        let mut blocks: Vec<Block> = (0..10).map(|_| block(100.0, 400.0)).collect();
        blocks[0].flags.first_in_dwell = true;
        blocks.push(block(100.0, 400.0));
        blocks.push(block(100.0, 400.0 + away));
        blocks.extend((0..3).map(|_| block(100.0, 400.0)));
        let (record, _) = record(&blocks);
        let eleventh = entries(&record)[10];
        assert_eq!(eleventh.duration_us == 5 * BLOCK_US, merged, "{away}");
    }
}

type Spoil = fn(&mut Block);

#[test]
fn thin_saturated_and_cut_blocks_are_gaps() {
    let spoilt: [(Spoil, bool); 6] = [
        (|_| {}, false),
        // Seven eighths of the samples are enough.
        (|block| block.count = 14, false),
        (|block| block.count = 13, true),
        (|block| block.flags.saturated = true, true),
        (
            |block| {
                block.count = 4;
                block.duration_us = 5_000;
                block.flags.cut = true;
            },
            true,
        ),
        // Cut at its very end.
        (
            |block| {
                block.count = 15;
                block.duration_us = 18_750;
                block.flags.cut = true;
            },
            false,
        ),
    ];
    for (number, (spoil, gap)) in spoilt.into_iter().enumerate() {
        let mut blocks = std::vec![first(Drive::Raise, 100.0), block(101.0, 400.0)];
        let mut odd = block(102.0, 390.0);
        spoil(&mut odd);
        blocks.push(odd);
        let (record, _) = record(&blocks);
        let last = *entries(&record).last().expect("an entry");
        assert_eq!(record.len(), 3, "{number}");
        assert_eq!(last.weight == 0, gap, "{number}");
        assert!((real(last.pack()) - 390.0).abs() < 2e-6);
        assert_eq!(last.duration_us, odd.duration_us, "{number}");
        if gap {
            assert_eq!(last.chassis(), 0);
        } else {
            assert!((real(last.chassis()) - 102.0).abs() < 2e-6, "{number}");
            assert_eq!(
                u32::from(last.weight),
                WHOLE * odd.duration_us / BLOCK_US,
                "{number}"
            );
        }
    }
}

#[test]
fn lost_blocks_are_bridged_within_a_dwell_and_break_it_at_a_drive_change() {
    let mut late = block(104.0, 390.0);
    late.missing = 3;
    let (bridged, said) = record(&[first(Drive::Raise, 100.0), block(101.0, 400.0), late]);
    let all = entries(&bridged);
    assert_eq!((all.len(), said[2]), (4, Pushed::Closed));
    assert_eq!((all[2].weight, all[2].duration_us), (0, 3 * BLOCK_US));
    assert!((real(all[2].pack()) - 395.0).abs() < 2e-6);
    assert!(!all[2].first && all[3].weight > 0);

    let mut change = first(Drive::Lower, 104.0);
    change.missing = 3;
    let blocks = [first(Drive::Raise, 100.0), block(101.0, 400.0), change];
    let (broken, said) = record(&blocks);
    assert_eq!((broken.len(), said[2]), (0, Pushed::Broken));
    // With nothing before it, there is nothing to break.
    let (begun, said) = record(&[change]);
    assert_eq!((begun.len(), said[0]), (1, Pushed::Closed));
    // The age goes on: nine blocks later entries are of five.
    let mut blocks = std::vec![first(Drive::Raise, 100.0)];
    let mut late = block(100.0, 400.0);
    late.missing = 8;
    blocks.push(late);
    blocks.extend((0..5).map(|_| block(100.0, 400.0)));
    let (aged, _) = record(&blocks);
    assert_eq!(
        entries(&aged).last().map(|e| e.duration_us),
        Some(5 * BLOCK_US)
    );
}

#[test]
fn the_ring_keeps_the_newest_and_drops_the_oldest() {
    let mut record = Record::new(BLOCK_US);
    for count in 0..CAPACITY + 30 {
        // A drive change each time: an entry a block.
        record.push(&first(Drive::Raise, count as f64), QUIET);
    }
    let starts = |record: &Record| record.get(0).map(|entry| real(entry.chassis()).round());
    assert_eq!((record.len(), starts(&record)), (CAPACITY, Some(30.0)));
    assert_eq!(record.drop_oldest(10), 10 * BLOCK_US);
    assert_eq!((record.len(), starts(&record)), (CAPACITY - 10, Some(40.0)));
    let newest = record.get(record.len() - 1).expect("an entry");
    assert_eq!(real(newest.chassis()).round(), (CAPACITY + 29) as f64);
    assert_eq!(record.get(record.len()), None);
    record.drop_oldest(CAPACITY);
    assert_eq!((record.len(), record.get(0)), (0, None));
}

/// Samples fall on no grid of blocks: one of 15 samples and one of 16 are not as long, and the mean of both is that of
/// the samples.
#[test]
fn an_entry_is_as_long_as_its_samples_and_their_mean() {
    let mut blocks = std::vec![first(Drive::Raise, 100.0)];
    blocks.extend((0..9).map(|_| block(100.0, 400.0)));
    let uneven = [15, 16, 16, 16, 16].map(|count| Block {
        count,
        duration_us: count * 1255,
        ..block(f64::from(count), 400.0)
    });
    blocks.extend(uneven);
    let (record, _) = record(&blocks);
    let merged = *entries(&record).last().expect("an entry");
    assert_eq!(merged.duration_us, 79 * 1255);
    let mean = (15.0 * 15.0 + 64.0 * 16.0) / 79.0;
    assert!((real(merged.chassis()) - mean).abs() < 2e-6, "{merged:?}");
    assert_eq!(u32::from(merged.weight), 79);
}

/// A sample lost where v moves takes the mean away from the middle: by a quarter of what v moved within the block, over the
/// number of samples, at most. Where that is less than noise the block is kept, and never right after a drive change.
#[test]
fn a_block_that_lost_samples_where_v_moves_is_a_gap() {
    let least = SCATTER * 4.0 * f64::from(FULL - 1);
    for (moved, lost, gap) in [
        (0.99 * least, 1, false),
        (1.01 * least, 1, true),
        (-0.99 * least, 1, false),
        (-1.01 * least, 1, true),
        (100.0, 0, false),
        (0.45 * least, 2, false),
        (0.51 * least, 2, true),
    ] {
        for is_first in [false, true] {
            let mut odd = block(100.0 + moved, 400.0);
            odd.count = FULL - lost;
            odd.flags.first_in_dwell = is_first;
            let (record, _) = record(&[first(Drive::Lower, 100.0), block(100.0, 400.0), odd]);
            let last = *entries(&record).last().expect("an entry");
            let gap = gap || is_first && lost > 0;
            assert_eq!(last.weight == 0, gap, "{moved} {lost} {is_first}");
        }
    }
    // It is held against the block before, whether that was lost in between, or is a gap itself.
    for (before, moved, gap) in [(0.0, 0.0, false), (0.0, 100.0, true), (100.0, 100.0, false)] {
        let [mut odd, mut late] = [before, moved].map(|by| block(100.0 + by, 400.0));
        (odd.count, late.count) = (FULL - 1, FULL - 1);
        late.missing = 2;
        let (record, _) = record(&[first(Drive::Lower, 100.0), block(100.0, 400.0), odd, late]);
        let last = entries(&record).last().map(|last| last.weight == 0);
        assert_eq!(last, Some(gap), "{before} {moved}");
    }
}

/// Samples fall on no grid of blocks: 5 or 6 of them, of 3.6 ms. A block that lost one, or was cut by a drive change, is
/// no such block of 5.
#[test]
fn a_block_with_a_sample_less_by_the_grid_is_whole() {
    let of = |count: u32, tick_us: u32| Block {
        count,
        duration_us: count * tick_us,
        ..block(100.0, 400.0)
    };
    let lost = Block {
        duration_us: 6 * 3600,
        ..of(5, 3600)
    };
    let mut cut = of(5, 3600);
    cut.flags.cut = true;
    for (odd, gap) in [(of(5, 3600), false), (lost, true), (cut, true)] {
        let (record, _) = record(&[of(6, 3600), of(6, 3600), odd]);
        let last = entries(&record).last().map(|last| last.weight == 0);
        assert_eq!(last, Some(gap), "{odd:?}");
    }
}

/// Where blocks lose more than two samples in the mean, none that shows the most need have been whole: what there is of
/// such is given up, and the block after a drive change is a gap.
#[test]
fn where_many_samples_are_lost_no_block_is_whole() {
    for (losing, many) in [(2, false), (3, true)] {
        let mut record = Record::new(BLOCK_US);
        record.push(&first(Drive::Raise, 100.0), QUIET);
        let thin = Block {
            count: FULL - losing,
            ..block(100.0, 400.0)
        };
        let broken = (0..64).filter(|_| record.push(&thin, QUIET) == Pushed::Broken);
        assert_eq!(broken.count(), usize::from(many));
        record.push(&first(Drive::Lower, 50.0), QUIET);
        record.push(&block(50.0, 400.0), QUIET);
        let begun = entries(&record).into_iter().rfind(|entry| entry.first);
        assert_eq!(begun.map(|begun| begun.weight == 0), Some(many), "{losing}");
        // Sixty blocks that lose none show that it is over.
        (0..60).for_each(|_| {
            record.push(&block(50.0, 400.0), QUIET);
        });
        record.push(&first(Drive::Raise, 100.0), QUIET);
        record.push(&block(100.0, 400.0), QUIET);
        let begun = entries(&record).into_iter().rfind(|entry| entry.first);
        assert_eq!(begun.map(|begun| begun.weight), Some(WHOLE as u16));
    }
}

/// Times that are off by 200 µs to either side, of samples 1.25 ms apart. One block like that, as before a pause, is no jitter.
#[test]
fn times_that_are_off_are_told_and_blur_what_moves() {
    let off = |blocks: &[i32]| {
        let mut record = Record::new(BLOCK_US);
        record.push(&first(Drive::Raise, 100.0), QUIET);
        for by in blocks {
            let mut odd = block(100.0, 400.0);
            odd.duration_us = BLOCK_US.saturating_add_signed(*by);
            record.push(&odd, QUIET);
        }
        record
    };
    let told = |record: &Record| real(View::new(record, record.len()).jitter_seconds());
    let steady: Vec<i32> = (0..200)
        .map(|at| if at % 2 == 0 { 200 } else { -200 })
        .collect();
    let jitter = told(&off(&steady));
    assert!((jitter / 200e-6 - 1.0).abs() < 0.1, "{jitter}");
    let mut single = std::vec![0; 40];
    single.push(500);
    assert!(told(&off(&single)) < 1e-6);
    assert_eq!(told(&off(&std::vec![0; 100])), 0.0);
    // It is over when times are good again.
    let mut over = steady.clone();
    over.extend([0; 200]);
    assert_eq!(told(&off(&over)), 0.0);
    // What v moves by in 4n samples, times 0.16 of a sample, against noise.
    let least = SCATTER * 4.0 * f64::from(FULL) * 1250e-6 / jitter;
    for (moved, gap) in [
        (0.9 * least, false),
        (1.1 * least, true),
        (-1.1 * least, true),
    ] {
        let mut record = off(&steady);
        record.push(&first(Drive::Lower, 100.0 + moved), QUIET);
        record.push(&block(100.0 + moved, 400.0), QUIET);
        let begun = entries(&record).into_iter().rfind(|entry| entry.first);
        assert_eq!(begun.map(|begun| begun.weight == 0), Some(gap), "{moved}");
    }
}

/// Until a block has shown how many samples are due, one that lost some passes for whole: what is there of such is given up.
#[test]
fn blocks_that_lost_samples_unnoticed_break_the_record() {
    for (before, lost) in [(1, 1), (3, 1), (3, 2), (1, 0), (3, 0)] {
        let thin = Block {
            count: FULL - lost,
            ..block(100.0, 400.0)
        };
        let mut blocks = std::vec![thin; before];
        blocks[0].flags.first_in_dwell = true;
        blocks.push(block(100.0, 400.0));
        let (record, said) = record(&blocks);
        assert_eq!(
            said.last() == Some(&Pushed::Broken),
            lost > 0,
            "{before} {lost}"
        );
        assert_eq!(record.len() == 0, lost > 0, "{before} {lost}");
    }
    // Jitter of the clock by half a sample breaks nothing.
    let swift = Block {
        duration_us: BLOCK_US - BLOCK_US / FULL / 2,
        ..block(100.0, 400.0)
    };
    let (_, said) = record(&[first(Drive::Lower, 100.0), swift]);
    assert_eq!(said.last(), Some(&Pushed::Closed));
}

#[test]
fn the_sampling_period_is_that_of_the_blocks_that_lost_nothing() {
    let mut record = Record::new(BLOCK_US);
    let tick = |record: &Record| real(record.tick_seconds());
    let near = |told: f64, due: f64| assert!((told / due - 1.0).abs() < 1e-5, "{told} {due}");
    record.push(&first(Drive::Raise, 100.0), QUIET);
    let due = 0.02 / f64::from(FULL);
    near(tick(&record), due);
    let mut odd = block(100.0, 400.0);
    odd.count = FULL - 1;
    record.push(&odd, QUIET);
    near(tick(&record), due);
    // A block cut short tells nothing.
    odd.duration_us = BLOCK_US / 2;
    odd.count = 99;
    odd.flags.cut = true;
    record.push(&odd, QUIET);
    near(tick(&record), due);
    record.clear();
    assert_eq!((record.len(), record.close()), (0, false));
    // A clock that goes slower by a tenth, 1.6 samples, is believed after 102 blocks and a few, and a faster one at once.
    let mut slower = block(100.0, 400.0);
    slower.duration_us = BLOCK_US * 11 / 10;
    for count in 0..130 {
        record.push(&slower, QUIET);
        assert!(count > 90 || tick(&record) < 1.01 * due, "{count}");
    }
    near(tick(&record), 1.1 * due);
    record.push(&block(100.0, 400.0), QUIET);
    near(tick(&record), due);
    // A pause is no whole number of samples: the block before it tells nothing.
    let mut before = block(100.0, 400.0);
    before.duration_us += BLOCK_US / FULL / 2;
    for missing in [3, 0] {
        record.push(&before, QUIET);
        let mut after = block(100.0, 400.0);
        after.missing = missing;
        record.push(&after, QUIET);
        assert_eq!(tick(&record) < 1.001 * due, missing > 0, "{missing}");
    }
}
