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
    /// Whole blocks without a sample just before this one.
    pub missing: u16,
    /// Length in microseconds.
    pub duration_us: u32,
    /// Samples averaged.
    pub count: u32,
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
        chassis,
        pack,
        chassis_scatter,
        pack_scatter,
    })
}

/// Mean of a channel, and the standard uncertainty of the mean from the scatter
/// of neighbours: the variance is half the mean square of their differences.
#[inline(never)]
fn mean(channel: &Channel, sums: &ChannelSums, count: u32) -> Option<(Volts, Volts)> {
    let mean = channel.volts(sums.sum, count)?;
    // Variance of the mean in codes² with 32 fraction bits; one sample shows
    // no scatter.
    let differences = u64::from(count).wrapping_mul(u64::from(count.saturating_sub(1)));
    let variance = if differences == 0 {
        0
    } else {
        num::quotient(i128::from(sums.squares), i128::from(differences), 31)
    };
    let deviation = num::sqrt_wide((variance as u128) << 32);
    let scatter = num::wide(deviation, channel.span.to_bits()) >> 32;
    let scatter = num::narrow(scatter) >> channel.bits.min(63);
    Some((mean, Volts::from_bits(scatter)))
}
