//! Slow decline of isolation, as by moisture, and when it reaches the warning
//! limit.
//!
//! ln G of the judged figure is taken over spans of time, by default days: the
//! median of up to 24 estimates spread over a span is one point, and a line is
//! laid through the newest 32 points. So a trend in ln R is a part per day,
//! whatever the resistance.
//!
//! * slope: the median of the slopes between all pairs of points (Theil 1950,
//!   Sen 1968). Up to 29 % of the points may be anything at all (breakdown
//!   point 1 − 1/√2, Rousseeuw and Leroy 1987; from memory, not verified).
//! * its 95 % interval: the slopes of rank M and N + 1 − M among all N,
//!   `M = (N − C)/2`, `C = 2·√(n(n − 1)(2n + 5)/18)`: two standard deviations
//!   of Kendall's statistic for n points (Sen 1968). It needs errors that are
//!   independent from point to point: weather that lasts for days makes it too
//!   narrow. Spans of whole days take the daily cycle of temperature out.
//! * level: for a slope s, the median of `y − s·t`. The time to the limit is that
//!   of the lines with the slope and with the ends of its interval.
//!
//! An estimate counts when the standard uncertainty of the judged conductance
//! is at most a quarter of it: what is only bounded has no logarithm. A battery
//! whose leak is not resolved therefore has no points, hence no trend.
//!
//! Memory is fixed, no point is sorted, nothing is divided in the search: the
//! value of a rank is found by bisection, one pass a step.

mod fit;
mod span;

use crate::config::{Judged, Limits};
use crate::num;
use crate::report::{Estimate, Interval, Kind, Report};
use crate::units::{Measured, Microsiemens, Ratio, Seconds};
use fit::{Fit, Line};
use span::Span;

/// Points that a line is laid through.
pub const POINTS: usize = 32;

/// Fewest points for a line.
pub const POINTS_MIN: usize = 6;

/// Spans before the newest point beyond which a point is forgotten.
const REACH: u32 = 128;

const DAY_S: i128 = 86_400;

/// Fraction bits of a point's logarithm.
pub(crate) const POINT_FRAC: u32 = 24;

/// The middle of what one span held.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Point {
    /// Number of the span: its start in seconds over its length.
    pub span: u32,
    /// `−ln(G/µS) = ln(R/MΩ)` of the judged figure, times 2²⁴.
    pub ln_r: i32,
}

/// A slope of ln R: part per day, less than zero when isolation declines.
pub type Slope = (Ratio, Interval<Ratio>);

/// How isolation develops.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Course {
    /// Fewer than [`POINTS_MIN`] spans had an estimate that counts.
    TooFewSpans,
    /// No trend: the interval of the slope holds zero.
    NoTrend(Slope),
    /// Isolation gets better.
    Rising(Slope),
    /// Isolation declines; the warning limit is reached in this time if it
    /// goes on so, with its 95 % interval. Zero: it is reached already.
    Falling(Slope, (Seconds, Interval<Seconds>)),
}

/// Watches the isolation over days. Owned by the background task.
#[derive(Debug, Clone)]
pub struct Trend {
    span_s: u32,
    limit: i32,
    open: Option<Span>,
    /// Oldest first.
    points: heapless::Deque<Point, POINTS>,
    fit: Option<Fit>,
    line: Option<Line>,
}

impl Trend {
    /// Nothing is known. `span_s` is the length of a span in seconds, by custom
    /// a day, 86,400; it is taken to be at least a minute.
    #[must_use]
    pub fn new(limits: &Limits, span_s: u32) -> Self {
        let warning = Microsiemens::of(limits.resistance(limits.warning_ohm_per_volt));
        Self {
            span_s: span_s.max(60),
            limit: ln_r(warning),
            open: None,
            points: heapless::Deque::new(),
            fit: None,
            line: None,
        }
    }

    /// Takes a report, at `now_s` of a clock in whole seconds that goes on
    /// through resets. Returns the point of a span that is over: keep it, see
    /// [`Trend::restore`]. A clock that went back starts everything anew.
    pub fn take(&mut self, now_s: u32, report: &Report) -> Option<Point> {
        let estimate = report.estimate.as_ref().ok()?;
        let ln_r = usable(report.judged, estimate)?;
        let number = now_s.checked_div(self.span_s)?;
        if self.open.as_ref().is_some_and(|open| open.number > number) {
            self.forget();
        }
        let over = self.open.as_ref().filter(|open| open.number < number);
        let done = over.and_then(Span::middle);
        if let Some(point) = done {
            self.restore(point);
        }
        let within_s = now_s.checked_rem(self.span_s)?;
        let open = match &mut self.open {
            Some(open) if open.number == number => open,
            other => other.insert(Span::new(number)),
        };
        open.take(within_s, self.span_s, ln_r);
        done
    }

