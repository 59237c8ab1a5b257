//! Standard uncertainties of G, Gp, Gn and x from reading noise and part
//! tolerances (law of propagation, JCGM 100:2008, 5.1.2).
//!
//! Written as an error of the current balance in state k,
//!
//! ```text
//! δF_k = (G + g_k)·δv_k − (Gp + p_k)·δVb_k + v_k·δg_k − Vb_k·δp_k − δi_k
//! ```
//!
//! every source of error is a vector over the states, and
//! `δN_G = −Σ α_k δF_k`, `δN_P = −Σ β_k δF_k`. Sources are independent of each
//! other; within one source the states move together, so that what is common
//! to all states cancels as it does in the circuit.

use super::absorption::absorbed;
use super::system::{READINGS, State, System};
use crate::config::{Config, Element, FrontEnd};
use crate::num::Saturating as _;
use crate::num::{self, Reciprocal, RootSum, hypot};

/// Standard uncertainties, `I32F32` bits.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Uncertainty {
    pub(crate) total: i64,
    pub(crate) positive: i64,
    pub(crate) negative: i64,
    pub(crate) position: i64,
}

impl Uncertainty {
    /// Where v goes a part of the way. Parts that make the states settle in other times than declared bend its course, by
    /// a sixth or so of what they do to the swing at where it seems to end, and that is the split: a quarter of what
    /// they do to G, which is `total`.
    pub(super) fn on_the_way(self, by_parts: i64, total: i64) -> Self {
        let bent = by_parts >> 2;
        Self {
            total: self.total,
            positive: hypot(&[self.positive, bent]),
            negative: hypot(&[self.negative, bent]),
            position: hypot(&[self.position, num::ratio(bent, total.max(1))]),
        }
    }
}

/// Sources of error weighed in one slice of work.
const SLICE: usize = 2;

/// Places of the sources: noise of each reading, what v trails by, what the
/// insulation absorbs, channels, parts.
const LAG: usize = READINGS;
const ABSORPTION: usize = LAG + 1;
const FIRST_CHANNEL: usize = LAG + 2;
const SECOND_CHANNEL: usize = LAG + 3;
const PARTS: usize = LAG + 4;

/// Squares of the effects on G, Gp, Gn and x, summed source by source.
#[derive(Debug, Clone, Default)]
pub(crate) struct Budget {
    next: usize,
    sums: [RootSum; 4],
}

impl Budget {
    /// One slice of work; true when there is more.
    #[inline(never)]
    pub(crate) fn step(&mut self, system: &System<'_>, config: &Config) -> bool {
        let effects = Effects::new(system);
        (0..SLICE).all(|_| {
            let source = self.next;
            self.next = source.saturating_add(1);
            self.weigh(&effects, config, source)
        })
    }

    /// The uncertainties, once all sources are summed.
    pub(crate) fn total(&self) -> Uncertainty {
        let [total, positive, negative, position] = self.sums.map(RootSum::root);
        Uncertainty {
            total,
            positive,
            negative,
            position,
        }
    }

    /// False when there is no such source.
    fn weigh(&mut self, effects: &Effects<'_>, config: &Config, source: usize) -> bool {
        let sums = &mut self.sums;
        let front_end = config.front_end();
        match source {
            LAG => effects.lag(sums),
            ABSORPTION => effects.absorption(sums, config),
            FIRST_CHANNEL => effects.channel(sums, front_end, true),
            SECOND_CHANNEL => effects.channel(sums, front_end, false),
            place if place < READINGS => effects.reading(sums, place),
            _ => {
                let part = source.saturating_sub(PARTS);
                let Some(element) = config.network().elements().get(part) else {
                    return false;
                };
                effects.element(sums, element);
            }
        }
        true
    }
}

type Sums = [RootSum; 4];

/// What an error does to the solution.
struct Effects<'a> {
    system: &'a System<'a>,
    by_determinant: Option<Reciprocal>,
    by_total: Option<Reciprocal>,
    /// G, Gp and x as solved.
    g: i64,
    gp: i64,
    x: i64,
}

impl<'a> Effects<'a> {
    #[inline(never)]
    fn new(system: &'a System<'a>) -> Self {
        Self {
            system,
            by_determinant: Reciprocal::new(system.determinant),
            by_total: Reciprocal::new(system.for_total),
            g: system.total(),
            gp: system.positive(),
            x: system.position(),
        }
    }

    /// Noise of one reading: v and Vb.
    #[inline(never)]
    fn reading(&self, sums: &mut Sums, place: usize) {
        let Some(state) = self.system.states.get(place) else {
            return;
        };
        for error in [(state.v_u, 0), (0, state.vb_u())] {
            let mut currents = [0; READINGS];
            if let Some(current) = currents.get_mut(place) {
                *current = self.current(state, error);
            }
            self.add(sums, &currents);
        }
    }

