//! Self-diagnosis: faults of the measuring circuit, and situations that fool
//! the estimator, as named [`Finding`]s.
//!
//! It stands beside judgement and looks at what the monitor has at hand: raw
//! codes, block means, settled readings by drive state, estimates. It changes
//! no figure. A finding withholds [`crate::Verdict::Healthy`] and hides neither
//! alarm nor warning. Each rule has to hold twice in a row, or over a stated
//! number of blocks, before it is told, and to fail as often before it is taken
//! back; that of the sense line, which two dwells of after any change show, is told at once.
//!
//! # The rules
//! | finding | physics and rule | false alarm |
//! |---|---|---|
//! | [`Finding::ConverterStuck`] | Noise of 0.7 codes or more, at its quietest over 50 blocks, cannot vanish: 16 blocks at one code. Or a drive change must move v by four codes at the alarm limit, and three did not | noise: below 2⁻¹⁰⁰; without noise, see below |
//! | [`Finding::ConverterSaturated`] | eight blocks in a row touch a limit | none: it is so |
//! | [`Finding::ConverterBits`] | the last codes of 50 blocks never change a bit whose weight is below the difference of neighbours, and again and again of those that hum leaves alike, while a lower one changes | below 2⁻⁴⁰ for white noise |
//! | [`Finding::SenseLine`] | v is that of a rail within offset, gain and resolution, and six standard uncertainties of swing, and what the pack has moved by, are not there, where a circuit at the alarm limit swings by four times as much | none while isolation is above a quarter of the alarm limit (a hundredth without noise, the pack standing still) |
//! | [`Finding::NoResponse`] | the same anywhere else in the stack, or raise and lower alike and rest different | as above |
//! | [`Finding::SwitchStuck`] | det(v, Vb, c) over the three states is off zero by six standard uncertainties and all tolerances, and one driven state equals the third | 2·10⁻⁹ a reading, squared by the repetition |
//! | [`Finding::StatesContradict`] | the same, and none equals the third; or, in [`crate::SwiftMonitor`], the same determinant of the third state's charge balance and of what is fitted, with the fit before it and with the one after it | 2·10⁻⁹ a reading |
//! | [`Finding::Polarity`] | v falls from lower to raise by a quarter of the swing at the alarm limit and six standard uncertainties, or Vb is below −5 V | 10⁻⁹ |
//! | [`Finding::PackImplausible`] | no leak, and no part without a source, takes v beyond a rail, and a source by its voltage only: eight blocks are beyond by 5 % of the working voltage and 5 V | Gaussian tail, far below 10⁻¹² |
//! | [`Finding::TimeBase`] | samples a block differ by an eighth, and two, from the usual, eight times in a row. With four estimates the usual number is certain, and stands until blocks are lost or are rubbish (eight in a row saturated or out of the stack); else 50 blocks are enough to learn another | none at a steady rate |
//! | [`Finding::Capacitance`] | C less three standard uncertainties is beyond the design | 10⁻³ at the very limit |
//! | [`Finding::StoredEnergy`] | ½·C·Vb² of that C is above 0.2 J | 10⁻³ at the very limit |
//! | [`Finding::StimulusWeak`] | two estimates in a row are refused by [`Reason::StimulusTooWeak`], or block means scatter so much that the mean of a dwell is as uncertain as a quarter of the swing at the alarm limit | it is so |
//! | [`Finding::Interference`] | three times in a few dwells a settled voltage turns back by six standard uncertainties, or jumps in mid-dwell and the means of 100 ms show more than twice what a transient, the samples within blocks and the pack make expect, or a leak that was fitted turns back by six standard uncertainties and an eighth when its record contradicts itself | none in the healthy runs of `tests/tests/faults.rs` |
//!
//! # The check with a third state
//! The row of a state is G·v − Gp·Vb − c = 0, c = i + p·Vb − g·v the current that
//! the monitor pushes. Two states have two equations for G and Gp: nothing is
//! left to check. So the sequencer takes a third state for a dwell now and then
//! ([`crate::config::Check`]): rest, or rest with the check resistor. Three rows
//! have a solution only where the determinant is zero. Its uncertainty takes noise
//! of v and Vb in squares; gains, offset and each part in common, by what it carries
//! in all three; and 1 % for a part, 0.2 % for a gain that declares no tolerance. With every
//! tolerance at its limit it is a contradiction; beyond three standard uncertainties of all together it is no
//! agreement. What has not settled is weighed by its charge balance with the fit. Where rest is
//! the same row as another state (a logic source rests at its low level) and there is
//! no check resistor, there is no third row and no check.
//!
//! In [`crate::SwiftMonitor`] the answer of the driven states that a check agrees with is the
//! confirmed one. What departs from it by four standard uncertainties, and what a check
//! has contradicted, is refused ([`Reason::CircuitChanged`]) until the check agrees;
//! the check is then taken at the end of the cycle. A warning and an alarm are not held back.
//! A check that shows too little, a part that is off by a sixteenth, neither agrees nor
//! takes a finding back. One that agrees has excluded a channel that is off by so much and no
//! less: by what such a channel would move an answer, one that has moved is told with a wider interval.
//!
//! # The check resistor
//! A part of conductance gt to one rail, connected in [`Drive::Check`] alone
//! ([`crate::config::Element::check_resistor`]). One scale λ of all that is driven leaves
//! (G, Gp)/λ as the answer of the driven states; with r the voltage of the resistor's
//! rail, the row of the check then misses by gt·(r − v)·(1 − 1/λ). So it shows the first of
//! the list below, and what is wrong with itself. A gain λ of v leaves
//! (g − gt)·v·(1 − 1/λ) with a source: gt has to differ from the g of the driven states.
//! What stays hidden: a leak wholly at the rail of the resistor (r − v = 0), a gain of Vb
//! where all that is switched leads to the negative rail, and what is within tolerances.
//!
//! # What rest does not show
//! Another (G, Gp) solves the declared rows with the readings of the faulty circuit:
//! * **One scale of all that is switched.** (g, p, i) larger by λ in every driven
//!   state: the readings are those of the circuit (G, Gp)/λ with the declared
//!   parts. That is a resistor that serves both driven states (a source's), and
//!   switched resistors that drift alike.
//! * **A gain of v, or the source, with a leak to the negative rail alone** and no
//!   other part to the positive rail: Gp = 0, so that rest is at v₀ = 0 whatever G
//!   is. In general a source U·λ leaves the current g·v₀·(1/λ − 1) unexplained.
//! * **A gain of Vb with p = 0** (a source to the negative rail): Gp comes out as
//!   Gp/(1 + ε), and G is right. With p > 0, p·ε·Vb is unexplained.
//! * **A gain of v and Vb alike with i = 0** (switched resistors): the rows are
//!   homogeneous, and the figures right.
//! * **Anything behind a hard leak**: what is unexplained is g/G of what the leak
//!   carries, and vanishes in the tolerances where G ≫ g.
//! * **A switch stuck open whose state would push nothing at the voltage of rest**:
//!   v₀ = i/g (with a source of U, a chassis that rests at U).
//!
//! # What cannot be told apart
//! * A hard short that no drive moves, a missing stimulus, a drive resistor open
//!   to both sides, and (at a rail) an open or shorted sense line: with one pair
//!   of driven states all read alike. The alarm stands, and the finding says
//!   that it may be the monitor.
//! * Between two checks, or without any: a stuck switch and a drifted resistor,
//!   from another leak; a leak whose resistance depends on voltage, from none.
//! * A stuck converter without noise, and a hard short seen without noise.
//! * A drift of less than some percent, which is a tolerance.
//! * A circuit that changes for the length of the check alone, from a fault of the
//!   parts: the finding goes with the next check, which follows at once.
//! * A leak that comes and goes with a dwell, and another monitor.
//! * A clock that is wrong from the start, or that stamps and samples alike.
//!
//! A record that is too short for the time constant is no fault: it is refused
//! by [`Reason::NotSettled`] or [`Reason::RecordTooShort`].

