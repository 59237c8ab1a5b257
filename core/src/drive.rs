//! Stage 3, drive sequencing: which drive state the switches should take
//! next, and which readings form one drive cycle.

use crate::config::{CYCLE_MAX, Check, Config, Drive};
use crate::num;
use crate::reason::Reason;
use crate::report::{Estimate, Reading};
use crate::settle::Settled;
use crate::units::Seconds;

/// Time constants that a dwell may last before it is given up: a circuit that
/// has not changed has settled to 1 % after 4.6.
const PATIENCE: i64 = 8;

/// Drive cycles from the first answer to the first check.
const LEAD: u8 = 2;

/// How much longer a check may last than a driven dwell: without the drive
/// resistor the circuit can be slower.
const REST: u32 = 2;

/// A tenth of a second in microseconds.
const TENTH_US: i64 = 100_000;

/// The dwell in the third state that checks the measuring circuit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Rest {
    /// The first one waits for an answer.
    Waits,
    /// After so many drive cycles, one or more.
    In(u8),
    /// It is the state wanted.
    Now,
    /// None is due until something is found.
    Over,
    /// There is no such check.
    Never,
}

/// The sequencer: walks the drive cycle, one dwell after another.
#[derive(Debug, Clone)]
pub(crate) struct Sequencer {
    place: u8,
    /// How long a dwell in each state may last, in microseconds: follows the
    /// time constant seen.
    patience_us: [u32; 3],
    /// It has moved on from the dwell being recorded already.
    moved_on: bool,
    /// The drive state of the dwell being recorded.
    recorded: Drive,
    /// The bus is left to another monitor: at rest.
    yielded: bool,
    rest: Rest,
    /// The dwell being recorded is a check.
    checks: bool,
}

impl Sequencer {
    /// At the start of the cycle, with all the patience that the designer allows.
    pub(crate) fn new(config: &Config) -> Self {
        Self {
            place: 0,
            patience_us: [config.timing().dwell_max_us; 3],
            moved_on: false,
            recorded: Drive::Rest,
            yielded: false,
            rest: Rest::first(config),
            checks: false,
        }
    }

    /// At the start of the cycle, in a hurry: for an estimator that learns from
    /// drive changes before anything has settled.
    pub(crate) fn brisk(config: &Config) -> Self {
        Self {
            patience_us: [config.timing().dwell_min_us; 3],
            ..Self::new(config)
        }
    }

    /// A fit of the transient has shown the time constant; `span` is how long
    /// it has watched. Two and a half time constants are the half-period that
    /// serves best against noise and slow disturbances alike; but before the
    /// record is as long, two halves of it tell most.
    pub(crate) fn pace(&mut self, config: &Config, tau: Seconds, span: Seconds) {
        let timing = config.timing();
        let best = num::times(tau.to_bits(), 5) >> 1;
        let micros = num::wide(best.min(span.to_bits()), 1_000_000) >> num::FRAC;
        // In tenths of a second, whole periods of 50 and 60 Hz.
        let tenths = num::narrow(micros).wrapping_div(TENTH_US).saturating_add(1);
        let wanted = u32::try_from(tenths.saturating_mul(TENTH_US)).unwrap_or(u32::MAX);
        self.patience_us = [wanted.max(timing.dwell_min_us).min(timing.dwell_max_us); 3];
        let checks = self.rest != Rest::Never || is_third(config);
        if let Some(rest) = self.patience_us.get_mut(config.third().slot())
            && checks
        {
            *rest = rest.saturating_mul(REST).min(timing.dwell_max_us);
        }
    }

    /// No fit could be had: more time.
    pub(crate) fn slow_down(&mut self, config: &Config) {
        let most = config.timing().dwell_max_us;
        self.patience_us = self.patience_us.map(|us| us.saturating_mul(2).min(most));
    }

    /// The next dwell is being recorded.
    pub(crate) fn begin(&mut self, config: &Config, drive: Drive) {
        self.moved_on = false;
        let third = self.rest == Rest::Now || is_third(config);
        self.checks = drive == Drive::Check || third && drive == config.third();
        self.recorded = drive;
    }

    /// The dwell being recorded is the check.
    pub(crate) const fn checks(&self) -> bool {
        self.checks
    }

    /// The dwell being recorded is not yet given up.
    pub(crate) const fn waits(&self) -> bool {
        !self.moved_on
    }

    /// Learns from a dwell: a settled one tells how long the next in its state
    /// need last; one that did not settle, that it needs longer.
    pub(crate) fn learn(
        &mut self,
        config: &Config,
        drive: Drive,
        reading: &Result<Reading, Reason>,
    ) {
        let timing = config.timing();
        let Some(patience) = self.patience_us.get_mut(drive.slot()) else {
            return;
        };
        let wanted = match reading {
            Ok(Reading {
                time_constant: Some(tau),
                ..
            }) => {
                let micros = num::wide(tau.value.to_bits(), PATIENCE.saturating_mul(1_000_000));
                u32::try_from(micros >> num::FRAC).unwrap_or(u32::MAX)
            }
            Ok(_) => *patience,
            Err(_) => patience.saturating_mul(2),
        };
        *patience = wanted.max(timing.dwell_min_us).min(timing.dwell_max_us);
    }

