//! The exact conductance solve.
//!
//! In a settled state k the currents into the chassis sum to zero:
//!
//! ```text
//! v_k·G − Vb_k·Gp = r_k,      r_k = i_k + p_k·Vb_k − g_k·v_k
//! ```
//!
//! linear in G = Gp + Gn and Gp, whatever the drive, and exact even if Vb
//! differs between the states. Two states give, by Cramer's rule,
//!
//! ```text
//! D = v_2·Vb_1 − v_1·Vb_2
//! G = (r_2·Vb_1 − r_1·Vb_2)/D,   Gp = (v_1·r_2 − v_2·r_1)/D
//! ```
//!
//! Over more states, least squares is the mean of all pairs' solutions
//! weighted with D² (Jacobi's theorem on overdetermined systems). With
//! w = D/D_max it needs no normal equations, whose condition is the square of
//! the pair's.
//!
//! Both numerators are linear in r: `N_G = Σ α_k r_k`, `N_P = Σ β_k r_k`. The
//! same α and β carry every error of a reading or a part into G, Gp and x,
//! and do so without dividing by D, which a hard short makes vanish.

use heapless::Vec;

use crate::config::Network;
use crate::num;
use crate::num::Saturating as _;
use crate::settle::Settled;
use crate::units::{Measured, Volts};

/// Most readings in one solve: one for each drive state.
pub(crate) const READINGS: usize = 3;

/// Standard uncertainties of v by which it strays from its share of Vb by chance.
const STRAYED: i64 = 3;
/// Share of the swing between drive states, as a power of two, that v may stray by
/// within them: where it does more, a slow circuit that a moving pack hides is no worse
/// an explanation. D has 64 fraction bits.
const MOST_STRAYED: u32 = 2 + num::FRAC;

/// Least share of a contradiction that a reading has; one that could hardly cause it is
/// hardly its cause.
const LEAST_SHARE: i64 = num::ONE >> 4;

/// All pairs of states.
const PAIRS: [(usize, usize); 3] = [(0, 1), (0, 2), (1, 2)];

/// One settled state as the solve sees it, `I32F32` bits.
#[derive(Debug, Clone, Copy)]
pub(crate) struct State<'a> {
    /// What the monitor hangs on the chassis, and the part of it to the positive rail.
    pub(crate) g: i64,
    pub(crate) p: i64,
    pub(crate) v: i64,
    /// Standard uncertainty of v.
    pub(crate) v_u: i64,
    /// Standard uncertainty of v from trailing behind a moving pack voltage,
    /// signed because its unknown factor is common to all states, see
    /// [`System::take_off_lag`]; or from a zero that is off, if that is larger.
    pub(crate) lag: i64,
    /// Current that the monitor pushes into the chassis, in µA.
    pub(crate) r: i64,
    pub(crate) settled: &'a Settled,
}

impl<'a> State<'a> {
    pub(crate) fn new(network: &Network, settled: &'a Settled) -> Self {
        let row = network.row(settled.drive);
        Self {
            g: row.g.to_bits(),
            p: row.p.to_bits(),
            v: settled.chassis.value.to_bits(),
            v_u: settled.chassis.u.to_bits(),
            lag: num::mul(settled.lag.to_bits(), num::ROOT_THIRD),
            r: row
                .current(settled.chassis.value, settled.pack.value)
                .to_bits(),
            settled,
        }
    }

    /// Share of Vb that v settles at, with G and Gp as solved.
    fn share(&self, g: i64, gp: i64) -> i64 {
        let pull = gp.plus(self.p);
        let load = g.plus(self.g);
        num::ratio(pull, load).clamp(0, num::ONE)
    }

    /// How far v is beside where it would settle, with G and Gp as solved.
    fn beside(&self, g: i64, gp: i64) -> i64 {
        let free = self.r.plus(num::mul(self.g, self.v));
        let pushed = free.plus(num::mul(gp, self.vb()));
        let load = g.plus(self.g);
        self.v.minus(num::ratio(pushed, load)).size()
    }

    /// v may be off by so much more; apart, for the sake of the flash.
    #[inline(never)]
    fn put_in_doubt(&mut self, doubt: i64) {
        self.v_u = num::hypot(&[self.v_u, doubt]);
    }