mod balance;
#[cfg(test)]
mod balance_tests;
mod confirmation;
mod converter;
mod finding;
mod noise;
mod redundant;
mod states;
mod twice;

pub(crate) use balance::Balance;
pub(crate) use confirmation::Confirmation;
pub use finding::{Finding, Findings};
pub(crate) use redundant::Outcome;

use core::num::NonZeroI32;

use crate::config::{Channel, Config, Drive, FrontEnd};
use crate::front::{Block, RawBlock};
use crate::num;
use crate::num::Saturating as _;
use crate::reason::Reason;
use crate::report::{Estimate, Reading};
use crate::steady::Closed;
use crate::units::{Microfarads, Volts};
use converter::Converter;
use noise::Noise;
use states::{Driven, States, Told};
use twice::Twice;

/// Blocks in a row that a rule for blocks must hold.
const BLOCKS: u8 = 8;
/// Blocks that show the usual number of samples; and what stands for them once
/// four estimates of such blocks have made it certain.
const USUAL: u8 = 50;
const CERTAIN: u8 = 54;
/// What to and fro adds, at which it is interference, and the most.
const TURN: u8 = 5;
const RESTLESS: u8 = 10;
const MOST: u8 = 15;
/// Standard uncertainties of a capacitance that leave little doubt, and of a
/// leak that leave none.
const DOUBT: i64 = 3;
const SURE: i64 = 6;
/// Energy that a touch may release, in joules (0.2 J: UN R100, Annex 9, from
/// memory, not verified).
const ENERGY: i64 = num::ONE / 5;

