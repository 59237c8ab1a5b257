//! What the check has confirmed of the answers of the driven states.
//!
//! Any two voltages have a circuit, so that a fault of the measuring circuit changes
//! the answer of two driven states as a leak would. Where a check is asked for
//! ([`Check`]), the answer that it agrees with is the confirmed one, and what departs
//! from that is not told before the next check agrees with it. What the check
//! contradicts is withheld at once, until two in a row agree. A check that agrees excludes a
//! channel that is off by so much, and no less: what an answer has moved by stays in its
//! interval as far as such a channel would do it, which is that part of all that holds
//! the chassis, where it is more than the interval spans. Before the first check that
//! tells, a sixteenth stands for it.
//! A warning and an alarm wait
//! for nothing, nor does what is found before the first check, which would come seconds
//! after the first answer.

use crate::config::{Check, Config, Drive};
use crate::num;
use crate::num::Saturating as _;
use crate::reason::Reason;
use crate::report::{Estimate, Kind};
use crate::units::Microsiemens;

use super::redundant::{CLEAR, Outcome, STEP};
use super::{CUT, short};

/// Standard uncertainties between two answers that are not of one circuit, and those
/// within which the sharper one stands for both.
const APART: i64 = 4;
const NEAR: i64 = 2;
/// Checks that have to agree after one that contradicts.
const AGAIN: u8 = 2;

/// An answer: G, Gp and Gn, in steps of 15 pS, and their standard uncertainties. Of a
/// hard short there are only bounds.
#[derive(Debug, Clone, Copy)]
struct Answer {
    value: [i32; 3],
    u: [i32; 3],
    short: bool,
}

impl Answer {
    fn of(estimate: &Estimate) -> Self {
        let all = [
            &estimate.conductance,
            &estimate.positive_conductance,
            &estimate.negative_conductance,
        ];
        let coarse = |g: Microsiemens| short(g.to_bits() >> CUT);
        Self {
            value: all.map(|g| coarse(g.value)),
            u: all.map(|g| coarse(g.u)),
            short: estimate.kind == Kind::Short,
        }
    }

    /// What it has moved by since another.
    fn since(&self, other: &Self) -> [i64; 3] {
        let [a, b, c] = self.value;
        let [x, y, z] = other.value;
        [a.abs_diff(x), b.abs_diff(y), c.abs_diff(z)].map(i64::from)
    }

    /// Both may be of one circuit.
    fn agrees(&self, other: &Self, within: i64) -> bool {
        let us = self.u.iter().zip(&other.u);
        let near = self.since(other).iter().zip(us).all(|(by, (&a, &b))| {
            let u = num::hypot(&[a.into(), b.into()]);
            *by <= num::times(u, within).plus(1)
        });
        near || self.short && other.short
    }

    /// The other is no news: it is vaguer and near, or far vaguer.
    fn stands_for(&self, other: &Self) -> bool {
        let ([u, ..], [other_u, ..]) = (self.u, other.u);
        u < other_u && self.agrees(other, NEAR) || u < other_u >> 1 && self.agrees(other, APART)
    }
}

/// What the check says of the answers.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Confirmation {
    /// The one that the check agrees with; before the first check the sharpest.
    answer: Option<Answer>,
    checked: bool,
    /// What it has moved by, if nothing says that it was the circuit, in steps of 15 pS.
    doubt: [i32; 3],
    /// Checks that have to agree after one that has contradicted.
    owed: u8,
}

impl Confirmation {
    /// The check has been held against an answer.
    pub(crate) fn hear(
        &mut self,
        config: &Config,
        outcome: Option<Outcome>,
        answer: Option<&Estimate>,
    ) {
        if !Self::is_asked_for(config) {
            return;
        }
        match outcome {
            Some(Outcome::Contradict) => {
                self.owed = AGAIN;
                return;
            }
            Some(_) => self.owed = self.owed.saturating_sub(1),
            None if self.checked => return,
            None => {}
        }
        if self.owed == 0
            && let Some(answer) = answer
        {
            self.checked |= outcome.is_some();
            let shows = match outcome {
                Some(Outcome::Agree(shows)) => i64::from(shows) << STEP,
                _ => num::ONE >> CLEAR,
            };
            self.take(config, &Answer::of(answer), shows);
        }
    }

    /// An answer that the check agrees with, to which a channel off by `shows` would have
    /// been a contradiction.
    fn take(&mut self, config: &Config, new: &Answer, shows: i64) {
        let [leak, ..] = new.value;
        let held = config.network().row(Drive::Raise).g.to_bits() >> CUT;
        let most = num::mul(i64::from(leak).plus(held), shows);
        let answer = match &self.answer {
            Some(old) if old.stands_for(new) => old,
            Some(old) if !old.agrees(new, APART) => {
                self.doubt = old.since(new).map(short);
                new
            }
            _ => new,
        };
        let answer = *self.answer.insert(*answer);
        for (doubt, &u) in self.doubt.iter_mut().zip(&answer.u) {
            let by = i64::from(*doubt).min(most);
            let spanned = i64::from(u).saturating_mul(2);
            *doubt = if by > spanned { short(by) } else { 0 };
        }
    }

    /// The designer asks for a check, and the drive has one.
    pub(crate) fn is_asked_for(config: &Config) -> bool {
        config.timing().check != Check::Never && config.third_checks()
    }

    /// Why an answer is not told yet.
    pub(crate) fn withholds(&self, config: &Config, answer: &Estimate) -> Option<Reason> {
        if !Self::is_asked_for(config) {
            return None;
        }
        let departs = |confirmed: &Answer| !confirmed.agrees(&Answer::of(answer), APART);
        let checked = self.answer.as_ref().filter(|_| self.checked);
        let withheld = self.owed > 0 || checked.is_some_and(departs);
        withheld.then_some(Reason::CircuitChanged)
    }

