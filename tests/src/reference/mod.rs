//! Circuit theory in floating point, written down a second time.
//!
//! Nothing of the core or of the host tool is imported here: these are the
//! equations that the project is held against. SI units throughout.
//!
//! ```text
//! C dv/dt = (Gp + p) Vb + Cp dVb/dt + i - (Gp + Gn + g) v
//! ```

pub mod formulas;

/// The battery's own leakage, as conductances to the two rails.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Leak {
    /// From the positive rail to the chassis, in siemens.
    pub positive: f64,
    /// From the negative rail to the chassis, in siemens.
    pub negative: f64,
}

impl Leak {
    /// No leak.
    pub const NONE: Self = Self {
        positive: 0.0,
        negative: 0.0,
    };

    /// One resistor from the place `x` of the stack, 0 at the negative rail.
    #[must_use]
    pub fn inside(ohm: f64, x: f64) -> Self {
        Self {
            positive: x / ohm,
            negative: (1.0 - x) / ohm,
        }
    }

    /// A resistor from each rail; infinite for none.
    #[must_use]
    pub fn of_rails(positive_ohm: f64, negative_ohm: f64) -> Self {
        Self {
            positive: 1.0 / positive_ohm,
            negative: 1.0 / negative_ohm,
        }
    }

    /// G = Gp + Gn.
    #[must_use]
    pub fn conductance(&self) -> f64 {
        self.positive + self.negative
    }

    /// R_iso, both rails in parallel.
    #[must_use]
    pub fn isolation(&self) -> f64 {
        1.0 / self.conductance()
    }

    /// min(Rp, Rn).
    #[must_use]
    pub fn weakest(&self) -> f64 {
        1.0 / self.positive.max(self.negative)
    }

    /// x = Gp/G.
    #[must_use]
    pub fn position(&self) -> f64 {
        self.positive / self.conductance()
    }
}

/// Drive state.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum State {
    /// Nothing pushed.
    Rest,
    /// Pushes the chassis towards the positive rail.
    Raise,
    /// Pushes the chassis towards the negative rail.
    Lower,
}

/// How the circuit is perturbed: the rows of the design's table.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Drive {
    /// ±U through Rc to N.
    SourceToNegative {
        /// U in volts.
        amplitude: f64,
        /// Rc in ohms.
        series: f64,
    },
    /// ±U through one Rc to each rail.
    SourceToBothRails {
        /// U in volts.
        amplitude: f64,
        /// Rc in ohms.
        series: f64,
    },
    /// Ra closed from P to E in raise, Rb from N to E in lower.
    SwitchedResistors {
        /// Ra in ohms.
        positive: f64,
        /// Rb in ohms.
        negative: f64,
    },
    /// Two levels through Rc to N.
    LogicSource {
        /// Level of rest and lower, in volts.
        low: f64,
        /// Level of raise, in volts.
        high: f64,
        /// Rc in ohms.
        series: f64,
    },
}

/// What the monitor pushes into the chassis: `i + p·Vb - g·v`.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Row {
    /// All conductance that it hangs on the chassis.
    pub g: f64,
    /// The part of it that leads to P.
    pub p: f64,
    /// Current at v = 0 and Vb = 0.
    pub i: f64,
}

impl Row {
    fn with(self, siemens_to_positive: f64, siemens_to_negative: f64) -> Self {
        Self {
            g: self.g + siemens_to_positive + siemens_to_negative,
            p: self.p + siemens_to_positive,
            i: self.i,
        }
    }
}

impl Drive {
    /// The row of a state.
    #[must_use]
    pub fn row(&self, state: State) -> Row {
        match (*self, state) {
            (
                Self::SourceToNegative { .. }
                | Self::SourceToBothRails { .. }
                | Self::SwitchedResistors { .. },
                State::Rest,
            ) => Row::default(),
            (Self::SourceToNegative { amplitude, series }, _) => Row {
                g: 1.0 / series,
                p: 0.0,
                i: sign(state) * amplitude / series,
            },
            (Self::SourceToBothRails { amplitude, series }, _) => Row {
                g: 2.0 / series,
                p: 1.0 / series,
                i: sign(state) * 2.0 * amplitude / series,
            },
            (Self::SwitchedResistors { positive, .. }, State::Raise) => {
                Row::default().with(1.0 / positive, 0.0)
            }
            (Self::SwitchedResistors { negative, .. }, State::Lower) => {
                Row::default().with(0.0, 1.0 / negative)
            }
            (Self::LogicSource { low, high, series }, state) => Row {
                g: 1.0 / series,
                p: 0.0,
                i: if state == State::Raise { high } else { low } / series,
            },
        }
    }
}

