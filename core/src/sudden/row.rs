//! One equation of the balance, as it is kept.

use crate::num;

/// Binary places of the limit's current, and of the working voltage, in units.
pub(super) const CURRENT_BITS: u32 = 22;
/// Larger currents are not kept: 256 times that of the limit.
const LARGEST: i64 = 1 << (CURRENT_BITS + 8);
/// Larger voltages and doubts are not kept.
const HIGHEST: i64 = 1 << (CURRENT_BITS + 4);
/// Most that one equation counts against the known circuit, in squared
/// standard deviations: one outlier makes no alarm.
pub(super) const ODD_MAX: u32 = 24;
/// Fraction bits of [`Equation::odd`].
pub(super) const ODD_BITS: u32 = 8;

/// The balance between two blocks: a new leak of conductances p and n (over
/// the limit) makes `current = p·(pack - chassis) - n·chassis`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Equation {
    /// Residual current, in units.
    pub(super) current: i32,
    /// Pack voltage over the two blocks, in units.
    pub(super) pack: i32,
    /// Chassis voltage over the two blocks, in units.
    pub(super) chassis: i32,
    /// Standard uncertainty of the current besides noise, in units.
    pub(super) doubt: u32,
    /// How odd the known circuit finds it: squared standard deviations of its
    /// innovation, at most [`ODD_MAX`], less what a leak is charged with for being
    /// granted more doubt; Q8.
    pub(super) odd: i16,
    pub(super) kind: Kind,
}

/// An equation as it is kept, in 16 bytes. From the bottom: current (31 bits),
/// doubt (26), oddness (14), kind (2), pack voltage (27), chassis voltage (27).
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Kept {
    low: u64,
    high: u64,
}

const CURRENT: Field = Field(0, CURRENT_BITS + 9);
const DOUBT: Field = CURRENT.then(CURRENT_BITS + 4);
const ODD: Field = DOUBT.then(14);
const KIND: Field = ODD.then(2);
const PACK: Field = KIND.then(CURRENT_BITS + 5);
const CHASSIS: Field = PACK.then(CURRENT_BITS + 5);

/// All of it fits, and the most that it holds.
const _: () = assert!(CHASSIS.0 + CHASSIS.1 <= 128 && ODD_MAX << ODD_BITS < 1 << (ODD.1 - 1));

/// Where a number lies, and its bits.
#[derive(Clone, Copy)]
struct Field(u32, u32);

impl Field {
    const fn then(self, bits: u32) -> Self {
        Self(self.0.wrapping_add(self.1), bits)
    }

    const fn put(self, number: u32) -> u128 {
        let Self(at, bits) = self;
        let all = u32::MAX >> (32u32.wrapping_sub(bits) & 31);
        ((number & all) as u128) << (at & 127)
    }

    /// The number, its sign taken from its top bit.
    const fn signed(self, from: u128) -> i32 {
        let Self(at, bits) = self;
        let unused = 32u32.wrapping_sub(bits) & 31;
        ((from >> (at & 127)) as u32).cast_signed() << unused >> unused
    }

    const fn unsigned(self, from: u128) -> u32 {
        let Self(at, bits) = self;
        (from >> (at & 127)) as u32 & u32::MAX >> (32u32.wrapping_sub(bits) & 31)
    }
}

impl Kept {
    pub(super) fn equation(self) -> Equation {
        let all = u128::from(self.high) << 64 | u128::from(self.low);
        Equation {
            current: CURRENT.signed(all),
            pack: PACK.signed(all),
            chassis: CHASSIS.signed(all),
            doubt: DOUBT.unsigned(all),
            odd: ODD.signed(all) as i16,
            kind: match KIND.unsigned(all) {
                1 => Kind::Wild,
                2 => Kind::Steady,
                3 => Kind::Edge,
                _ => Kind::Gap,
            },
        }
    }
}

/// What an equation is worth.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) enum Kind {
    /// None: blocks were missing, cut or saturated.
    #[default]
    Gap,
    /// Beyond what any leak of interest makes.
    Wild,
    /// Within one drive state.
    Steady,
    /// Across a drive change.
    Edge,
}

impl Equation {
    pub(super) fn new(current: i64, pack: i64, chassis: i64, doubt: i64, edge: bool) -> Self {
        let wide = current.saturating_abs() >= LARGEST;
        let high = |x: i64| x.saturating_abs() >= HIGHEST;
        if wide || high(pack) || high(chassis) || high(doubt) {
            return Self {
                odd: (ODD_MAX << ODD_BITS) as i16,
                kind: Kind::Wild,
                ..Self::default()
            };
        }
        Self {
            current: current as i32,
            pack: pack as i32,
            chassis: chassis as i32,
            doubt: doubt.unsigned_abs() as u32,
            odd: 0,
            kind: if edge { Kind::Edge } else { Kind::Steady },
        }
    }

    pub(super) fn kept(&self) -> Kept {
        let all = CURRENT.put(self.current.cast_unsigned())
            | DOUBT.put(self.doubt)
            | ODD.put(i32::from(self.odd).cast_unsigned())
            | KIND.put(self.kind as u32)
            | PACK.put(self.pack.cast_unsigned())
            | CHASSIS.put(self.chassis.cast_unsigned());
        Kept {
            low: all as u64,
            high: (all >> 64) as u64,
        }
    }

    /// The known circuit's equation can be judged.
    pub(super) const fn usable(&self) -> bool {
        matches!(self.kind, Kind::Steady | Kind::Edge)
    }

    /// Sum of the squares of the voltages across the two leaks.
    pub(super) fn across(&self) -> u64 {
        let chassis = i64::from(self.chassis);
        let rest = i64::from(self.pack).saturating_sub(chassis);
        square(chassis).saturating_add(square(rest))
    }
}

/// The square of a magnitude below 2^32.
#[cfg_attr(not(target_pointer_width = "64"), inline(never))]
pub(super) const fn square(x: i64) -> u64 {
    let size = x.unsigned_abs();
    size.saturating_mul(size)
}

impl Equation {
    /// Takes leaks that have become known (over the limit, `I32F32`) out of
    /// the residual current.
    pub(super) fn rebase(&mut self, positive: i64, negative: i64) {
        let chassis = i64::from(self.chassis);
        let rest = i64::from(self.pack).saturating_sub(chassis);
        let known = num::mul(positive, rest).saturating_sub(num::mul(negative, chassis));
        let current = i64::from(self.current).saturating_sub(known);
        self.current = current.clamp(1 - LARGEST, LARGEST - 1) as i32;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn an_equation_is_kept_as_it_is(
            current in 1 - LARGEST..LARGEST,
            voltages in [1 - HIGHEST..HIGHEST, 1 - HIGHEST..HIGHEST],
            doubt in 0..HIGHEST,
            odd in -((ODD_MAX << ODD_BITS) as i16)..=(ODD_MAX << ODD_BITS) as i16,
            edge: bool,
        ) {
            let [pack, chassis] = voltages;
            let row = Equation {
                odd,
                ..Equation::new(current, pack, chassis, doubt, edge)
            };
            prop_assert!(row.usable());
            prop_assert_eq!(row.kept().equation(), row);
        }
    }

    #[test]
    fn what_cannot_be_judged_is_kept_too() {
        for row in [Equation::default(), Equation::new(LARGEST, 0, 0, 0, false)] {
            assert_eq!(row.kept().equation(), row);
        }
    }
}
