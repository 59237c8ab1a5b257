//! Converter faults, from the raw codes.

use crate::config::Channel;
use crate::front::ChannelSums;
use crate::num;

/// Samples that a block must have to count.
const SAMPLES: u32 = 8;
/// Blocks at one code, after noise, that are a stuck converter.
const STILL: u8 = 16;
/// Blocks that must have shown how quiet the converter can be.
const LISTENED: u8 = 50;
/// Drive changes that a converter of the chassis must have slept through.
const CHANGES: u8 = 3;
/// Blocks over which bits are watched.
const WINDOW: u8 = 50;
/// Blocks apart at which 50 and 60 Hz, and twice these, stand still in blocks of
/// 20 ms: hum moves neighbours, and may end every block at one code.
const APART: u8 = 5;
/// The spread of codes is kept in eighths of a bit (as a power of two), and rises by
/// so many: one step of the pack alone never adds a bit.
const EIGHTHS: u32 = 3;
const UP: u8 = 3;
/// There is a bit that seems dead; its number is in the lower five bits.
const SEEN: u8 = 0x80;

/// What the codes of one converter have shown.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Converter {
    /// The last code of the block before.
    code: i32,
    /// Bits in which first and last codes of blocks differ in the window.
    toggled: i32,
    /// Blocks at that code alone, and drive changes since.
    still: u8,
    changes: u8,
    /// The quietest block so far, and how many blocks that were not still.
    quietest: u8,
    listened: u8,
    /// The quietest block of the window, and its length so far.
    noise: u8,
    window: u8,
    /// The bit that seemed dead in the window before, with [`SEEN`], and whether it has in two.
    suspect: u8,
    dead: bool,
    /// The lower half of a last code of this dwell, blocks since then and as many
    /// as are apart, and by how many bits such codes differ again and
    /// again, in eighths.
    anchor: i16,
    since: u8,
    spread: u8,
}

impl Converter {
    /// Takes the codes of a block.
    pub(super) fn listen(
        &mut self,
        sums: &ChannelSums,
        count: u32,
        changed: bool,
        channel: &Channel,
    ) {
        if count < SAMPLES {
            return;
        }
        let noise = level(sums, count);
        self.spread(sums.last, changed);
        self.watch(sums, noise, channel);
        // Pairs may be even though not all samples are.
        let all = sums.last.wrapping_mul(count as i32);
        let one_code = sums.squares == 0 && sums.sum as i32 == all;
        self.stand(sums, changed, noise, one_code);
    }

    fn stand(&mut self, sums: &ChannelSums, changed: bool, noise: u8, one_code: bool) {
        if one_code && self.still > 0 && self.code == sums.last {
            self.still = self.still.saturating_add(1);
            self.changes = self.changes.saturating_add(u8::from(changed));
            return;
        }
        if self.still > 0 {
            // It stood, and has moved: as quiet as that it can be.
            self.quietest = 0;
        }
        self.code = sums.last;
        self.still = u8::from(one_code);
        self.changes = 0;
        if !one_code {
            self.quietest = if self.listened == 0 {
                noise
            } else {
                self.quietest.min(noise)
            };
            self.listened = self.listened.saturating_add(1);
        }
    }

    /// How far last codes are apart that hum does not tell apart. Two that differ by
    /// more than the weight of a bit may have it alike, so a step of the pack shows nothing:
    /// what they differ by again and again is followed.
    fn spread(&mut self, last: i32, changed: bool) {
        self.since = if changed {
            1
        } else {
            self.since.saturating_add(1)
        };
        if self.since >= 2 * APART {
            let apart = (last as i16).wrapping_sub(self.anchor).unsigned_abs();
            let bits = u16::BITS.saturating_sub(apart.leading_zeros());
            let (bits, spread) = (bits as u8, self.spread >> EIGHTHS);
            if bits > spread {
                self.spread = self.spread.saturating_add(UP);
            } else if bits == 0 || bits.saturating_add(1) < spread {
                self.spread = self.spread.saturating_sub(1);
            }
            self.since = APART;
        }
        if self.since == APART {
            self.anchor = last as i16;
        }
    }

    /// Takes the bits in which codes differ. The first code of a block differs from the last
    /// before it as neighbours do: by more than the weight of each bit that the noise
    /// covers, though last codes repeat with an alias.
    fn watch(&mut self, sums: &ChannelSums, noise: u8, channel: &Channel) {
        let within = i32::from((sums.last as i16 ^ sums.first) as u16);
        if self.window == 0 {
            (self.toggled, self.noise) = (within, noise);
        } else {
            self.toggled |= within | (sums.last ^ self.code);
            self.noise = self.noise.min(noise);
        }
        self.window = self.window.wrapping_add(1);
        if self.window >= WINDOW {
            self.window = 0;
            // It stays dead until it changes, be it covered or not.
            let stands = self.toggled & 1i32.wrapping_shl(self.suspect.into()) == 0;
            if !(self.dead && stands) {
                // An alias that stands still for a second moves on in the next.
                let bit = self.dead_bit(channel);
                self.dead = bit > 0 && bit == self.suspect;
                self.suspect = bit;
            }
        }
    }

    /// A bit that never changed, above one that did, and covered by the noise:
    /// neighbours differ by its weight, and so do codes that hum leaves alike. Low
    /// bits that all stand are a coarser resolution, no fault. Zero where there is none.
    fn dead_bit(&self, channel: &Channel) -> u8 {
        let lowest = self.toggled.trailing_zeros();
        let is_dead = |bit: &u32| {
            let hum = u32::from(self.spread >> EIGHTHS) <= *bit;
            let covered = u32::from(self.noise) > bit.saturating_mul(2) && !hum;
            covered && *bit > lowest && self.toggled & 1i32.wrapping_shl(*bit) == 0
        };
        let bit = (0..u32::from(channel.bits).min(31)).find(is_dead);
        bit.map_or(0, |bit| bit as u8 | SEEN)
    }

