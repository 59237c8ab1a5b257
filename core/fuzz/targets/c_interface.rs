//! The C interface: any settings, any order of calls, memory that was never
//! set up, null pointers. What the header demands of the caller's memory holds.
#![no_main]

use core::mem::MaybeUninit;
use core::ptr::null_mut;

use libfuzzer_sys::fuzz_target;
use ohmsplit_capi::*;
use ohmsplit_fuzz::Bytes;
use ohmsplit_fuzz::draw::Draw;

/// Memory as a C program's static memory is: zero.
fn zeroed<T>() -> T {
    // SAFETY: plain integers, or the bytes of a handle: all zero is a value.
    unsafe { MaybeUninit::zeroed().assume_init() }
}

fn settings(from: &mut Bytes<'_>) -> ohmsplit_settings_t {
    let mut settings: ohmsplit_settings_t = zeroed();
    // SAFETY: the caller's own memory.
    unsafe { ohmsplit_settings_default(&mut settings, OHMSPLIT_INTERFACE) };
    settings.front_end = 1 + from.below(2) as i32;
    for channel in &mut settings.channels {
        channel.bits = 1 + from.below(24) as u32;
        channel.zero_code = 1 << (channel.bits - 1);
        channel.highest_code = i32::MAX;
        channel.span_microvolt = from.magnitude(50);
        if from.once_in(4) {
            channel.divider_top_milliohm = from.bits();
            channel.divider_bottom_milliohm = from.bits();
            channel.offset_microvolt = from.bits();
            channel.gain_uncertainty_ppm = from.bits() as u32;
        }
    }
    settings.part_count = 1 + from.below(OHMSPLIT_PARTS_MAX as u64) as u32;
    for part in &mut settings.parts {
        part.kind = 1 + from.below(7) as i32;
        part.resistance_milliohm = from.magnitude(45);
        part.high_microvolt = from.magnitude(38);
        part.low_microvolt = from.magnitude(20);
    }
    settings.block_microsecond = 100 + from.below(20_000) as u32;
    settings.dwell_min_microsecond = settings.block_microsecond * (8 + from.below(4) as u32);
    settings.judged = 1 + from.below(2) as i32;
    settings.working_voltage_microvolt = from.magnitude(32);
    if from.once_in(8) {
        // Anything in any field.
        let size = size_of::<ohmsplit_settings_t>();
        let at = from.below(size as u64 - 8) as usize;
        let bits = from.bits().to_ne_bytes();
        // SAFETY: within the struct, whose fields are integers of any value.
        unsafe {
            let place = (&raw mut settings).cast::<u8>().add(at);
            core::ptr::copy_nonoverlapping(bits.as_ptr(), place, bits.len());
        }
    }
    settings
}

fuzz_target!(|data: &[u8]| {
    let mut from = Bytes::new(data);
    let (mut config, mut sampler, mut monitor): (
        ohmsplit_config_t,
        ohmsplit_sampler_t,
        ohmsplit_monitor_t,
    ) = (zeroed(), zeroed(), zeroed());
    let (mut block, mut report): (ohmsplit_block_t, ohmsplit_report_t) = (zeroed(), zeroed());
    let mut drive = ohmsplit_drive_t::OHMSPLIT_DRIVE_REST;
    let mut verdict = ohmsplit_verdict_t::OHMSPLIT_VERDICT_UNDETERMINED;
    let (mut reason, mut at_us) = (0, 0u32);
    let settings = settings(&mut from);
    // SAFETY: every pointer is null or to memory of its type that lives to the end; one thread.
    unsafe {
        let size = from.pick(&[OHMSPLIT_CONFIG_SIZE, OHMSPLIT_CONFIG_SIZE, 8]);
        let done = ohmsplit_config_init(&mut config, size, &settings);
        if done == ohmsplit_status_t::OHMSPLIT_OK || from.once_in(2) {
            ohmsplit_sampler_init(&mut sampler, OHMSPLIT_SAMPLER_SIZE, &config);
            ohmsplit_monitor_init(&mut monitor, OHMSPLIT_MONITOR_SIZE, &config);
        }
        while !from.is_empty() {
            match from.below(32) {
                0 => {
                    ohmsplit_sampler_finish(&mut sampler, &mut block);
                }
                1 => {
                    ohmsplit_monitor_finish(&mut monitor);
                }
                2 => {
                    ohmsplit_sampler_init(&mut sampler, OHMSPLIT_SAMPLER_SIZE, &config);
                }
                3 => {
                    ohmsplit_monitor_init(&mut monitor, OHMSPLIT_MONITOR_SIZE, &config);
                }
                4 => {
                    ohmsplit_monitor_accept(&mut monitor, &block);
                }
                5 => {
                    ohmsplit_monitor_step(null_mut(), &mut report);
                    ohmsplit_monitor_step(&mut monitor, null_mut());
                    ohmsplit_sampler_push(&mut sampler, null_mut(), &mut block);
                }
                6 => {
                    ohmsplit_monitor_verdict(&mut monitor, &mut verdict, &mut reason);
                }
                _ => {
                    at_us = at_us.wrapping_add(from.any::<u16>().into());
                    let sample = ohmsplit_sample_t {
                        at_microsecond: at_us,
                        drive: if from.once_in(32) {
                            from.bits() as i32
                        } else {
                            drive as i32
                        },
                        codes: from.any(),
                    };
                    let mut status = ohmsplit_sampler_push(&mut sampler, &sample, &mut block);
                    if status == ohmsplit_status_t::OHMSPLIT_BLOCK_READY {
                        ohmsplit_monitor_accept(&mut monitor, &block);
                        let mut steps = 0;
                        while status as i32 > 0 {
                            status = ohmsplit_monitor_step(&mut monitor, &mut report);
                            steps += 1;
                            assert!(steps < 100_000, "work without an end");
                        }
                        ohmsplit_monitor_drive(&mut monitor, &mut drive);
                    }
                }
            }
        }
    }
});
