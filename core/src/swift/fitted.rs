//! Between the ends of dwells: a fit of the transient becomes an estimate, is judged and is told.

use super::circuits::{fitted, known};
use super::unexplained::{averages_hum_away, hides_a_leak};
use super::{SwiftMonitor, Task};
use crate::diagnose::Findings;
use crate::estimate::{Early, Found};
use crate::monitor::Step;
use crate::reason::Reason;
use crate::report::{Basis, Estimate, Report, Verdict};
use crate::sudden::Stage;
use crate::transient::Fit;

impl SwiftMonitor<'_> {
    #[inline(never)]
    pub(super) fn fit(&mut self) -> Step {
        let fit = self.transient.fit();
        match &fit {
            Some(fit) => self.take_fit(fit),
            None => self.not_found(),
        }
    }

    /// Apart from what works it out, which goes deep.
    #[inline(never)]
    fn take_fit(&mut self, fit: &Fit) -> Step {
        if hides_a_leak(fit, self.config, self.pack) {
            return self.changed();
        }
        self.sequencer
            .pace(self.config, fit.time_constant, fit.span);
        if self.stage == Stage::Suspected && !self.is_newer(fit) {
            return Step::Busy;
        }
        self.hums = averages_hum_away(fit);
        let working = self.config.limits().working_voltage;
        self.stray.learn(fit, self.config.timing().block(), working);
        let zero = self.stray.in_record();
        self.task = Task::Learn(known(fit, self.config), fitted(fit, zero));
        Step::Busy
    }

    #[inline(never)]
    pub(super) fn not_found(&mut self) -> Step {
        self.sequencer.slow_down(self.config);
        self.forget();
        Step::Busy
    }

    /// The record contradicts itself: it has started anew. The verdict stands
    /// until the dwell is over; if nothing confirms it then, it is withdrawn.
    #[inline(never)]
    pub(super) fn changed(&mut self) -> Step {
        if let Some(fitted) = &self.fitted {
            self.diagnosis.leave(fitted);
            self.steady.forget();
        }
        self.started = self.steady.current().0;
        self.forget();
        self.told(
            Basis::Transient,
            &Err(Reason::CircuitChanged),
            self.findings(),
        )
    }

    /// Begins an estimate.
    #[inline(never)]
    pub(super) fn begin(&mut self, basis: Basis, found: Found) -> Step {
        self.task = Task::Estimate(basis, Early::new(found, self.pack));
        Step::Busy
    }

    /// An estimate is done.
    #[inline(never)]
    pub(super) fn estimated(&mut self) -> Step {
        let Task::Estimate(basis, early) = &self.task else {
            return Step::Busy;
        };
        let basis = *basis;
        let mut estimate = early.answer();
        self.task = Task::None;
        if basis == Basis::Transient {
            self.fitted = None;
            if let Ok(estimate) = &estimate {
                self.fitted = Some(*estimate);
                self.unconfirmed = 0;
                self.stray.compare(&estimate.conductance);
                self.diagnosis.weigh(self.config, estimate);
                self.diagnosis.arrive(estimate);
                self.task = Task::Balance;
                return Step::Busy;
            }
        }
        self.report(basis, &mut estimate)
    }

    /// A fit is told with what the check says of it.
    #[inline(never)]
    pub(super) fn balance_fit(&mut self) -> Step {
        let Some(fitted) = &self.fitted else {
            self.task = Task::None;
            return Step::Busy;
        };
        if self.balance.weigh(self.config, fitted, false) {
            return Step::Busy;
        }
        self.task = Task::None;
        self.judge_fit();
        self.tell_fit()
    }

    /// Apart from what weighs it, which goes deep: there is room for one copy on the
    /// stack.
    #[inline(never)]
    fn judge_fit(&mut self) {
        let Some(mut answer) = self.fitted else {
            return;
        };
        let said = self.balance.said();
        self.confirmation.hear(self.config, said, Some(&answer));
        let withheld = self.confirmation.withholds(self.config, &answer);
        self.doubt(&mut answer);
        let limits = self.config.limits();
        match withheld {
            Some(reason) => self.judge.take_unconfirmed(limits, &answer, reason),
            None => {
                self.judge.take_growing(limits, &answer);
            }
        }
    }

    /// Adds to an answer what it shows of its own readings, and what the check leaves open of it.
    pub(super) fn doubt(&self, answer: &mut Estimate) {
        answer.doubt_beyond_rails();
        self.confirmation.doubt(answer);
    }

    /// Readings that err for a moment are seen by the watch, once it knows the circuit. A fit of the first record that may
    /// rest on these alone is judged, and told if it is an alarm.
    #[inline(never)]
    fn tell_fit(&self) -> Step {
        let first = self.stage == Stage::Unprepared && self.started == 0;
        let early = first && self.transient.is_early();
        if early && self.judge.verdict() != Verdict::Alarm {
            return Step::Busy;
        }
        let mut estimate = self.fitted.ok_or(Reason::NotYetMeasured);
        self.report(Basis::Transient, &mut estimate)
    }

    pub(super) fn report(&self, basis: Basis, estimate: &mut Result<Estimate, Reason>) -> Step {
        if let Ok(answer) = estimate {
            let withheld = self.confirmation.withholds(self.config, answer);
            self.doubt(answer);
            if let Some(reason) = withheld {
                *estimate = Err(reason);
            }
        }
        self.told(basis, estimate, self.findings())
    }

    #[inline(never)]
    fn told(&self, basis: Basis, estimate: &Result<Estimate, Reason>, findings: Findings) -> Step {
        let (sequence, drive) = self.steady.current();
        Step::Answer(Report {
            sequence,
            drive,
            dwell_over: false,
            reading: Err(Reason::NotSettled),
            basis,
            estimate: *estimate,
            judged: self.config.limits().judged,
            findings,
            verdict: findings.withhold(self.judge.verdict()),
        })
    }
}