/// Fraction bits of a voltage given up where it is kept: the step is 15 µV.
const CUT: u32 = 16;

/// The stage of self-diagnosis.
#[derive(Debug, Clone, Default)]
pub(crate) struct Diagnosis {
    converters: [Converter; 2],
    states: States,
    /// Samples in a usual block.
    usual: u32,
    /// How sure the usual number is, and blocks in a row that differ from it.
    agreed: u8,
    differing: u8,
    /// Blocks in a row with v where nothing can put it, and at a limit.
    outside: u8,
    saturated: u8,
    polarity: Twice,
    sense: Twice,
    response: Twice,
    switch: Twice,
    contradiction: Twice,
    stimulus: Twice,
    noise: Noise,
    capacitance: bool,
    energy: bool,
    /// Where the settled voltage of each state last moved, and the leak when its
    /// record contradicted itself; and how often they turned.
    upwards: [Option<bool>; 3],
    grows: Option<bool>,
    restless: u8,
    /// The leak that the record left behind, in steps of 15 pS; zero for none.
    left: i32,
    /// What the check says of the newest settled readings.
    said: Option<Outcome>,
}

/// What a reading says so far.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Read {
    told: Told,
    driven: Option<Driven>,
}

impl Diagnosis {
    /// Takes a block: its codes and its means.
    #[inline(never)]
    pub(crate) fn listen(&mut self, config: &Config, raw: &RawBlock, block: &Block) {
        let changed = block.flags.first_in_dwell;
        let channels = raw.channels.iter().zip(config.front_end().channels());
        for (converter, (sums, channel)) in self.converters.iter_mut().zip(channels) {
            converter.listen(sums, raw.count, changed, channel);
        }
        self.noise.listen(config, block);
        self.saturated = run(self.saturated, block.flags.saturated);
        self.outside = run(self.outside, is_outside(config, block));
        let whole = !block.flags.cut && block.missing == 0;
        if self.is_rubbish() && self.differing == 0 {
            self.agreed = self.agreed.min(USUAL);
        }
        if whole {
            self.count(block.count);
        }
    }

    /// Nothing that is learnt from such blocks is certain.
    const fn is_rubbish(&self) -> bool {
        self.saturated >= BLOCKS || self.outside >= BLOCKS
    }

    /// Holds the number of samples in a whole block against the usual one. It is
    /// learnt anew for as long as nothing has been measured by it: a clock that
    /// goes wrong does so while the circuit is known, and what bad input has left
    /// behind gives no estimate.
    fn count(&mut self, samples: u32) {
        let allowed = (self.usual >> 3).max(2);
        if samples.abs_diff(self.usual) <= allowed {
            self.agreed = self.agreed.max(self.agreed.saturating_add(1).min(USUAL));
            self.differing = 0;
            return;
        }
        let told = self.agreed >= USUAL || self.differing > 0;
        self.differing = run(self.differing, told && self.usual >= u32::from(BLOCKS));
        if self.agreed < CERTAIN {
            self.agreed = self.agreed.saturating_sub(1);
        }
        if self.agreed == 0 {
            self.usual = samples;
        }
    }

