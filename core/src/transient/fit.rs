//! What a converged search says, with its uncertainty.

use super::covariance::{Covariance, Spread};
use super::scaled::Scaled;
use super::search::{FASTEST, MOST_CAPACITANCE, MOST_TOTAL, RATIOS, variance};
use super::slips::{DRIFT_MOST, Slips};
use super::tally::Tally;
use super::theta::{Reference, Theta, positive};
use crate::num::{self, ONE, millionths, mul};
use crate::units::{Measured, Microfarads, Microsiemens, Ratio, Seconds, Volts};

/// The circuit as a record of block means shows it. Standard uncertainties are
/// those of noise alone, with the noise taken from the residuals and the few
/// degrees of freedom of a short record allowed for, so that ±1.96 u is a 95 %
/// interval; tolerances of parts come on top. Intervals are Gaussian in the
/// conductances, never in the resistances.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Fit {
    /// G.
    pub conductance: Measured<Microsiemens>,
    /// Gp.
    pub positive_conductance: Measured<Microsiemens>,
    /// Gn = G − Gp.
    pub negative_conductance: Measured<Microsiemens>,
    /// x = Gp/G; `None` where G is not positive.
    pub position: Option<Measured<Ratio>>,
    /// C; `None` when the circuit settles too fast to show it.
    pub capacitance: Option<Measured<Microfarads>>,
    /// Drift of the zero of v, in V/s: held close to none until the record shows it.
    pub drift: Measured<Volts>,
    /// Standard uncertainty of that zero: as far as the drift that the record alone shows, be it noise, moved it
    /// within half of it. It is in none of the figures above.
    pub slide: Volts,
    /// What that adds to Gp and Gn, where the drive states hold the chassis alike.
    pub slide_conductance: Microsiemens,
    /// κ = Cp/C; its uncertainty is 0.3 while Vb stands still.
    pub coupling: Measured<Ratio>,
    /// Longest time constant of the drive cycle.
    pub time_constant: Seconds,
    /// Noise of a block mean of v as the residuals show it.
    pub noise: Volts,
    /// The same before hum averages out over five blocks; not less.
    pub scatter: Volts,
    /// Mean square of slow residuals over that of fast ones: near one where the
    /// circuit explains the readings. Uncertainties contain its root where it
    /// is significantly above one.
    pub misfit: Ratio,
    /// Length of the record.
    pub span: Seconds,
    /// Mean time between drive changes in it, in microseconds.
    pub dwell_us: u32,
    /// Entries of the record that went in.
    pub rows: u16,
    /// Entries left out because they lie beyond six standard deviations.
    pub rejected: u16,
}

/// Variance of ln(G + gr) of a short of which nothing is told.
const VAGUE: Scaled = Scaled::new(1, 2);

/// Halves of a dwell: fewest that tell a short of which nothing else is told.
const FEWEST_HALVES: u32 = 5;

/// Fewest sums over five blocks that tell a slow disturbance from noise.
const FEWEST_FIVES: u32 = 4;

/// Standard uncertainties of what the first sample shows of a transient, from which on it is one, squared: five.
const RESOLVED: Scaled = Scaled::int(25);

/// What the walk that converged left behind.
#[derive(Debug, Clone)]
pub(super) struct Converged {
    pub(super) covariance: Covariance,
    pub(super) fives: Tally,
    pub(super) batches: Tally,
    /// Noise variance as samples scatter within blocks, and how many they are.
    pub(super) scatter: Scaled,
    pub(super) samples: i64,
    /// Variance that hum leaves of means, over that of its samples.
    pub(super) hum: Scaled,
    /// Variance of a converter step, V² times weight.
    pub(super) step: Scaled,
    /// Length of the record in blocks.
    pub(super) blocks: i64,
    pub(super) used: u32,
    pub(super) rejected: u32,
    /// What entries left out add to the sum of squares.
    pub(super) left_out: Scaled,
    /// The block right after a drive change is there, and how far the readings lag is known.
    pub(super) onset: bool,
    pub(super) span: i64,
    pub(super) dwell_us: u32,
    /// What the noise variance is not believed to be below.
    pub(super) least: Scaled,
    /// Noise variance of single entries, V² times weight.
    pub(super) single: Scaled,
    /// Vb and, where it stood still, its standard uncertainty.
    pub(super) pack: i64,
    pub(super) pack_u: Scaled,
    /// Size of the drift that the record alone shows, and standard uncertainty of that which is fitted, V/s.
    pub(super) drift_seen: Scaled,
    pub(super) drift_u: Scaled,
    /// How firmly v at the start was held.
    pub(super) start_held: Scaled,
    pub(super) slips: Slips,
}

