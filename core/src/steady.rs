//! The settled path, stages 3 and 4 for one dwell after another: records a
//! dwell, proves that it has settled, solves the cycle that it completes.

use crate::config::{Config, Drive};
use crate::drive::Cycle;
use crate::estimate::{Estimation, Estimator, Zero};
use crate::front::Block;
use crate::reason::Reason;
use crate::report::{Estimate, Reading};
use crate::settle::{Dwell, Lead, Settling};

/// The work under way.
#[derive(Debug, Clone)]
#[allow(
    clippy::large_enum_variant,
    reason = "one job at a time, in place, without a heap"
)]
enum Job {
    Idle,
    /// A dwell that ended without a reading.
    Refused(Closed, Reason),
    /// A settling proof. Where the dwell is over its result is reported;
    /// otherwise it only tells whether the dwell may end.
    Proof(Settling),
    /// The estimate of the cycle that a settled dwell completes.
    Solve(Estimation, Closed),
}

/// Number and drive state of a dwell that is over.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Closed {
    pub(crate) sequence: u32,
    pub(crate) drive: Drive,
}

/// What one slice of work came to.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Progress {
    Idle,
    Busy,
    /// The dwell under way has told what it can: it may end.
    Told,
    /// A dwell is over; [`Steady::over`] says which.
    Over,
}

/// The settled path.
#[derive(Debug, Clone)]
pub(crate) struct Steady<'c> {
    pub(crate) config: &'c Config,
    dwell: Dwell,
    lead: Option<Lead>,
    job: Job,
    cycle: Cycle,
    estimator: Estimator,
    sequence: u32,
}

impl<'c> Steady<'c> {
    pub(crate) fn new(config: &'c Config) -> Self {
        Self {
            config,
            dwell: Dwell::none(),
            lead: None,
            job: Job::Idle,
            cycle: Cycle::default(),
            estimator: Estimator::default(),
            sequence: 0,
        }
    }

    /// Number and drive state of the dwell under way.
    pub(crate) fn current(&self) -> (u32, Drive) {
        let lasts = self.dwell.lasts;
        let drive = if lasts { self.dwell.drive } else { Drive::Rest };
        (self.sequence, drive)
    }

    /// Drive state and length in blocks of the dwell under way.
    pub(crate) fn lasted(&self) -> Option<(Drive, u32)> {
        let dwell = &self.dwell;
        dwell.lasts.then_some((dwell.drive, dwell.blocks))
    }

    /// It lies amid a dwell of which nothing is recorded: the bus was left and taken back within
    /// it, say, or the interrupt was there before the background. Where the switches
    /// are still to follow, the next dwell is not far.
    #[inline(never)]
    pub(crate) fn misses_the_start(&self, block: &Block, wanted: Drive) -> bool {
        !(block.flags.first_in_dwell || self.dwell.lasts) && block.drive == wanted
    }

    /// Takes a block; true when it is time to see whether the dwell has told
    /// what it can.
    #[inline(never)]
    pub(crate) fn accept(&mut self, block: &Block) -> bool {
        if block.flags.first_in_dwell {
            self.close();
            self.dwell.begin(block.drive);
        }
        let dwell = &mut self.dwell;
        if !dwell.lasts {
            return false;
        }
        let before = dwell.per_slot();
        let completed = dwell.push(block);
        // Four slots later a proof of this dwell has not come to its end: the slots that
        // it reads have merged.
        if dwell.per_slot() != before
            && let Job::Proof(proof) = &self.job
            && proof.over().is_none()
        {
            self.job = Job::Idle;
        }
        completed && dwell.slots().len().is_multiple_of(4) && matches!(self.job, Job::Idle)
    }

    /// Begins a proof on the dwell under way; true when no proof can be had
    /// however long it lasts.
    #[inline(never)]
    pub(crate) fn probe(&mut self) -> bool {
        match self.prove(false) {
            Ok(()) => false,
            Err(reason) => {
                self.job = Job::Idle;
                // Waiting mends neither saturation nor lost samples.
                reason != Reason::RecordTooShort
            }
        }
    }

    /// Starts the proof of the dwell under way, in its place.
    fn prove(&mut self, over: bool) -> Result<(), Reason> {
        self.job = Job::Proof(Settling::none(over));
        match &mut self.job {
            Job::Proof(proof) => proof.start(self.config, &self.dwell, self.lead),
            _ => Err(Reason::RecordTooShort),
        }
    }

