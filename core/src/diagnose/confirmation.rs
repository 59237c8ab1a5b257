//! What the check has confirmed of the answers of the driven states.
//!
//! Any two voltages have a circuit, so that a fault of the measuring circuit changes
//! the answer of two driven states as a leak would. Where a check is asked for
//! ([`Check`]), the answer that it agrees with is the confirmed one, and what departs
//! from that is not told before the next check agrees with it. What the check
//! contradicts is withheld at once, until two in a row agree. A warning and an alarm wait
//! for nothing, nor does what is found before the first check, which would come seconds
//! after the first answer.

use crate::config::{Check, Config};
use crate::num;
use crate::reason::Reason;
use crate::report::{Estimate, Kind};
use crate::units::Microsiemens;

use super::{CUT, short};

/// Standard uncertainties between two answers that are not of one circuit.
const APART: i64 = 4;
/// Checks that have to agree after one that contradicts.
const AGAIN: u8 = 2;

/// The answer that the check has confirmed: Gp and Gn, in steps of 15 pS, and the
/// larger of their standard uncertainties. Of a hard short there are only bounds.
#[derive(Debug, Clone, Copy)]
struct Answer {
    rails: [i32; 2],
    u: i32,
    short: bool,
}

impl Answer {
    fn of(estimate: &Estimate) -> Self {
        let coarse = |g: Microsiemens| short(g.to_bits() >> CUT);
        let (positive, negative) = (
            &estimate.positive_conductance,
            &estimate.negative_conductance,
        );
        Self {
            rails: [coarse(positive.value), coarse(negative.value)],
            u: coarse(positive.u.max(negative.u)),
            short: estimate.kind == Kind::Short,
        }
    }

    /// Both may be of one circuit.
    fn agrees(&self, other: &Self) -> bool {
        let u = num::hypot(&[self.u.into(), other.u.into()]);
        let doubt = u.saturating_mul(APART).saturating_add(1);
        let mut rails = self.rails.iter().zip(&other.rails);
        let near = rails.all(|(a, b)| i64::from(a.abs_diff(*b)) <= doubt);
        near || self.short && other.short
    }
}

/// What the check says of the answers.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Confirmation {
    answer: Option<Answer>,
    /// Checks that have to agree after one that has contradicted.
    owed: u8,
}

impl Confirmation {
    /// The check has been held against an answer: whether it contradicts.
    pub(crate) fn hear(&mut self, contradicts: Option<bool>, answer: Option<&Estimate>) {
        match contradicts {
            Some(true) => {
                self.answer = None;
                self.owed = AGAIN;
            }
            Some(false) => {
                self.owed = self.owed.saturating_sub(1);
                if self.owed == 0 {
                    self.answer = answer.map(Answer::of).or(self.answer);
                }
            }
            None => {}
        }
    }

    /// The designer asks for a check, and the drive has one.
    pub(crate) fn is_asked_for(&self, config: &Config) -> bool {
        config.timing().check != Check::Never && config.third_checks()
    }

    /// Why an answer is not told yet.
    pub(crate) fn withholds(&self, config: &Config, answer: &Estimate) -> Option<Reason> {
        if !self.is_asked_for(config) {
            return None;
        }
        match &self.answer {
            Some(confirmed) if confirmed.agrees(&Answer::of(answer)) => None,
            None if self.owed == 0 => None,
            _ => Some(Reason::CircuitChanged),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Config;
    use crate::test_reports::{self, estimate};

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
            confirmation.hear(None, Some(&answer));
            assert_eq!(told(&confirmation, &answer), None);
        }
        confirmation.hear(Some(false), Some(&before()));
        assert_eq!(told(&confirmation, &before()), None);
        let near = estimate([420.0, 580.0], [4.0, 4.0]);
        assert_eq!(told(&confirmation, &near), None);
        let changed = Some(Reason::CircuitChanged);
        assert_eq!(told(&confirmation, &after()), changed);
        confirmation.hear(None, Some(&after()));
        assert_eq!(told(&confirmation, &after()), changed);
        confirmation.hear(Some(false), Some(&after()));
        assert_eq!(told(&confirmation, &after()), None);
        assert_eq!(told(&confirmation, &before()), changed);
    }

    #[test]
    fn a_contradiction_withholds_at_once_until_two_checks_agree() {
        let config = config(Check::AtStart);
        let mut confirmation = Confirmation::default();
        confirmation.hear(Some(false), Some(&before()));
        confirmation.hear(Some(true), Some(&before()));
        for contradicts in [None, Some(false), None] {
            confirmation.hear(contradicts, Some(&before()));
            let told = confirmation.withholds(&config, &before());
            assert_eq!(told, Some(Reason::CircuitChanged), "{contradicts:?}");
        }
        confirmation.hear(Some(false), Some(&before()));
        assert_eq!(confirmation.withholds(&config, &before()), None);
    }

    #[test]
    fn without_a_check_everything_is_told() {
        let mut confirmation = Confirmation::default();
        confirmation.hear(Some(true), Some(&before()));
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
        confirmation.hear(Some(false), Some(&short(1e6)));
        let config = config(Check::Every(1));
        assert_eq!(confirmation.withholds(&config, &short(1e5)), None);
        assert!(confirmation.withholds(&config, &before()).is_some());
    }
}