    /// Vb.
    pub(crate) const fn vb(&self) -> i64 {
        self.settled.pack.value.to_bits()
    }

    /// Standard uncertainty of Vb.
    pub(crate) const fn vb_u(&self) -> i64 {
        self.settled.pack.u.to_bits()
    }
}

/// The zero of v, as it is seen to drift.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Zero {
    /// Its standard uncertainty, volts.
    pub(crate) off: i64,
    /// Its drift, V/s.
    pub(crate) drift: i64,
}

impl Zero {
    /// No drift is seen.
    pub(crate) const STILL: Self = Self { off: 0, drift: 0 };
}

/// Numerators and determinant of the solve. Products of two `I32F32` are
/// kept at full width: |v|, |Vb| < 2^12 V and |r| < 2^31 µA leave 2^43 with 64
/// fraction bits, 107 bits.
#[derive(Debug, Clone, Default)]
pub(crate) struct System<'a> {
    pub(crate) states: Vec<State<'a>, READINGS>,
    /// ∂N_G/∂r_k in volts, which is also ∂D/∂v_k.
    pub(crate) alpha: [i64; READINGS],
    /// ∂N_P/∂r_k in volts, which is also −∂D/∂Vb_k.
    pub(crate) beta: [i64; READINGS],
    /// ∂N_P/∂v_k through β, in µA.
    gamma: [i64; READINGS],
    /// v strays from its share of a moving Vb by so much that nobody knows where it
    /// will settle.
    pub(crate) strays: bool,
    /// D, 64 fraction bits.
    pub(crate) determinant: i128,
    /// N_G and N_P, 64 fraction bits.
    pub(crate) for_total: i128,
    pub(crate) for_positive: i128,
}

impl<'a> System<'a> {
    /// Takes the readings of a cycle and solves for them; false with fewer
    /// than two.
    #[inline(never)]
    pub(crate) fn take(
        &mut self,
        network: &Network,
        readings: impl Iterator<Item = &'a Settled>,
    ) -> bool {
        for settled in readings {
            let state = State::new(network, settled);
            if self.states.push(state).is_err() {
                return false;
            }
        }
        if self.states.len() < 2 {
            return false;
        }
        self.solve();
        self.doubt_courses();
        self.doubt_contradiction();
        true
    }

    /// Weighs the pairs of states.
    #[inline(never)]
    fn solve(&mut self) {
        let nothing = [0; READINGS];
        [self.alpha, self.beta, self.gamma] = [nothing; 3];
        [self.determinant, self.for_total, self.for_positive] = [0; 3];
        self.sum_pairs();
    }

    /// Pack voltage of the newest reading.
    pub(crate) fn pack(&self) -> Volts {
        self.states
            .last()
            .map_or(Volts::ZERO, |state| state.settled.pack.value)
    }

    /// Puts v of all readings but so many of the newest in doubt.
    #[inline(never)]
    pub(crate) fn put_in_doubt(&mut self, newest: usize, doubt: i64) {
        for state in self.states.iter_mut().rev().skip(newest) {
            state.put_in_doubt(doubt);
        }
    }

    /// Puts v in doubt by what it did beyond its share of what Vb did, or short of
    /// it; noise is no such thing. What did it in one state may have done it in all, and
    /// more where it stood still: at the crest of a slow wave.
    #[inline(never)]
    fn doubt_courses(&mut self) {
        let mut widest = 0;
        for state in &self.states {
            widest = state.settled.course().pack.max(widest);
        }
        if widest == 0 {
            return;
        }
        let (g, gp) = self.leak();
        // By how much all that v strays moves D.
        let (mut all, mut most) = (0i64, 0i64);
        for (state, alpha) in self.states.iter().zip(&self.alpha) {
            let course = state.settled.course();
            let due = num::mul(state.share(g, gp), course.pack);
            let strayed = course.chassis.minus(due).size();
            // A course so short tells little of what v does in a longer one.
            let short = (1..widest >> 1).contains(&course.pack);
            if short || strayed > state.v_u.times(STRAYED) {
                all = all.plus(num::mul(alpha.size(), strayed));
                let seen = strayed.max(state.v_u.min(course.pack));
                most = most.max(num::mul(num::ratio(seen, course.pack), widest));
            }
        }
        self.put_in_doubt(0, most);
        self.strays = all > num::narrow(num::extent(self.determinant) >> MOST_STRAYED);
    }

