//! Captures through the core as firmware runs it: a sample at a time, background work in between.

use core::fmt::{self, Write};

use ohmsplit::config::Config;
use ohmsplit::contexts::Background;
use ohmsplit::{Monitor, RawBlock, Report, Sample, Sampler, Step, SwiftMonitor};

use crate::captures::CAPTURES;

/// Replays all captures through both monitors and writes one line a report. `{:x?}` shows fixed-point numbers exactly,
/// in hexadecimal, so that equal lines mean equal bits.
///
/// # Errors
/// Those of the writer.
pub fn write_all(out: &mut impl Write) -> fmt::Result {
    for capture in &CAPTURES {
        writeln!(out, "{}", capture.name)?;
        match (capture.config)() {
            Ok(config) => {
                let mut line = |report: &Report| writeln!(out, "{report:x?}");
                reports::<Monitor<'_>, _>(&config, capture.samples(), &mut line)?;
                reports::<SwiftMonitor<'_>, _>(&config, capture.samples(), &mut line)?;
            }
            Err(error) => writeln!(out, "{error:?}")?,
        }
    }
    Ok(())
}

/// Hands every report that the samples lead to, the one of the unfinished dwell at their end
/// included, to `each`.
///
/// # Errors
/// The first that `each` returns.
pub fn reports<'c, M: Background<'c>, E>(
    config: &'c Config,
    samples: impl Iterator<Item = Sample>,
    mut each: impl FnMut(&Report) -> Result<(), E>,
) -> Result<(), E> {
    let mut sampler = Sampler::new(config);
    let mut monitor = M::begin(config);
    let mut take = |block: Option<RawBlock>, monitor: &mut M| {
        if let Some(block) = block {
            monitor.accept(&block);
        }
        background(monitor, &mut each)
    };
    for sample in samples {
        take(sampler.push(&sample), &mut monitor)?;
    }
    take(sampler.finish(), &mut monitor)?;
    monitor.finish();
    background(&mut monitor, &mut each)
}

/// Background work until there is none.
fn background<'c, E>(
    monitor: &mut impl Background<'c>,
    each: &mut impl FnMut(&Report) -> Result<(), E>,
) -> Result<(), E> {
    loop {
        match monitor.step() {
            Step::Idle => return Ok(()),
            Step::Busy => {}
            Step::Answer(report) => each(&report)?,
        }
    }
}

#[cfg(test)]
mod tests {
    use std::format;

    use ohmsplit::units::{Ohms, Volts};

    #[test]
    fn numbers_that_differ_in_their_last_bit_are_written_differently() {
        for bits in [0, 1, -1, 0x1234_5678_9abc_def0, i64::MAX - 1, i64::MIN] {
            let volts = |bits| format!("{:x?}", Volts::from_bits(bits));
            let ohms = |bits| format!("{:x?}", Ohms::from_bits(bits));
            assert_ne!(volts(bits), volts(bits + 1));
            assert_ne!(ohms(bits), ohms(bits + 1));
        }
    }
}
