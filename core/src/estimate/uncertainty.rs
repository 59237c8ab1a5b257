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

use super::system::{READINGS, System};
use crate::config::{Channel, Config, Element, FrontEnd};
use crate::num::{self, Reciprocal, RootSum, hypot};
use crate::units::Volts;

/// Standard uncertainties, `I32F32` bits.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Uncertainty {
    pub(crate) total: i64,
    pub(crate) positive: i64,
    pub(crate) negative: i64,
    pub(crate) position: i64,
}

/// Sums the effect of every source.
pub(crate) struct Budget<'a> {
    system: &'a System,
    by_determinant: Option<Reciprocal>,
    by_total: Option<Reciprocal>,
    /// G, Gp and x as solved.
    g: i64,
    gp: i64,
    x: i64,
    sums: [RootSum; 4],
}

impl<'a> Budget<'a> {
    pub(crate) fn new(system: &'a System) -> Self {
        Self {
            system,
            by_determinant: Reciprocal::new(system.determinant),
            by_total: Reciprocal::new(system.for_total),
            g: system.total(),
            gp: system.positive(),
            x: system.position(),
            sums: [RootSum::default(); 4],
        }
    }

    /// All sources of the configuration.
    pub(crate) fn total(mut self, config: &Config) -> Uncertainty {
        for place in 0..self.system.states.len() {
            self.reading(place);
        }
        let mut lag = [(0, 0); READINGS];
        for (slot, state) in lag.iter_mut().zip(&self.system.states) {
            *slot = (state.lag, 0);
        }
        self.add_voltage_error(&lag);
        self.channels(config.front_end());
        for element in config.network().elements() {
            self.element(element);
        }
        let [total, positive, negative, position] = self.sums.map(RootSum::root);
        Uncertainty {
            total,
            positive,
            negative,
            position,
        }
    }

    /// Noise of one reading: v and Vb.
    fn reading(&mut self, place: usize) {
        let Some(state) = self.system.states.get(place) else {
            return;
        };
        let mut errors = [(0, 0); READINGS];
        for error in [(state.v_u, 0), (0, state.vb_u)] {
            if let Some(slot) = errors.get_mut(place) {
                *slot = error;
            }
            self.add_voltage_error(&errors);
        }
    }

    /// Gain and offset of each channel, the same in every state.
    fn channels(&mut self, front_end: &FrontEnd) {
        match front_end {
            FrontEnd::ChassisAndPack { chassis, pack } => {
                self.channel(chassis, 0, (1, 0), |v, _| v);
                // A pack voltage that stands still is rounded alike in every state.
                let [_, rounding] = front_end.resolution().map(Volts::to_bits);
                self.channel(pack, rounding, (0, 1), |_, vb| vb);
            }
            FrontEnd::RailPair { positive, negative } => {
                self.channel(positive, 0, (0, 1), |v, vb| vb.saturating_sub(v));
                self.channel(negative, 0, (1, 1), |v, _| v);
            }
        }
    }

    /// One channel whose error is an error of (v, Vb) by `moves`, and which
    /// measures `measured(v, Vb)`.
    fn channel(
        &mut self,
        channel: &Channel,
        rounding: i64,
        moves: (i64, i64),
        measured: impl Fn(i64, i64) -> i64,
    ) {
        let gain = self.for_each_state(|v, vb| {
            spread(moves, num::mul(measured(v, vb), channel.gain_u.to_bits()))
        });
        self.add_voltage_error(&gain);
        let offset = hypot(&[channel.offset_u.to_bits(), rounding]);
        let offset = self.for_each_state(|_, _| spread(moves, offset));
        self.add_voltage_error(&offset);
    }

    fn for_each_state(&self, error: impl Fn(i64, i64) -> (i64, i64)) -> [(i64, i64); READINGS] {
        let mut errors = [(0, 0); READINGS];
        for (slot, state) in errors.iter_mut().zip(&self.system.states) {
            *slot = error(state.v, state.vb);
        }
        errors
    }

    /// Errors (δv, δVb) of every state.
    fn add_voltage_error(&mut self, errors: &[(i64, i64); READINGS]) {
        let mut currents = [0; READINGS];
        for ((current, &(v, vb)), state) in currents.iter_mut().zip(errors).zip(&self.system.states)
        {
            let by_chassis = num::mul(self.g.saturating_add(state.row.g.to_bits()), v);
            let by_pack = num::mul(self.gp.saturating_add(state.row.p.to_bits()), vb);
            *current = by_chassis.saturating_sub(by_pack);
        }
        self.add(&currents);
    }

    /// Tolerance of one part: a resistance high by ε carries less of its
    /// current by ε, and a source high by ε pushes more by ε.
    fn element(&mut self, element: &Element) {
        let mut by_resistance = [0; READINGS];
        let mut by_source = [0; READINGS];
        for ((resistance, source), state) in by_resistance
            .iter_mut()
            .zip(&mut by_source)
            .zip(&self.system.states)
        {
            let reading = &state.reading;
            let row = element.row(reading.drive);
            let current = row
                .current(reading.chassis.value, reading.pack.value)
                .to_bits();
            *resistance = num::mul(current, element.resistance_u.to_bits());
            *source = num::mul(row.i.to_bits(), element.emf_u.to_bits());
        }
        self.add(&by_resistance);
        self.add(&by_source);
    }

    /// One independent source, as errors of the current balance.
    fn add(&mut self, currents: &[i64; READINGS]) {
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
            total = total.saturating_add(num::wide(alpha, current));
            positive = positive.saturating_add(num::wide(beta, current));
        }
        let over = |by: &Option<Reciprocal>, n: i128| match by {
            Some(reciprocal) => reciprocal.times(n, 32),
            None => i64::MAX,
        };
        let shift = num::wide(self.x, num::narrow(total >> 32));
        let changes = [
            over(&self.by_determinant, total),
            over(&self.by_determinant, positive),
            over(&self.by_determinant, total.saturating_sub(positive)),
            over(&self.by_total, positive.saturating_sub(shift)),
        ];
        for (sum, change) in self.sums.iter_mut().zip(changes) {
            sum.add(change);
        }
    }
}

/// An error of a channel on the voltages that it moves.
const fn spread(moves: (i64, i64), error: i64) -> (i64, i64) {
    (error.wrapping_mul(moves.0), error.wrapping_mul(moves.1))
}