    /// Three states and two unknowns leave a difference. Where it is more than noise, a
    /// reading is off, and nobody knows which: each is in doubt by what it alone would have
    /// to be off. The errors f_k of the current balance are s·n_k with a unit vector n, for
    /// the solution is their least squares; an error of one alone would be s/n_k = Σf²/f_k.
    #[inline(never)]
    fn doubt_contradiction(&mut self) {
        if self.states.len() < READINGS {
            return;
        }
        let (g, gp) = self.leak();
        let mut errors = [0i64; READINGS];
        let mut beyond = false;
        for (error, state) in errors.iter_mut().zip(&self.states) {
            let off = state.beside(g, gp);
            *error = num::mul(off, g.plus(state.g)).size();
            beyond |= off > state.v_u.plus(state.lag.size()).times(STRAYED);
        }
        if !beyond {
            return;
        }
        let most = errors.into_iter().fold(1, i64::max);
        let shares = errors.map(|error| num::ratio(error, most));
        let all = shares
            .iter()
            .fold(0i64, |sum, &share| sum.plus(num::mul(share, share)));
        for (state, share) in self.states.iter_mut().zip(shares) {
            let alone = num::ratio(all, share.max(LEAST_SHARE));
            let error = num::mul(most, alone);
            let off = num::ratio(error, g.plus(state.g));
            state.put_in_doubt(off);
        }
    }

    /// A zero that is off is alike in all states, as what v trails by is: the larger of both counts.
    #[inline(never)]
    pub(crate) fn shift_zero(&mut self, off: i64) {
        for state in &mut self.states {
            if state.lag.size() < off {
                state.lag = off;
            }
        }
    }

    /// Puts v in doubt by a drift of its zero: from dwell to dwell, and in all of them alike.
    pub(crate) fn drift(&mut self, zero: &Zero) {
        if zero.off == 0 {
            return;
        }
        for state in &mut self.states {
            let dwell = num::millionths(state.settled.dwell_us);
            state.put_in_doubt(num::mul(zero.drift, dwell));
        }
        self.shift_zero(zero.off);
    }

    /// v trails behind no pack voltage.
    pub(crate) fn stands_still(&self) -> bool {
        self.states
            .iter()
            .all(|state| state.settled.lag == Volts::ZERO)
    }

    /// Takes off the lag behind a moving pack voltage.
    ///
    /// On a ramp v trails its settled value by `τ·dVb/dt·(x_k − Cp/C)` with
    /// `x_k = (Gp + p_k)/(G + g_k)`. The first part is known once the system
    /// is solved; Cp/C, the same in all states, is only known to lie between
    /// 0 and 1: rectangular, ½ ± 1/√12.
    #[inline(never)]
    pub(crate) fn take_off_lag(&mut self) {
        if self.stands_still() {
            return;
        }
        let (g, gp) = self.leak();
        for state in &mut self.states {
            let lag = state.settled.lag.to_bits();
            let x = state.share(g, gp);
            let known = num::mul(lag, x.minus(num::ONE >> 1));
            state.v = state.v.plus(known);
            state.r = state.r.minus(num::mul(state.g, known));
            state.lag = num::mul(lag, num::ONE_BY_ROOT_12);
            // What is not known of τ differs from state to state.
            let doubt = match state.settled.time_constant() {
                Some(Measured { value, u }) => {
                    num::mul(lag, num::ratio(u.to_bits(), value.to_bits()))
                }
                None => lag,
            };
            state.put_in_doubt(doubt);
        }
        self.solve();
    }

    fn sum_pairs(&mut self) {
        let mut largest = 0i128;
        for (first, second) in PAIRS {
            largest = largest.max(num::extent(self.pair(first, second)));
        }
        for (first, second) in PAIRS {
            self.weigh(first, second, largest);
        }
        for ((state, &alpha), &beta) in self.states.iter().zip(&self.alpha).zip(&self.beta) {
            self.for_total = num::plus(self.for_total, num::wide(alpha, state.r));
            self.for_positive = num::plus(self.for_positive, num::wide(beta, state.r));
        }
    }