impl Converged {
    /// Takes the equations of a circuit that follows a trend instead, but for
    /// κ, which they leave out. What passes for the circuit passes for its trend, too,
    /// and is magnified with it as noise is.
    #[inline(never)]
    pub(super) fn follow(&mut self, trend: Covariance) {
        let steady = &self.covariance;
        let [by_total, by_ratio] = [
            trend.total.over(steady.total).max(Scaled::ONE),
            trend.ratio.over(steady.ratio).max(Scaled::ONE),
        ];
        self.slips.magnify(by_total, by_ratio);
        self.covariance = Covariance {
            coupling: steady.coupling,
            ..trend
        };
    }

    /// Noise variance that the residuals show.
    pub(super) fn noise(&self) -> Scaled {
        variance(self.covariance.squares, self.covariance.freedom, self.least)
    }

    /// Mean square of slow residuals over the noise variance.
    fn misfit(&self, variance: Scaled) -> Scaled {
        self.batches.mean().over(variance)
    }

    /// The slow residuals are within two standard deviations of white noise.
    pub(super) fn quiet(&self) -> bool {
        let noise = self.noise();
        let count = Scaled::int(i64::from(self.batches.count));
        let usual = Scaled::int(8).over(count).root().plus(Scaled::ONE);
        self.misfit(noise).less(usual)
    }

    /// By how much the variance is enlarged: one, unless the misfit is beyond
    /// three standard deviations of what white noise shows, √(2/batches).
    fn inflation(&self, variance: Scaled) -> Scaled {
        let misfit = self.misfit(variance);
        let count = Scaled::int(i64::from(self.batches.count));
        let usual = Scaled::int(18).over(count).root().plus(Scaled::ONE);
        if usual.less(misfit) {
            misfit
        } else {
            Scaled::ONE
        }
    }

    /// The figures; `None` where the record leaves a parameter undetermined, or
    /// where no passive circuit has them.
    #[inline(never)]
    pub(super) fn fit(
        &self,
        theta: &Theta,
        reference: Reference,
        suspected: [Scaled; 2],
        longest: i64,
    ) -> Option<Fit> {
        if !self.covariance.regular {
            return None;
        }
        let noise = self.noise();
        let enlarged = self.enlarged(noise);
        let tau = num::ratio(theta.capacitance, theta.total);
        let settles = tau < self.block();
        let wave = self.wave(noise, settles);
        let spread = Spread::new(&self.covariance, enlarged, wave, theta)
            .plus_change(suspected)
            .plus_slips(&self.slips)
            .plus_pack(self.pack, self.pack_u, theta);
        let total = theta.total.saturating_sub(reference.g);
        let plus = positive(theta, reference);
        let conductance = siemens(total, spread.of(ONE, 0));
        let positive_conductance = siemens(plus, spread.of(theta.ratio, ONE));
        let negative_conductance = siemens(
            total.saturating_sub(plus),
            spread.of(ONE.saturating_sub(theta.ratio), -ONE),
        );
        let rails = [positive_conductance, negative_conductance];
        let vague = VAGUE.less(spread.by_total);
        // A G + gr of which nothing is told may be that of a fast circuit behind hum.
        let told = if settles {
            self.tells_fast(tau, spread.by_capacitance)
        } else {
            !vague
        };
        let capacitance = spread.capacitance(theta).filter(|_| told);
        let endless = self.is_endless(theta, settles, vague, capacitance.is_some());
        if endless || impossible(&conductance, &rails, theta) {
            return None;
        }
        let coupling = self.covariance.coupling;
        let slide = self.slide(theta);
        Some(Fit {
            conductance,
            positive_conductance,
            negative_conductance,
            position: (total > 0).then(|| spread.position(theta, plus, total)),
            capacitance,
            coupling: Measured {
                value: Ratio::from_bits(theta.coupling),
                u: Ratio::from_bits(coupling.times(enlarged).root().bits()),
            },
            drift: self.drift(theta),
            slide: Volts::from_bits(slide),
            slide_conductance: Microsiemens::from_bits(num::ratio(
                mul(theta.total, slide),
                self.pack,
            )),
            time_constant: Seconds::from_bits(longest),
            noise: Volts::from_bits(noise.shifted(-4).root().bits()),
            scatter: Volts::from_bits(self.single.max(noise).shifted(-4).root().bits()),
            misfit: Ratio::from_bits(self.misfit(noise).bits()),
            span: Seconds::from_bits(self.span),
            dwell_us: self.dwell_us,
            rows: narrow(self.used),
            rejected: narrow(self.rejected),
        })
    }

