//! One equation of the balance, as it is kept.

use crate::num;

/// Binary places of the limit's current, and of the working voltage, in units.
pub(super) const CURRENT_BITS: u32 = 22;
/// Largest current kept: 256 times that of the limit.
const LARGEST: i64 = 1 << (CURRENT_BITS + 8);
/// Largest voltage and largest doubt kept.
const HIGHEST: i64 = 1 << (CURRENT_BITS + 4);
/// Most that one equation counts against the known circuit, in squared
/// standard deviations: one outlier makes no alarm.
pub(super) const ODD_MAX: u32 = 24;
/// Fraction bits of [`Equation::odd`].
pub(super) const ODD_BITS: u32 = 8;

/// The balance between two blocks: a new leak of conductances p and n (over
/// the limit) makes `current = p·(pack - chassis) - n·chassis`.
#[derive(Debug, Clone, Copy, Default)]
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
    /// innovation, Q8, at most [`ODD_MAX`].
    pub(super) odd: u16,
    pub(super) kind: Kind,
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
                odd: (ODD_MAX << ODD_BITS) as u16,
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
#[inline(never)]
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
        self.current = current.clamp(-LARGEST, LARGEST) as i32;
    }
}
