//! The background entry point: hands each stage's output to the next. Knows
//! all stages, is imported by none.

use crate::config::{Config, Drive};
use crate::diagnose::{Diagnosis, Findings, Read};
use crate::drive::Sequencer;
use crate::estimate::Zero;
use crate::front::{Align, Block, Order, RawBlock, convert};
use crate::judge::Judge;
use crate::reason::Reason;
use crate::report::{Basis, Report, Verdict};
use crate::steady::{Closed, Progress, Steady};

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

/// One isolation monitor that waits for settled readings, owned by the
/// background task.
#[derive(Debug, Clone)]
pub struct Monitor<'c> {
    steady: Steady<'c>,
    sequencer: Sequencer,
    judge: Judge,
    diagnosis: Diagnosis,
    order: Order,
    align: Align,
}

/// RAM on a 32-bit target.
#[cfg(target_pointer_width = "32")]
const _: () = assert!(size_of::<Monitor<'_>>() <= 1 << 10);

impl<'c> Monitor<'c> {
    /// A monitor that has seen nothing.
    #[must_use]
    pub fn new(config: &'c Config) -> Self {
        Self {
            steady: Steady::new(config),
            sequencer: Sequencer::new(config),
            judge: Judge::default(),
            diagnosis: Diagnosis::default(),
            order: Order::default(),
            align: Align::default(),
        }
    }

    /// The drive state that the switches should take. Where something else
    /// leads the drive, as in a recorded capture, it need not be followed: the
    /// samples say what was driven.
    #[must_use]
    pub fn drive(&self) -> Drive {
        self.sequencer.drive(self.steady.config)
    }

    /// The verdict as it stands.
    #[must_use]
    pub fn verdict(&self) -> Verdict {
        self.findings().withhold(self.judge.verdict())
    }

    /// What the self-diagnosis finds.
    #[must_use]
    pub fn findings(&self) -> Findings {
        self.diagnosis.findings(self.steady.config)
    }

    /// Leaves the bus to another monitor, as on request of a charger: the drive
    /// rests, blocks are not looked at, and the verdict is undetermined by
    /// [`Reason::BusYielded`]; an alarm stands. All that was measured is
    /// forgotten, so that nothing measured before is judged together with
    /// what comes after.
    pub fn yield_bus(&mut self) {
        self.sequencer.leave();
        self.steady.lose();
        self.diagnosis.restart();
        self.judge.suspend(Reason::BusYielded);
    }

    /// Takes the bus back. The verdict stays undetermined until a new drive
    /// cycle is measured and confirmed; an alarm stands until then.
    pub fn resume_bus(&mut self) {
        if self.sequencer.has_left() {
            self.sequencer.take_back(self.steady.config);
        }
    }

    /// Takes a block from the [`crate::Sampler`]. Call [`Monitor::step`] until
    /// it is idle before the next block: a settling proof that is still under
    /// way when its dwell's successor ends is given up. A block that was lost on
    /// the way is noticed: what came before it is forgotten, and this call
    /// returns false. One amid a dwell of which nothing is recorded, the very first
    /// or one after [`Monitor::finish`], begins a dwell as one after lost blocks does.
    #[inline(never)]
    pub fn accept(&mut self, raw: &RawBlock) -> bool {
        let follows = self.order.follows(raw);
        let aligned = self.align.take(self.steady.config, raw, follows);
        let Some(mut block) = convert(self.steady.config, &aligned) else {
            return follows;
        };
        if self.sequencer.has_left() {
            return follows;
        }
        if !follows || self.steady.misses_the_start(&block, self.drive()) {
            self.lose(&mut block);
        }
        self.diagnosis.listen(self.steady.config, raw, &block);
        self.sequence(&block);
        follows
    }

    /// Decides whether the dwell goes on.
    fn sequence(&mut self, block: &Block) {
        if block.flags.first_in_dwell {
            self.sequencer.begin(self.steady.config, block.drive);
        }
        let ripe = self.steady.accept(block);
        let Some((drive, blocks)) = self.steady.lasted() else {
            return;
        };
        let (enough, too_long) = self.sequencer.due(self.steady.config, drive, blocks);
        let hopeless = enough && ripe && self.sequencer.waits() && self.steady.probe();
        if too_long || hopeless {
            self.sequencer.move_on(self.steady.config);
        }
    }

    /// Blocks were lost, or not recorded: begins anew with this one, and says that samples are
    /// missing.
    #[inline(never)]
    fn lose(&mut self, block: &mut Block) {
        self.steady.lose();
        self.diagnosis.restart();
        block.flags.first_in_dwell = true;
        block.missing = block.missing.max(1);
        let missing = Err(Reason::SamplesMissing);
        self.judge.take(self.steady.config.limits(), &missing);
    }

    /// Ends the dwell under way, as at the end of a capture. What comes after a
    /// pause starts without a drive change that was seen.
    pub fn finish(&mut self) {
        self.steady.finish();
        self.align = Align::default();
    }

    /// One bounded slice of background work.
    #[inline(never)]
    pub fn step(&mut self) -> Step {
        match self.steady.step(&Zero::STILL) {
            Progress::Idle => Step::Idle,
            Progress::Busy => Step::Busy,
            Progress::Told => {
                self.sequencer.move_on(self.steady.config);
                Step::Idle
            }
            Progress::Over => self.answer(),
        }
    }

    /// First the reading is looked at, which goes deep, while there is no report yet
    /// to take room on the stack.
    fn answer(&mut self) -> Step {
        let Some(closed) = self.steady.over() else {
            return Step::Idle;
        };
        let read = self.read(closed);
        self.diagnosis.compare(self.steady.config, closed, read);
        Step::Answer(self.report(closed))
    }

    #[inline(never)]
    fn read(&mut self, closed: Closed) -> Option<Read> {
        let (config, reading) = (self.steady.config, self.steady.reading());
        self.sequencer.learn(config, closed.drive, &reading);
        self.diagnosis.read(config, closed, &reading)
    }

    #[inline(never)]
    fn report(&mut self, closed: Closed) -> Report {
        let mut report = Report {
            sequence: closed.sequence,
            drive: closed.drive,
            dwell_over: true,
            reading: self.steady.reading(),
            basis: Basis::Settled,
            estimate: self.steady.estimate(),
            judged: self.steady.config.limits().judged,
            findings: Findings::NONE,
            verdict: self.judge.verdict(),
        };
        self.steady.go_on();
        let config = self.steady.config;
        self.judge.take(config.limits(), &report.estimate);
        self.diagnosis.conclude(config, &report.estimate);
        self.sequencer
            .check(&report.estimate, self.diagnosis.checks_again());
        report.findings = self.findings();
        report.verdict = report.findings.withhold(self.judge.verdict());
        report
    }
}
