//! The monitor that does not wait: the settled path, the transient estimator
//! and the watch for sudden leaks side by side on the same blocks.
//!
//! * A fit of the transient is reported as soon as it is there, and judged as
//!   an estimate: an interval that is clear of the limits decides, however
//!   slow the circuit.
//! * At the end of a dwell the better of the settled and the fitted estimate
//!   is reported: the one with the smaller uncertainty. Where they contradict
//!   each other, neither is. A fit counts in the dwell whose data gave it and
//!   in the next, no longer: what nothing confirms is not told again.
//! * The watch takes what the fits say of the circuit as known, and asks of
//!   each block what else must be leaking. While it finds nothing, one fit a dwell
//!   is enough. While it suspects a leak, no fit is
//!   believed that reaches back before it; once it is sure, that is an alarm at
//!   once.
//! * Where a check is asked for, an answer that departs from the one it has confirmed
//!   is told once it agrees again, and one that it contradicts is withheld; an alarm and
//!   a warning are not.
//! * The half-period follows the time constant.

mod circuits;
mod dwell;
mod fitted;
mod haste;
mod heed;
#[cfg(test)]
mod tests;
mod unexplained;
#[cfg(test)]
mod unexplained_tests;
mod zero;

use crate::config::{Config, Drive};
use crate::diagnose::{Balance, Confirmation, Diagnosis, Findings};
use crate::drive::Sequencer;
use crate::estimate::{Early, Found};
use crate::front::{Align, Block, Order, RawBlock, convert};
use crate::judge::Judge;
use crate::monitor::Step;
use crate::reason::Reason;
use crate::report::{Basis, Estimate, Verdict};
use crate::steady::{self, Steady};
use crate::sudden::{Known, Stage, Watch};
use crate::transient::{Transient, Work};
use crate::units::{Microsiemens, Volts};
use haste::Haste;
use zero::Stray;

/// What follows from a fit or a sudden leak, in slices.
#[derive(Debug, Clone)]
enum Task {
    None,
    /// The watch takes note of a fit.
    Learn(Known, Found),
    Estimate(Basis, Early),
    /// The charge of the check is balanced with a fit that is to be told.
    Balance,
    /// Of a sudden leak only a least conductance is known.
    Least(Microsiemens),
}

/// One isolation monitor that reports before the circuit has settled, owned by
/// the background task. Called as [`crate::Monitor`] is.
#[derive(Debug, Clone)]
pub struct SwiftMonitor<'c> {
    config: &'c Config,
    steady: Steady<'c>,
    transient: Transient<'c>,
    watch: Watch<'c>,
    sequencer: Sequencer,
    judge: Judge,
    diagnosis: Diagnosis,
    balance: Balance,
    /// The dwell that is over has been balanced.
    balanced: bool,
    confirmation: Confirmation,
    order: Order,
    align: Align,
    /// Newest pack voltage.
    pack: Volts,
    /// What comes next starts without a drive change that was seen.
    paused: bool,
    /// The watch has not answered the newest block yet.
    watching: bool,
    stage: Stage,
    /// Blocks since a suspicion rose.
    suspected: u32,
    fitted: Option<Estimate>,
    /// The newest fit averages hum away, which spoils a dwell for the settled path.
    hums: bool,
    /// How far the zero of v has gone.
    stray: Stray,
    /// Dwells that have ended since the newest fit, in quarters.
    unconfirmed: u8,
    task: Task,
    probation: Option<(Known, u32)>,
    /// The dwell in which the transient last started anew.
    started: u32,
    haste: Haste,
}

