//! The settled circuit with parts that are off, and what a monitor that knows
//! the declared parts makes of its readings.
//!
//! In drive state k the chassis settles at `v_k = (Gp Vb + p_k Vb + i_k)/(G + g_k)`.
//! The readings of two states, put back into the same balance with the
//! declared (g, p, i), give G and Gp. The core solves the same balance in
//! fixed point; whole-system tests hold the two against each other.

use nalgebra::{Matrix2, Vector2};
use ohmsplit::config::{Config, Drive, FrontEnd, Landing};

use crate::network::JudgedWord;

/// A leak to both rails, in siemens.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Leak {
    /// To P.
    pub positive: f64,
    /// To N.
    pub negative: f64,
}

impl Leak {
    /// The leak whose judged figure is `ohm`, at x in the stack.
    #[must_use]
    pub fn judged(figure: JudgedWord, ohm: f64, x: f64) -> Self {
        let total = match figure {
            JudgedWord::BothInParallel => 1.0 / ohm,
            // The larger of x G and (1 - x) G is 1/ohm.
            JudgedWord::WeakestRail => 1.0 / (ohm * x.max(1.0 - x)),
        };
        Self {
            positive: total * x,
            negative: total * (1.0 - x),
        }
    }

    /// The judged figure as a conductance.
    #[must_use]
    pub fn figure(&self, judged: JudgedWord) -> f64 {
        match judged {
            JudgedWord::WeakestRail => self.positive.max(self.negative),
            JudgedWord::BothInParallel => self.positive + self.negative,
        }
    }
}

/// What a resistor on the chassis is there for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    /// It stays connected: a divider.
    Divider,
    /// It pushes the chassis.
    Drive,
    /// The check resistor.
    Check,
}

impl Role {
    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Divider => "divider load",
            Self::Drive => "drive resistor",
            Self::Check => "check resistor",
        }
    }
}

/// One resistor between the chassis and a rail, with what it does in each state.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Branch {
    role: Role,
    to_positive: bool,
    siemens: f64,
    closed: [bool; 4],
    emf: [f64; 4],
}

impl Branch {
    /// Closed in the state of the check and in no other.
    const CHECK: [bool; 4] = [false, false, false, true];

    fn check(ohm: f64, to_positive: bool) -> Self {
        Self {
            role: Role::Check,
            to_positive,
            siemens: 1.0 / ohm,
            closed: Self::CHECK,
            emf: [0.0; 4],
        }
    }
}

/// The monitor's conductance, the part of it to P, and the current at v = 0, Vb = 0.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Pushes {
    /// g in siemens.
    pub g: f64,
    /// p in siemens.
    pub p: f64,
    /// i in amperes.
    pub i: f64,
}

impl Pushes {
    /// Current into the chassis, in amperes.
    #[must_use]
    pub fn current(&self, chassis_v: f64, pack_v: f64) -> f64 {
        self.i + self.p * pack_v - self.g * chassis_v
    }
}

/// What each part and channel is off by: relative, but for the offsets in volts.
#[derive(Debug, Clone, PartialEq)]
pub struct Errors {
    /// Each resistor on the chassis, in the order of [`Monitor::branch_names`].
    pub resistance: Vec<f64>,
    /// All sources together.
    pub source: f64,
    /// Gain of either channel.
    pub gain: [f64; 2],
    /// Offset of either channel, in volts.
    pub offset: [f64; 2],
}

/// The monitor's parts, from its configuration.
#[derive(Debug, Clone, PartialEq)]
pub struct Monitor {
    branches: Vec<Branch>,
    rail_pair: bool,
    cycle: [Drive; 2],
}

impl Monitor {
    /// The parts that a configuration declares. Of its cycle the first two
    /// states that differ count.
    #[must_use]
    pub fn of(config: &Config) -> Self {
        let mut branches = Vec::new();
        for element in config.network().elements() {
            let contacts = Drive::ALL.map(|drive| element.contact(drive));
            let (closed, emf) = (
                contacts.map(|contact| contact.closed),
                contacts.map(|contact| contact.emf.get().to_num::<f64>()),
            );
            let role = if element.checks {
                Role::Check
            } else if closed == [true; 4] && emf == [0.0; 4] {
                Role::Divider
            } else {
                Role::Drive
            };
            let branch = |to_positive| Branch {
                role,
                to_positive,
                siemens: 1.0 / element.resistance.get().to_num::<f64>(),
                closed,
                emf,
            };
            match element.landing {
                Landing::Positive => branches.push(branch(true)),
                Landing::Negative => branches.push(branch(false)),
                Landing::BothRails => branches.extend([branch(true), branch(false)]),
            }
        }
        let cycle = config.timing().cycle();
        Self {
            branches,
            rail_pair: matches!(config.front_end(), FrontEnd::RailPair { .. }),
            cycle: [cycle[0], cycle[1]],
        }
    }

