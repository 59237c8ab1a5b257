//! The end of a dwell: the better of what is known is reported.

use super::SwiftMonitor;
use crate::diagnose::{Findings, Outcome, Read};
use crate::monitor::Step;
use crate::num;
use crate::reason::Reason;
use crate::report::{Basis, Estimate, Report};
use crate::steady::Closed;
use crate::sudden::Stage;

/// Standard uncertainties between a settled and a fitted estimate that are a
/// contradiction.
const CONTRADICTION: i64 = 4;

/// Dwells after a change for which older readings do not count against a fit.
const CYCLE: u32 = 2;

/// Quarters of dwells that may end after a fit while it is still told: it is of
/// data of the dwell that ends, or of the one before. A circuit that is measured
/// gives several fits a dwell. One that is too short for a reading is a quarter.
const FRESH: u8 = 2 * WHOLE;
const WHOLE: u8 = 4;

impl SwiftMonitor<'_> {
    /// A dwell is over: first its charge is balanced, in slices of their own.
    pub(super) fn over(&mut self) -> Step {
        if core::mem::take(&mut self.balanced) {
            return self.conclude();
        }
        let more = self
            .fitted
            .as_ref()
            .is_some_and(|fitted| self.balance.weigh(self.config, fitted, true));
        self.balanced = !more;
        Step::Busy
    }

    /// As in [`crate::Monitor`].
    fn conclude(&mut self) -> Step {
        let Some(closed) = self.steady.over() else {
            return Step::Idle;
        };
        self.hear(closed);
        Step::Answer(self.of_dwell(closed))
    }

    #[inline(never)]
    fn hear(&mut self, closed: Closed) {
        let read = self.read(closed);
        self.diagnosis.compare(self.config, closed, read);
    }

    #[inline(never)]
    fn read(&mut self, closed: Closed) -> Option<Read> {
        let reading = self.steady.reading();
        self.diagnosis.read(self.config, closed, &reading)
    }

    /// The better of what is known.
    #[inline(never)]
    fn of_dwell(&mut self, closed: Closed) -> Report {
        let mut report = Report {
            sequence: closed.sequence,
            drive: closed.drive,
            dwell_over: true,
            reading: self.steady.reading(),
            basis: Basis::Transient,
            estimate: self.steady.estimate(),
            judged: self.config.limits().judged,
            findings: Findings::NONE,
            verdict: self.judge.verdict(),
        };
        self.steady.go_on();
        self.haste.over(closed.drive);
        let length = self.length(&report);
        self.unconfirmed = self.unconfirmed.saturating_add(length);
        let spoiled = self.hums && report.reading == Err(Reason::CircuitChanged);
        let better = self.better(closed.sequence, &report.estimate, spoiled);
        self.confirm(&better, &report.estimate);
        match (better, &self.fitted) {
            (Better::Fitted, Some(fitted)) => report.estimate = Ok(*fitted),
            (Better::Settled, _) => report.basis = Basis::Settled,
            _ => report.estimate = Err(Reason::Implausible),
        }
        if matches!(report.estimate, Err(Reason::Implausible)) && self.fitted.is_some() {
            self.restart();
        }
        self.diagnosis.conclude(self.config, &report.estimate);
        let answer = report.estimate.as_ref().ok();
        let withheld = answer.and_then(|told| self.confirmation.withholds(self.config, told));
        if let Ok(answer) = &mut report.estimate {
            self.doubt(answer);
        }
        self.judge(&report, withheld);
        let in_question = withheld.is_some() || self.is_in_question();
        self.sequencer.check(&report.estimate, in_question);
        if let Some(reason) = withheld {
            report.estimate = Err(reason);
        }
        report.findings = self.findings();
        report.verdict = report.findings.withhold(self.judge.verdict());
        report
    }

    /// The check has found something, or is in doubt.
    pub(super) const fn is_in_question(&self) -> bool {
        self.diagnosis.checks_again() || self.balance.is_in_question()
    }

    /// What the check says, of that which it was weighed with.
    #[inline(never)]
    fn confirm(&mut self, better: &Better, settled: &Result<Estimate, Reason>) {
        let (fitted, settled) = (self.fitted.as_ref(), settled.as_ref().ok());
        let told = match better {
            Better::Settled => settled,
            Better::Fitted => fitted,
            Better::Neither => None,
        };
        let (said, of) = match (self.balance.said(), self.diagnosis.said()) {
            (said @ Some(Outcome::Contradict), _) | (_, said @ Some(Outcome::Contradict)) => {
                (said, None)
            }
            (None, None) => (None, told),
            (None, said) => (said, settled),
            (said, None) => (said, fitted),
            // The readings and the fit: the answer by what was weighed with it.
            (_, said) if matches!(better, Better::Settled) => (said, settled),
            (said, _) => (said, fitted),
        };
        self.confirmation.hear(self.config, said, of);
    }

    #[inline(never)]
    fn judge(&mut self, report: &Report, withheld: Option<Reason>) {
        let limits = self.config.limits();
        match (&report.estimate, withheld) {
            (Ok(estimate), Some(reason)) => {
                self.judge.take_unconfirmed(limits, estimate, reason);
            }
            (Ok(estimate), None) if report.basis == Basis::Transient => {
                self.judge.take_growing(limits, estimate);
            }
            // A suspicion alone, which forbids to believe a fit, changes no verdict,
            // unless it goes on and on.
            (Err(_), _) if self.stage == Stage::Suspected && self.is_fresh() => {}
            (estimate, _) => {
                self.judge.take(limits, estimate);
            }
        }
    }

    /// Quarters of a dwell that it counts. A check is no part of the record that is
    /// fitted.
    fn length(&self, report: &Report) -> u8 {
        if !self.config.timing().cycle().contains(&report.drive) {
            0
        } else if report.reading == Err(Reason::RecordTooShort) {
            1
        } else {
            WHOLE
        }
    }

    /// Data of this dwell or the one before have given a fit.
    const fn is_fresh(&self) -> bool {
        self.unconfirmed <= FRESH
    }

    #[inline(never)]
    fn better(&self, sequence: u32, settled: &Result<Estimate, Reason>, spoiled: bool) -> Better {
        let believed = self.stage != Stage::Suspected && self.is_fresh();
        let Some(fitted) = self.fitted.as_ref().filter(|_| believed) else {
            return Better::Settled;
        };
        match settled {
            Ok(settled) if contradict(settled, fitted) => Better::Neither,
            Ok(settled) if clearly_surer(settled, fitted) => Better::Settled,
            // Readings from before the change that a fit has left behind.
            Err(Reason::CircuitChanged)
                if !spoiled && sequence.wrapping_sub(self.started) > CYCLE =>
            {
                Better::Settled
            }
            Ok(_) | Err(_) => Better::Fitted,
        }
    }
}

/// The better of a settled and a fitted estimate.
enum Better {
    Settled,
    Fitted,
    /// They contradict each other.
    Neither,
}

/// By a quarter of its uncertainty: the fit has seen more, and where both are in doubt by the
/// same hum, that decides.
fn clearly_surer(settled: &Estimate, fitted: &Estimate) -> bool {
    let [settled, fitted] = [settled, fitted].map(|one| one.conductance.u.to_bits());
    settled.saturating_add(settled >> 2) < fitted
}

fn contradict(a: &Estimate, b: &Estimate) -> bool {
    let apart = a.conductance.value.saturating_sub(b.conductance.value);
    let u = num::hypot(&[a.conductance.u.to_bits(), b.conductance.u.to_bits()]);
    apart.to_bits().saturating_abs() > u.saturating_mul(CONTRADICTION)
}