    /// The determinant `v_2·Vb_1 − v_1·Vb_2` of two states; zero of one that
    /// does not exist.
    fn pair(&self, first: usize, second: usize) -> i128 {
        match (self.states.get(first), self.states.get(second)) {
            (Some(a), Some(b)) => num::wide(b.v, a.vb()).saturating_sub(num::wide(a.v, b.vb())),
            _ => 0,
        }
    }

    #[inline(never)]
    fn weigh(&mut self, first: usize, second: usize, largest: i128) {
        let d = self.pair(first, second);
        // Weight in ±1; exactly ±1 for the largest, so for two states.
        let weight = if largest == 0 {
            num::ONE
        } else {
            num::quotient(d, largest, 32)
        };
        self.turn(first, second, weight);
        self.turn(second, first, weight);
        let scaled = num::wide(num::narrow(d >> 32), weight);
        self.determinant = num::plus(self.determinant, scaled);
    }

    /// Adds what another state makes of α, β and γ of one; nothing where either does
    /// not exist.
    #[inline(never)]
    fn turn(&mut self, place: usize, other: usize, weight: i64) {
        let (Some(_), Some(by)) = (self.states.get(place), self.states.get(other)) else {
            return;
        };
        let tables = [&mut self.alpha, &mut self.beta, &mut self.gamma];
        for (table, by) in tables
            .into_iter()
            .zip([by.vb(), by.v, by.r.saturating_neg()])
        {
            if let Some(cell) = table.get_mut(place) {
                let change = num::mul(weight, by);
                *cell = if place < other {
                    cell.minus(change)
                } else {
                    cell.plus(change)
                };
            }
        }
    }

    /// G and Gp; a function of its own, for the sake of the flash.
    #[inline(never)]
    fn leak(&self) -> (i64, i64) {
        (self.total(), self.positive())
    }

    /// G in µS, saturating when D vanishes.
    pub(crate) fn total(&self) -> i64 {
        num::quotient(self.for_total, self.determinant, 32)
    }

    /// Gp in µS.
    pub(crate) fn positive(&self) -> i64 {
        num::quotient(self.for_positive, self.determinant, 32)
    }

    /// x = Gp/G, which stays sound when D vanishes.
    pub(crate) fn position(&self) -> i64 {
        num::quotient(self.for_positive, self.for_total, 32)
    }

    /// Standard uncertainty of x from noise of v, without G, which a hard
    /// short leaves unknown:
    /// `δx = (δN_P − x·δN_G)/N_G`, `∂N_P/∂v_k = γ_k − g_k·β_k`, `∂N_G/∂v_k = −g_k·α_k`.
    pub(crate) fn position_u(&self) -> i64 {
        let x = self.position();
        let mut sum = num::RootSum::default();
        let mut lag = 0i64;
        let tables = self.alpha.iter().zip(&self.beta).zip(&self.gamma);
        for (state, ((&alpha, &beta), &gamma)) in self.states.iter().zip(tables) {
            let shift = num::mul(x, alpha).minus(beta);
            let slope = gamma.plus(num::mul(state.g, shift));
            let change = |v: i64| num::quotient(num::wide(slope, v), self.for_total, 32);
            sum.add(change(state.v_u));
            lag = lag.plus(change(state.lag));
        }
        sum.add(lag);
        sum.root()
    }

    /// Mean over the states of the conductance that the monitor itself hangs
    /// on the chassis, in µS.
    pub(crate) fn mean_load(&self) -> i64 {
        let sum = self
            .states
            .iter()
            .fold(0i64, |sum, state| sum.plus(state.g));
        num::over(sum, self.states.len() as u32).unwrap_or(0)
    }

    /// `times` the standard uncertainty of D, in V² with 64 fraction bits.
    #[inline(never)]
    pub(crate) fn determinant_u(&self, chassis_offset_u: i64, times: i64) -> i128 {
        let mut sum = num::RootSum::default();
        let (mut offset, mut lag) = (0i64, 0i64);
        for ((state, &alpha), &beta) in self.states.iter().zip(&self.alpha).zip(&self.beta) {
            sum.add(num::mul(alpha, state.v_u));
            sum.add(num::mul(beta, state.vb_u()));
            offset = offset.plus(num::mul(alpha, chassis_offset_u));
            lag = lag.plus(num::mul(alpha, state.lag));
        }
        sum.add(offset);
        sum.add(lag);
        num::wide(sum.root(), times << num::FRAC)
    }
}
