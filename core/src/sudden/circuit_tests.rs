//! The balance between two blocks against a circuit solved exactly in f64.

use super::Moment;
use super::circuit::{Circuit, Known};
use super::row::{CURRENT_BITS, Kind};
use crate::config::{Config, Drive};
use crate::num::ONE;
use crate::test_reports::config;
use crate::transient::plant::Noise;
use crate::units::{Measured, Microfarads, Microsiemens, Ratio, Volts};

fn bits(x: f64) -> i64 {
    (x * ONE as f64).round() as i64
}

fn real(bits: i64) -> f64 {
    bits as f64 / ONE as f64
}

const UNIT: f64 = (1 << CURRENT_BITS) as f64;
const BLOCK_S: f64 = 0.02;
/// 400 V and 100 Ω/V: µS and µA.
const LIMIT: f64 = 25.0;
const LIMIT_CURRENT: f64 = 10_000.0;

/// Leaks in µS, C in µF, and κ, each with its standard uncertainty.
#[derive(Debug, Clone, Copy)]
struct True {
    positive: [f64; 2],
    negative: [f64; 2],
    capacitance: [f64; 2],
    share: [f64; 2],
}

impl True {
    fn known(&self) -> Known {
        let siemens = |[value, u]: [f64; 2]| Measured {
            value: Microsiemens::from_bits(bits(value)),
            u: Microsiemens::from_bits(bits(u)),
        };
        Known {
            capacitance: Measured {
                value: Microfarads::from_bits(bits(self.capacitance[0])),
                u: Microfarads::from_bits(bits(self.capacitance[1])),
            },
            positive_share: Measured {
                value: Ratio::from_bits(bits(self.share[0])),
                u: Ratio::from_bits(bits(self.share[1])),
            },
            positive: siemens(self.positive),
            negative: siemens(self.negative),
        }
    }

    /// All conductance, and where v settles, with a further current into the chassis.
    fn state(&self, config: &Config, drive: Drive, pack: f64, current: f64) -> [f64; 2] {
        let row = config.network().row(drive);
        let [g, p, i] = [row.g.to_bits(), row.p.to_bits(), row.i.to_bits()].map(real);
        let total = self.positive[0] + self.negative[0] + g;
        [total, (i + (self.positive[0] + p) * pack + current) / total]
    }

    /// Means of v over two blocks; Vb and the drive change between them.
    fn means(&self, config: &Config, case: &Case) -> [f64; 2] {
        let mut v = case.v;
        let mut before = case.packs[0];
        let mut means = [0.0; 2];
        for ((mean, drive), pack) in means.iter_mut().zip(case.drives).zip(case.packs) {
            v += self.share[0] * (pack - before);
            before = pack;
            let [total, end] = self.state(config, drive, pack, case.current);
            let z = total * BLOCK_S / self.capacitance[0];
            *mean = end + (v - end) * phi(z);
            v = end + (v - end) * (-z).exp();
        }
        means
    }

    fn z(&self, config: &Config, drive: Drive) -> f64 {
        self.state(config, drive, 0.0, 0.0)[0] * BLOCK_S / self.capacitance[0]
    }
}

fn phi(z: f64) -> f64 {
    -(-z).exp_m1() / z
}

fn psi(z: f64) -> f64 {
    (1.0 - phi(z)) / z
}

/// Two blocks: v at the start, drives, pack voltages, and a current that nobody knows of.
#[derive(Debug, Clone, Copy)]
struct Case {
    v: f64,
    drives: [Drive; 2],
    packs: [f64; 2],
    current: f64,
}

fn moments(case: &Case, means: [f64; 2], late: bool) -> [Moment; 2] {
    [0, 1].map(|at| Moment {
        drive: case.drives[at],
        chassis: Volts::from_bits(bits(means[at])),
        pack: Volts::from_bits(bits(case.packs[at])),
        usable: true,
        follows: true,
        late: late && at == 1,
    })
}

fn drawn(noise: &mut Noise) -> (True, Case) {
    let mut between = |low: f64, high: f64| low + (high - low) * noise.uniform();
    let truth = True {
        positive: [between(0.0, 5.0), 0.0],
        negative: [between(0.05, 5.0), 0.0],
        capacitance: [10f64.powf(between(-1.7, 1.0)), 0.0],
        share: [between(0.0, 1.0), 0.0],
    };
    let drives = [Drive::Raise, Drive::Lower, Drive::Rest];
    let mut drive = || drives[between(0.0, 3.0) as usize % 3];
    let drives = [drive(), drive()];
    let pack = between(200.0, 450.0);
    let case = Case {
        v: between(0.0, pack),
        drives,
        packs: [pack, pack + between(-20.0, 20.0)],
        current: between(-3000.0, 3000.0),
    };
    (truth, case)
}

