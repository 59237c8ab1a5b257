//! Where a fit goes on from what a walk or a test came to: to a minimum, to another start, or
//! to the end.

use super::super::change::{Step, Tested};
use super::super::ground::Ground;
use super::super::search::{self, Bounds, Found};
use super::job::{Attempt, Job, Weighing};
use super::{Fitting, LONG, Outcome};

impl Fitting {
    /// Goes on from a walk that was judged.
    #[inline(never)]
    pub(super) fn found(&mut self, ground: &Ground<'_>, found: Found) -> Outcome {
        let Job::Weigh(weighing, walked, system, _) = &mut self.job else {
            return Outcome::Busy;
        };
        match found {
            Found::Again => {
                let walked = *walked;
                let anew = self.search.walks == search::DOUBTFUL && self.change_grouping(&walked);
                self.job = Job::Advance { anew };
                Outcome::Busy
            }
            Found::Lost => self.next_attempt(ground),
            Found::Least if self.borders.is_empty() && walked.used > 0 => {
                self.search.restart();
                self.walk(ground)
            }
            Found::Least => {
                system.lower(self.search.fall);
                *weighing = Weighing::Examine;
                Outcome::Busy
            }
        }
    }

    /// Where a search that failed begins anew.
    #[inline(never)]
    pub(super) fn next_attempt(&mut self, ground: &Ground<'_>) -> Outcome {
        self.attempt = match self.attempt {
            Attempt::Warm => Attempt::Cold,
            Attempt::Cold if ground.record.len() >= LONG => Attempt::Free,
            Attempt::Cold => return self.not_found(),
            Attempt::Free => {
                return match self.rival {
                    Some(step) => self.changed(step),
                    None => self.not_found(),
                };
            }
        };
        self.start(ground)
    }

    #[inline(never)]
    pub(super) fn changed(&mut self, step: Step) -> Outcome {
        self.forget();
        self.moving = true;
        Outcome::Changed(step.newest)
    }

    #[inline(never)]
    pub(super) fn not_found(&mut self) -> Outcome {
        self.forget();
        Outcome::NotFound
    }

    #[inline(never)]
    pub(super) fn tested(
        &mut self,
        ground: &Ground<'_>,
        tested: Tested,
        bounds: Bounds,
    ) -> Outcome {
        match tested {
            Tested::Busy => Outcome::Busy,
            Tested::Steady => {
                self.search.go(bounds);
                let Job::Test(test, _) = &self.job else {
                    return Outcome::Busy;
                };
                // Chance suspects a change in one fit of a hundred, and seldom twice.
                let doubted = core::mem::replace(&mut self.doubted, !test.unsuspicious());
                if self.calm && self.doubted && !doubted {
                    self.stop();
                    return Outcome::Idle;
                }
                Outcome::Ready
            }
            // So short a record of a circuit at rest may well be misread.
            Tested::Changed(_) if !self.moving && ground.record.len() < LONG => {
                self.stop();
                Outcome::Idle
            }
            Tested::Changed(step) if self.beliefs.are_free() => self.changed(step),
            Tested::Changed(step) => {
                self.rival = Some(step);
                self.attempt = Attempt::Free;
                self.start(ground)
            }
        }
    }
}
