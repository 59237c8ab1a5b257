//! What is believed of the parameters that a record seldom shows, and when to
//! think again.

use super::noise::Noise;
use super::normal::System;
use super::pack::Survey;
use super::scaled::Scaled;
use super::solve::Factors;
use super::theta::{CAPACITANCE, COUPLING, DRIFT, LAG, RATIO, START, TOTAL, Theta};
use crate::num::{self, ONE, millionths};
use crate::units::{Measured, Seconds};

/// Degrees of freedom below which residuals alone do not tell the noise.
const FEW: i64 = 30;

/// Standard uncertainty of v at the start, V.
const START_U: Scaled = Scaled::int(30_000);

/// Beliefs enter the normal equations as observations of a parameter.
#[derive(Debug, Clone, Copy)]
pub(super) struct Beliefs {
    /// λ as declared.
    pub(super) lag: Measured<Seconds>,
    /// Time between samples, s.
    tick: Scaled,
    /// Noise variance as scatter within blocks shows it, V² times weight.
    variance: Scaled,
    /// What no noise variance is believed to be below.
    floor: Scaled,
    /// Half the drift that the noise would let the record show, V/s. Held to
    /// it, a drift costs a record of one cycle an eighth of its variance
    /// at most, and a drift of 3 mV/s shows within a few seconds.
    hidden_drift: Scaled,
    /// The data show a drift.
    drifting: bool,
    /// The data show that the declared lag is wrong.
    late: bool,
}

/// What the data say of the beliefs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Revision {
    /// They agree.
    Kept,
    /// They contradict a belief.
    Contradicted,
    /// A parameter that was let free agrees with its belief, which holds again.
    Restored,
}

impl Beliefs {
    pub(super) const fn new() -> Self {
        Self {
            lag: Measured {
                value: Seconds::ZERO,
                u: Seconds::ZERO,
            },
            tick: Scaled::ZERO,
            variance: Scaled::ZERO,
            floor: Scaled::ZERO,
            hidden_drift: Scaled::ONE,
            drifting: false,
            late: false,
        }
    }

    /// Takes note of the declared lag, of the noise and of what a record can
    /// show. A sample stands at the end of its period, half a period after the
    /// middle that λ counts from; where the lag is not known, λ is anything
    /// within half a period. `jitter` is how far the times of samples are off, which passes for another lag.
    #[inline(never)]
    pub(super) fn observe(
        &mut self,
        declared: Option<Measured<Seconds>>,
        noise: &Noise,
        tick: i64,
        jitter: i64,
        survey: &Survey,
    ) {
        let half = tick >> 1;
        let Measured { value, u } = declared.map_or(
            Measured {
                value: Seconds::ZERO,
                u: Seconds::from_bits(num::mul(half, num::ROOT_THIRD)),
            },
            |lag| Measured {
                value: lag.value.saturating_sub(Seconds::from_bits(half)),
                u: lag.u,
            },
        );
        let u = Seconds::from_bits(num::hypot(&[u.to_bits(), jitter]));
        self.lag = Measured { value, u };
        self.tick = Scaled::of(tick);
        self.variance = noise.chassis;
        self.floor = noise.floor;
        let mean = noise.chassis.over(Scaled::int(survey.weight)).root();
        let length = Scaled::of(millionths(survey.length_us));
        self.hidden_drift = mean.over(length).shifted(-1);
    }

    /// What the noise variance is not believed to be below. A few residuals are
    /// small by chance, or because the parameters follow hum: then the scatter
    /// within blocks is the better witness.
    pub(super) fn least_variance(&self, freedom: i64) -> Scaled {
        if freedom < FEW {
            self.floor.max(self.variance)
        } else {
            self.floor
        }
    }

    pub(super) const fn variance(&self) -> Scaled {
        self.variance
    }

    /// Lets drift and lag free, or holds them.
    pub(super) const fn free(&mut self, free: bool) {
        self.drifting = free;
        self.late = free;
    }

    /// The data show that the declared lag is wrong.
    pub(super) const fn are_late(&self) -> bool {
        self.late
    }

    pub(super) const fn are_free(&self) -> bool {
        self.drifting || self.late
    }

    /// Standard deviation of the drift: half a volt a second once it shows.
    pub(super) fn drift_u(&self) -> Scaled {
        if self.drifting {
            Scaled::of(ONE / 2)
        } else {
            self.hidden_drift
        }
    }

    /// Standard deviation of the lag: a sampling period once it is known to
    /// be other than declared.
    fn lag_u(&self) -> Scaled {
        let declared = Scaled::of(self.lag.u.to_bits().max(ONE / 10_000_000));
        if self.late {
            self.tick.max(declared)
        } else {
            declared
        }
    }

