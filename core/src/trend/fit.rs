//! The line: ranks among slopes and among levels, each found by bisection.
//!
//! The value of rank k is the smallest candidate that at least k slopes do not
//! exceed. `(y_j − y_i)/(t_j − t_i) ≤ s` is asked as `y_j − y_i ≤ s·(t_j − t_i)`,
//! so that a pass over all pairs multiplies and compares only.

use super::{POINT_FRAC, POINTS, Point};
use crate::num::FRAC;

type Points = heapless::Deque<Point, POINTS>;

/// Beyond any slope or level: |ln R| is below 2⁷, with 32 fraction bits.
const BEYOND: i64 = 1 << 40;

/// A line of each slope: middle, and the ends of its 95 % interval.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Line {
    /// ln R a span, 32 fraction bits.
    pub(super) slopes: [i64; 3],
    /// ln R at the middle of the newest span, 32 fraction bits.
    pub(super) levels: [i64; 3],
}

/// What is ranked.
#[derive(Debug, Clone, Copy)]
enum Of {
    Slopes,
    /// Levels at the newest point for a slope.
    Levels(i64),
}

/// The search for the value of one rank.
#[derive(Debug, Clone, Copy)]
struct Search {
    of: Of,
    rank: u32,
    /// Fewer than `rank` are at or below this one,
    below: i64,
    /// and at least `rank` at or below this one.
    reached: i64,
}

/// The fit under way: one search after the other.
#[derive(Debug, Clone)]
pub(super) struct Fit {
    line: Line,
    /// Figures done, of slopes then levels.
    done: usize,
    search: Search,
    /// The lower of the two middle values, once it is found.
    lower: Option<i64>,
    points: u32,
}

impl Fit {
    /// A fit to so many points.
    pub(super) fn new(points: usize) -> Self {
        let points = u32::try_from(points).unwrap_or(0);
        let pairs = pairs(points);
        Self {
            line: Line {
                slopes: [0; 3],
                levels: [0; 3],
            },
            done: 0,
            search: Search::new(Of::Slopes, lower_middle(pairs)),
            lower: None,
            points,
        }
    }

    /// One pass over the points; the line when it was the last.
    pub(super) fn step(&mut self, points: &Points) -> Option<Line> {
        let found = self.search.step(points)?;
        let value = match (self.two_middles(), self.lower.take()) {
            (true, None) => {
                self.lower = Some(found);
                let rank = self.search.rank.saturating_add(1);
                self.search = Search::new(self.search.of, rank);
                return None;
            }
            (true, Some(lower)) => lower.saturating_add(found) >> 1,
            (false, _) => found,
        };
        let mut figures = self.line.slopes.iter_mut().chain(&mut self.line.levels);
        if let Some(figure) = figures.nth(self.done) {
            *figure = value;
        }
        self.done = self.done.saturating_add(1);
        match self.next() {
            Some(search) => {
                self.search = search;
                None
            }
            None => Some(self.line),
        }
    }

    /// A median of an even number: the mean of the two in the middle.
    const fn two_middles(&self) -> bool {
        match self.done {
            0 => pairs(self.points).is_multiple_of(2),
            1 | 2 => false,
            _ => self.points.is_multiple_of(2),
        }
    }

    fn next(&self) -> Option<Search> {
        let all = pairs(self.points);
        let least = end_rank(self.points);
        let [middle, low, high] = self.line.slopes;
        let level = |slope| Search::new(Of::Levels(slope), lower_middle(self.points));
        Some(match self.done {
            1 => Search::new(Of::Slopes, least),
            2 => Search::new(Of::Slopes, all.saturating_add(1).saturating_sub(least)),
            3 => level(middle),
            4 => level(low),
            5 => level(high),
            _ => return None,
        })
    }
}

impl Search {
    const fn new(of: Of, rank: u32) -> Self {
        Self {
            of,
            rank,
            below: BEYOND.wrapping_neg(),
            reached: BEYOND,
        }
    }

    /// Halves the range in which the value lies; the value when it is one step wide.
    fn step(&mut self, points: &Points) -> Option<i64> {
        // Both ends are within ±2^40.
        let middle = self.below.saturating_add(self.reached) >> 1;
        let count = match self.of {
            Of::Slopes => slopes_up_to(points, middle),
            Of::Levels(slope) => levels_up_to(points, slope, middle),
        };
        if count >= self.rank {
            self.reached = middle;
        } else {
            self.below = middle;
        }
        (self.reached.saturating_sub(self.below) <= 1).then_some(self.reached)
    }
}

/// Slopes between pairs of points that are at most `slope`.
fn slopes_up_to(points: &Points, slope: i64) -> u32 {
    let mut count = 0u32;
    for (place, later) in points.iter().enumerate() {
        for earlier in points.iter().take(place) {
            // Spans are at most 128 apart: the product stays below 2^48.
            let apart = i64::from(later.span.wrapping_sub(earlier.span));
            let rise = value(later).saturating_sub(value(earlier));
            if rise <= slope.saturating_mul(apart) {
                count = count.saturating_add(1);
            }
        }
    }
    count
}

/// Points whose level, carried to the newest with `slope`, is at most `level`.
fn levels_up_to(points: &Points, slope: i64, level: i64) -> u32 {
    let newest = points.back().map_or(0, |point| point.span);
    let up_to = points.iter().filter(|point| {
        let ahead = i64::from(newest.wrapping_sub(point.span));
        value(point).saturating_add(slope.saturating_mul(ahead)) <= level
    });
    u32::try_from(up_to.count()).unwrap_or(u32::MAX)
}

const fn value(point: &Point) -> i64 {
    (point.ln_r as i64) << (FRAC - POINT_FRAC)
}

const fn pairs(points: u32) -> u32 {
    points.saturating_mul(points.saturating_sub(1)) >> 1
}

const fn lower_middle(count: u32) -> u32 {
    count.saturating_add(1) >> 1
}

/// Rank of the lower end of the slope's interval, rounded outwards.
fn end_rank(points: u32) -> u32 {
    let pairs = pairs(points);
    // 4·n(n − 1)(2n + 5)/18 = 4·pairs·(2n + 5)/9
    let factor = points.saturating_mul(2).saturating_add(5);
    let square = pairs.saturating_mul(4).saturating_mul(factor).div_ceil(9);
    let span = square.isqrt().saturating_add(1);
    (pairs.saturating_sub(span) >> 1).max(1)
}
