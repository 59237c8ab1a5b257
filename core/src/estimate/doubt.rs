//! A doubt that reaches an answer from outside.

use crate::num;
use crate::num::Saturating as _;
use crate::report::{Estimate, Interval, Kind};
use crate::units::{Measured, Microsiemens, Ohms, Ratio};

use super::COVERAGE;

impl Estimate {
    /// Widens the intervals of G, Gp and Gn by `by` on either side, and what follows from them.
    /// A short has bounds alone, and keeps them.
    #[inline(never)]
    pub(crate) fn widen(&mut self, by: [Microsiemens; 3]) {
        if self.kind == Kind::Short {
            return;
        }
        let [total, positive, negative] = by;
        widen(&mut self.conductance, &mut self.isolation_interval, total);
        let rail = (&mut self.positive_conductance, &mut self.positive_interval);
        widen(rail.0, rail.1, positive);
        let rail = (&mut self.negative_conductance, &mut self.negative_interval);
        widen(rail.0, rail.1, negative);
        let ends = [&self.positive_interval, &self.negative_interval];
        let [p, n] = ends;
        self.weakest_interval = Interval {
            low: p.low.min(n.low),
            high: p.high.min(n.high),
        };
        let rails = positive.max(negative);
        let current = self
            .touch_current
            .u
            .saturating_add(half(rails).at(self.pack));
        self.touch_current.u = current;
        if let Some(position) = &mut self.position {
            let moved = half(rails.max(total)).to_bits();
            let g = self.conductance.value.to_bits();
            let moved = num::ratio(moved, g, num::FRAC as i32);
            position.u = Ratio::from_bits(position.u.to_bits().plus(moved));
        }
    }
}

/// A standard uncertainty is half of what an interval spans on one side.
fn half(by: Microsiemens) -> Microsiemens {
    Microsiemens::from_bits(by.to_bits() / COVERAGE)
}

#[inline(never)]
fn widen(g: &mut Measured<Microsiemens>, interval: &mut Interval<Ohms>, by: Microsiemens) {
    g.u = g.u.saturating_add(half(by));
    let [most, least] = [interval.low, interval.high].map(Microsiemens::of);
    if most < Microsiemens::MAX {
        interval.low = Ohms::of(most.saturating_add(by));
    }
    interval.high = Ohms::of(least.saturating_sub(by));
}
