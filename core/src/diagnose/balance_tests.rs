//! The charge balance of the check, on a circuit in f64 that has not settled when the check is over.

use super::balance::Balance;
use super::finding::{Finding, Findings};
use crate::config::{Config, Drive};
use crate::estimate::Found;
use crate::front::{Block, Flags};
use crate::num::ONE;
use crate::report::Estimate;
use crate::test_reports::{config, estimate};
use crate::units::{Measured, Microfarads, Ratio, Volts};

const PACK: f64 = 400.0;
/// Gp and Gn in µS, C in µF: τ is 1 s at rest.
const LEAK: [f64; 2] = [0.5, 1.5];
const CAPACITANCE: f64 = 2.0;
const BLOCK_S: f64 = 0.02;

/// The circuit, what it is off by, and what listens.
struct Bench {
    config: Config,
    balance: Balance,
    v: f64,
    /// Current at rest that the description does not know, µA.
    stray: f64,
    /// Blocks of a dwell.
    blocks: u32,
    scatter: f64,
    spoil: Option<fn(&mut Block)>,
}

fn volts(x: f64) -> Volts {
    Volts::from_bits((x * ONE as f64).round() as i64)
}

impl Bench {
    fn new(stray: f64) -> Self {
        Self {
            config: config(),
            balance: Balance::default(),
            v: 100.0,
            stray,
            blocks: 30,
            scatter: 1e-3,
            spoil: None,
        }
    }

    /// A dwell, block by block: means of the exact course.
    fn dwell(&mut self, drive: Drive) {
        let row = self.config.network().row(drive);
        let [g, i] = [row.g.to_bits(), row.i.to_bits()].map(|bits| bits as f64 / ONE as f64);
        let load = LEAK[0] + LEAK[1] + g;
        let stray = if drive == Drive::Rest {
            self.stray
        } else {
            0.0
        };
        let end = (LEAK[0] * PACK + i + stray) / load;
        let z = load * BLOCK_S / CAPACITANCE;
        for count in 0..self.blocks {
            let away = self.v - end;
            let mean = end + away * -(-z).exp_m1() / z;
            self.v = end + away * (-z).exp();
            let mut block = Block {
                drive,
                flags: Flags {
                    first_in_dwell: count == 0,
                    ..Flags::default()
                },
                duration_us: 20_000,
                count: 20,
                chassis: volts(mean),
                pack: volts(PACK),
                chassis_scatter: volts(self.scatter),
                pack_scatter: volts(1e-3),
                ..Block::default()
            };
            if drive == Drive::Rest
                && count == self.blocks / 2 + 3
                && let Some(spoil) = self.spoil
            {
                spoil(&mut block);
            }
            self.balance.listen(&self.config, &block);
        }
    }

    /// A fit of so many parts of uncertainty comes, and is weighed.
    fn fit(&mut self, u: f64, capacitance_u: f64) -> Findings {
        let fitted = fitted(u, capacitance_u);
        self.balance.know(&Found {
            conductance: fitted.conductance,
            positive: fitted.positive_conductance,
            negative: fitted.negative_conductance,
            position_u: Ratio::from_bits((u * ONE as f64) as i64),
            capacitance: fitted.capacitance,
            zero: Volts::ZERO,
            dwell_us: 600_000,
        });
        let mut slices = 0;
        while self.balance.weigh(&self.config, &fitted, true) {
            slices += 1;
            assert!(slices < 4);
        }
        self.balance.add_to(Findings::NONE)
    }

    /// Rounds of the cycle with a check, each with a fit before it and one after each dwell.
    fn rounds(&mut self, count: u32, u: f64, capacitance_u: f64) -> Findings {
        for _ in 0..count {
            self.dwell(Drive::Raise);
            self.dwell(Drive::Lower);
            self.fit(u, capacitance_u);
            self.dwell(Drive::Rest);
            self.dwell(Drive::Raise);
            self.fit(u, capacitance_u);
            // What agrees counts once both driven dwells are over.
            self.dwell(Drive::Lower);
            self.fit(u, capacitance_u);
        }
        self.balance.add_to(Findings::NONE)
    }
}