    /// Blocks were lost: what came before says nothing of what comes.
    #[inline(never)]
    pub(crate) fn lose(&mut self) {
        self.dwell.forget();
        self.lead = None;
        self.job = Job::Idle;
        self.cycle = Cycle::default();
        self.estimator = Estimator::default();
    }

    /// The circuit has changed: what was read before says nothing of it.
    #[inline(never)]
    pub(crate) fn forget(&mut self) {
        self.cycle = Cycle::default();
    }

    /// Ends the dwell under way. What comes after a pause starts without a
    /// drive change that was seen.
    pub(crate) fn finish(&mut self) {
        self.close();
        self.lead = None;
    }

    /// One bounded slice of work; `zero` is that of v.
    #[inline(never)]
    pub(crate) fn step(&mut self, zero: &Zero) -> Progress {
        match &mut self.job {
            Job::Idle => Progress::Idle,
            Job::Refused(closed, reason) => {
                self.cycle.clear(closed.drive);
                if *reason == Reason::CircuitChanged {
                    self.forget();
                }
                Progress::Over
            }
            Job::Proof(proof) => {
                if proof.step(&self.dwell) {
                    Progress::Busy
                } else {
                    self.proved()
                }
            }
            Job::Solve(estimation, closed) => {
                let readings = self.cycle.readings(closed.sequence);
                if self.estimator.step(estimation, self.config, readings, zero) {
                    Progress::Busy
                } else {
                    Progress::Over
                }
            }
        }
    }

    /// A proof has come to its end.
    #[inline(never)]
    fn proved(&mut self) -> Progress {
        let Job::Proof(proof) = &self.job else {
            return Progress::Idle;
        };
        // A dwell that is over is the latest that is.
        let sequence = self.sequence.wrapping_sub(1);
        let closing = proof.over().map(|drive| Closed { sequence, drive });
        let result = proof.result(self.config, &self.dwell);
        self.job = Job::Idle;
        if closing.is_some() {
            self.dwell.release();
        }
        match (closing, result) {
            (Some(closed), Ok(settled)) => {
                self.cycle.put(closed.sequence, &settled);
                self.job = Job::Solve(Estimation::default(), closed);
                Progress::Busy
            }
            (Some(closed), Err(reason)) => {
                self.job = Job::Refused(closed, reason);
                Progress::Busy
            }
            // Without a drive change before it, a voltage that stands still
            // proves nothing however long it is watched.
            (None, Ok(_) | Err(Reason::NotYetMeasured)) => Progress::Told,
            (None, Err(_)) => Progress::Idle,
        }
    }

    /// The dwell that is over, until [`Steady::go_on`].
    pub(crate) const fn over(&self) -> Option<Closed> {
        match &self.job {
            Job::Solve(_, closed) | Job::Refused(closed, _) => Some(*closed),
            Job::Idle | Job::Proof(_) => None,
        }
    }

    /// Its reading.
    #[inline(never)]
    pub(crate) fn reading(&self) -> Result<Reading, Reason> {
        match &self.job {
            Job::Solve(_, closed) => {
                let reading = self.cycle.latest(closed.drive);
                reading.ok_or(Reason::NotYetMeasured)
            }
            Job::Refused(_, reason) => Err(*reason),
            Job::Idle | Job::Proof(_) => Err(Reason::NotYetMeasured),
        }
    }

    /// The estimate of the cycle that it completes.
    pub(crate) fn estimate(&self) -> Result<Estimate, Reason> {
        match &self.job {
            Job::Solve(estimation, _) => estimation.answer(),
            Job::Refused(_, reason) => Err(*reason),
            Job::Idle | Job::Proof(_) => Err(Reason::NotYetMeasured),
        }
    }

    /// What came of the dwell that is over has been taken.
    pub(crate) fn go_on(&mut self) {
        if let Job::Solve(estimation, closed) = &self.job
            && estimation.has_changed()
        {
            self.cycle.keep_only(closed.sequence);
        }
        self.job = Job::Idle;
    }

    /// The drive has changed: what is recorded is all there is of this dwell.
    #[inline(never)]
    fn close(&mut self) {
        if !self.dwell.lasts {
            return;
        }
        let closed = Closed {
            sequence: self.sequence,
            drive: self.dwell.drive,
        };
        self.sequence = self.sequence.wrapping_add(1);
        let proof = self.prove(true);
        self.lead = Lead::after(&self.dwell);
        self.dwell.keep();
        if let Err(reason) = proof {
            self.dwell.release();
            self.job = Job::Refused(closed, reason);
        }
    }
}