    /// There is no minimum, but any C up to the most that is looked for, or any G, or any w: v of no passive circuit
    /// settles a whole Vb beyond the rails. Behind a short so hard that v settles
    /// within a block C does not matter, if G is told at all; but a pack that moves in step with the drive passes for
    /// one, and so does, until the drive has changed a second time, a large C behind hum.
    fn is_endless(&self, theta: &Theta, settles: bool, vague: bool, tells_c: bool) -> bool {
        let moves = !self.pack_u.positive();
        let any_c =
            theta.capacitance >= MOST_CAPACITANCE && (moves || tells_c || !settles || vague);
        let early = millionths(self.dwell_us.saturating_mul(FEWEST_HALVES)) >> 1;
        let (least, most) = RATIOS;
        let any_w = theta.ratio <= least || theta.ratio >= most;
        any_c || any_w || vague && (theta.total >= MOST_TOTAL >> 1 || settles && self.span < early)
    }

    /// Length of a block, s.
    fn block(&self) -> i64 {
        self.span.checked_div(self.blocks).unwrap_or(0)
    }

    /// C of a circuit that settles within a block is told by the first ones: the later show noise, to which any smaller C
    /// is as good. And where the search ended near the shortest time constant, or would have, there is none.
    ///
    /// Where it settles between two samples, the first of them shows e^-z, z in time constants: C moves that by z parts of
    /// itself, and looks well known where there is nothing but noise. It is told from five standard uncertainties on.
    #[inline(never)]
    fn tells_fast(&self, tau: i64, by_capacitance: Scaled) -> bool {
        // All by the length of the record, for a block is a part of that. What settles within a block is shorter than
        // the record so many times: no product overflows.
        if !self.onset || tau.wrapping_mul(self.blocks).wrapping_mul(FASTEST / 2) < self.span {
            return false;
        }
        let samples = Scaled::int(self.blocks.wrapping_mul(self.samples));
        let [all, between] = [Scaled::of(self.span), Scaled::of(tau).times(samples)];
        let least = by_capacitance.times(RESOLVED).times(all.square());
        !between.square().less(least)
    }

    /// The drift of the zero that is fitted, V/s.
    fn drift(&self, theta: &Theta) -> Measured<Volts> {
        Measured {
            value: Volts::from_bits(theta.drift),
            u: Volts::from_bits(self.drift_u.bits()),
        }
    }

    /// How far the drift that is seen moves the zero within half of the record. One that is held is no larger than any
    /// that is provided for.
    fn slide(&self, theta: &Theta) -> i64 {
        let most = DRIFT_MOST.max(theta.drift.saturating_abs());
        mul(self.drift_seen.bits().min(most), self.span >> 1)
    }

    /// Noise variance with what the residuals and their number add.
    fn enlarged(&self, noise: Scaled) -> Scaled {
        // Student's t: 97.5 % points are 1.96·(1 + 1.22/ν) to 1 % from ν = 4.
        let student = Scaled::of(ONE * 61 / 50)
            .over(Scaled::int(self.covariance.freedom))
            .plus(Scaled::ONE)
            .square();
        noise
            .times(self.inflation(noise))
            .plus(self.slow())
            .times(student)
    }

