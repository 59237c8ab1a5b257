//! A doubt that reaches an answer from outside.

use crate::num;
use crate::num::Saturating as _;
use crate::report::{Estimate, Interval, Kind};
use crate::units::{Measured, Microsiemens, Ohms, Ratio};

use super::COVERAGE;

impl Estimate {
    /// A rail that seems to feed the chassis shows by how much a reading is off at least, beyond noise and what is
    /// allowed for: a zero that has drifted, or a wave slower than the record. All conductances are in doubt by that.
    #[inline(never)]
    pub(crate) fn doubt_beyond_rails(&mut self) {
        let fed = |rail: &Measured<Microsiemens>| {
            let allowed = rail.u.to_bits().times(COVERAGE);
            rail.value.to_bits().plus(allowed).saturating_neg()
        };
        let off = fed(&self.positive_conductance).max(fed(&self.negative_conductance));
        if off > 0 {
            self.widen([Microsiemens::from_bits(off.times(COVERAGE)); 3]);
        }
    }

    /// Widens the intervals of G, Gp and Gn by `by` on either side, and what follows from them.
    /// A short has bounds alone, and keeps them.
    #[inline(never)]
    pub(crate) fn widen(&mut self, by: [Microsiemens; 3]) {
        if self.kind == Kind::Short {
            return;
        }
        let [total, positive, negative] = by;
        widen(&mut self.conductance, &mut self.isolation_interval, total);
        widen(
            &mut self.positive_conductance,
            &mut self.positive_interval,
            positive,
        );
        widen(
            &mut self.negative_conductance,
            &mut self.negative_interval,
            negative,
        );
        let [p, n] = [&self.positive_interval, &self.negative_interval];
        self.weakest_interval = Interval {
            low: p.low.min(n.low),
            high: p.high.min(n.high),
        };
        let rails = positive.max(negative);
        let by_current = half(rails).at(self.pack);
        self.touch_current.u = self.touch_current.u.saturating_add(by_current);
        if let Some(position) = &mut self.position {
            let moved = half(rails.max(total)).to_bits();
            let g = self.conductance.value.to_bits();
            let moved = num::ratio(moved, g);
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
    if by == Microsiemens::ZERO {
        return;
    }
    g.u = g.u.saturating_add(half(by));
    let [most, least] = [interval.low, interval.high].map(Microsiemens::of);
    if most < Microsiemens::MAX {
        interval.low = Ohms::of(most.saturating_add(by));
    }
    interval.high = Ohms::of(least.saturating_sub(by));
}

#[cfg(test)]
mod tests {
    use crate::test_reports::{estimate, nano};
    use crate::units::Ohms;

    /// Every interval reaches as far on either side as the doubt of its conductance says, and
    /// standard uncertainties grow by half of that.
    #[test]
    fn intervals_reach_as_far_as_the_doubt() {
        let sharp = estimate([400.0, 600.0], [4.0, 4.0]);
        let mut told = sharp;
        told.widen([100.0, 50.0, 0.0].map(nano));
        let near = |a: Ohms, b: f64| {
            let b = 1e9 / b;
            assert!(
                (a.get().to_num::<f64>() / b - 1.0).abs() < 1e-4,
                "{a:?} {b}"
            );
        };
        let u = 32f64.sqrt();
        near(told.isolation_interval.low, 1000.0 + 2.0 * u + 100.0);
        near(told.isolation_interval.high, 1000.0 - 2.0 * u - 100.0);
        near(told.positive_interval.low, 458.0);
        near(told.positive_interval.high, 342.0);
        assert_eq!(told.negative_interval, sharp.negative_interval);
        assert_eq!(told.weakest_interval, sharp.weakest_interval);
        assert_eq!(told.conductance.value, sharp.conductance.value);
        let apart = |a: f64| {
            let u = told.conductance.u.saturating_sub(sharp.conductance.u);
            (u.get().to_num::<f64>() * 1000.0 - a).abs() < 1e-3
        };
        assert!(apart(50.0));
        let x = |e: &crate::Estimate| e.position.expect("resolved").u.get().to_num::<f64>();
        assert!((x(&told) - x(&sharp) - 0.05).abs() < 1e-4);
    }

    /// A rail that is negative by ten of its standard uncertainties shows that something is off by eight of these at
    /// least; one that is negative by two of them shows nothing.
    #[test]
    fn a_rail_that_feeds_the_chassis_puts_all_in_doubt() {
        for (negative, beyond) in [(-8.0, 0.0), (-40.0, 32.0)] {
            for rails in [[600.0, negative], [negative, 600.0]] {
                let sharp = estimate(rails, [4.0; 2]);
                let mut told = sharp;
                told.doubt_beyond_rails();
                for (told, sharp) in [
                    (told.conductance, sharp.conductance),
                    (told.positive_conductance, sharp.positive_conductance),
                    (told.negative_conductance, sharp.negative_conductance),
                ] {
                    let more = told.u.saturating_sub(sharp.u).get().to_num::<f64>() * 1000.0;
                    assert!((more - beyond).abs() < 1e-3, "{rails:?} {more}");
                }
            }
        }
    }

    /// More than there is leaves no upper bound.
    #[test]
    fn a_doubt_as_large_as_the_leak_leaves_it_open_above() {
        let mut told = estimate([400.0, 600.0], [4.0, 4.0]);
        told.widen([1100.0; 3].map(nano));
        assert_eq!(told.isolation_interval.high, Ohms::MAX);
    }
}
