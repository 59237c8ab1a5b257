//! Which side of the contactors leaks: by difference.
//!
//! The integrator declares sections, each a part of the high-voltage network
//! that contactors connect as a whole (both poles), and reports which are
//! connected. The battery side is always connected. With the set A connected
//! the monitor measures `G(A) = G(battery) + Σ G(s), s in A`: conductances to
//! the chassis add, on each rail for itself. So for disjoint sets
//!
//! ```text
//! G(S) = G(A ∪ S) − G(A),  the same for Gp and Gn,  x(S) = Gp(S)/G(S)
//! ```
//!
//! # Uncertainty
//! The two estimates are taken as independent: `u²(S) = u²(A ∪ S) + u²(A)`.
//! Noise is. Tolerances of the monitor's own parts are common to both: where
//! they push both figures the same way they cancel in part, and the stated
//! uncertainty is too large; at worst, pushing them opposite ways, it is too
//! small by √2. Within one estimate the correlation of Gp and Gn counts: it
//! follows from the three stated uncertainties,
//! `2 cov = u²(G) − u²(Gp) − u²(Gn)` (JCGM 100:2008, 5.2.2).
//!
//! # What the integrator does
//! Before a contactor moves, and again when it has come to rest:
//!
//! 1. [`crate::permit::Permit::network_changed`].
//! 2. Drop the block that [`crate::Sampler::finish`] returns: it spans the change.
//! 3. Start the monitor afresh with its `new`: nothing measured before
//!    describes the circuit now.
//! 4. [`Sections::switched`] with what is connected now.
//!
//! Samples while contactors move or bounce (some ten milliseconds, common
//! practice, no source) are not pushed. A section with only one pole connected
//! is in neither state: push no samples, or declare it as a section of its own.

use crate::num;
use crate::reason::Reason;
use crate::report::{Basis, Estimate, Interval, Kind, Report};
use crate::units::{Measured, Microsiemens, Ohms, Ratio};

/// Most sections that can be declared.
pub const SECTIONS_MAX: u8 = 8;

/// Connected sets whose newest estimates are remembered.
const REMEMBERED: usize = 6;

/// Standard uncertainties in a 95 % interval.
const COVERAGE: i64 = 2;

/// Standard uncertainties below zero at which a share is no chance result.
const IMPLAUSIBLE: i64 = -4;

/// A set of sections: one bit each.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Connected(u8);

impl Connected {
    /// No section: the battery side alone.
    pub const NONE: Self = Self(0);

    /// From a bit a section, section 0 the lowest.
    #[must_use]
    pub const fn from_bits(bits: u8) -> Self {
        Self(bits)
    }
    /// A bit a section.
    #[must_use]
    pub const fn bits(self) -> u8 {
        self.0
    }
    /// With one more section; the same set when there is no such section.
    #[must_use]
    pub const fn with(self, section: u8) -> Self {
        match 1u8.checked_shl(section as u32) {
            Some(bit) => Self(self.0 | bit),
            None => self,
        }
    }
    const fn joined(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }
    const fn is_apart_from(self, other: Self) -> bool {
        self.0 & other.0 == 0
    }
}

/// What one side, or one or more sections, leak.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Share {
    /// [`Kind::Short`]: the conductance is only bounded below. [`Kind::Open`]:
    /// it cannot be told from none.
    pub kind: Kind,
    /// G of the share.
    pub conductance: Measured<Microsiemens>,
    /// Gp of the share.
    pub positive_conductance: Measured<Microsiemens>,
    /// Gn of the share.
    pub negative_conductance: Measured<Microsiemens>,
    /// 1/G.
    pub isolation: Ohms,
    /// 95 % interval of 1/G, Gaussian in G.
    pub isolation_interval: Interval<Ohms>,
    /// Where a single leak of this share would sit, 0 at the negative rail and
    /// 1 at the positive; `None` when no leak is resolved.
    pub position: Option<Measured<Ratio>>,
    /// Seconds between the two estimates; 0 for the battery side.
    pub apart_s: u32,
}

