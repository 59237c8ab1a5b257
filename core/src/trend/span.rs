//! One span of time: the first estimate in each of its parts, and their median.

use super::Point;

/// Parts of a span, each of which gives at most one value.
const PARTS: usize = 24;

/// A span that is not over.
#[derive(Debug, Clone)]
pub(super) struct Span {
    pub(super) number: u32,
    /// The part that gave a value last.
    part: Option<u32>,
    values: heapless::Vec<i32, PARTS>,
}

impl Span {
    pub(super) const fn new(number: u32) -> Self {
        Self {
            number,
            part: None,
            values: heapless::Vec::new(),
        }
    }

    /// A value at `within_s` from the start of a span of `span_s`.
    pub(super) fn take(&mut self, within_s: u32, span_s: u32, value: i32) {
        let scaled = u64::from(within_s).saturating_mul(PARTS as u64);
        let part = scaled.checked_div(u64::from(span_s)).unwrap_or(0);
        let part = Some(u32::try_from(part).unwrap_or(u32::MAX));
        if self.part < part && self.values.push(value).is_ok() {
            self.part = part;
        }
    }

    /// The median of the values; `None` without any.
    pub(super) fn middle(&self) -> Option<Point> {
        let count = self.values.len();
        let low = self.ranked(count.saturating_add(1) >> 1)?;
        let high = self.ranked((count >> 1).saturating_add(1))?;
        let sum = i64::from(low).saturating_add(i64::from(high));
        Some(Point {
            span: self.number,
            ln_r: i32::try_from(sum >> 1).ok()?,
        })
    }

    /// The value of a rank, counted from 1.
    fn ranked(&self, rank: usize) -> Option<i32> {
        let values = &self.values;
        values.iter().copied().find(|&candidate| {
            let below = values.iter().filter(|&&value| value < candidate).count();
            let up_to = values.iter().filter(|&&value| value <= candidate).count();
            below < rank && rank <= up_to
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn the_middle_is_the_median(values in prop::collection::vec(-1000i32..1000, 1..=PARTS)) {
            let mut span = Span::new(3);
            for (part, &value) in (0u32..).zip(&values) {
                span.take(part * 10, 240, value);
                // Later in the same part: does not count.
                span.take(part * 10 + 5, 240, 99_999);
            }
            let mut sorted = values.clone();
            sorted.sort_unstable();
            let n = sorted.len();
            let median = (sorted[(n - 1) / 2] + sorted[n / 2]).div_euclid(2);
            prop_assert_eq!(span.middle(), Some(Point { span: 3, ln_r: median }));
        }
    }
}