/// The figures of the circuit, with a relative uncertainty.
fn fitted(u: f64, capacitance_u: f64) -> Estimate {
    let [positive, negative] = LEAK.map(|g| g * 1e3);
    let of = |x: f64| Microfarads::from_bits((x * ONE as f64).round() as i64);
    Estimate {
        capacitance: Some(Measured {
            value: of(CAPACITANCE),
            u: of(CAPACITANCE * capacitance_u),
        }),
        ..estimate([positive, negative], [u * positive, u * negative])
    }
}

fn contradicts(findings: Findings) -> bool {
    findings.contains(Finding::StatesContradict)
}

#[test]
fn a_circuit_that_is_as_described_balances_whether_it_settles_or_not() {
    for blocks in [12, 30, 400] {
        let mut bench = Bench::new(0.0);
        bench.blocks = blocks;
        let found = bench.rounds(4, 0.002, 0.002);
        assert!(!contradicts(found), "{blocks}");
        assert!(!bench.balance.is_in_question(), "{blocks}");
    }
}

/// A current at rest of so much beside the ±40 µA of the drive.
#[test]
fn a_third_state_that_is_off_is_found_by_two_fits() {
    for stray in [40.0, -40.0, 8.0, -8.0] {
        let mut bench = Bench::new(stray);
        bench.dwell(Drive::Raise);
        bench.dwell(Drive::Lower);
        assert!(!contradicts(bench.fit(0.002, 0.002)), "not measured yet");
        bench.dwell(Drive::Rest);
        bench.dwell(Drive::Raise);
        assert!(!contradicts(bench.fit(0.002, 0.002)), "once is a question");
        assert!(bench.balance.is_in_question(), "{stray}");
        bench.dwell(Drive::Lower);
        assert!(contradicts(bench.rounds(1, 0.002, 0.002)), "{stray}");
        assert!(bench.balance.is_in_question());
        // It heals, told twice as well.
        bench.stray = 0.0;
        assert!(!contradicts(bench.rounds(3, 0.002, 0.002)), "{stray}");
        assert!(!bench.balance.is_in_question());
    }
}

/// A fit whose C may be off by more than a quarter, at three standard uncertainties, contradicts nothing; nor does one
/// beside a check that noise drowns.
#[test]
fn a_fit_that_leaves_much_open_tells_nothing() {
    for (u, capacitance_u, due) in [
        (0.002, 0.002, true),
        (0.002, 0.08, true),
        (0.002, 0.09, false),
    ] {
        let mut bench = Bench::new(8.0);
        assert_eq!(
            contradicts(bench.rounds(3, u, capacitance_u)),
            due,
            "{u} {capacitance_u}"
        );
    }
    for (scatter, due) in [(1e-3, true), (20.0, false)] {
        let mut bench = Bench::new(8.0);
        bench.scatter = scatter;
        assert_eq!(contradicts(bench.rounds(3, 0.002, 0.002)), due, "{scatter}");
    }
}

#[test]
fn a_check_that_is_short_or_spoilt_tells_nothing() {
    let spoils: [fn(&mut Block); 2] = [
        |block| block.flags.saturated = true,
        |block| block.missing = 1,
    ];
    for spoil in spoils {
        let mut bench = Bench::new(40.0);
        bench.spoil = Some(spoil);
        assert!(!contradicts(bench.rounds(4, 0.002, 0.002)));
        assert!(!bench.balance.is_in_question());
    }
    let mut bench = Bench::new(40.0);
    bench.blocks = 5;
    assert!(
        !contradicts(bench.rounds(4, 0.002, 0.002)),
        "too few blocks"
    );
}

#[test]
fn what_was_before_a_restart_is_forgotten() {
    let mut bench = Bench::new(40.0);
    bench.dwell(Drive::Raise);
    bench.dwell(Drive::Lower);
    bench.dwell(Drive::Rest);
    bench.dwell(Drive::Raise);
    bench.balance.restart();
    assert!(!contradicts(bench.fit(0.002, 0.002)));
    assert!(!bench.balance.is_in_question());
    bench.dwell(Drive::Lower);
    bench.dwell(Drive::Raise);
    assert!(!bench.balance.is_in_question());
    // An old check is not weighed again with fits that have nothing to do with it.
    let mut bench = Bench::new(40.0);
    bench.dwell(Drive::Rest);
    for _ in 0..3 {
        bench.dwell(Drive::Raise);
        bench.dwell(Drive::Lower);
    }
    bench.fit(0.002, 0.002);
    assert!(!bench.balance.is_in_question());
}