    /// What a wave adds to the variance of C: a dwell has often a whole number of its half-periods, and then it is in the
    /// blocks after all drive changes alike. Where the one right after them alone tells C, that is what averages out over
    /// five blocks; anywhere, what rows vary by beyond what samples scatter, if that is more than chance.
    fn wave(&self, noise: Scaled, settles: bool) -> Scaled {
        if self.fives.count < FEWEST_FIVES {
            return Scaled::ZERO;
        }
        let sampled = self.scatter.max(self.step);
        let chance = Scaled::int(18).over(Scaled::int(self.used.into())).root();
        let mut beyond = noise.minus(sampled);
        if beyond.less(chance.times(sampled)) {
            beyond = Scaled::ZERO;
        }
        if settles {
            beyond = beyond.max(noise.minus(self.fives.mean()));
        }
        let dwells = num::ratio(self.span, millionths(self.dwell_us));
        beyond.times(Scaled::of(dwells))
    }

    /// Variance of what is slow and does not average out. Either the rows vary by
    /// more than samples scatter: an alias of ripple, a drift, a second circuit. At
    /// worst, all of that passes for the swing of v, as white noise would of this
    /// variance times half of the blocks. Or it is known what averaging leaves.
    #[inline(never)]
    fn slow(&self) -> Scaled {
        let (fives, count) = (self.fives.mean(), self.fives.count);
        if count < FEWEST_FIVES {
            return self.residue();
        }
        let spread = Scaled::int(18).over(Scaled::int(i64::from(count))).root();
        let usual = spread.plus(Scaled::new(21, -4));
        let noise = self.scatter.max(self.step);
        if noise.times(usual).less(fives) {
            let half = Scaled::int(self.blocks >> 1);
            fives.minus(noise).times(half)
        } else {
            self.residue()
        }
    }

    /// Variance of what averaging leaves, by its cause. Samples that scatter by
    /// less than 0.58 steps of the converter are rounded alike (see the settled
    /// path, which has the same bound). And where rows vary by far less than samples
    /// scatter, the scatter is hum, which leaves a residue of anything up to
    /// 0.5 Hz, that of the drive as well.
    #[inline(never)]
    pub(super) fn residue(&self) -> Scaled {
        let count = self.fives.count;
        let white = self.fives.mean().max(self.step);
        let half = Scaled::int(self.blocks >> 1);
        let samples = Scaled::int(self.samples);
        if self.scatter.times(samples).less(self.step.shifted(2)) {
            self.step.times(half)
        } else if count < FEWEST_FIVES {
            Scaled::ZERO
        } else if white.times(Scaled::int(3)).less(self.scatter) {
            let hum = self.scatter.minus(white).times(samples);
            hum.times(self.hum).times(half)
        } else {
            Scaled::ZERO
        }
    }
}

/// No passive circuit has these. A zero that is off by a 64th of Vb makes a rail seem to feed the chassis; by how much it
/// may, the estimate knows.
fn impossible(
    conductance: &Measured<Microsiemens>,
    rails: &[Measured<Microsiemens>],
    theta: &Theta,
) -> bool {
    absurd(conductance, 0) || rails.iter().any(|rail| absurd(rail, theta.total >> 6))
}

/// Negative by more than `off` and three standard uncertainties.
fn absurd(conductance: &Measured<Microsiemens>, off: i64) -> bool {
    let reach = conductance.u.to_bits().saturating_mul(3);
    conductance
        .value
        .to_bits()
        .saturating_add(reach)
        .saturating_add(off)
        < 0
}

fn siemens(value: i64, u: Scaled) -> Measured<Microsiemens> {
    Measured {
        value: Microsiemens::from_bits(value),
        u: Microsiemens::from_bits(u.bits()),
    }
}

fn narrow(count: u32) -> u16 {
    u16::try_from(count).unwrap_or(u16::MAX)
}

/// Longest time constant C/(G + g_k) of the given conductances.
pub(super) fn longest(
    theta: &Theta,
    reference: Reference,
    conductances: impl Iterator<Item = i64>,
) -> i64 {
    let own = theta.total.saturating_sub(reference.g);
    let least = conductances
        .map(|g| own.saturating_add(g))
        .min()
        .unwrap_or(theta.total)
        .max(1);
    num::ratio(theta.capacitance, least)
}
