//! By how much an estimate misses the truth: each figure that is told with an interval, in half-widths of that.

use ohmsplit::units::{Measured, Microsiemens, Ohms};
use ohmsplit::{Estimate, Kind};

use crate::plant::LeakConductance;

/// Half-widths of a 95 % interval by which it may miss before it deceives.
pub(crate) const DECEIVED: f64 = 3.0;

/// Standard uncertainties in half of a 95 % interval.
const COVERAGE: f64 = 1.96;

/// A figure, in a word, and by how many half-widths it misses.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Miss {
    pub(crate) figure: &'static str,
    pub(crate) half_widths: f64,
}

impl Miss {
    /// Of G, where the truth lies between two conductances in siemens. A short has a least G only, which may lie above
    /// the truth.
    pub(crate) fn of_conductance(estimate: &Estimate, [least, most]: [f64; 2]) -> Self {
        let [g, u] = siemens(&estimate.conductance);
        let above = (g - most).max(0.0);
        let below = if estimate.kind == Kind::Short {
            0.0
        } else {
            (least - g).max(0.0)
        };
        Self {
            figure: "conductance",
            half_widths: above.max(below) / (COVERAGE * u),
        }
    }

    /// Of the figure that misses by most, with a leak and a capacitance in farads: G, its parts to the rails, R and that
    /// of the weaker rail where they have an upper bound, x, and C.
    pub(crate) fn worst(estimate: &Estimate, leak: &LeakConductance, farads: f64) -> Self {
        let (plus, minus) = (leak.positive, leak.negative);
        let g = plus + minus;
        let mut worst = Self::of_conductance(estimate, [g; 2]);
        let mut take = |figure, half_widths: f64| {
            if half_widths > worst.half_widths {
                worst = Self {
                    figure,
                    half_widths,
                };
            }
        };
        let gaussian = |[value, u]: [f64; 2], truth: f64| (value - truth).abs() / (COVERAGE * u);
        let rails = [
            ("positive_conductance", &estimate.positive_conductance, plus),
            (
                "negative_conductance",
                &estimate.negative_conductance,
                minus,
            ),
        ];
        for (figure, told, truth) in rails {
            if told.u != Microsiemens::MAX {
                take(figure, gaussian(siemens(told), truth));
            }
        }
        for (figure, told, truth) in [
            ("isolation", &estimate.isolation_interval, g),
            ("weakest", &estimate.weakest_interval, plus.max(minus)),
        ] {
            if told.high != Ohms::MAX && truth > 0.0 {
                let [low, high] = [told.low, told.high].map(|ohm| ohm.get().to_num::<f64>());
                let (middle, half) = ((low + high) / 2.0, (high - low) / 2.0);
                take(
                    figure,
                    (1.0 / truth - middle).abs() / half.max(RESOLUTION_OHM),
                );
            }
        }
        if let (Some(told), true) = (&estimate.position, g > 0.0) {
            let told = [told.value, told.u].map(|x| x.get().to_num::<f64>());
            take("position", gaussian(told, plus / g));
        }
        if let Some(told) = &estimate.capacitance {
            let told = [told.value, told.u].map(|c| c.get().to_num::<f64>() * 1e-6);
            take("capacitance", gaussian(told, farads));
        }
        worst
    }
}

/// Half of the steps in which a resistance of a few ohms is told.
const RESOLUTION_OHM: f64 = 1e-3;

fn siemens(told: &Measured<Microsiemens>) -> [f64; 2] {
    [told.value, told.u].map(|g| g.get().to_num::<f64>() * 1e-6)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::document::Document;
    use crate::scenario::Scenario;
    use crate::simulate;

    /// The last estimate of a car that is measured for 20 s.
    fn estimate() -> Estimate {
        let noise = "[disturbance]\nnoise_chassis_V = 0.01\nnoise_pack_V = 0.01\n";
        let text = crate::test_car::scenario_with(&[]) + noise;
        let scenario = Scenario::parse(&Document::embedded("car", &text)).expect("sound");
        let mut last = None;
        let take = |event: &crate::rig::Event| last = event.report.estimate.ok().or(last);
        simulate::run(&scenario, |_| (), take).expect("a run");
        last.expect("an estimate")
    }

    fn leak([plus, minus]: [f64; 2]) -> LeakConductance {
        LeakConductance {
            positive: plus,
            negative: minus,
        }
    }

    /// A truth that differs from what is told in one figure, by so many half-widths.
    #[test]
    fn the_figure_that_misses_by_most_is_named() {
        let told = estimate();
        let rails = [told.positive_conductance, told.negative_conductance].map(|g| siemens(&g));
        let [plus, minus] = rails.map(|[value, _]| value);
        let c = told.capacitance.expect("C").value.get().to_num::<f64>() * 1e-6;
        let c_u = told.capacitance.expect("C").u.get().to_num::<f64>() * 1e-6;
        let exact = Miss::worst(&told, &leak([plus, minus]), c);
        assert!(exact.half_widths < 0.05, "{exact:?}");
        let other = Miss::worst(&told, &leak([plus, minus]), c + 5.0 * COVERAGE * c_u);
        assert_eq!(other.figure, "capacitance");
        assert!((other.half_widths - 5.0).abs() < 1e-3, "{other:?}");
        // What one rail gains the other loses: G is as told.
        let [least, most] = if rails[0][1] < rails[1][1] {
            [0, 1]
        } else {
            [1, 0]
        };
        let by = 40.0 * COVERAGE * rails[least][1];
        let mut moved = [plus, minus];
        moved[least] += by;
        moved[most] -= by;
        let miss = Miss::worst(&told, &leak(moved), c);
        assert!(miss.half_widths > 39.9, "{miss:?}");
        assert!(
            ["positive_conductance", "negative_conductance", "position"].contains(&miss.figure),
            "{miss:?}"
        );
        let g = plus + minus;
        assert!(Miss::of_conductance(&told, [g; 2]).half_widths < 1e-3);
        let u = siemens(&told.conductance)[1];
        for range in [[g + 4.0 * COVERAGE * u, 1.0], [0.0, g - 4.0 * COVERAGE * u]] {
            let miss = Miss::of_conductance(&told, range).half_widths;
            assert!((miss - 4.0).abs() < 1e-2, "{miss}");
        }
    }

    /// Of a short only a least G is told, and no upper end of R that would miss.
    #[test]
    fn a_least_conductance_misses_only_what_is_smaller() {
        let mut told = estimate();
        told.kind = Kind::Short;
        let g = siemens(&told.conductance)[0];
        assert_eq!(Miss::of_conductance(&told, [10.0 * g; 2]).half_widths, 0.0);
        assert!(Miss::of_conductance(&told, [0.1 * g; 2]).half_widths > 3.0);
    }
}