fn sign(state: State) -> f64 {
    if state == State::Raise { 1.0 } else { -1.0 }
}

/// Leak, capacitance and everything that the monitor hangs on the chassis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Circuit {
    /// The leak.
    pub leak: Leak,
    /// Cp in farads.
    pub positive_farad: f64,
    /// Cn in farads.
    pub negative_farad: f64,
    /// The drive.
    pub drive: Drive,
    /// Dividers and bleeds that stay connected, in siemens to P and to N.
    pub permanent: [f64; 2],
}

impl Circuit {
    /// A leak and a capacitance split evenly, without permanent parts.
    #[must_use]
    pub fn new(leak: Leak, farad: f64, drive: Drive) -> Self {
        Self {
            leak,
            positive_farad: farad / 2.0,
            negative_farad: farad / 2.0,
            drive,
            permanent: [0.0; 2],
        }
    }

    /// Cp + Cn.
    #[must_use]
    pub fn farad(&self) -> f64 {
        self.positive_farad + self.negative_farad
    }

    /// The monitor's row, permanent parts included.
    #[must_use]
    pub fn row(&self, state: State) -> Row {
        let [to_positive, to_negative] = self.permanent;
        self.drive.row(state).with(to_positive, to_negative)
    }

    /// All conductance on the chassis.
    #[must_use]
    pub fn load(&self, state: State) -> f64 {
        self.leak.conductance() + self.row(state).g
    }

    /// Time constant.
    #[must_use]
    pub fn time_constant(&self, state: State) -> f64 {
        self.farad() / self.load(state)
    }

    /// Chassis voltage when all is settled.
    #[must_use]
    pub fn settled(&self, state: State, pack: f64) -> f64 {
        let row = self.row(state);
        ((self.leak.positive + row.p) * pack + row.i) / self.load(state)
    }

    /// Chassis voltage after `seconds` from `v`, while the pack voltage runs
    /// in a straight line from one value to another.
    #[must_use]
    pub fn after(&self, state: State, v: f64, pack: [f64; 2], seconds: f64) -> f64 {
        let [from, to] = pack;
        let row = self.row(state);
        let load = self.load(state);
        let slope = (to - from) / seconds;
        let pull = self.leak.positive + row.p;
        let coupled = self.positive_farad * slope + row.i;
        if load == 0.0 {
            return v + coupled * seconds / self.farad();
        }
        // The straight line a + b·t that solves the equation, and the
        // transient towards it.
        let b = pull * slope / load;
        let a = (pull * from + coupled - self.farad() * b) / load;
        a + b * seconds + (v - a) * (-load * seconds / self.farad()).exp()
    }
}

/// A settled pair of voltages in one state.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Settled {
    /// The monitor's row.
    pub row: Row,
    /// Chassis voltage.
    pub v: f64,
    /// Pack voltage.
    pub vb: f64,
}

/// G and Gp from two settled states: `v (G + g) = (Gp + p) Vb + i` twice.
#[must_use]
pub fn solve(one: &Settled, two: &Settled) -> Leak {
    let pushed = |s: &Settled| s.row.i + s.row.p * s.vb - s.row.g * s.v;
    let (r1, r2) = (pushed(one), pushed(two));
    let determinant = two.v * one.vb - one.v * two.vb;
    let total = (r2 * one.vb - r1 * two.vb) / determinant;
    let positive = (one.v * r2 - two.v * r1) / determinant;
    Leak {
        positive,
        negative: total - positive,
    }
}