    /// Takes the reading of a dwell that is over, or why it has none:
    /// [`Diagnosis::compare`] goes on with what it says.
    #[inline(never)]
    pub(crate) fn read(
        &mut self,
        config: &Config,
        closed: Closed,
        reading: &Result<Reading, Reason>,
    ) -> Option<Read> {
        self.restless = self.restless.saturating_sub(1);
        self.said = None;
        match reading {
            Ok(reading) => {
                let mut told = Told::default();
                let sequence = closed.sequence;
                let driven = self.states.take(config, reading, sequence, &mut told);
                Some(Read { told, driven })
            }
            Err(reason) => {
                self.states.clear(closed.drive, closed.sequence);
                // A step in mid-dwell: once it is an event, again and again not.
                // Hum in blocks that do not hold its periods is none.
                if *reason == Reason::CircuitChanged && !self.noise.explains(config) {
                    self.turn();
                }
                None
            }
        }
    }

    /// Compares the states. Apart from the reading, because it goes deep.
    #[inline(never)]
    pub(crate) fn compare(&mut self, config: &Config, closed: Closed, read: Option<Read>) {
        let Some(Read { mut told, driven }) = read else {
            return;
        };
        if let Some(driven) = &driven {
            self.states
                .check(config, driven, closed.sequence, &mut told);
        }
        self.hear(closed.drive, &told);
    }

    /// Takes the estimate that is told after its reading.
    #[inline(never)]
    pub(crate) fn conclude(&mut self, config: &Config, estimate: &Result<Estimate, Reason>) {
        let weak = matches!(estimate, Err(Reason::StimulusTooWeak));
        let noisy = self.noise.of_a_dwell() > usual_swing(config) >> 2;
        self.stimulus.take(Some(weak || noisy));
        if let Ok(estimate) = estimate {
            self.weigh(config, estimate);
            if self.agreed >= USUAL && self.differing == 0 && !self.is_rubbish() {
                self.agreed = self.agreed.saturating_add(1).min(CERTAIN);
            }
        }
    }

    /// Takes what the settled voltages of the drive states say.
    fn hear(&mut self, drive: Drive, told: &Told) {
        self.polarity.take(told.polarity);
        // Both readings are of after the change, if there was one.
        self.sense.take_at_once(told.at_rail);
        self.response.take(told.no_response);
        self.switch.take(told.stuck);
        self.contradiction.take(told.contradict);
        self.said = told.outcome;
        if let (Some(upwards), Some(before)) = (told.moved, self.upwards.get_mut(drive.slot()))
            && before.replace(upwards) == Some(!upwards)
        {
            self.turn();
        }
    }

    /// A record has contradicted itself, whose leak was fitted before.
    pub(crate) fn leave(&mut self, fitted: &Estimate) {
        self.left = short(fitted.conductance.value.to_bits() >> CUT);
    }

    /// The leak as a fit of the record has it that was begun then. One that grows
    /// has changed; one that grows and shrinks again has not.
    pub(crate) fn arrive(&mut self, fitted: &Estimate) {
        if self.left == 0 {
            return;
        }
        let left = i64::from(self.left);
        let (value, u) = (fitted.conductance.value, fitted.conductance.u);
        let by = i64::from(short(value.to_bits() >> CUT)).minus(left);
        let doubt = (u.to_bits() >> CUT).times(SURE);
        if by.size() > doubt.plus((left >> 3).size()) {
            self.left = 0;
            if self.grows.replace(by > 0) == Some(by < 0) {
                self.turn();
            }
        }
    }

    /// Something moved the readings that no circuit explains.
    fn turn(&mut self) {
        self.restless = self.restless.saturating_add(TURN).min(MOST);
    }

    /// The check at rest has found something, or is in doubt.
    pub(crate) const fn checks_again(&self) -> bool {
        self.contradiction.is_in_question() || self.switch.is_in_question()
    }

    /// What the check and the readings of the newest dwell come to.
    pub(crate) const fn said(&self) -> Option<Outcome> {
        self.said
    }

    /// Takes an estimate's capacitance.
    pub(crate) fn weigh(&mut self, config: &Config, estimate: &Estimate) {
        let Some(capacitance) = estimate.capacitance else {
            return;
        };
        let (c, u) = (capacitance.value.to_bits(), capacitance.u.to_bits());
        let least = Microfarads::from_bits(c.minus(u.times(DOUBT)).max(0));
        self.capacitance = least > config.timing().capacitance_max;
        self.energy = stored(least, estimate.pack) > ENERGY;
    }