    /// The drive state that the switches should be in.
    pub(crate) fn drive(&self, config: &Config) -> Drive {
        if self.yielded {
            return Drive::Rest;
        }
        if self.rest == Rest::Now {
            return config.third();
        }
        config
            .timing()
            .cycle()
            .get(usize::from(self.place))
            .copied()
            .unwrap_or_default()
    }

    /// The state after the one wanted now.
    pub(crate) fn next(&self, config: &Config) -> Drive {
        let mut next = self.clone();
        next.moved_on = false;
        next.move_on(config);
        next.drive(config)
    }

    /// Leaves the bus to another monitor.
    pub(crate) const fn leave(&mut self) {
        self.yielded = true;
    }

    /// Takes it back, with a state that is driven: nothing is known until the
    /// drive changes.
    pub(crate) fn take_back(&mut self, config: &Config) {
        self.yielded = false;
        self.moved_on = false;
        let cycle = config.timing().cycle();
        let driven = cycle.iter().position(|drive| drive.slot() != 0);
        self.place = driven.map_or(0, |place| place as u8);
    }

    pub(crate) const fn has_left(&self) -> bool {
        self.yielded
    }

    /// When the next check comes: the first after the first answer, and soon
    /// where the one before has found something or is in doubt.
    pub(crate) fn check(&mut self, answer: &Result<Estimate, Reason>, in_question: bool) {
        match self.rest {
            Rest::Waits if answer.is_ok() => self.rest = Rest::In(LEAD),
            Rest::In(_) | Rest::Over if in_question => self.rest = Rest::In(1),
            _ => {}
        }
    }

    /// On to the next dwell, once in a dwell; but where the drive did not follow,
    /// the state wanted next can be the very one being recorded, and waiting for
    /// that change would never end.
    pub(crate) fn move_on(&mut self, config: &Config) {
        if self.moved_on && self.drive(config) != self.recorded {
            return;
        }
        self.moved_on = true;
        if self.rest == Rest::Now {
            self.rest = Rest::next(config);
            return;
        }
        let next = self.place.saturating_add(1);
        if usize::from(next) < config.timing().cycle().len() {
            self.place = next;
            return;
        }
        self.place = 0;
        if let Rest::In(cycles) = self.rest {
            self.rest = if cycles > 1 {
                Rest::In(cycles.saturating_sub(1))
            } else {
                Rest::Now
            };
        }
    }

    /// Whether a dwell in `drive` of this many blocks has lasted as long as it
    /// must, and as long as it may.
    pub(crate) fn due(&self, config: &Config, drive: Drive, blocks: u32) -> (bool, bool) {
        let timing = config.timing();
        let lasted = blocks.saturating_mul(timing.block_us);
        (
            lasted >= timing.dwell_min_us,
            lasted >= drive.of(&self.patience_us),
        )
    }
}

/// The drive cycle itself has rest as a third state.
fn is_third(config: &Config) -> bool {
    config.third_checks() && config.timing().cycle().contains(&config.third())
}

impl Rest {
    fn first(config: &Config) -> Self {
        let never = config.timing().check == Check::Never;
        if never || is_third(config) || !config.third_checks() {
            Self::Never
        } else {
            Self::Waits
        }
    }

    fn next(config: &Config) -> Self {
        match config.timing().check {
            Check::Every(cycles) => Self::In(cycles.max(1)),
            Check::AtStart | Check::Never => Self::Over,
        }
    }
}

/// The latest reading of each drive state, with the dwell it came from.
#[derive(Debug, Clone, Default)]
pub(crate) struct Cycle {
    latest: [Option<Settled>; 3],
    /// The dwells they came from.
    sequences: [u32; 3],
}

impl Cycle {
    /// A dwell gave a reading.
    pub(crate) fn put(&mut self, sequence: u32, settled: &Settled) {
        let at = settled.drive.slot();
        let places = (self.latest.get_mut(at), self.sequences.get_mut(at));
        if let (Some(place), Some(from)) = places {
            *place = Some(*settled);
            *from = sequence;
        }
    }

    /// A dwell gave none: the one before it in this state no longer counts.
    pub(crate) fn clear(&mut self, drive: Drive) {
        if let Some(place) = self.latest.get_mut(drive.slot()) {
            *place = None;
        }
    }

    /// The circuit has changed: only what this dwell gave is of the new one.
    pub(crate) fn keep_only(&mut self, sequence: u32) {
        for (place, from) in self.latest.iter_mut().zip(&self.sequences) {
            if *from != sequence {
                *place = None;
            }
        }
    }