/// What an error of each reading does to G and to x: columns v1, Vb1, v2, Vb2.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sensitivity {
    /// ∂G by each reading, siemens a volt.
    pub total: [f64; 4],
    /// ∂x by each reading, 1 a volt.
    pub position: [f64; 4],
}

/// Sensitivities by the implicit function: the balance of state k has the
/// derivatives (G + g) by v and -(Gp + p) by Vb.
#[must_use]
pub fn sensitivity(leak: &Leak, one: &Settled, two: &Settled) -> Sensitivity {
    let determinant = two.v * one.vb - one.v * two.vb;
    let balance = |s: &Settled| [leak.conductance() + s.row.g, -(leak.positive + s.row.p)];
    let (first, second) = (balance(one), balance(two));
    let mut sensitivity = Sensitivity {
        total: [0.0; 4],
        position: [0.0; 4],
    };
    for place in 0..2 {
        // δG = (Vb2 δF1 - Vb1 δF2)/D and δGp = (v2 δF1 - v1 δF2)/D.
        for (column, total, positive) in [
            (place, two.vb * first[place], two.v * first[place]),
            (place + 2, -one.vb * second[place], -one.v * second[place]),
        ] {
            let (total, positive) = (total / determinant, positive / determinant);
            sensitivity.total[column] = total;
            sensitivity.position[column] =
                (positive - leak.position() * total) / leak.conductance();
        }
    }
    sensitivity
}

#[cfg(test)]
mod tests {
    use super::*;

    const DRIVE: Drive = Drive::SourceToNegative {
        amplitude: 40.0,
        series: 1e6,
    };

    fn circuit() -> Circuit {
        Circuit {
            permanent: [1.0 / 22e6, 1.0 / 10e6],
            ..Circuit::new(Leak::inside(300e3, 0.3), 2e-6, DRIVE)
        }
    }

    fn settled(circuit: &Circuit, state: State, vb: f64) -> Settled {
        Settled {
            row: circuit.row(state),
            v: circuit.settled(state, vb),
            vb,
        }
    }

    #[test]
    fn the_solve_undoes_the_settled_voltages() {
        let circuit = circuit();
        let leak = solve(
            &settled(&circuit, State::Raise, 400.0),
            &settled(&circuit, State::Lower, 380.0),
        );
        assert!((leak.isolation() / 300e3 - 1.0).abs() < 1e-9);
        assert!((leak.position() - 0.3).abs() < 1e-9);
    }

    #[test]
    fn sensitivities_are_the_slopes_of_the_solve() {
        let circuit = circuit();
        let states = [
            settled(&circuit, State::Raise, 400.0),
            settled(&circuit, State::Lower, 390.0),
        ];
        let base = solve(&states[0], &states[1]);
        let law = sensitivity(&base, &states[0], &states[1]);
        for column in 0..4 {
            let step = 1e-5;
            let solved = |sign: f64| {
                let mut moved = states;
                let state = &mut moved[column / 2];
                if column % 2 == 0 {
                    state.v += sign * step;
                } else {
                    state.vb += sign * step;
                }
                solve(&moved[0], &moved[1])
            };
            let (up, down) = (solved(1.0), solved(-1.0));
            let total = (up.conductance() - down.conductance()) / (2.0 * step);
            let position = (up.position() - down.position()) / (2.0 * step);
            assert!((total / law.total[column] - 1.0).abs() < 1e-4, "{column}");
            let scale = law.position.iter().fold(0.0f64, |a, b| a.max(b.abs()));
            assert!(
                (position - law.position[column]).abs() < 1e-4 * scale,
                "{column}: {position} {}",
                law.position[column]
            );
        }
    }

    #[test]
    fn one_long_stretch_is_many_short_ones() {
        let circuit = circuit();
        let long = circuit.after(State::Lower, 100.0, [400.0, 440.0], 2.0);
        let mut v = 100.0;
        for step in 0..2000 {
            let vb = 400.0 + 0.02 * f64::from(step);
            v = circuit.after(State::Lower, v, [vb, vb + 0.02], 1e-3);
        }
        assert!((v - long).abs() < 1e-8, "{v} {long}");
    }
}