#[test]
fn the_residual_of_two_blocks_is_the_current_that_the_known_circuit_lacks() {
    let config = config();
    let mut noise = Noise(77);
    for _ in 0..600 {
        let (truth, case) = drawn(&mut noise);
        let circuit = Circuit::new(&config, &truth.known()).expect("a circuit");
        let [before, block] = moments(&case, truth.means(&config, &case), false);
        let (row, _) = circuit.equation(config.network(), &before, &block, 0);
        let told = f64::from(row.current) / UNIT * LIMIT_CURRENT;
        // A unit of voltage is 95 µV; what it weighs is the stiffness.
        let link = circuit.link(case.drives[0], case.drives[1]);
        let allowed = 0.01 + 1e-4 * case.current.abs() + 2e-6 * LIMIT * real(link.stiffness);
        assert!(
            (told - case.current).abs() < allowed,
            "{truth:?} {case:?}: {told}, {allowed}"
        );
        let [a, b] = case.drives.map(|drive| truth.z(&config, drive));
        let chi = 1.0 - psi(a) / phi(a);
        let sum = psi(b) + phi(b) * chi;
        let stiffness = truth.capacitance[0] / BLOCK_S / LIMIT / sum;
        assert!((real(link.stiffness) / stiffness - 1.0).abs() < 1e-4);
        assert!((real(link.carried) - phi(b) * (1.0 - a * chi).max(0.0)).abs() < 1e-5);
        let later = psi(b) / sum;
        assert!((real(link.later) - later).abs() < 1e-4);
        let weighed = |[one, two]: [f64; 2]| (one + later * (two - one)) / 400.0 * UNIT;
        let pack = weighed(case.packs);
        assert!(
            (f64::from(row.pack) - pack).abs() < 1e-4 * UNIT,
            "{} {pack}",
            row.pack
        );
        let edge = case.drives[0] != case.drives[1];
        assert_eq!(row.kind, if edge { Kind::Edge } else { Kind::Steady });
    }
}

/// A slow circuit, halfway from one settled voltage to another.
const SLOW: True = True {
    positive: [0.5, 0.0],
    negative: [1.0, 0.0],
    capacitance: [5.0, 0.1],
    share: [0.5, 0.0],
};
const MOVING: Case = Case {
    v: 60.0,
    drives: [Drive::Raise; 2],
    packs: [400.0; 2],
    current: 0.0,
};

/// Residual and doubt in µA where the truth is other than what is known.
fn told(known: &True, truth: &True, case: &Case, late: bool) -> [f64; 2] {
    let config = config();
    let circuit = Circuit::new(&config, &known.known()).expect("a circuit");
    let [before, block] = moments(case, truth.means(&config, case), late);
    let (row, doubt) = circuit.equation(config.network(), &before, &block, 0);
    [f64::from(row.current), doubt as f64].map(|units| units / UNIT * LIMIT_CURRENT)
}

/// C off by its uncertainty: half of what is granted.
#[test]
fn the_doubt_covers_an_error_of_the_capacitance() {
    for off in [0.02, -0.02] {
        let truth = True {
            capacitance: [5.0 * (1.0 + off), 0.0],
            ..SLOW
        };
        let [residual, doubt] = told(&SLOW, &truth, &MOVING, false);
        let share = residual.abs() / doubt;
        assert!((0.4..0.6).contains(&share), "{residual} {doubt}");
    }
    // However sure a fit is, half a percent.
    let sure = True {
        capacitance: [5.0, 0.0],
        ..SLOW
    };
    let [_, doubt] = told(&SLOW, &SLOW, &MOVING, false);
    let [_, least] = told(&sure, &sure, &MOVING, false);
    assert!((least / doubt - 0.25).abs() < 0.01, "{least} {doubt}");
    // Nothing moves, nothing is in doubt.
    let [_, end] = SLOW.state(&config(), Drive::Raise, 400.0, 0.0);
    let still = Case { v: end, ..MOVING };
    let [residual, doubt] = told(&SLOW, &SLOW, &still, false);
    assert!(residual.abs() < 0.1 && doubt < 0.1, "{residual} {doubt}");
}