    #[inline(never)]
    fn lag(&self, sums: &mut Sums) {
        let mut currents = [0; READINGS];
        for (current, state) in currents.iter_mut().zip(&self.system.states) {
            *current = self.current(state, (state.lag, 0));
        }
        self.add(sums, &currents);
    }

    fn absorption(&self, sums: &mut Sums, config: &Config) {
        let currents = absorbed(self.system, config.timing().absorption);
        self.add(sums, &currents);
    }

    /// Gain and offset of one channel, the same in every state.
    #[inline(never)]
    fn channel(&self, sums: &mut Sums, front_end: &FrontEnd, first: bool) {
        let (channel, reads) = match (front_end, first) {
            (FrontEnd::ChassisAndPack { chassis, .. }, true) => (chassis, Reads::Chassis),
            (FrontEnd::ChassisAndPack { pack, .. }, false) => (pack, Reads::Pack),
            (FrontEnd::RailPair { positive, .. }, true) => (positive, Reads::Positive),
            (FrontEnd::RailPair { negative, .. }, false) => (negative, Reads::Negative),
        };
        let rounding = match reads {
            // A pack voltage that stands still is rounded alike in every state.
            Reads::Pack => {
                let [_, rounding] = front_end.resolution();
                rounding.to_bits()
            }
            Reads::Chassis | Reads::Positive | Reads::Negative => 0,
        };
        let offset = hypot(&[channel.offset_u.to_bits(), rounding]);
        for gain in [true, false] {
            let mut currents = [0; READINGS];
            for (current, state) in currents.iter_mut().zip(&self.system.states) {
                let measured = reads.measured(state.v, state.vb());
                let error = if gain {
                    num::mul(measured, channel.gain_u.to_bits())
                } else {
                    offset
                };
                *current = self.current(state, reads.moved(error));
            }
            self.add(sums, &currents);
        }
    }

    /// What errors (δv, δVb) of a state put into its balance.
    #[inline(never)]
    fn current(&self, state: &State<'_>, (v, vb): (i64, i64)) -> i64 {
        let by_chassis = num::mul(self.g.plus(state.g), v);
        let by_pack = num::mul(self.gp.plus(state.p), vb);
        by_chassis.minus(by_pack)
    }

    /// Tolerance of one part: a resistance high by ε carries less of its
    /// current by ε, and a source high by ε pushes more by ε.
    #[inline(never)]
    fn element(&self, sums: &mut Sums, element: &Element) {
        let mut by_resistance = [0; READINGS];
        let mut by_source = [0; READINGS];
        for ((resistance, source), state) in by_resistance
            .iter_mut()
            .zip(&mut by_source)
            .zip(&self.system.states)
        {
            let settled = state.settled;
            let row = element.row(settled.drive);
            let current = row
                .current(settled.chassis.value, settled.pack.value)
                .to_bits();
            *resistance = num::mul(current, element.resistance_u.to_bits());
            *source = num::mul(row.i.to_bits(), element.emf_u.to_bits());
        }
        self.add(sums, &by_resistance);
        self.add(sums, &by_source);
    }

    /// One independent source, as errors of the current balance.
    #[inline(never)]
    fn add(&self, sums: &mut Sums, currents: &[i64; READINGS]) {
        if currents.iter().all(|&current| current == 0) {
            return;
        }
        let mut total = 0i128;
        let mut positive = 0i128;
        for ((&current, &alpha), &beta) in currents
            .iter()
            .zip(&self.system.alpha)
            .zip(&self.system.beta)
        {
            total = num::plus(total, num::wide(alpha, current));
            positive = num::plus(positive, num::wide(beta, current));
        }
        let over = |by: &Option<Reciprocal>, n: i128| match by {
            Some(reciprocal) => reciprocal.times(n, 32),
            None => i64::MAX,
        };
        let [by_total, by_positive, by_negative, by_position] = sums;
        by_positive.add(over(&self.by_determinant, positive));
        by_total.add(over(&self.by_determinant, total));
        let shift = num::wide(self.x, num::narrow(total >> 32));
        let negative = num::plus(total, positive.wrapping_neg());
        let moved = num::plus(positive, shift.wrapping_neg());
        by_negative.add(over(&self.by_determinant, negative));
        by_position.add(over(&self.by_total, moved));
    }
}

/// What a channel reads: v and Vb, or the voltage of either rail to the chassis.
#[derive(Clone, Copy)]
enum Reads {
    Chassis,
    Pack,
    Positive,
    Negative,
}

impl Reads {
    fn measured(self, v: i64, vb: i64) -> i64 {
        match self {
            Self::Chassis | Self::Negative => v,
            Self::Pack => vb,
            Self::Positive => vb.minus(v),
        }
    }

    /// An error of the channel as one of (v, Vb).
    const fn moved(self, error: i64) -> (i64, i64) {
        match self {
            Self::Chassis => (error, 0),
            Self::Pack | Self::Positive => (0, error),
            Self::Negative => (error, error),
        }
    }
}