    /// Adds to an answer what the check leaves open of it.
    pub(crate) fn doubt(&self, answer: &mut Estimate) {
        if self.doubt != [0; 3] {
            let wide = |by| Microsiemens::from_bits(i64::from(by) << CUT);
            answer.widen(self.doubt.map(wide));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Config;
    use crate::test_reports::{self, estimate, nano};

    fn config(check: Check) -> Config {
        let usual = test_reports::config();
        let mut timing = usual.timing().clone();
        timing.check = check;
        let parts: std::vec::Vec<_> = usual.network().elements().to_vec();
        Config::try_new(*usual.front_end(), &parts, timing, *usual.limits()).expect("sound")
    }

    /// 1 MΩ in all, known to a percent.
    fn before() -> Estimate {
        estimate([400.0, 600.0], [4.0, 4.0])
    }

    /// It has moved from one rail to the other.
    fn after() -> Estimate {
        estimate([600.0, 400.0], [4.0, 4.0])
    }

    #[test]
    fn what_departs_from_the_confirmed_answer_waits_for_the_next_check() {
        let config = config(Check::Every(1));
        let mut confirmation = Confirmation::default();
        let told = |confirmation: &Confirmation, answer: &Estimate| {
            confirmation.withholds(&config, answer)
        };
        for answer in [before(), after()] {
            confirmation.hear(&config, None, Some(&answer));
            assert_eq!(told(&confirmation, &answer), None);
        }
        confirmation.hear(&config, Some(Outcome::Agree(0)), Some(&before()));
        assert_eq!(told(&confirmation, &before()), None);
        let near = estimate([420.0, 580.0], [4.0, 4.0]);
        assert_eq!(told(&confirmation, &near), None);
        let changed = Some(Reason::CircuitChanged);
        assert_eq!(told(&confirmation, &after()), changed);
        confirmation.hear(&config, None, Some(&after()));
        assert_eq!(told(&confirmation, &after()), changed);
        confirmation.hear(&config, Some(Outcome::Agree(0)), Some(&after()));
        assert_eq!(told(&confirmation, &after()), None);
        assert_eq!(told(&confirmation, &before()), changed);
    }

    #[test]
    fn a_contradiction_withholds_at_once_until_two_checks_agree() {
        let config = config(Check::AtStart);
        let mut confirmation = Confirmation::default();
        confirmation.hear(&config, Some(Outcome::Agree(0)), Some(&before()));
        confirmation.hear(&config, Some(Outcome::Contradict), Some(&before()));
        for outcome in [None, Some(Outcome::Agree(0)), None] {
            confirmation.hear(&config, outcome, Some(&before()));
            let told = confirmation.withholds(&config, &before());
            assert_eq!(told, Some(Reason::CircuitChanged), "{outcome:?}");
        }
        confirmation.hear(&config, Some(Outcome::Agree(0)), Some(&before()));
        assert_eq!(confirmation.withholds(&config, &before()), None);
    }

    /// A check that would not have shown a channel off by a sixteenth leaves as much open of
    /// what has moved: G and what hangs on it are 2 µS. One that would have shown less leaves
    /// that, and nothing where the interval spans it.
    #[test]
    fn what_the_check_would_not_have_shown_stays_in_doubt() {
        let config = config(Check::Every(1));
        const ALL: u8 = u8::MAX;
        for (shows, due) in [(ALL, 62.3), (ALL / 4, 15.4), (ALL / 40, 0.0)] {
            let mut confirmation = Confirmation::default();
            for (outcome, answer) in [
                (Outcome::Agree(0), before()),
                (Outcome::Agree(shows), after()),
            ] {
                confirmation.hear(&config, Some(outcome), Some(&answer));
            }
            // A vague answer near it is no news.
            let vague = estimate([660.0, 460.0], [60.0, 60.0]);
            confirmation.hear(&config, Some(Outcome::Agree(shows)), Some(&vague));
            let mut answer = after();
            confirmation.doubt(&mut answer);
            let added = |told: Microsiemens, u: Microsiemens| {
                told.saturating_sub(u).get().to_num::<f64>() * 1000.0
            };
            let rail = added(answer.positive_conductance.u, nano(4.0));
            assert!((rail - due).abs() < 0.2, "{shows}: {rail}");
            // G has not moved.
            assert_eq!(answer.conductance.u, after().conductance.u);
            // A check that leaves nothing open takes it back.
            confirmation.hear(&config, Some(Outcome::Agree(0)), Some(&after()));
            let mut answer = after();
            confirmation.doubt(&mut answer);
            assert_eq!(answer, after());
        }
    }

    #[test]
    fn without_a_check_everything_is_told() {
        let mut confirmation = Confirmation::default();
        for answer in [before(), after()] {
            confirmation.hear(&config(Check::Never), None, Some(&answer));
            let mut told = answer;
            confirmation.doubt(&mut told);
            assert_eq!(told, answer);
        }
        confirmation.hear(
            &config(Check::Never),
            Some(Outcome::Contradict),
            Some(&before()),
        );
        assert_eq!(
            confirmation.withholds(&config(Check::Never), &after()),
            None
        );
    }

    #[test]
    fn hard_shorts_have_bounds_and_are_alike() {
        let short = |g| Estimate {
            kind: Kind::Short,
            ..estimate([g, g], [1.0, 1.0])
        };
        let mut confirmation = Confirmation::default();
        let config = config(Check::Every(1));
        confirmation.hear(&config, Some(Outcome::Agree(0)), Some(&short(1e6)));
        assert_eq!(confirmation.withholds(&config, &short(1e5)), None);
        assert!(confirmation.withholds(&config, &before()).is_some());
    }
}