    /// The same with a check resistor of `ohm` to a rail.
    #[must_use]
    pub fn with_check(&self, ohm: f64, to_positive: bool) -> Self {
        let mut with = self.clone();
        with.branches.push(Branch::check(ohm, to_positive));
        with
    }

    /// The rail of each resistor, and what it is there for.
    #[must_use]
    pub fn branch_names(&self) -> Vec<(&'static str, Role)> {
        let of = |branch: &Branch| {
            let rail = if branch.to_positive { "P" } else { "N" };
            (rail, branch.role)
        };
        self.branches.iter().map(of).collect()
    }

    /// The two drive states that alternate.
    #[must_use]
    pub const fn cycle(&self) -> [Drive; 2] {
        self.cycle
    }

    /// All states that the monitor drives: the two, and the check where it has the resistor.
    pub fn states(&self) -> impl Iterator<Item = Drive> + '_ {
        let checks = self
            .branches
            .iter()
            .any(|branch| branch.role == Role::Check);
        self.cycle.into_iter().chain(checks.then_some(Drive::Check))
    }

    /// No part is off.
    #[must_use]
    pub fn without_errors(&self) -> Errors {
        Errors {
            resistance: vec![0.0; self.branches.len()],
            source: 0.0,
            gain: [0.0; 2],
            offset: [0.0; 2],
        }
    }

    /// The row of a drive state with parts that are off.
    #[must_use]
    pub fn pushes(&self, drive: Drive, errors: &Errors) -> Pushes {
        let mut row = Pushes::default();
        for (branch, off) in self.branches.iter().zip(&errors.resistance) {
            if branch.closed[drive.index()] {
                let g = branch.siemens / (1.0 + off);
                row.g += g;
                row.i += g * branch.emf[drive.index()] * (1.0 + errors.source);
                if branch.to_positive {
                    row.p += g;
                }
            }
        }
        row
    }

    /// The settled chassis voltage in a drive state.
    #[must_use]
    pub fn settled(&self, drive: Drive, leak: Leak, pack_v: f64, errors: &Errors) -> f64 {
        let push = self.pushes(drive, errors);
        let total = leak.positive + leak.negative + push.g;
        (leak.positive * pack_v + push.current(0.0, pack_v)) / total
    }

    /// By how much the chassis moves between the two drive states, in volts.
    #[must_use]
    pub fn swing(&self, leak: Leak, pack_v: f64) -> f64 {
        let exact = self.without_errors();
        let [a, b] = self
            .cycle
            .map(|drive| self.settled(drive, leak, pack_v, &exact));
        (a - b).abs()
    }

    /// The leak that the declared parts make of the settled readings of a
    /// circuit whose parts are off. None when the readings tell nothing.
    #[must_use]
    pub fn measured(&self, leak: Leak, pack_v: f64, errors: &Errors) -> Option<Leak> {
        self.solved(leak, pack_v, [errors; 2])
    }

    /// The same with errors of their own in each of the two states.
    fn solved(&self, leak: Leak, pack_v: f64, errors: [&Errors; 2]) -> Option<Leak> {
        let declared = self.without_errors();
        let mut balance = Matrix2::zeros();
        let mut pushed = Vector2::zeros();
        for (line, (drive, errors)) in self.cycle.into_iter().zip(errors).enumerate() {
            let v = self.settled(drive, leak, pack_v, errors);
            let [v, vb] = self.read(v, pack_v, errors);
            let row = self.pushes(drive, &declared);
            // v G - Vb Gp = i + p Vb - g v
            balance[(line, 0)] = v;
            balance[(line, 1)] = -vb;
            pushed[line] = row.current(v, vb);
        }
        let solved = balance.lu().solve(&pushed)?;
        Some(Leak {
            positive: solved[1],
            negative: solved[0] - solved[1],
        })
    }

    /// By how much the balance of the check misses with the leak that the two
    /// driven states yield, in amperes; errors of the two states and of the check.
    /// None when the readings tell nothing.
    #[must_use]
    pub fn contradiction(&self, leak: Leak, pack_v: f64, errors: [&Errors; 3]) -> Option<f64> {
        let [one, other, check] = errors;
        let found = self.solved(leak, pack_v, [one, other])?;
        let v = self.settled(Drive::Check, leak, pack_v, check);
        let [v, vb] = self.read(v, pack_v, check);
        let row = self.pushes(Drive::Check, &self.without_errors());
        Some((found.positive + found.negative) * v - found.positive * vb - row.current(v, vb))
    }

    /// v and Vb as the two channels show them.
    fn read(&self, v: f64, vb: f64, errors: &Errors) -> [f64; 2] {
        let show = |n: usize, volts: f64| volts * (1.0 + errors.gain[n]) + errors.offset[n];
        if self.rail_pair {
            let [positive, negative] = [show(0, vb - v), show(1, v)];
            [negative, positive + negative]
        } else {
            [show(0, v), show(1, vb)]
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::document::Document;
    use crate::network::{NetworkFile, Readings};

    fn monitor(drive: &str, front_end: &str) -> Monitor {
        let text = format!(
            "format = \"ohmsplit-network-1\"\n[pack]\nworking_voltage_V = 400\n[drive]\n{drive}\n{front_end}"
        );
        let network = NetworkFile::parse(&Document::embedded("n", &text)).expect("network");
        Monitor::of(&network.config(Readings::Volts).expect("config"))
    }

    const DRIVES: [&str; 4] = [
        "kind = \"switched_resistors\"\npositive_resistance_ohm = 2e5\nnegative_resistance_ohm = 3e5",
        "kind = \"source_to_negative\"\namplitude_V = 40\nseries_resistance_ohm = 1e6",
        "kind = \"source_to_both_rails\"\namplitude_V = 40\nseries_resistance_ohm = 1e6",
        "kind = \"logic_source\"\nlow_V = 0\nhigh_V = 5\nseries_resistance_ohm = 1e5",
    ];
    const PAIR: &str = "[front_end]\nkind = \"rail_pair\"\n[front_end.positive]\ndivider_top_ohm = 9.9e6\n\
         divider_bottom_ohm = 1e5\n[front_end.negative]\ndivider_top_ohm = 9.9e6\ndivider_bottom_ohm = 1e5\n";

    #[test]
    fn without_errors_the_leak_comes_back_for_every_drive() {
        for drive in DRIVES {
            for front_end in [PAIR, "[front_end]\nkind = \"chassis_and_pack\"\n"] {
                let monitor = monitor(drive, front_end);
                for x in [0.0, 0.3, 0.5, 1.0] {
                    let leak = Leak::judged(JudgedWord::WeakestRail, 2e5, x);
                    let back = monitor
                        .measured(leak, 400.0, &monitor.without_errors())
                        .expect("a solution");
                    assert!((back.positive - leak.positive).abs() < 1e-12, "{drive} {x}");
                    assert!((back.negative - leak.negative).abs() < 1e-12, "{drive} {x}");
                }
            }
        }
    }

    #[test]
    fn drive_resistors_high_by_one_percent_make_the_figure_low_by_as_much() {
        // Nothing but the inserted resistors sets the scale of a switched drive.
        let monitor = monitor(DRIVES[0], "[front_end]\nkind = \"chassis_and_pack\"\n");
        let leak = Leak::judged(JudgedWord::WeakestRail, 1e6, 0.5);
        let mut errors = monitor.without_errors();
        errors.resistance = vec![0.01; 2];
        let off = monitor.measured(leak, 400.0, &errors).expect("solution");
        let change = leak.positive / off.positive - 1.0;
        assert!((change - (1.0 / 1.01 - 1.0)).abs() < 1e-9, "{change}");
    }

    #[test]
    fn the_judged_leak_has_the_judged_figure() {
        for judged in [JudgedWord::WeakestRail, JudgedWord::BothInParallel] {
            for x in [0.0, 0.2, 0.5, 1.0] {
                let leak = Leak::judged(judged, 2e5, x);
                assert!((leak.figure(judged) * 2e5 - 1.0).abs() < 1e-12);
            }
        }
    }
}