/// The newest estimate with one set connected.
#[derive(Debug, Clone, Copy)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Known {
    connected: Connected,
    at_s: u32,
    kind: Kind,
    total: Measured<Microsiemens>,
    positive: Measured<Microsiemens>,
    negative: Measured<Microsiemens>,
    position: Option<Measured<Ratio>>,
}

/// Remembers what was measured with which sections connected.
#[derive(Debug, Clone)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Sections {
    connected: Connected,
    apart_max_s: u32,
    known: [Option<Known>; REMEMBERED],
}

impl Sections {
    /// Nothing is known. Estimates further apart than `apart_max_s` are not
    /// compared: the leak itself may have changed in between.
    #[must_use]
    pub const fn new(connected: Connected, apart_max_s: u32) -> Self {
        Self {
            connected,
            apart_max_s,
            known: [None; REMEMBERED],
        }
    }

    /// What is connected.
    #[must_use]
    pub const fn connected(&self) -> Connected {
        self.connected
    }

    /// The contactors have moved; the monitor has been started afresh.
    pub const fn switched(&mut self, connected: Connected) {
        self.connected = connected;
    }

    /// Takes a report measured with the present sections connected. The newest
    /// estimate of each set counts; a sudden leak's first figure does not.
    pub fn take(&mut self, now_s: u32, report: &Report) {
        let Ok(estimate) = &report.estimate else {
            return;
        };
        if report.basis == Basis::Sudden {
            return;
        }
        let known = Known::of(self.connected, now_s, estimate);
        let same = |slot: &&mut Option<Known>| slot.is_some_and(|k| k.connected == known.connected);
        if let Some(slot) = self.known.iter_mut().find(same) {
            *slot = Some(known);
        } else if let Some(slot) = self
            .known
            .iter_mut()
            .min_by_key(|slot| slot.map_or(0, |k| k.at_s.saturating_add(1)))
        {
            *slot = Some(known);
        }
    }

    /// What the battery side leaks.
    ///
    /// # Errors
    /// [`Reason::NotYetMeasured`] when it was never measured alone.
    pub fn battery(&self) -> Result<Share, Reason> {
        let mut known = self.known.iter().flatten();
        let alone = known.find(|known| known.connected == Connected::NONE);
        Ok(alone.ok_or(Reason::NotYetMeasured)?.share(0))
    }

    /// What these sections leak together; one section alone is
    /// `Connected::NONE.with(section)`, the load side all of them.
    ///
    /// # Errors
    /// * [`Reason::NotYetMeasured`]: no two estimates, near enough in time,
    ///   differ by just these sections.
    /// * [`Reason::TooUncertain`]: without them there is a hard short already.
    /// * [`Reason::CircuitChanged`]: less leaks with them than without: the
    ///   leak changed between, or the contactors were not as reported.
    pub fn share(&self, of: Connected) -> Result<Share, Reason> {
        if of == Connected::NONE {
            return self.battery();
        }
        let pairs = self.known.iter().flatten().flat_map(|without| {
            let reached = without.connected.joined(of);
            let all = self.known.iter().flatten();
            all.filter(move |with| with.connected == reached)
                .map(move |with| (without, with))
        });
        let (without, with) = pairs
            .filter(|(without, with)| {
                without.connected.is_apart_from(of)
                    && with.at_s.abs_diff(without.at_s) <= self.apart_max_s
            })
            .max_by_key(|(without, with)| without.at_s.min(with.at_s))
            .ok_or(Reason::NotYetMeasured)?;
        with.beyond(without)
    }
}

impl Known {
    const fn of(connected: Connected, at_s: u32, estimate: &Estimate) -> Self {
        Self {
            connected,
            at_s,
            kind: estimate.kind,
            total: estimate.conductance,
            positive: estimate.positive_conductance,
            negative: estimate.negative_conductance,
            position: estimate.position,
        }
    }

