//! A described divider and converter: what one count means in volts.

use crate::num;
use crate::num::Saturating as _;
use crate::units::{Ohms, Ratio, Volts};

/// The resistors of a measuring divider. Their sum loads the circuit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Divider {
    /// From the measured terminal to the converter pin.
    pub top: Ohms,
    /// From the converter pin to the reference terminal.
    pub bottom: Ohms,
}

impl Divider {
    /// What the circuit sees.
    #[must_use]
    pub const fn load(&self) -> Ohms {
        Ohms::from_bits(self.top.to_bits().saturating_add(self.bottom.to_bits()))
    }
}

/// One measuring channel: optional divider, converter, calibration.
///
/// `volts = (code - zero_code) · span / 2^bits + offset`
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Channel {
    /// Resolution of the converter, 1 to 32 bits.
    pub bits: u8,
    /// Code at zero volts.
    pub zero_code: i32,
    /// Volts at the terminals that 2^bits codes span, calibration included.
    pub span: Volts,
    /// Volts at the terminals at `zero_code` (calibration).
    pub offset: Volts,
    /// Codes at or below are saturated.
    pub lowest: i32,
    /// Codes at or above are saturated.
    pub highest: i32,
    /// Relative standard uncertainty of the gain.
    pub gain_u: Ratio,
    /// Standard uncertainty of the offset, at the terminals.
    pub offset_u: Volts,
    /// The divider, when its current flows through the circuit.
    pub divider: Option<Divider>,
}

impl Channel {
    /// An unloaded channel with offset-binary codes `0 ..= 2^bits - 1` for
    /// `±span/2`, saturated at the end codes. `bits` is limited to 1..=30.
    #[must_use]
    pub const fn bipolar(bits: u8, span: Volts) -> Self {
        let bits = if bits < 1 {
            1
        } else if bits > 30 {
            30
        } else {
            bits
        };
        let codes = 1i32 << bits;
        Self {
            bits,
            zero_code: codes >> 1,
            span,
            offset: Volts::ZERO,
            lowest: 0,
            highest: codes.wrapping_sub(1),
            gain_u: Ratio::ZERO,
            offset_u: Volts::ZERO,
            divider: None,
        }
    }

    /// With this divider in front: the span that was the converter's own is
    /// multiplied by (top + bottom)/bottom, and the divider loads the circuit.
    /// `None` when the bottom resistor is not positive.
    #[must_use]
    pub fn behind(mut self, divider: Divider) -> Option<Self> {
        if divider.bottom.to_bits() <= 0 {
            return None;
        }
        let scaled = num::wide(self.span.to_bits(), divider.load().to_bits());
        self.span = Volts::from_bits(num::quotient(
            scaled,
            i128::from(divider.bottom.to_bits()),
            0,
        ));
        self.divider = Some(divider);
        Some(self)
    }

    /// Mean of `count` codes whose sum is `sum`, in volts; `None` without samples.
    #[must_use]
    pub(crate) fn volts(&self, sum: i64, count: u32) -> Option<Volts> {
        let zero = i64::from(self.zero_code).wrapping_mul(i64::from(count));
        let n = num::wide(sum.minus(zero), self.span.to_bits());
        let reciprocal = num::Reciprocal::new(i128::from(count))?;
        let mean = reciprocal.times(n, i32::from(self.bits).wrapping_neg());
        Some(Volts::from_bits(mean).saturating_add(self.offset))
    }

    /// One count in volts.
    #[must_use]
    pub fn quantum(&self) -> Volts {
        Volts::from_bits(self.span.to_bits() >> self.bits.min(63)).abs()
    }

    /// True when a code is at a limit of the converter.
    #[must_use]
    pub const fn saturated(&self, code: i32) -> bool {
        code <= self.lowest || code >= self.highest
    }
}

/// Which voltages the two channels measure.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum FrontEnd {
    /// Chassis to negative rail, and the pack voltage.
    ChassisAndPack {
        /// `v = V(E) - V(N)`; its divider loads the chassis towards N.
        chassis: Channel,
        /// `Vb = V(P) - V(N)`; its divider does not touch the chassis.
        pack: Channel,
    },
    /// Each rail to chassis; both voltages follow: `v = negative`,
    /// `Vb = positive + negative`.
    RailPair {
        /// `V(P) - V(E)`; its divider loads the chassis towards P.
        positive: Channel,
        /// `V(E) - V(N)`; its divider loads the chassis towards N.
        negative: Channel,
    },
}

impl FrontEnd {
    /// Uncertainty of one converter step, q/√12 (rectangular), for v and for Vb.
    #[must_use]
    pub(crate) fn resolution(&self) -> [Volts; 2] {
        let [first, second] = self.channels().map(|channel| channel.quantum().to_bits());
        let (chassis, pack) = match self {
            Self::ChassisAndPack { .. } => (first, second),
            Self::RailPair { .. } => (second, first.max(second)),
        };
        [chassis, pack].map(|step| Volts::from_bits(num::mul(step, num::ONE_BY_ROOT_12)))
    }

    /// Relative standard uncertainty of the gain of v and of Vb.
    #[must_use]
    pub(crate) const fn gain_u(&self) -> [Ratio; 2] {
        match self {
            Self::ChassisAndPack { chassis, pack } => [chassis.gain_u, pack.gain_u],
            Self::RailPair { positive, negative } => [negative.gain_u, positive.gain_u],
        }
    }

    /// Standard uncertainty of an offset of v.
    #[must_use]
    pub(crate) const fn chassis_offset_u(&self) -> Volts {
        match self {
            Self::ChassisAndPack { chassis, .. } => chassis.offset_u,
            Self::RailPair { negative, .. } => negative.offset_u,
        }
    }

    /// The two channels in the order of [`crate::Sample::codes`].
    #[must_use]
    pub const fn channels(&self) -> [&Channel; 2] {
        match self {
            Self::ChassisAndPack { chassis, pack } => [chassis, pack],
            Self::RailPair { positive, negative } => [positive, negative],
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_become_volts_through_divider_and_converter() {
        let divider = Divider {
            top: Ohms::from_int(9_900_000),
            bottom: Ohms::from_int(100_000),
        };
        let channel = Channel::bipolar(16, Volts::from_int(20))
            .behind(divider)
            .expect("bottom");
        // 2000 V over 65536 codes: code 32768 + 13107 is 399.994 V.
        let volts = channel
            .volts(3 * (32768 + 13107), 3)
            .expect("samples")
            .get()
            .to_num::<f64>();
        assert!((volts - 13107.0 * 2000.0 / 65536.0).abs() < 1e-6, "{volts}");
        assert!(channel.saturated(0) && channel.saturated(65535) && !channel.saturated(1));
        assert_eq!(channel.volts(0, 0), None);
    }
}
