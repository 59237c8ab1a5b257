//! Circuit theory in floating point, written down a second time.
//!
//! Nothing of the core or of the host tool is imported here: these are the
//! equations that the project is held against. SI units throughout.
//!
//! ```text
//! C dv/dt = (Gp + p) Vb + Cp dVb/dt + i - (Gp + Gn + g) v
//! ```

pub mod formulas;
mod solve;

pub use solve::{Sensitivity, Settled, sensitivity, solve};

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

    /// Steady response of v to a sinusoid of Vb, gain and phase lead:
    /// `(Gp + p + jωCp)/(G + g + jωC)`.
    #[must_use]
    pub fn response(&self, state: State, hertz: f64) -> [f64; 2] {
        let omega = std::f64::consts::TAU * hertz;
        let through = [
            self.leak.positive + self.row(state).p,
            omega * self.positive_farad,
        ];
        let held = [self.load(state), omega * self.farad()];
        let polar = |[re, im]: [f64; 2]| (re.hypot(im), im.atan2(re));
        let ((above, ahead), (below, behind)) = (polar(through), polar(held));
        [above / below, ahead - behind]
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

    #[test]
    fn the_response_is_conductive_when_slow_and_capacitive_when_fast() {
        let circuit = Circuit {
            positive_farad: 0.2e-6,
            negative_farad: 0.6e-6,
            ..circuit()
        };
        let row = circuit.row(State::Rest);
        let share = (circuit.leak.positive + row.p) / circuit.load(State::Rest);
        let [slow, _] = circuit.response(State::Rest, 1e-6);
        let [fast, lead] = circuit.response(State::Rest, 1e6);
        assert!((slow - share).abs() < 1e-9, "{slow} {share}");
        assert!(
            (fast - 0.25).abs() < 1e-9 && lead.abs() < 1e-3,
            "{fast} {lead}"
        );
        // In between, against the straight stretches of a sampled sinusoid.
        let (hertz, steps) = (1.0, 20_000);
        let turn = |n: u32| (std::f64::consts::TAU * f64::from(n) / f64::from(steps)).sin();
        let mut v = 0.0;
        for n in 0..20 * steps + steps / 4 {
            let pack = [turn(n % steps), turn((n + 1) % steps)];
            v = circuit.after(State::Rest, v, pack, 1.0 / f64::from(steps));
        }
        let [gain, lead] = circuit.response(State::Rest, hertz);
        assert!((v - gain * lead.cos()).abs() < 1e-6, "{v}");
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
