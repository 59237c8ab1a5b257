//! Readings of two channels that a multiplexer takes one after the other,
//! brought to one instant.
//!
//! A second channel u read s after the first is wanted s earlier: between two
//! samples T apart, `u_i - s/T·(u_i - u_(i-1))`. Over the n samples of a block
//! that telescopes: the sum is off by s/T times how far u moved from the last
//! sample of the block before to the last of this one, nT later.

use super::sampler::RawBlock;
use crate::config::{Config, FrontEnd};
use crate::num;
use crate::num::Saturating as _;

/// What is known from the blocks before.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Align {
    /// Last code of the second channel.
    before: i32,
    /// Time between samples in the last that was not cut short, 2⁻³² s; zero
    /// where there is none.
    period: u32,
}

impl Align {
    /// The block as if both channels had been read when the first was. One that
    /// follows nothing stays as it is.
    #[inline(never)]
    pub(crate) fn take(&mut self, config: &Config, raw: &RawBlock, follows: bool) -> RawBlock {
        let mut block = *raw;
        let skew = config.timing().sampling_skew.to_bits();
        if skew == 0 {
            return block;
        }
        let [_, second] = &mut block.channels;
        // The rails jump with the drive, the pack does not.
        let pair = matches!(config.front_end(), FrontEnd::RailPair { .. });
        let jumps = pair && raw.first_in_dwell;
        if self.period > 0 && follows && raw.missing == 0 && !jumps {
            let moved = i64::from(second.last).minus(i64::from(self.before));
            let late = num::quotient(num::wide(moved, skew), i128::from(self.period), 0);
            second.sum = second.sum.minus(late);
        }
        self.before = second.last;
        if !raw.cut {
            let period =
                num::ratio_shifted(num::millionths(raw.duration_us), i64::from(raw.count), 0);
            self.period = u32::try_from(period).unwrap_or(u32::MAX);
        } else if !follows {
            self.period = 0;
        }
        block
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Drive;
    use crate::config::{Channel, Element, Judged, Limits, Timing};
    use crate::front::{Sampler, convert};
    use crate::sample::Sample;
    use crate::units::{Ohms, Seconds, Volts};

    /// A pack that moves by 50 V/s, read 0.5 ms after or before the chassis:
    /// every block but the first is that of channels read together.
    #[test]
    fn a_ramp_is_read_as_if_both_channels_were_read_at_once() {
        for skew in [0.5e-3, -0.5e-3] {
            let channel = Channel::bipolar(24, Volts::from_int(2048));
            let front_end = FrontEnd::ChassisAndPack {
                chassis: channel,
                pack: channel,
            };
            let source =
                Element::source_to_negative(Volts::from_int(40), Ohms::from_int(1_000_000));
            let limits = Limits::new(Volts::from_int(400), Judged::WeakestRail);
            let mut timing = Timing::default();
            timing.sampling_skew = Seconds::from_bits((skew * 4_294_967_296.0) as i64);
            let config = Config::try_new(front_end, &[source], timing, limits).expect("sound");
            let mut sampler = Sampler::new(&config);
            let mut align = Align::default();
            let code = |volts: f64| (volts / 2048.0 * 16_777_216.0).round() as i32;
            let mut blocks = 0;
            for sample in 1..=2000u32 {
                let t = f64::from(sample) * 1e-3;
                let sample = Sample {
                    at_us: sample * 1000,
                    drive: if !(0.5005..1.209).contains(&t) {
                        Drive::Raise
                    } else {
                        Drive::Lower
                    },
                    codes: [code(300.0 + 50.0 * t), code(300.0 + 50.0 * (t + skew))],
                };
                let Some(raw) = sampler.push(&sample) else {
                    continue;
                };
                let block = convert(&config, &align.take(&config, &raw, true)).expect("samples");
                let apart = (block.pack.to_bits() - block.chassis.to_bits()).abs();
                assert!(blocks == 0 || apart < 1 << 20, "{block:?}");
                blocks += 1;
            }
            assert!(blocks > 90);
        }
    }
}
