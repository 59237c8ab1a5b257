//! The background side: a block of summed counts becomes mean voltages with
//! the uncertainty that their scatter shows.

use super::sampler::{ChannelSums, RawBlock};
use crate::config::{Channel, Config, Drive, FrontEnd};
use crate::num;
use crate::units::Volts;

/// What is wrong with, or special about, a block.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Flags {
    /// The first block after a drive change; it starts at the switch.
    pub first_in_dwell: bool,
    /// Cut short by a drive change.
    pub cut: bool,
    /// A code was at a converter limit.
    pub saturated: bool,
}

/// Mean voltages over one averaging block, in one drive state.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Block {
    /// The drive state in force.
    pub drive: Drive,
    /// What is special about the block.
    pub flags: Flags,
    /// Whole blocks without a sample just before this one; one as well where a sample was lost
    /// at the drive change.
    pub missing: u16,
    /// Length in microseconds, from its first sample to the first after it.
    pub duration_us: u32,
    /// Samples averaged.
    pub count: u32,
    /// Scatter is taken between bunches of so many samples, as a power of two: single ones where
    /// these are a millisecond apart or more.
    pub bunched: u8,
    /// Mean chassis voltage v = V(E) - V(N).
    pub chassis: Volts,
    /// Mean pack voltage Vb = V(P) - V(N).
    pub pack: Volts,
    /// Standard uncertainty of `chassis` as the scatter of its samples shows it.
    pub chassis_scatter: Volts,
    /// The same of `pack`.
    pub pack_scatter: Volts,
}

/// Volts of a block; `None` for a block without samples.
#[inline(never)]
pub(crate) fn convert(config: &Config, raw: &RawBlock) -> Option<Block> {
    let [first, second] = config.front_end().channels();
    let [a, b] = raw.channels;
    let (va, sa) = mean(first, &a, raw.count)?;
    let (vb, sb) = mean(second, &b, raw.count)?;
    let (chassis, pack, chassis_scatter, pack_scatter) = match config.front_end() {
        FrontEnd::ChassisAndPack { .. } => (va, vb, sa, sb),
        FrontEnd::RailPair { .. } => {
            let mut both = num::RootSum::default();
            both.add(sa.to_bits());
            both.add(sb.to_bits());
            (vb, va.saturating_add(vb), sb, Volts::from_bits(both.root()))
        }
    };
    Some(Block {
        drive: raw.drive,
        flags: Flags {
            first_in_dwell: raw.first_in_dwell,
            cut: raw.cut,
            saturated: raw.saturated,
        },
        missing: raw.missing,
        duration_us: raw.duration_us,
        count: raw.count,
        bunched: a.places,
        chassis,
        pack,
        chassis_scatter,
        pack_scatter,
    })
}

/// Mean of a channel, and the standard uncertainty of the mean from the scatter
/// of neighbours: the variance of bunches is half the mean square of the differences in
/// pairs of them, and that of the sum is as much for each of them.
#[inline(never)]
fn mean(channel: &Channel, sums: &ChannelSums, count: u32) -> Option<(Volts, Volts)> {
    let mean = channel.volts(sums.sum, count)?;
    // Variance of the mean in codes² with 32 fraction bits; without a pair there are
    // no squares either.
    let paired = sums.paired(count).max(1);
    let differences = u64::from(count).wrapping_mul(paired.into());
    let variance = num::quotient(i128::from(sums.squares), i128::from(differences), 31);
    let deviation = num::sqrt_wide((variance as u128) << 32);
    let scatter = num::mul(deviation, channel.span.to_bits()).wrapping_shr(channel.bits.into());
    Some((mean, Volts::from_bits(scatter)))
}