    /// Forgets readings: what follows is not their successor.
    pub(crate) fn restart(&mut self) {
        self.states = States::default();
        self.upwards = [None; 3];
        (self.grows, self.left) = (None, 0);
        self.restless = 0;
        self.agreed = 0;
        self.differing = 0;
    }

    /// All that is found.
    #[inline(never)]
    pub(crate) fn findings(&self, config: &Config) -> Findings {
        let [a, b] = &self.converters;
        let [follows_a, follows_b] = follows(config);
        let stuck = a.is_stuck(follows_a) || b.is_stuck(follows_b);
        let dead = a.has_dead_bits() || b.has_dead_bits();
        Findings::NONE
            .with(Finding::ConverterStuck, stuck)
            .with(Finding::ConverterSaturated, self.saturated >= BLOCKS)
            .with(Finding::ConverterBits, dead)
            .with(Finding::SenseLine, self.sense.found)
            .with(Finding::NoResponse, self.response.found)
            .with(Finding::StimulusWeak, self.stimulus.found)
            .with(Finding::SwitchStuck, self.switch.found)
            .with(Finding::StatesContradict, self.contradiction.found)
            .with(Finding::Polarity, self.polarity.found)
            .with(Finding::PackImplausible, self.outside >= BLOCKS)
            .with(Finding::TimeBase, self.differing >= BLOCKS)
            .with(Finding::Capacitance, self.capacitance)
            .with(Finding::StoredEnergy, self.energy)
            .with(Finding::Interference, self.restless >= RESTLESS)
    }
}

/// Volts in steps of 15 µV.
#[inline(never)]
fn cut(volts: Volts) -> i32 {
    short(volts.to_bits() >> CUT)
}

/// An uncertainty, of one step at least.
fn above_zero(u: i32) -> NonZeroI32 {
    NonZeroI32::new(u.max(1)).unwrap_or(NonZeroI32::MAX)
}

/// In 32 bits, saturating.
fn short(wide: i64) -> i32 {
    i32::try_from(wide).unwrap_or(if wide < 0 { i32::MIN } else { i32::MAX })
}

/// Counts what holds in a row.
const fn run(count: u8, holds: bool) -> u8 {
    if holds { count.saturating_add(1) } else { 0 }
}

/// ½·C·Vb² in joules: µF·V² are microjoules.
fn stored(capacitance: Microfarads, pack: Volts) -> i64 {
    let volts = num::mul(pack.to_bits(), pack.to_bits());
    let twice = num::wide(capacitance.to_bits(), volts);
    num::quotient(twice, 2_000_000, -32)
}

/// No leak takes v beyond a rail, and a source by its voltage only.
fn is_outside(config: &Config, block: &Block) -> bool {
    let elements = config.network().elements().iter();
    let emf = elements.flat_map(|part| part.contacts.iter());
    let push = emf.fold(Volts::ZERO, |most, contact| most.max(contact.emf.abs()));
    let spare = num::over(config.limits().working_voltage.to_bits(), 20).unwrap_or(0);
    let margin = push
        .saturating_add(Volts::from_bits(spare))
        .saturating_add(Volts::from_int(5));
    let pack = block.pack.max(Volts::ZERO);
    block.chassis > pack.saturating_add(margin)
        || block.chassis.saturating_add(margin) < Volts::ZERO
}

/// By how much the drive moves v at the alarm limit, in the middle of the stack.
fn usual_swing(config: &Config) -> i64 {
    let pack = config.limits().working_voltage;
    let half = Volts::from_bits(pack.to_bits() >> 1);
    states::least_swing(config, half, pack).unwrap_or(0)
}

/// Whether the drive moves each channel by four codes or more at the alarm limit.
fn follows(config: &Config) -> [bool; 2] {
    let swing = usual_swing(config);
    let fine = |channel: &Channel| swing >= channel.quantum().to_bits().times(4);
    let [first, second] = config.front_end().channels().map(fine);
    match config.front_end() {
        FrontEnd::ChassisAndPack { .. } => [first, false],
        FrontEnd::RailPair { .. } => [first, second],
    }
}

#[cfg(test)]
mod check_tests;
#[cfg(test)]
mod tests;