    /// One and the same code, through noise, or through drive changes that must
    /// move it (`follows`).
    pub(super) const fn is_stuck(&self, follows: bool) -> bool {
        let noisy = self.quietest > 0 && self.listened >= LISTENED;
        let slept = follows && self.changes >= CHANGES;
        self.still >= STILL && (slept || noisy)
    }

    pub(super) const fn has_dead_bits(&self) -> bool {
        self.dead
    }
}

/// Mean square difference of neighbours in codes², as the bits of its whole
/// part: a bit of weight 2^k is covered by noise above level 2k. That of bunches is as much
/// more as they have samples.
fn level(sums: &ChannelSums, count: u32) -> u8 {
    let square = num::over_unsigned(sums.squares, sums.paired(count)).unwrap_or(0);
    u64::BITS.saturating_sub(square.leading_zeros()) as u8
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::{Channel, Config, Drive, Element, FrontEnd, Judged, Limits, Timing};
    use crate::front::Sampler;
    use crate::sample::Sample;
    use crate::units::{Ohms, Volts};

    const CHANNEL: Channel = Channel::bipolar(16, Volts::from_int(1000));

    /// The watch after so many blocks of codes by sample number.
    fn after(blocks: u32, code: impl Fn(u32) -> i32) -> Converter {
        let front_end = FrontEnd::ChassisAndPack {
            chassis: CHANNEL,
            pack: CHANNEL,
        };
        let source = Element::source_to_negative(Volts::from_int(40), Ohms::from_int(1_000_000));
        let limits = Limits::new(Volts::from_int(400), Judged::WeakestRail);
        let config = Config::try_new(front_end, &[source], Timing::default(), limits);
        let config = config.expect("a sound configuration");
        let mut sampler = Sampler::new(&config);
        let mut watch = Converter::default();
        for k in 0..blocks * 20 + 1 {
            let drive = if (k / 500).is_multiple_of(2) {
                Drive::Raise
            } else {
                Drive::Lower
            };
            let sample = Sample {
                at_us: k * 1000,
                drive,
                codes: [code(k), 30_000],
            };
            if let Some(raw) = sampler.push(&sample) {
                let [first, _] = &raw.channels;
                watch.listen(first, raw.count, raw.first_in_dwell, &CHANNEL);
            }
        }
        watch
    }

    /// Even over 0 to 15, the same every time.
    fn noise(k: u32) -> i32 {
        (k.wrapping_mul(2_654_435_761) >> 28) as i32
    }

    #[test]
    fn a_code_that_stops_moving_is_stuck_and_a_quiet_one_is_not() {
        let stops = |k: u32| if k < 2000 { 33_000 + noise(k) } else { 33_003 };
        assert!(!after(100, stops).is_stuck(false));
        assert!(after(120, stops).is_stuck(false));
        // Never noisy: it may be so quiet, unless the drive must move it.
        assert!(!after(200, |_| 33_000).is_stuck(false));
        assert!(after(200, |_| 33_000).is_stuck(true));
        // Quiet at times, as a fine day is.
        let at_times = |k: u32| {
            33_000
                + if (k / 100).is_multiple_of(2) {
                    noise(k)
                } else {
                    0
                }
        };
        assert!(!after(200, at_times).is_stuck(false));
    }

    #[test]
    fn a_dead_bit_is_found_under_noise_and_a_coarse_converter_is_none() {
        // Three windows: how far codes differ is learnt first.
        for bit in 1..3 {
            assert!(
                after(160, |k| (33_000 + noise(k)) & !(1 << bit)).has_dead_bits(),
                "{bit}"
            );
            assert!(
                after(160, |k| (33_000 + noise(k)) | (1 << bit)).has_dead_bits(),
                "{bit}"
            );
        }
        assert!(!after(160, |k| 33_000 + noise(k)).has_dead_bits());
        assert!(!after(160, |k| 33_000 + 8 * noise(k)).has_dead_bits());
        // Hum leaves each block at one code, and once the pack steps: by three codes, of
        // which the second bit shows nothing.
        let hum = |k: u32| match k % 20 / 5 {
            0 => 0,
            1 => 9,
            2 => -9,
            _ => -1,
        };
        let step = |k: u32| if k < 700 { 33_002 } else { 33_005 };
        let stays = |k: u32| step(k) + hum(k);
        assert!(!after(160, stays).has_dead_bits());
        // Bit 8 is beyond what this noise covers.
        assert!(!after(160, |k| (33_000 + noise(k)) & !(1 << 8)).has_dead_bits());
    }

    /// An alias near a multiple of 25/3 Hz: the last codes of blocks of 20 ms are much the same six
    /// for a second, and these may well have a bit alike.
    #[test]
    fn an_alias_that_repeats_after_six_blocks_leaves_no_bit_dead() {
        for turn in 0..60 {
            let phase = std::f64::consts::TAU * f64::from(turn) / 60.0;
            for hertz in [25.0 / 3.0, 50.0 / 3.0, 125.0 / 3.0] {
                let alias = |k: u32| {
                    let angle =
                        std::f64::consts::TAU * (hertz + 0.02) * 1e-3 * f64::from(k) + phase;
                    33_000 + (1280.0 * angle.sin()) as i32 + noise(k)
                };
                assert!(!after(160, alias).has_dead_bits(), "{hertz} {phase}");
            }
        }
    }
}