    /// The readings of the last cycle, newest last: of as many dwells as the
    /// longest cycle has, since a recorded drive need not follow the sequencer's.
    pub(crate) fn readings(&self, sequence: u32) -> impl Iterator<Item = &Settled> {
        let ages = (0..CYCLE_MAX as u32).rev();
        ages.filter_map(move |age| {
            let mut all = self.latest.iter().zip(&self.sequences);
            let (settled, _) = all.find(|(settled, from)| {
                settled.is_some() && sequence.wrapping_sub(**from) == age
            })?;
            settled.as_ref()
        })
    }

    /// The latest reading in a drive state.
    pub(crate) fn latest(&self, drive: Drive) -> Option<Reading> {
        let settled = self.latest.get(drive.slot())?.as_ref()?;
        Some(settled.reading())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::{Element, Landing};
    use crate::test_reports::config;
    use crate::units::Ohms;

    #[test]
    fn it_moves_on_once_in_a_dwell() {
        let config = config();
        let mut sequencer = Sequencer::new(&config);
        sequencer.begin(&config, Drive::Raise);
        for _ in 0..3 {
            sequencer.move_on(&config);
            assert_eq!(sequencer.drive(&config), Drive::Lower);
        }
    }

    #[test]
    fn a_drive_that_did_not_follow_does_not_stop_it() {
        let config = config();
        let mut sequencer = Sequencer::new(&config);
        assert_eq!(sequencer.drive(&config), Drive::Raise);
        // What is recorded is the state that comes next.
        sequencer.begin(&config, Drive::Lower);
        sequencer.move_on(&config);
        assert_eq!(sequencer.drive(&config), Drive::Lower);
        sequencer.move_on(&config);
        assert_eq!(sequencer.drive(&config), Drive::Raise);
    }

    /// The drive states of so many dwells, with an answer after each.
    fn driven(check: Check, dwells: usize, in_question: bool) -> std::vec::Vec<Drive> {
        let config = checked(check);
        let mut sequencer = Sequencer::new(&config);
        let dwell = |_| {
            let drive = sequencer.drive(&config);
            sequencer.begin(&config, drive);
            assert_eq!(sequencer.checks(), drive == Drive::Rest);
            sequencer.check(&Err(Reason::NotYetMeasured), false);
            sequencer.check(&Ok(crate::test_reports::open()), in_question);
            sequencer.move_on(&config);
            drive
        };
        (0..dwells).map(dwell).collect()
    }

    /// The usual configuration with a check.
    fn checked(check: Check) -> Config {
        with_parts(check, &[])
    }

    /// The same with more parts.
    fn with_parts(check: Check, more: &[Element]) -> Config {
        let usual = config();
        let mut timing = usual.timing().clone();
        timing.check = check;
        let parts = usual.network().elements().iter().chain(more).copied();
        let parts: std::vec::Vec<Element> = parts.collect();
        let front_end = *usual.front_end();
        Config::try_new(front_end, &parts, timing, *usual.limits()).expect("as usual")
    }

    #[test]
    fn a_check_resistor_is_connected_for_the_check_and_never_while_the_bus_is_left() {
        let known = Element::check_resistor(Ohms::from_int(300_000), Landing::Negative);
        let config = with_parts(Check::Every(1), &[known]);
        let mut sequencer = Sequencer::new(&config);
        let mut seen = std::vec::Vec::new();
        for _ in 0..8 {
            let drive = sequencer.drive(&config);
            sequencer.begin(&config, drive);
            assert_eq!(sequencer.checks(), drive == Drive::Check);
            sequencer.check(&Ok(crate::test_reports::open()), false);
            let next = sequencer.next(&config);
            sequencer.move_on(&config);
            assert_eq!(sequencer.drive(&config), next);
            seen.push(drive);
        }
        use Drive::{Check as C, Lower as L, Raise as R};
        assert_eq!(seen, [R, L, R, L, C, R, L, C]);
        while sequencer.drive(&config) != C {
            sequencer.begin(&config, Drive::Raise);
            sequencer.move_on(&config);
        }
        sequencer.leave();
        assert_eq!(sequencer.drive(&config), Drive::Rest);
    }

    #[test]
    fn a_check_comes_two_cycles_after_an_answer_and_then_as_often_as_wanted() {
        const R: Drive = Drive::Raise;
        const L: Drive = Drive::Lower;
        const O: Drive = Drive::Rest;
        let none = [R, L, R, L, R, L, R, L, R, L, R, L];
        assert_eq!(driven(Check::Never, 12, false), none);
        let once = [R, L, R, L, O, R, L, R, L, R, L, R];
        assert_eq!(driven(Check::AtStart, 12, false), once);
        let often = [R, L, R, L, O, R, L, O, R, L, O, R];
        assert_eq!(driven(Check::Every(1), 12, false), often);
        assert_eq!(driven(Check::Every(0), 12, false), often);
        // Something is found: at once again.
        let again = [R, L, O, R, L, O, R, L, O, R, L, O];
        assert_eq!(driven(Check::AtStart, 12, true), again);
    }
}