    /// What this estimate has more than the other.
    fn beyond(&self, without: &Self) -> Result<Share, Reason> {
        let apart_s = self.at_s.abs_diff(without.at_s);
        match (self.kind, without.kind) {
            (_, Kind::Short) => Err(Reason::TooUncertain),
            (Kind::Short, _) => {
                // The short is what was added, less what may have been there.
                let before = without.total;
                let most = widened(before, COVERAGE);
                let least = self
                    .total
                    .value
                    .saturating_sub(most)
                    .max(Microsiemens::ZERO);
                let mut short = Self {
                    kind: Kind::Short,
                    ..*self
                };
                short.total.value = least;
                Ok(short.share(apart_s))
            }
            _ => {
                let difference = Self {
                    kind: Kind::Figure,
                    total: minus(self.total, without.total),
                    positive: minus(self.positive, without.positive),
                    negative: minus(self.negative, without.negative),
                    position: None,
                    ..*self
                };
                if widened(difference.total, IMPLAUSIBLE.saturating_neg()) < Microsiemens::ZERO {
                    return Err(Reason::CircuitChanged);
                }
                Ok(difference.resolved().share(apart_s))
            }
        }
    }

    /// Whether there is a leak at all, and where.
    fn resolved(mut self) -> Self {
        let least = widened(self.total, COVERAGE.saturating_neg());
        if least <= Microsiemens::ZERO {
            self.kind = Kind::Open;
            return self;
        }
        let x = Ratio::of(self.positive.value.to_bits(), self.total.value.to_bits());
        self.position = x.map(|value| Measured {
            value,
            u: self.position_u(value),
        });
        self
    }

    /// `u²(x) = ((1 − x)²·u²(Gp) + x²·u²(Gn) − 2x(1 − x)·cov)/G²`.
    fn position_u(&self, x: Ratio) -> Ratio {
        // The doubled covariance is at most the product of both.
        let [total, up, un] = [self.total.u, self.positive.u, self.negative.u].map(|u| u.to_bits());
        let square = |u: i64| num::wide(u, u);
        let twice = square(total)
            .saturating_sub(square(up))
            .saturating_sub(square(un));
        let x = x.to_bits();
        let rest = num::ONE.saturating_sub(x);
        let of_rails = [num::mul(rest, up), num::mul(x, un)].map(square);
        // x(1 − x) with 31 fraction bits: the product stays within 128.
        let mixed = (num::mul(x, rest) >> 1) as i128;
        let common = (twice >> 31).saturating_mul(mixed);
        let sum = of_rails
            .into_iter()
            .fold(0i128, i128::saturating_add)
            .saturating_sub(common);
        let root = num::sqrt_wide(sum.max(0).unsigned_abs());
        let u = Ratio::of(root, self.total.value.to_bits());
        u.unwrap_or(Ratio::MAX).abs()
    }

    fn share(&self, apart_s: u32) -> Share {
        let (low, high) = match self.kind {
            Kind::Short => (self.total.value, Microsiemens::MAX),
            Kind::Figure | Kind::Open => (
                widened(self.total, COVERAGE.saturating_neg()),
                widened(self.total, COVERAGE),
            ),
        };
        Share {
            kind: self.kind,
            conductance: self.total,
            positive_conductance: self.positive,
            negative_conductance: self.negative,
            isolation: Ohms::of(self.total.value),
            isolation_interval: Interval {
                low: Ohms::of(high),
                high: Ohms::of(low),
            },
            position: self.position,
            apart_s,
        }
    }
}

/// The value so many standard uncertainties up.
const fn widened(of: Measured<Microsiemens>, times: i64) -> Microsiemens {
    let span = of.u.to_bits().saturating_mul(times);
    of.value.saturating_add(Microsiemens::from_bits(span))
}

/// Difference of independent figures.
fn minus(a: Measured<Microsiemens>, b: Measured<Microsiemens>) -> Measured<Microsiemens> {
    Measured {
        value: a.value.saturating_sub(b.value),
        u: Microsiemens::from_bits(num::hypot(&[a.u.to_bits(), b.u.to_bits()])),
    }
}

#[cfg(test)]
mod tests;
