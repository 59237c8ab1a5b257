//! The background entry point: hands each stage's output to the next. Knows
//! all stages, is imported by none.

use crate::config::{Config, Drive};
use crate::drive::{Cycle, Sequencer};
use crate::estimate::Estimator;
use crate::front::{RawBlock, convert};
use crate::judge::Judge;
use crate::reason::Reason;
use crate::report::{Reading, Report, Verdict};
use crate::settle::{Dwell, Lead, Settling};

/// What one slice of background work came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[must_use]
#[allow(
    clippy::large_enum_variant,
    reason = "returned once a dwell, by value, without a heap"
)]
pub enum Step {
    /// Nothing to do until the next block.
    Idle,
    /// More work is waiting: call again when there is time.
    Busy,
    /// A dwell is over; this is what came of it.
    Answer(Report),
}

/// A settling proof under way.
#[derive(Debug, Clone)]
struct Job {
    proof: Settling,
    /// The dwell is over: its result is reported. Otherwise it only tells the
    /// sequencer whether the dwell may end.
    closing: Option<Closed>,
}

#[derive(Debug, Clone, Copy)]
struct Closed {
    sequence: u32,
    drive: Drive,
}

/// One isolation monitor, owned by the background task.
#[derive(Debug, Clone)]
pub struct Monitor<'c> {
    config: &'c Config,
    dwell: Option<Dwell>,
    lead: Option<Lead>,
    job: Option<Job>,
    /// A dwell that ended without a proof to run.
    refused: Option<(Closed, Reason)>,
    sequencer: Sequencer,
    /// The sequencer has already moved on from the dwell being recorded.
    moved_on: bool,
    cycle: Cycle,
    estimator: Estimator,
    judge: Judge,
    sequence: u32,
}

impl<'c> Monitor<'c> {
    /// A monitor that has seen nothing.
    #[must_use]
    pub fn new(config: &'c Config) -> Self {
        Self {
            config,
            dwell: None,
            lead: None,
            job: None,
            refused: None,
            sequencer: Sequencer::new(config),
            moved_on: false,
            cycle: Cycle::default(),
            estimator: Estimator::default(),
            judge: Judge::default(),
            sequence: 0,
        }
    }

    /// The drive state that the switches should take. Where something else
    /// leads the drive, as in a recorded capture, it need not be followed: the
    /// samples say what was driven.
    #[must_use]
    pub fn drive(&self) -> Drive {
        self.sequencer.drive(self.config)
    }

    /// The verdict as it stands.
    #[must_use]
    pub const fn verdict(&self) -> Verdict {
        self.judge.verdict()
    }

    /// Takes a block from the [`crate::Sampler`]. Call [`Monitor::step`] until
    /// it is idle before the next block: a settling proof that is still under
    /// way when its dwell's successor ends is given up.
    pub fn accept(&mut self, raw: &RawBlock) {
        let Some(block) = convert(self.config, raw) else {
            return;
        };
        if block.flags.first_in_dwell {
            self.close();
            self.dwell = Some(Dwell::new(block.drive));
            self.moved_on = false;
        }
        let Some(dwell) = self.dwell.as_mut() else {
            return;
        };
        let completed = dwell.push(&block);
        let slots = dwell.slots().len();
        let (enough, too_long) = self.sequencer.due(self.config, dwell.drive, dwell.blocks);
        if self.moved_on {
            return;
        }
        if too_long {
            self.move_on();
        } else if completed && enough && slots.is_multiple_of(4) && self.job.is_none() {
            match Settling::start(self.config, dwell, self.lead) {
                Ok(proof) => {
                    self.job = Some(Job {
                        proof,
                        closing: None,
                    })
                }
                Err(Reason::RecordTooShort) => {}
                // Waiting mends neither saturation nor lost samples.
                Err(_) => self.move_on(),
            }
        }
    }

    /// Ends the dwell under way, as at the end of a capture. What comes after a
    /// pause starts without a drive change that was seen.
    pub fn finish(&mut self) {
        self.close();
        self.lead = None;
    }

    /// One bounded slice of background work.
    pub fn step(&mut self) -> Step {
        if let Some((closed, reason)) = self.refused.take() {
            return Step::Answer(self.answer(closed, Err(reason)));
        }
        let Some(job) = self.job.as_mut() else {
            return Step::Idle;
        };
        let Some(result) = job.proof.step(self.config) else {
            return Step::Busy;
        };
        let closing = job.closing;
        self.job = None;
        match closing {
            Some(closed) => Step::Answer(self.answer(closed, result)),
            None => {
                // Without a drive change before it, a voltage that stands still
                // proves nothing however long it is watched.
                let over = matches!(result, Ok(_) | Err(Reason::NotYetMeasured));
                if over && !self.moved_on {
                    self.move_on();
                }
                Step::Idle
            }
        }
    }

    fn move_on(&mut self) {
        self.sequencer.advance(self.config);
        self.moved_on = true;
    }

    /// The drive has changed: what is recorded is all there is of this dwell.
    fn close(&mut self) {
        let Some(dwell) = self.dwell.take() else {
            return;
        };
        let closed = Closed {
            sequence: self.sequence,
            drive: dwell.drive,
        };
        self.sequence = self.sequence.wrapping_add(1);
        self.job = None;
        match Settling::start(self.config, &dwell, self.lead) {
            Ok(proof) => {
                self.job = Some(Job {
                    proof,
                    closing: Some(closed),
                })
            }
            Err(reason) => self.refused = Some((closed, reason)),
        }
        self.lead = Lead::after(&dwell);
    }

    fn answer(&mut self, closed: Closed, reading: Result<Reading, Reason>) -> Report {
        self.sequencer.learn(self.config, closed.drive, &reading);
        let estimate = match reading {
            Ok(reading) => {
                self.cycle.put(closed.sequence, reading);
                let readings = self.cycle.readings(closed.sequence);
                self.estimator.estimate(self.config, readings)
            }
            Err(reason) => {
                self.cycle.clear(closed.drive);
                Err(reason)
            }
        };
        let limits = self.config.limits();
        let verdict = self.judge.take(limits, &estimate);
        Report {
            sequence: closed.sequence,
            drive: closed.drive,
            reading,
            estimate,
            judged: limits.judged,
            verdict,
        }
    }
}