/// RAM on a 32-bit target.
#[cfg(target_pointer_width = "32")]
const _: () = assert!(size_of::<SwiftMonitor<'_>>() <= 9_208);

impl<'c> SwiftMonitor<'c> {
    /// A monitor that has seen nothing.
    #[must_use]
    pub fn new(config: &'c Config) -> Self {
        Self {
            config,
            steady: Steady::new(config),
            transient: Transient::new(config),
            watch: Watch::new(config),
            sequencer: Sequencer::brisk(config),
            judge: Judge::default(),
            diagnosis: Diagnosis::default(),
            balance: Balance::default(),
            balanced: false,
            confirmation: Confirmation::default(),
            order: Order::default(),
            align: Align::default(),
            pack: Volts::ZERO,
            paused: false,
            watching: false,
            stage: Stage::Unprepared,
            suspected: 0,
            fitted: None,
            hums: false,
            stray: Stray::NONE,
            unconfirmed: 0,
            task: Task::None,
            probation: None,
            started: 0,
            haste: Haste::new(),
        }
    }

    /// The drive state that the switches should take; see [`crate::Monitor::drive`].
    #[must_use]
    pub fn drive(&self) -> Drive {
        self.sequencer.drive(self.config)
    }

    /// The verdict as it stands.
    #[must_use]
    pub fn verdict(&self) -> Verdict {
        self.findings().withhold(self.judge.verdict())
    }

    /// What the self-diagnosis finds; see [`crate::Monitor::findings`].
    #[must_use]
    pub fn findings(&self) -> Findings {
        self.balance.add_to(self.diagnosis.findings(self.config))
    }

    /// Leaves the bus to another monitor; see [`crate::Monitor::yield_bus`].
    pub fn yield_bus(&mut self) {
        self.sequencer.leave();
        self.steady.lose();
        self.restart();
        self.watch = Watch::new(self.config);
        self.watching = false;
        self.stage = Stage::Unprepared;
        self.forget_checks();
        self.judge.suspend(Reason::BusYielded);
    }

    /// Takes the bus back; see [`crate::Monitor::resume_bus`].
    pub fn resume_bus(&mut self) {
        if self.sequencer.has_left() {
            self.sequencer.take_back(self.config);
            self.paused = true;
        }
    }

    /// How far the watch for sudden leaks has come.
    #[must_use]
    pub const fn stage(&self) -> Stage {
        self.stage
    }

    /// Takes a block from the [`crate::Sampler`]. Call [`SwiftMonitor::step`]
    /// until it is idle before the next block. False when a block before it was
    /// lost on the way: what came before is forgotten.
    #[inline(never)]
    pub fn accept(&mut self, raw: &RawBlock) -> bool {
        let follows = self.order.follows(raw);
        let aligned = self.align.take(self.config, raw, follows);
        let Some(mut block) = convert(self.config, &aligned) else {
            return follows;
        };
        if self.sequencer.has_left() {
            return follows;
        }
        if !follows || self.steady.misses_the_start(&block, self.drive()) {
            self.lose(&mut block);
        }
        self.diagnosis.listen(self.config, raw, &block);
        self.balance.listen(self.config, &block);
        if core::mem::take(&mut self.paused) {
            self.restart();
        }
        self.pack = block.pack;
        let working = self.config.limits().working_voltage;
        self.stray.tick(self.config.timing().block(), working);
        self.follow(&block);
        self.watching = self.watch.push(&block);
        if let Some((_, blocks)) = &mut self.probation {
            *blocks = blocks.saturating_add(1);
        }
        self.sequence(&block);
        follows
    }

    /// The record leaves the check out: it takes no tolerance for a contradiction
    /// of the circuit, and three states show those that two hide.
    #[inline(never)]
    fn follow(&mut self, block: &Block) {
        if block.flags.first_in_dwell {
            if self.sequencer.checks() {
                self.transient.restart();
                self.started = self.steady.current().0;
            }
            self.sequencer.begin(self.config, block.drive);
        }
        if !self.sequencer.checks() {
            self.transient.push(block);
        }
    }

    /// Blocks were lost, or not recorded: begins anew with this one, and says that samples are
    /// missing.
    #[inline(never)]
    fn lose(&mut self, block: &mut Block) {
        self.steady.lose();
        self.forget_checks();
        self.restart();
        block.flags.first_in_dwell = true;
        block.missing = block.missing.max(1);
        let missing = Err(Reason::SamplesMissing);
        self.judge.take(self.config.limits(), &missing);
    }

    /// Decides whether the dwell goes on.
    #[inline(never)]
    fn sequence(&mut self, block: &Block) {
        let ripe = self.steady.accept(block);
        let Some((drive, blocks)) = self.steady.lasted() else {
            return;
        };
        let (enough, too_long) = self.sequencer.due(self.config, drive, blocks);
        if enough && ripe && self.sequencer.waits() {
            // A fit may still be had where no proof can: it decides.
            self.steady.probe();
        }
        if too_long {
            self.sequencer.move_on(self.config);
        }
    }

    /// Ends the dwell under way, as at the end of a capture. What comes after a
    /// pause starts without a drive change that was seen.
    pub fn finish(&mut self) {
        self.steady.finish();
        self.align = Align::default();
        self.transient.finish();
        self.paused = true;
    }

    /// One bounded slice of background work.
    #[inline(never)]
    pub fn step(&mut self) -> Step {
        if self.watching {
            return self.watch();
        }
        match &mut self.task {
            Task::None => {}
            Task::Learn(..) => return self.take_note(),
            Task::Estimate(_, early) => {
                return if early.weigh(self.config) {
                    Step::Busy
                } else {
                    self.estimated()
                };
            }
            Task::Balance => return self.balance_fit(),
            Task::Least(conductance) => {
                let conductance = *conductance;
                return self.tell_least(conductance);
            }
        }
        match self.transient.work() {
            Work::Idle => {}
            Work::Busy => return Step::Busy,
            Work::Ready => return self.fit(),
            Work::Changed => return self.changed(),
            Work::NotFound => return self.not_found(),
        }
        match self.settle() {
            steady::Progress::Idle => Step::Idle,
            steady::Progress::Busy => Step::Busy,
            steady::Progress::Told => {
                self.sequencer.move_on(self.config);
                Step::Busy
            }
            steady::Progress::Over => self.over(),
        }
    }

    /// Apart, for the sake of the stack.
    #[inline(never)]
    fn settle(&mut self) -> steady::Progress {
        self.steady.step(&self.stray.now)
    }

    /// What the checks and the dwells before have said of the circuit no longer counts.
    fn forget_checks(&mut self) {
        self.diagnosis.restart();
        self.balance.restart();
        self.confirmation = Confirmation::default();
    }

    /// What was fitted no longer counts.
    fn forget(&mut self) {
        self.fitted = None;
        self.task = Task::None;
        self.probation = None;
    }

    #[inline(never)]
    fn restart(&mut self) {
        self.transient.restart();
        self.started = self.steady.current().0;
        self.forget();
    }
}
