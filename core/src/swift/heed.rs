//! What the watch for sudden leaks says is heeded, and it is told what the fits know.

use super::circuits::{found_suddenly, is_sharp};
use super::{SwiftMonitor, Task};
use crate::config::Drive;
use crate::diagnose::Confirmation;
use crate::estimate::at_least;
use crate::monitor::Step;
use crate::report::Basis;
use crate::sudden::{Known, Stage, Watched};
use crate::transient::Fit;
use crate::units::Microsiemens;

/// Blocks that a fit must outlive without a suspicion before it counts as what
/// is known: a leak that has just begun bends the fit before it is noticed.
pub(super) const PROBATION: u32 = 16;

/// Blocks by which a leak may be older than the suspicion of it.
const NOTICED: u32 = 8;

impl SwiftMonitor<'_> {
    #[inline(never)]
    pub(super) fn watch(&mut self) -> Step {
        match self.watch.step() {
            Some(finding) => self.heed(&finding),
            None => Step::Busy,
        }
    }

    /// Takes what the watch says.
    #[inline(never)]
    fn heed(&mut self, finding: &Watched) -> Step {
        self.watching = false;
        let before = core::mem::replace(&mut self.stage, finding.stage);
        self.transient
            .keep_calm(finding.stage == Stage::Watching && self.fitted.is_some());
        let (_, drive) = self.steady.current();
        let checked = Confirmation::is_asked_for(self.config);
        let cut = finding.change_drive && self.hears(drive);
        if cut && self.haste.allows(drive, checked) {
            self.sequencer.move_on(self.config);
        }
        match finding.stage {
            Stage::Suspected if before != Stage::Suspected => {
                self.suspected = 0;
                self.probation = None;
                self.steady.forget();
            }
            Stage::Suspected => self.suspected = self.suspected.saturating_add(1),
            Stage::Verified if before != Stage::Verified => {
                self.restart();
                self.steady.forget();
                self.sudden(finding);
            }
            Stage::Verified | Stage::Unprepared | Stage::Restless | Stage::Watching => {}
        }
        Step::Busy
    }

    /// The watch hears nothing with the check resistor: it neither cuts that dwell
    /// short nor hurries towards it; nor any dwell that what the check has found waits for.
    fn hears(&self, drive: Drive) -> bool {
        drive != Drive::Check
            && self.sequencer.next(self.config) != Drive::Check
            && !self.is_in_question()
    }

    /// A leak is verified: its report follows.
    fn sudden(&mut self, finding: &Watched) {
        self.judge.alarm();
        match &finding.leak {
            Some(leak) => {
                let _ = self.begin(Basis::Sudden, found_suddenly(leak));
            }
            None => self.task = Task::Least(finding.at_least),
        }
    }

    /// Reports a leak of which only the least is known.
    #[inline(never)]
    pub(super) fn tell_least(&mut self, conductance: Microsiemens) -> Step {
        self.task = Task::None;
        let mut estimate = at_least(conductance, self.pack);
        self.report(Basis::Sudden, &mut estimate)
    }

    /// The record of a fit begins with the leak that is suspected.
    pub(super) fn is_newer(&self, fit: &Fit) -> bool {
        let blocks = i64::from(self.suspected.saturating_add(NOTICED));
        let since = self
            .config
            .timing()
            .block()
            .to_bits()
            .saturating_mul(blocks);
        fit.span.to_bits() <= since
    }

    /// The watch takes note of a fit.
    #[inline(never)]
    pub(super) fn take_note(&mut self) -> Step {
        let Task::Learn(known, found) = &self.task else {
            return Step::Busy;
        };
        self.balance.know(found);
        let known = *known;
        self.learn(known);
        self.estimate_fit()
    }

    /// Apart from what the watch does, which goes deep.
    #[inline(never)]
    fn estimate_fit(&mut self) -> Step {
        match &self.task {
            Task::Learn(_, found) => {
                let found = *found;
                self.begin(Basis::Transient, found)
            }
            _ => Step::Busy,
        }
    }

    /// Tells the watch of a circuit that has outlived its probation.
    #[inline(never)]
    fn learn(&mut self, known: Known) {
        match &self.probation {
            // The change is known: the new circuit is taken as soon as it is sharp.
            _ if matches!(self.stage, Stage::Verified | Stage::Suspected) => {
                if !is_sharp(&known) {
                    return;
                }
                self.watch.know(&known);
            }
            Some((_, blocks)) if *blocks < PROBATION => return,
            Some((old, _)) => self.watch.know(old),
            None => {}
        }
        self.probation = Some((known, 0));
    }
}