    /// Weight of an observation with the standard deviation `u`.
    pub(super) fn weight(&self, u: Scaled) -> Scaled {
        self.variance.over(u.square())
    }

    /// Adds the beliefs to the normal equations at a point.
    pub(super) fn apply(&self, system: &mut System, theta: &Theta, noise: Scaled) {
        for (place, error, weight) in self.of_coupling_and_lag(theta) {
            system.prior(place, error, weight);
        }
        self.apply_basics(system, theta, noise);
    }

    /// What the beliefs on κ and the lag add to the sum of squares.
    pub(super) fn squares_of_coupling_and_lag(&self, theta: &Theta) -> Scaled {
        let of = |(_, error, weight): (_, Scaled, Scaled)| weight.times(error.square());
        let [coupling, lag] = self.of_coupling_and_lag(theta).map(of);
        coupling.plus(lag)
    }

    /// The beliefs on κ and the lag: place, how far above the point, weight.
    fn of_coupling_and_lag(&self, theta: &Theta) -> [(usize, Scaled, Scaled); 2] {
        let half = (ONE / 2).saturating_sub(theta.coupling);
        let late = self.lag.value.to_bits().saturating_sub(theta.lag);
        let coupling_u = Scaled::of(ONE * 3 / 10);
        [
            (COUPLING, Scaled::of(half), self.weight(coupling_u)),
            (LAG, Scaled::of(late), self.weight(self.lag_u())),
        ]
    }

    /// The beliefs without those on κ and the lag. `noise` is the variance that
    /// the residuals show.
    fn apply_basics(&self, system: &mut System, theta: &Theta, noise: Scaled) {
        let back = Scaled::of(theta.drift).negated();
        system.prior(DRIFT, back, self.weight(self.drift_u()));
        // What the record does not show at all stays where it is, with an
        // uncertainty of a factor of e³⁰ in C, of 30 kV, which at the start of a fast circuit pass for
        // another C, and of a siemens: where
        // G + gr is small, it is no better known for that. Nor where it is large: a short
        // shows in 1/(G + gr), which is uncertain by a megohm.
        let total = Scaled::of(theta.total.max(1));
        let siemens = Scaled::int(1_000_000).over(total);
        let basics = [
            (TOTAL, siemens.plus(total)),
            (RATIO, siemens),
            (CAPACITANCE, Scaled::int(30)),
            (START, START_U),
        ];
        for (place, u) in basics {
            system.prior(place, Scaled::ZERO, self.basic_weight(u, noise));
        }
    }

    fn basic_weight(&self, u: Scaled, noise: Scaled) -> Scaled {
        noise.min(self.variance).over(u.square())
    }

    /// Weight of the belief in v at the start, where the residuals show the variance `noise`.
    pub(super) fn start_weight(&self, noise: Scaled) -> Scaled {
        self.basic_weight(START_U, noise)
    }

    /// Confronts the beliefs with the data. A parameter that is held where it
    /// does not belong pulls: value²/(u² − posterior variance) is the square of
    /// a standard normal number if the belief is right. `noise` is the
    /// variance that the residuals show.
    #[inline(never)]
    pub(super) fn revise(&mut self, system: &System, theta: &Theta, noise: Scaled) -> Revision {
        let mut factors = Factors::NONE;
        factors.factor(system, Scaled::ZERO);
        let noise = noise.max(self.variance);
        let late = theta.lag.saturating_sub(self.lag.value.to_bits());
        let verdicts = [
            (DRIFT, theta.drift, self.drift_u(), self.drifting),
            (LAG, late, self.lag_u(), self.late),
        ]
        .map(|(place, value, u, free)| {
            let posterior = factors.variance(place).times(noise);
            let square = Scaled::of(value).square();
            if free {
                let agrees = square.less(posterior.times(Scaled::int(9)));
                return if agrees {
                    Revision::Restored
                } else {
                    Revision::Kept
                };
            }
            let ratio = noise.over(self.variance);
            let room = u.square().times(ratio).minus(posterior);
            let room = room.max(u.square().shifted(-10));
            if room.times(Scaled::int(16)).less(square) {
                Revision::Contradicted
            } else {
                Revision::Kept
            }
        });
        if verdicts.contains(&Revision::Contradicted) {
            return Revision::Contradicted;
        }
        let [drift, lag] = verdicts.map(|verdict| verdict == Revision::Restored);
        self.drifting &= !drift;
        self.late &= !lag;
        if drift || lag {
            Revision::Restored
        } else {
            Revision::Kept
        }
    }
}
