//! The motion of the chassis voltage and of its derivatives.

use nalgebra::{SMatrix, SVector};

/// What the monitor does to the chassis in one drive state: it pushes
/// `current + to_positive·Vb - conductance·v`.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Row {
    /// g, all that hangs on the chassis, in siemens.
    pub conductance: f64,
    /// p, the part of it that leads to the positive rail, in siemens.
    pub to_positive: f64,
    /// i at v = 0 and Vb = 0, in amperes.
    pub current: f64,
}

impl Row {
    /// The row that the core's drive table declares.
    #[must_use]
    pub fn declared(row: ohmsplit::config::Row) -> Self {
        Self {
            conductance: row.g.get().to_num::<f64>() * 1e-6,
            to_positive: row.p.get().to_num::<f64>() * 1e-6,
            current: row.i.get().to_num::<f64>() * 1e-6,
        }
    }
}

/// The battery's side of the circuit.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Circuit {
    /// G = Gp + Gn in siemens.
    pub leak: f64,
    /// Gp in siemens.
    pub positive: f64,
    /// C = Cp + Cn in farads, more than 0.
    pub capacitance: f64,
    /// κ = Cp/C.
    pub coupling: f64,
}

/// State of the joint motion, by place: u = v - κ Vb, its derivatives by the
/// unknowns, Vb, slope of Vb, and the constant 1.
pub(super) type State = SVector<f64, 9>;
pub(super) type Step = SMatrix<f64, 9, 9>;

pub(super) const U: usize = 0;
/// Derivative by G, in units of [`Circuit::scale`].
const BY_LEAK: usize = 1;
/// Derivative by Gp, in the same units.
const BY_POSITIVE: usize = 2;
/// Derivative by ln C.
const BY_CAPACITANCE: usize = 3;
/// Derivative by the voltage at the start.
const BY_START: usize = 4;
/// Derivative by κ at a given start u.
const BY_COUPLING: usize = 5;
pub(super) const PACK: usize = 6;
pub(super) const SLOPE: usize = 7;
const ONE: usize = 8;

/// Number of unknowns, κ among them.
pub(super) const UNKNOWNS: usize = 5;

impl Circuit {
    /// Conductance in which the derivatives by G and Gp count, so that all
    /// derivatives are volts.
    pub(super) fn scale(&self, rows: &[Row]) -> f64 {
        let hung = rows.iter().map(|row| row.conductance);
        self.leak + hung.fold(0.0, f64::max)
    }

    /// The exact step over `seconds` in one drive state.
    ///
    /// With λ = (G + g)/C: `u' = -λu + (P - κ(G + g))Vb/C + i/C`, P = Gp + p,
    /// and each derivative follows by differentiating this line.
    pub(super) fn over(&self, seconds: f64, row: &Row, scale: f64) -> Step {
        let c = self.capacitance;
        let total = self.leak + row.conductance;
        let decay = total / c;
        let pull = (self.positive + row.to_positive - self.coupling * total) / c;
        let push = row.current / c;
        let mut m = Step::zeros();
        for place in U..=BY_COUPLING {
            m[(place, place)] = -decay;
        }
        m[(U, PACK)] = pull;
        m[(U, ONE)] = push;
        m[(BY_LEAK, U)] = -scale / c;
        m[(BY_LEAK, PACK)] = -scale * self.coupling / c;
        m[(BY_POSITIVE, PACK)] = scale / c;
        // ∂u'/∂ln C = -u'.
        m[(BY_CAPACITANCE, U)] = decay;
        m[(BY_CAPACITANCE, PACK)] = -pull;
        m[(BY_CAPACITANCE, ONE)] = -push;
        m[(BY_COUPLING, PACK)] = -decay;
        m[(PACK, SLOPE)] = 1.0;
        (m * seconds).exp()
    }

    /// The state at the start of a record.
    pub(super) fn start(&self, chassis_v: f64, pack_v: f64) -> State {
        let mut state = State::zeros();
        state[U] = chassis_v - self.coupling * pack_v;
        state[BY_START] = 1.0;
        state[PACK] = pack_v;
        state[ONE] = 1.0;
        state
    }

    /// v of a state.
    pub(super) fn chassis(&self, state: &State) -> f64 {
        state[U] + self.coupling * state[PACK]
    }

    /// Derivatives of v by the unknowns, in the order G, Gp, C, start, κ.
    pub(super) fn sensitivities(state: &State) -> SVector<f64, UNKNOWNS> {
        SVector::from([
            state[BY_LEAK],
            state[BY_POSITIVE],
            state[BY_CAPACITANCE],
            state[BY_START],
            // v = u + κ Vb: κ also enters directly.
            state[BY_COUPLING] + state[PACK],
        ])
    }

    /// v at the start of the periodic orbit that a cycle of drive states with
    /// their dwells in seconds comes to, at a steady pack voltage. The worst
    /// start of a record: no start transient to learn from.
    #[must_use]
    pub fn orbit(&self, cycle: &[(Row, f64)], pack_v: f64) -> f64 {
        let run = |chassis_v: f64| {
            let start = self.start(chassis_v, pack_v);
            let end = cycle.iter().fold(start, |state, (row, seconds)| {
                self.over(*seconds, row, self.leak + row.conductance) * state
            });
            self.chassis(&end)
        };
        // One cycle is affine in the start: v_end = part·v + rest.
        let rest = run(0.0);
        let part = run(1.0) - rest;
        rest / (1.0 - part)
    }
}
