//! The leak over time.

use crate::scenario::Leak;

/// Equal steps that a gradual change is made of. Between two of them the
/// circuit is constant, which its exact solution needs; a step is a thousandth
/// of the change in conductance.
const RAMP_STEPS: u32 = 1000;

/// A resistance of 0 Ω is taken as this.
const SHORT_OHM: f64 = 1e-3;

/// The leak's conductances from the chassis to the rails, in siemens.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct LeakConductance {
    /// Gp, to the positive rail.
    pub positive: f64,
    /// Gn, to the negative rail.
    pub negative: f64,
}

impl LeakConductance {
    /// What a leak entry comes to. `G = 1/Rp + 1/Rn`, or `Gp = x/R` and
    /// `Gn = (1 - x)/R` for a leak from inside the stack: the chassis cannot
    /// tell the two apart (Thévenin).
    #[must_use]
    pub fn of(leak: &Leak) -> Self {
        let siemens = |ohm: Option<f64>| ohm.map_or(0.0, |ohm| 1.0 / ohm.max(SHORT_OHM));
        let inside = siemens(leak.resistance_ohm);
        let position = leak.position.unwrap_or(0.0);
        Self {
            positive: siemens(leak.positive_ohm) + inside * position,
            negative: siemens(leak.negative_ohm) + inside * (1.0 - position),
        }
    }

    /// R_iso in ohms, both rails in parallel; infinite without a leak.
    #[must_use]
    pub fn isolation_ohm(&self) -> f64 {
        1.0 / (self.positive + self.negative)
    }

    /// min(Rp, Rn) in ohms, the weakest rail; infinite without a leak.
    #[must_use]
    pub fn weakest_ohm(&self) -> f64 {
        1.0 / self.positive.max(self.negative)
    }

    /// Position x in the stack, 0 at the negative rail; `None` without a leak.
    #[must_use]
    pub fn position(&self) -> Option<f64> {
        let total = self.positive + self.negative;
        (total > 0.0).then(|| self.positive / total)
    }

    fn towards(&self, other: &Self, part: f64) -> Self {
        Self {
            positive: self.positive + (other.positive - self.positive) * part,
            negative: self.negative + (other.negative - self.negative) * part,
        }
    }
}

/// The leak from a time on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LeakStage {
    /// From when on, in seconds.
    pub from_s: f64,
    /// The leak from then on.
    pub leak: LeakConductance,
}

/// The stages of a run, the first at 0 s, in order of time.
#[must_use]
pub fn stages(leaks: &[Leak]) -> Vec<LeakStage> {
    let mut last = LeakConductance::default();
    let mut stages = vec![LeakStage {
        from_s: 0.0,
        leak: last,
    }];
    for entry in leaks {
        let target = LeakConductance::of(entry);
        let ramp = entry.ramp_s.unwrap_or(0.0);
        if ramp > 0.0 {
            stages.extend((0..RAMP_STEPS).map(|step| {
                let steps = f64::from(RAMP_STEPS);
                LeakStage {
                    from_s: entry.from_s + ramp * f64::from(step) / steps,
                    leak: last.towards(&target, (f64::from(step) + 0.5) / steps),
                }
            }));
        }
        stages.push(LeakStage {
            from_s: entry.from_s + ramp,
            leak: target,
        });
        last = target;
    }
    // Of stages at the same time the last holds.
    stages.dedup_by(|later, earlier| {
        let same = later.from_s == earlier.from_s;
        if same {
            earlier.leak = later.leak;
        }
        same
    });
    stages
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_leak_from_inside_the_stack_splits_between_the_rails() {
        let leak = LeakConductance::of(&Leak::at(1e6, 0.3));
        assert!((leak.positive - 0.3e-6).abs() < 1e-18);
        assert!((leak.negative - 0.7e-6).abs() < 1e-18);
        assert!((leak.isolation_ohm() - 1e6).abs() < 1e-6);
        assert!((leak.weakest_ohm() - 1e6 / 0.7).abs() < 1e-6);
        assert_eq!(leak.position(), Some(0.3));
    }

    #[test]
    fn no_leak_is_infinite_and_nowhere_and_a_short_is_finite() {
        let none = LeakConductance::of(&Leak::at(f64::INFINITY, 0.3));
        assert_eq!(none.isolation_ohm(), f64::INFINITY);
        assert_eq!(none.weakest_ohm(), f64::INFINITY);
        assert_eq!(none.position(), None);
        assert_eq!(
            LeakConductance::of(&Leak::at(0.0, 0.3)).isolation_ohm(),
            1e-3
        );
    }

    #[test]
    fn a_ramp_ends_at_the_leak_and_keeps_the_mean_of_a_straight_line() {
        let leaks = [
            Leak::at(1e6, 0.0),
            Leak {
                from_s: 10.0,
                ramp_s: Some(5.0),
                ..Leak::at(1e5, 1.0)
            },
        ];
        let stages = stages(&leaks);
        assert_eq!(stages[0].leak, LeakConductance::of(&leaks[0]));
        let last = stages.last().expect("stages");
        assert_eq!((last.from_s, last.leak.positive), (15.0, 1e-5));
        let area: f64 = stages[1..]
            .windows(2)
            .map(|pair| pair[0].leak.positive * (pair[1].from_s - pair[0].from_s))
            .sum();
        assert!((area - 0.5 * 1e-5 * 5.0).abs() < 1e-16, "{area}");
    }
}
