//! The settled path, stages 3 and 4 for one dwell after another: records a
//! dwell, proves that it has settled, solves the cycle that it completes.

use crate::config::{Config, Drive};
use crate::drive::Cycle;
use crate::estimate::Estimator;
use crate::front::Block;
use crate::reason::Reason;
use crate::report::{Estimate, Reading};
use crate::settle::{Dwell, Lead, Settling};

/// A settling proof under way.
#[derive(Debug, Clone)]
struct Job {
    proof: Settling,
    /// The dwell is over: its result is reported. Otherwise it only tells
    /// whether the dwell may end.
    closing: Option<Closed>,
}

#[derive(Debug, Clone, Copy)]
struct Closed {
    sequence: u32,
    drive: Drive,
}

/// What came of a dwell.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Outcome {
    pub(crate) sequence: u32,
    pub(crate) drive: Drive,
    pub(crate) reading: Result<Reading, Reason>,
    pub(crate) estimate: Result<Estimate, Reason>,
}

/// What one slice of work came to.
#[derive(Debug, Clone, Copy)]
#[allow(
    clippy::large_enum_variant,
    reason = "returned once a dwell, by value, without a heap"
)]
pub(crate) enum Progress {
    Idle,
    Busy,
    /// The dwell under way has told what it can: it may end.
    Told,
    /// A dwell is over.
    Over(Outcome),
}

/// The settled path.
#[derive(Debug, Clone)]
pub(crate) struct Steady<'c> {
    config: &'c Config,
    dwell: Option<Dwell>,
    lead: Option<Lead>,
    job: Option<Job>,
    /// A dwell that ended without a proof to run.
    refused: Option<(Closed, Reason)>,
    cycle: Cycle,
    estimator: Estimator,
    sequence: u32,
}

impl<'c> Steady<'c> {
    pub(crate) fn new(config: &'c Config) -> Self {
        Self {
            config,
            dwell: None,
            lead: None,
            job: None,
            refused: None,
            cycle: Cycle::default(),
            estimator: Estimator::default(),
            sequence: 0,
        }
    }

    /// Number and drive state of the dwell under way.
    pub(crate) fn current(&self) -> (u32, Drive) {
        let drive = self.dwell.as_ref().map_or(Drive::Rest, |dwell| dwell.drive);
        (self.sequence, drive)
    }

    /// Drive state and length in blocks of the dwell under way.
    pub(crate) fn lasted(&self) -> Option<(Drive, u32)> {
        let dwell = self.dwell.as_ref()?;
        Some((dwell.drive, dwell.blocks))
    }

    /// Takes a block; true when it is time to see whether the dwell has told
    /// what it can.
    pub(crate) fn accept(&mut self, block: &Block) -> bool {
        if block.flags.first_in_dwell {
            self.close();
            self.dwell = Some(Dwell::new(block.drive));
        }
        let Some(dwell) = self.dwell.as_mut() else {
            return false;
        };
        dwell.push(block) && dwell.slots().len().is_multiple_of(4) && self.job.is_none()
    }

    /// Begins a proof on the dwell under way; true when no proof can be had
    /// however long it lasts.
    pub(crate) fn probe(&mut self) -> bool {
        let Some(dwell) = self.dwell.as_ref() else {
            return false;
        };
        match Settling::start(self.config, dwell, self.lead) {
            Ok(proof) => {
                self.job = Some(Job {
                    proof,
                    closing: None,
                });
                false
            }
            // Waiting mends neither saturation nor lost samples.
            Err(reason) => reason != Reason::RecordTooShort,
        }
    }

    /// Ends the dwell under way. What comes after a pause starts without a
    /// drive change that was seen.
    pub(crate) fn finish(&mut self) {
        self.close();
        self.lead = None;
    }

    /// One bounded slice of work.
    pub(crate) fn step(&mut self) -> Progress {
        if let Some((closed, reason)) = self.refused.take() {
            return Progress::Over(self.conclude(closed, Err(reason)));
        }
        let Some(job) = self.job.as_mut() else {
            return Progress::Idle;
        };
        let Some(result) = job.proof.step(self.config) else {
            return Progress::Busy;
        };
        let closing = job.closing;
        self.job = None;
        match closing {
            Some(closed) => Progress::Over(self.conclude(closed, result)),
            // Without a drive change before it, a voltage that stands still
            // proves nothing however long it is watched.
            None if matches!(result, Ok(_) | Err(Reason::NotYetMeasured)) => Progress::Told,
            None => Progress::Idle,
        }
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

    fn conclude(&mut self, closed: Closed, reading: Result<Reading, Reason>) -> Outcome {
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
        Outcome {
            sequence: closed.sequence,
            drive: closed.drive,
            reading,
            estimate,
        }
    }
}
