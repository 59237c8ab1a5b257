//! Scales and ticks of the drawings.

/// Maps a range of values onto a length.
#[derive(Debug, Clone, Copy)]
pub(super) struct Scale {
    from: f64,
    to: f64,
    start: f64,
    end: f64,
    log: bool,
}

impl Scale {
    /// `from` is drawn at `start`, `to` at `end`.
    pub(super) const fn linear([from, to]: [f64; 2], [start, end]: [f64; 2]) -> Self {
        Self {
            from,
            to,
            start,
            end,
            log: false,
        }
    }

    /// The same in decades.
    pub(super) fn log([from, to]: [f64; 2], [start, end]: [f64; 2]) -> Self {
        Self {
            from: from.log10(),
            to: to.log10(),
            start,
            end,
            log: true,
        }
    }

    /// Where a value is drawn; at the end of the scale when it lies beyond.
    pub(super) fn at(&self, value: f64) -> f64 {
        let value = if self.log { value.log10() } else { value };
        let part = (value - self.from) / (self.to - self.from);
        // Not a number, as from a range of no width, is drawn at the start.
        let part = if part >= 0.0 { part.min(1.0) } else { 0.0 };
        self.start + part * (self.end - self.start)
    }
}

/// Round values from `from` to `to`, at most about so many, and the decimals
/// that tell them apart.
pub(super) fn ticks([from, to]: [f64; 2], most: f64) -> (Vec<f64>, usize) {
    let rough = ((to - from) / most).max(1e-12);
    let decade = 10f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|factor| factor * decade)
        .find(|step| *step >= rough * 0.999)
        .unwrap_or(decade);
    let decimals = (-step.log10().floor()).max(0.0) as usize;
    let first = (from / step - 1e-9).ceil() as i64;
    let last = (to / step + 1e-9).floor() as i64;
    let values = (first..=last).take(200).map(|n| n as f64 * step).collect();
    (values, decimals)
}

/// Whole decades from the one below `low` to the one above `high`.
pub(super) fn decades(low: f64, high: f64) -> [f64; 2] {
    [low.log10().floor(), high.log10().ceil()].map(|log| 10f64.powf(log))
}

/// The powers of ten in a range.
pub(super) fn powers([from, to]: [f64; 2]) -> impl Iterator<Item = f64> {
    (from.log10().round() as i32..=to.log10().round() as i32).map(|n| 10f64.powi(n))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_inside() {
        assert_eq!(
            ticks([0.0, 60.0], 10.0),
            (vec![0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0], 0)
        );
        let (values, decimals) = ticks([0.31, 0.52], 5.0);
        assert_eq!((values.len(), decimals), (4, 2));
        assert!(
            values.iter().all(|v| (0.31..=0.52).contains(v)),
            "{values:?}"
        );
        // Nothing to divide.
        assert!(ticks([5.0, 5.0], 5.0).0.len() <= 200);
    }

    #[test]
    fn what_lies_beyond_a_scale_is_drawn_at_its_end() {
        let scale = Scale::log([1e3, 1e7], [100.0, 0.0]);
        assert!((scale.at(1e5) - 50.0).abs() < 1e-9);
        for (value, y) in [
            (0.0, 100.0),
            (-1.0, 100.0),
            (f64::NAN, 100.0),
            (f64::INFINITY, 0.0),
        ] {
            assert_eq!(scale.at(value), y, "{value}");
        }
        assert_eq!(decades(2e3, 9e6), [1e3, 1e7]);
        assert_eq!(powers([1e3, 1e5]).collect::<Vec<_>>(), [1e3, 1e4, 1e5]);
    }
}
