//! The leak from two settled states, and what errors of the readings do to it.

use super::{Leak, Row};

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
    use super::super::{Circuit, Drive, State};
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
}
