//! Keeps what a page can show of a run of any length.

use ohmsplit::Verdict;

use crate::output::verdict_word;

/// Items kept evenly: every so many, an odd number of them, so that drive
/// states that take turns are all seen. The newest is always kept.
#[derive(Debug, Clone)]
pub(super) struct Thinned<T> {
    kept: Vec<T>,
    newest: Option<T>,
    most: usize,
    every: u64,
    seen: u64,
}

impl<T: Copy> Thinned<T> {
    pub(super) const fn new(most: usize) -> Self {
        Self {
            kept: Vec::new(),
            newest: None,
            most,
            every: 1,
            seen: 0,
        }
    }

    pub(super) fn push(&mut self, item: T) {
        if self.seen.is_multiple_of(self.every) {
            self.kept.push(item);
            self.newest = None;
        } else {
            self.newest = Some(item);
        }
        self.seen += 1;
        if self.kept.len() > self.most {
            self.newest = self.newest.or_else(|| self.kept.last().copied());
            self.kept = self.kept.iter().copied().step_by(3).collect();
            self.every *= 3;
        }
    }

    pub(super) fn iter(&self) -> impl Iterator<Item = &T> {
        self.kept.iter().chain(&self.newest)
    }

    /// How many came.
    pub(super) const fn seen(&self) -> u64 {
        self.seen
    }

    /// One of how many is kept.
    pub(super) const fn every(&self) -> u64 {
        self.every
    }
}

/// A stretch of one verdict.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Stretch {
    pub(super) from_s: f64,
    pub(super) verdict: Verdict,
}

/// Most stretches kept; beyond, the shortest joins the graver of its neighbours.
const STRETCHES: usize = 240;

/// The verdict over time.
#[derive(Debug, Clone, Default)]
pub(super) struct Stretches {
    kept: Vec<Stretch>,
    /// Stretches that were too short to be kept.
    pub(super) joined: u64,
}

impl Stretches {
    pub(super) fn push(&mut self, time_s: f64, verdict: Verdict) {
        let same = |last: &Stretch| verdict_word(last.verdict) == verdict_word(verdict);
        if self.kept.last().is_some_and(same) {
            return;
        }
        self.kept.push(Stretch {
            from_s: time_s,
            verdict,
        });
        if self.kept.len() > STRETCHES {
            self.join();
        }
    }

    pub(super) fn iter(&self) -> impl Iterator<Item = &Stretch> {
        self.kept.iter()
    }

    /// Joins the shortest stretch and the one after it into the graver of both.
    fn join(&mut self) {
        let length = |pair: &[Stretch]| pair[1].from_s - pair[0].from_s;
        let shortest = self
            .kept
            .windows(2)
            .enumerate()
            .min_by(|a, b| length(a.1).total_cmp(&length(b.1)));
        let Some((place, _)) = shortest else { return };
        let after = self.kept.remove(place + 1);
        if gravity(after.verdict) > gravity(self.kept[place].verdict) {
            self.kept[place].verdict = after.verdict;
        }
        self.joined += 1;
        self.kept.dedup_by(|later, earlier| {
            verdict_word(later.verdict) == verdict_word(earlier.verdict)
        });
    }
}

const fn gravity(verdict: Verdict) -> u8 {
    match verdict {
        Verdict::Healthy => 0,
        Verdict::Warning => 1,
        Verdict::Undetermined(_) => 2,
        Verdict::Alarm => 3,
    }
}

/// Most marks kept of one kind.
const MARKS: usize = 400;

/// When something happened: stretches of time, joined when they are too close
/// to be told apart.
#[derive(Debug, Clone, Default)]
pub(super) struct Marks {
    kept: Vec<[f64; 2]>,
    apart_s: f64,
    /// How often it happened.
    pub(super) count: u64,
}

impl Marks {
    pub(super) fn push(&mut self, time_s: f64) {
        self.count += 1;
        match self.kept.last_mut() {
            Some(last) if time_s - last[1] <= self.apart_s => last[1] = time_s,
            _ => self.kept.push([time_s; 2]),
        }
        while self.kept.len() > MARKS {
            let whole = time_s - self.kept[0][0];
            self.apart_s = (2.0 * self.apart_s).max(whole / (2.0 * MARKS as f64));
            let apart = self.apart_s;
            self.kept.dedup_by(|later, earlier| {
                let close = later[0] - earlier[1] <= apart;
                if close {
                    earlier[1] = later[1];
                }
                close
            });
        }
    }

    pub(super) fn iter(&self) -> impl Iterator<Item = &[f64; 2]> {
        self.kept.iter()
    }

    /// First and last time.
    pub(super) fn span_s(&self) -> Option<[f64; 2]> {
        Some([self.kept.first()?[0], self.kept.last()?[1]])
    }
}

#[cfg(test)]
mod tests {
    use ohmsplit::Reason;

    use super::*;

    #[test]
    fn any_number_of_items_is_kept_evenly_and_with_the_newest() {
        let mut thinned = Thinned::new(100);
        for n in 0..12_345u32 {
            thinned.push(n);
            let kept: Vec<u32> = thinned.iter().copied().collect();
            assert!(kept.len() <= 101);
            assert_eq!(kept.last(), Some(&n));
            assert!(kept.windows(2).all(|pair| pair[0] < pair[1]), "{kept:?}");
        }
        // Both of two drive states that take turns.
        let odd = thinned.iter().filter(|n| *n % 2 == 1).count();
        assert!((20..80).contains(&odd), "{odd}");
        assert_eq!(thinned.seen(), 12_345);
    }

    #[test]
    fn a_short_alarm_among_many_changes_is_not_lost() {
        let mut stretches = Stretches::default();
        for n in 0..5000 {
            let time_s = f64::from(n);
            stretches.push(time_s, Verdict::Warning);
            stretches.push(time_s + 0.5, Verdict::Healthy);
            if n == 2500 {
                stretches.push(time_s + 0.6, Verdict::Alarm);
            }
        }
        assert!(stretches.kept.len() <= STRETCHES && stretches.joined > 4000);
        assert!(stretches.iter().any(|s| s.verdict == Verdict::Alarm));
        assert_eq!(stretches.kept[0].from_s, 0.0);
        let undetermined = Verdict::Undetermined(Reason::NotSettled);
        assert!(gravity(undetermined) > gravity(Verdict::Warning));
    }

    #[test]
    fn marks_are_counted_all_and_kept_bounded() {
        let mut marks = Marks::default();
        for n in 0..100_000 {
            marks.push(f64::from(n) * 0.5);
        }
        assert!(marks.iter().count() <= MARKS);
        assert_eq!(
            (marks.count, marks.span_s()),
            (100_000, Some([0.0, 49_999.5]))
        );
    }
}