    /// Takes a point again that was kept, oldest first, as after a reset.
    pub fn restore(&mut self, point: Point) {
        while self
            .points
            .back()
            .is_some_and(|last| last.span >= point.span)
        {
            self.points.pop_back();
        }
        while self.points.is_full()
            || self
                .points
                .front()
                .is_some_and(|first| point.span.wrapping_sub(first.span) > REACH)
        {
            self.points.pop_front();
        }
        // There is room now.
        let _ = self.points.push_back(point);
        self.line = None;
        self.fit = (self.points.len() >= POINTS_MIN).then(|| Fit::new(self.points.len()));
    }

    /// Points that are known, at most [`POINTS`].
    #[must_use]
    pub fn points(&self) -> usize {
        self.points.len()
    }

    fn forget(&mut self) {
        self.open = None;
        self.points.clear();
        self.fit = None;
        self.line = None;
    }

    /// One bounded slice of work; true when more is waiting.
    pub fn step(&mut self) -> bool {
        let Some(fit) = self.fit.as_mut() else {
            return false;
        };
        if let Some(line) = fit.step(&self.points) {
            self.line = Some(line);
            self.fit = None;
        }
        self.fit.is_some()
    }

    /// How isolation develops, as it is known at `now_s`: [`Course::TooFewSpans`]
    /// also while the steps after a new point are not done.
    #[must_use]
    pub fn course(&self, now_s: u32) -> Course {
        let (Some(line), Some(last)) = (&self.line, self.points.back()) else {
            return Course::TooFewSpans;
        };
        let [middle, low, high] = line.slopes.map(|slope| self.per_day(slope));
        let slope = (middle, Interval { low, high });
        if low > Ratio::ZERO {
            return Course::Rising(slope);
        }
        if high >= Ratio::ZERO {
            return Course::NoTrend(slope);
        }
        // Half spans from the middle of the newest span to now.
        let span_s = i64::from(self.span_s);
        let middle_s = i64::from(last.span)
            .saturating_mul(span_s)
            .saturating_add(span_s >> 1);
        let since_s = i64::from(now_s).saturating_sub(middle_s);
        let reach = |place: usize| self.reach(line, place, since_s);
        let low = reach(1);
        let high = reach(2);
        let time = (
            reach(0),
            Interval {
                low: low.min(high),
                high: low.max(high),
            },
        );
        Course::Falling(slope, time)
    }

    /// A slope of 32 fraction bits a span, in parts a day.
    fn per_day(&self, slope: i64) -> Ratio {
        let day = i128::from(slope).saturating_mul(DAY_S);
        Ratio::from_bits(num::quotient(day, i128::from(self.span_s), 0))
    }

    /// Time from now until a line reaches the limit.
    fn reach(&self, line: &Line, place: usize, since_s: i64) -> Seconds {
        let (Some(&slope), Some(&level)) = (line.slopes.get(place), line.levels.get(place)) else {
            return Seconds::MAX;
        };
        let room = level.saturating_sub(i64::from(self.limit) << (num::FRAC - POINT_FRAC));
        let spans = i128::from(room.max(0)).saturating_mul(i128::from(self.span_s));
        let from_middle = num::quotient(spans, i128::from(slope.saturating_neg()), 32);
        let since = num::narrow(i128::from(since_s) << num::FRAC);
        Seconds::from_bits(from_middle.saturating_sub(since).max(0))
    }
}

/// The logarithm of the judged figure, when it is known well enough.
fn usable(judged: Judged, estimate: &Estimate) -> Option<i32> {
    if estimate.kind != Kind::Figure {
        return None;
    }
    let g: &Measured<Microsiemens> = match judged {
        Judged::BothInParallel => &estimate.conductance,
        Judged::WeakestRail => {
            let [p, n] = [
                &estimate.positive_conductance,
                &estimate.negative_conductance,
            ];
            if p.value > n.value { p } else { n }
        }
    };
    let known =
        g.value > Microsiemens::ZERO && g.u.to_bits().saturating_mul(4) <= g.value.to_bits();
    known.then(|| ln_r(g.value))
}

/// `ln(R/MΩ)` with 24 fraction bits: between −22 and 23.
fn ln_r(g: Microsiemens) -> i32 {
    let bits = num::neg_ln(g.to_bits()) >> (num::FRAC - POINT_FRAC);
    i32::try_from(bits).unwrap_or(i32::MAX)
}

#[cfg(test)]
mod tests;