/// The pack steps, and κ is off by its uncertainty; or it steps within the block.
#[test]
fn the_doubt_covers_what_a_step_of_the_pack_leaves_open() {
    let [_, end] = SLOW.state(&config(), Drive::Raise, 400.0, 0.0);
    let stepped = Case {
        v: end,
        packs: [400.0, 390.0],
        ..MOVING
    };
    let vague = True {
        share: [0.5, 0.1],
        ..SLOW
    };
    let off = True {
        share: [0.6, 0.0],
        ..SLOW
    };
    let [residual, doubt] = told(&vague, &off, &stepped, false);
    assert!(
        (0.9..1.1).contains(&(residual.abs() / doubt)),
        "{residual} {doubt}"
    );
    let [_, sure] = told(&SLOW, &SLOW, &stepped, false);
    // A quarter of the step itself, and of what it drives: |x − κ|·Gt of it.
    let config = config();
    let [total, _] = SLOW.state(&config, Drive::Raise, 0.0, 0.0);
    let pull = (0.5 / total - 0.5f64).abs() * total / LIMIT;
    let due = (10.0 / 400.0) * (1.0 + pull) / 4.0 * LIMIT_CURRENT;
    assert!(sure > 0.95 * due && sure < 1.6 * due, "{sure} {due}");
}

/// ±40 µA change places, to a twentieth of a block; to a tenth behind a sliver.
#[test]
fn the_instant_of_a_drive_change_is_in_doubt() {
    let [_, end] = SLOW.state(&config(), Drive::Raise, 400.0, 0.0);
    let switched = Case {
        v: end,
        drives: [Drive::Raise, Drive::Lower],
        ..MOVING
    };
    let [_, doubt] = told(&SLOW, &SLOW, &switched, false);
    let [_, late] = told(&SLOW, &SLOW, &switched, true);
    let granted = |part: f64| doubt >= 0.99 * 80.0 / 20.0 && late >= 0.99 * 80.0 / part;
    assert!(granted(10.0), "{doubt} {late}");
    assert!(doubt < 80.0 / 12.0 && late < 80.0 / 8.0, "{doubt} {late}");
}

#[test]
fn circuits_are_the_same_within_what_they_are_uncertain_by() {
    let config = config();
    let circuit = |truth: &True| Circuit::new(&config, &truth.known()).expect("a circuit");
    let of = |capacitance: f64| True {
        capacitance: [capacitance, 0.02 * capacitance],
        ..SLOW
    };
    let one = circuit(&of(5.0));
    // Three times the root of two twentieths of a tenth.
    let edge = 3.0 * 0.02 * 2f64.sqrt();
    for (off, same) in [
        (0.99 * edge, true),
        (1.01 * edge, false),
        (-0.99 * edge, true),
        (-1.01 * edge, false),
    ] {
        let other = circuit(&of(5.0 * (1.0 + off)));
        assert_eq!(one.same_capacitance(&other), same, "{off}");
    }
    // Three uncertainties of each; a hundredth of the limit at least.
    let leak = |positive: f64, negative: f64, u: f64| {
        circuit(&True {
            positive: [positive, u],
            negative: [negative, u / 2.0],
            ..SLOW
        })
    };
    for (u, edge) in [(0.1, 0.6), (0.0, 0.25)] {
        for (off, differs) in [(0.98 * edge, false), (1.02 * edge, true)] {
            let one = leak(2.0, 3.0, u);
            assert_eq!(
                one.leak_differs(&leak(2.0 + off, 3.0, u)),
                differs,
                "{u} {off}"
            );
            assert_eq!(
                one.leak_differs(&leak(2.0, 3.0 - off, u)),
                differs,
                "{u} {off}"
            );
        }
    }
    let nothing = True {
        capacitance: [0.0, 0.0],
        ..SLOW
    };
    assert!(Circuit::new(&config, &nothing.known()).is_none());
}

/// Three time constants of a circuit that leaks at the limit, with the source's 1 µS.
#[test]
fn settling_is_that_of_a_leak_at_the_limit() {
    let config = config();
    let circuit = Circuit::new(&config, &SLOW.known()).expect("a circuit");
    let blocks = 3.0 * 5.0 / (LIMIT + 1.0) / BLOCK_S;
    let told = circuit.settling as f64 / 65536.0;
    assert!((told / blocks - 1.0).abs() < 1e-4, "{told} is not {blocks}");
    let siemens = circuit.siemens(ONE / 2).to_bits();
    assert!((real(siemens) - LIMIT / 2.0).abs() < 1e-6);
    assert!((real(circuit.positive) - 0.5 / LIMIT).abs() < 1e-8);
    assert!((real(circuit.negative) - 1.0 / LIMIT).abs() < 1e-8);
}
