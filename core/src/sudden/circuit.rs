//! What the circuit known from before foretells: the residual current between
//! two blocks, exact for any ratio of block and time constant.
//!
//! With `z = Gt·B/C` of a drive state (Gt all conductance on the chassis, B
//! the block), `φ = (1 - e^-z)/z`, `ψ = (1 - φ)/z` and `χ = 1 - ψ/φ`, the block
//! means u of `v - κ·Vb` obey
//!
//! ```text
//! e = (u₂ - s₂) - φ₂·(s₁ - s₂) - φ₂·(1 - z₁χ₁)·(u₁ - s₁) = 0
//! ```
//!
//! where s is the settled value of `v - κ·Vb` at the block's pack voltage. A
//! residual current w held over both blocks makes `e = w·(B/C)·(ψ₂ + φ₂χ₁)`.
//! Summed over blocks this is the charge balance; in a settled circuit it is
//! the balance of currents.

use super::Moment;
use super::row::{CURRENT_BITS, Equation};
use crate::config::{Config, Drive, Network, Row};
use crate::decay::phi_psi;
use crate::num::{self, ONE};
use crate::units::{Measured, Microfarads, Microsiemens, Ratio};

/// The circuit as known before a leak: what the estimator last found sure,
/// each with its standard uncertainty. Leaks and κ outside what a circuit can
/// have (0..1 for κ) are taken as they are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Known {
    /// C = Cp + Cn, more than zero.
    pub capacitance: Measured<Microfarads>,
    /// κ = Cp/C; unknown is 0.5 with an uncertainty of 0.29.
    pub positive_share: Measured<Ratio>,
    /// Gp.
    pub positive: Measured<Microsiemens>,
    /// Gn.
    pub negative: Measured<Microsiemens>,
}

/// Smallest conductance taken to hang on the chassis, in bits: 1 TΩ.
const LEAST: i64 = 1 << 12;
/// Least relative standard uncertainty of C, however sure a fit is: 0.5 %, for
/// what a capacitor absorbs and how it depends on voltage.
const LEAST_CAPACITANCE_U: i64 = ONE / 200;
/// The same of the leaks: 0.2 % of their sum, for how temperature moves them.
const LEAST_LEAK_U: i64 = ONE / 500;
/// A leak that moved by less than this part of the limit conductance is no news.
const NEWS: i64 = ONE / 100;
/// Fraction bits kept of a voltage in units until it is a current.
const GUARD: u32 = 8;

/// Factors that belong to two blocks that follow each other; `I32F32`.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Link {
    /// Residual current over e, as a conductance over the limit.
    pub(super) stiffness: i64,
    /// How much of the block before is carried over.
    pub(super) carried: i64,
    /// Weight of the later block in the mean of the two.
    pub(super) later: i64,
}

/// The known circuit in units of the alarm limit: a conductance of one is the
/// limit; a voltage of 2^[`CURRENT_BITS`] is the working voltage, and a current
/// of as much flows at it through the limit. `I32F32` unless said otherwise.
#[derive(Debug, Clone)]
pub(super) struct Circuit {
    /// κ.
    share: Measured<Ratio>,
    /// The limit's conductance, in microsiemens.
    limit: i64,
    states: [State; 3],
    /// C/B.
    charge: i64,
    /// Relative uncertainty of C.
    pub(super) capacitance_u: i64,
    /// Gp.
    pub(super) positive: i64,
    /// Gn.
    pub(super) negative: i64,
    /// Three standard uncertainties of Gp or Gn, the larger.
    pub(super) leak_u: i64,
    per_volt: i64,
    per_microamp: i64,
    /// See [`curvature`].
    curvature: i64,
    /// Blocks in three time constants of a circuit that leaks at the limit, Q16.
    pub(super) settling: i64,
}

/// One drive state of the known circuit; `I32F32`.
#[derive(Debug, Clone, Copy, Default)]
struct State {
    /// Settled chassis voltage: `free + part·Vb`.
    free: i64,
    part: i64,
    /// Current that a step of Vb drives, over the limit conductance: `|x - κ|·Gt`.
    pull: i64,
    phi: i64,
    psi: i64,
    chi: i64,
    /// `1 - zχ`, the value at the end of a block over its mean.
    carry: i64,
}

impl Circuit {
    /// `None` when the capacitance is not positive.
    pub(super) fn new(config: &Config, known: &Known) -> Option<Self> {
        let limits = config.limits();
        let limit = Microsiemens::of(limits.resistance(limits.alarm_ohm_per_volt)).to_bits();
        let volts = limits.working_voltage.to_bits();
        let farads = known.capacitance.value.to_bits();
        let block = config.timing().block().to_bits();
        if farads <= 0 || limit <= 0 || block <= 0 {
            return None;
        }
        let rate = ratio(farads, block);
        let [rest, raise, lower, _] = Drive::ALL;
        let rows = [rest, raise, lower].map(|drive| config.network().row(drive));
        let load = rows.iter().fold(0, |most, row| row.g.to_bits().max(most));
        let pace = ratio(limit.saturating_add(load), rate);
        let leak = known.positive.value.saturating_add(known.negative.value);
        let leak_u = known.positive.u.to_bits().max(known.negative.u.to_bits());
        let leak_u = leak_u.max(num::mul(leak.to_bits(), LEAST_LEAK_U));
        let full = 1i128 << CURRENT_BITS << num::FRAC;
        let units = |bits: i64| num::quotient(full, i128::from(bits), num::FRAC as i32);
        Some(Self {
            share: known.positive_share,
            limit,
            states: rows.map(|row| State::new(row, known, rate, limit)),
            charge: ratio(rate, limit),
            capacitance_u: ratio(known.capacitance.u.to_bits(), farads).max(LEAST_CAPACITANCE_U),
            positive: ratio(known.positive.value.to_bits(), limit),
            negative: ratio(known.negative.value.to_bits(), limit),
            leak_u: ratio(leak_u.saturating_mul(3), limit),
            per_volt: units(volts),
            per_microamp: units(num::mul(limit, volts)),
            curvature: curvature(pace.saturating_mul(2)),
            settling: num::quotient(3 << 16, i128::from(pace), num::FRAC as i32),
        })
    }

    /// What is known to leak at one rail is beyond the limit.
    pub(super) fn is_alarming(&self) -> bool {
        self.positive.max(self.negative) >= ONE
    }

    /// True when C is the same within three standard uncertainties.
    pub(super) fn same_capacitance(&self, other: &Self) -> bool {
        let change = ratio(other.charge, self.charge).saturating_sub(ONE);
        let u = num::hypot(&[self.capacitance_u, other.capacitance_u]);
        change.saturating_abs() <= u.saturating_mul(3)
    }

    /// True when a leak differs beyond what either is uncertain by.
    pub(super) fn leak_differs(&self, other: &Self) -> bool {
        let u = self.leak_u.saturating_add(other.leak_u).max(NEWS);
        let differs = |a: i64, b: i64| a.saturating_sub(b).saturating_abs() > u;
        differs(self.positive, other.positive) || differs(self.negative, other.negative)
    }

    /// Factors from a block in state `from` to one in state `to`.
    pub(super) fn link(&self, from: Drive, to: Drive) -> Link {
        let (a, b) = (from.of(&self.states), to.of(&self.states));
        let sum = b.psi.saturating_add(num::mul(b.phi, a.chi));
        Link {
            stiffness: ratio(self.charge, sum),
            carried: num::mul(b.phi, a.carry),
            later: ratio(b.psi, sum),
        }
    }

    /// The balance between two blocks that follow each other without a gap,
    /// and what the known circuit grants its current (standard uncertainty, in
    /// units) besides the noise of the blocks; `noise` is the standard
    /// deviation of a block's voltage in units. Apart, for the sake of the stack.
    #[inline(never)]
    pub(super) fn equation(
        &self,
        network: &Network,
        before: &Moment,
        block: &Moment,
        noise: i64,
    ) -> (Equation, i64) {
        let link = self.link(before.drive, block.drive);
        let current = self.current(link, self.residual(before, block, link));
        let mean = |a: i64, b: i64| a.saturating_add(num::mul(link.later, b.saturating_sub(a)));
        let [v1, v2] = [before, block].map(|block| self.volts(block.chassis.to_bits()));
        let [q1, q2] = [before, block].map(|block| self.volts(block.pack.to_bits()));
        let switched = self.switched(network, before, block);
        let doubt = self.doubt([before, block], link, [current, switched], noise);
        // What only a leak makes doubtful: how v moved within the blocks.
        let moved = v2.saturating_sub(v1).saturating_abs();
        let moved = moved.saturating_sub(noise.saturating_mul(2)).max(0);
        let bent = num::mul(self.curvature, moved);
        let row = Equation::new(
            current,
            mean(q1, q2),
            mean(v1, v2),
            num::hypot(&[doubt, bent]),
            before.drive != block.drive,
        );
        (row, doubt)
    }

    /// e of the module's equation, in volts.
    fn residual(&self, before: &Moment, block: &Moment, link: Link) -> i64 {
        let (a, b) = (before.drive.of(&self.states), block.drive.of(&self.states));
        let (q1, q2) = (before.pack.to_bits(), block.pack.to_bits());
        let (s1, s2) = (a.settled(q1), b.settled(q2));
        let pack = num::mul(self.share.value.to_bits(), q2.saturating_sub(q1));
        let jump = s1.saturating_sub(s2).saturating_add(pack);
        let away = before.chassis.to_bits().saturating_sub(s1);
        block
            .chassis
            .to_bits()
            .saturating_sub(s2)
            .saturating_sub(num::mul(b.phi, jump))
            .saturating_sub(num::mul(link.carried, away))
    }

    /// `current` and what a drive change `switched`, in units.
    fn doubt(
        &self,
        [before, block]: [&Moment; 2],
        link: Link,
        [current, switched]: [i64; 2],
        noise: i64,
    ) -> i64 {
        let state = block.drive.of(&self.states);
        let dv = block.chassis.saturating_sub(before.chassis).to_bits();
        let dq = block.pack.saturating_sub(before.pack).to_bits();
        let moved = self.current(
            link,
            dv.saturating_sub(num::mul(self.share.value.to_bits(), dq)),
        );
        let own = moved.saturating_sub(current).saturating_abs();
        // What the pack moved beyond noise.
        let step = self.volts(dq).saturating_abs();
        let step = step.saturating_sub(noise.saturating_mul(4)).max(0);
        let share_u = self.share.u.to_bits();
        let twice_u = self.capacitance_u.saturating_mul(2);
        // The instant of switching, to a twentieth of a block, or more.
        let instant = if block.late {
            switched / 10
        } else {
            switched / 20
        };
        num::hypot(&[
            // C: twice its uncertainty, of the charge that the known circuit moves.
            num::mul(twice_u, own.min(moved.saturating_abs())),
            num::mul(link.stiffness, num::mul(share_u, step)),
            // The pack voltage may have stepped anywhere in the block.
            step.saturating_add(num::mul(state.pull, step)) >> 2,
            instant,
        ])
    }

    /// What a drive change switches, in units.
    fn switched(&self, network: &Network, before: &Moment, block: &Moment) -> i64 {
        if before.drive == block.drive {
            return 0;
        }
        let [old, new] = [before, block].map(|at| {
            let row = network.row(at.drive);
            row.current(block.chassis, block.pack).to_bits()
        });
        num::mul(new.saturating_sub(old), self.per_microamp) >> num::FRAC
    }

    /// A conductance over the limit in microsiemens.
    pub(super) const fn siemens(&self, over_limit: i64) -> Microsiemens {
        Microsiemens::from_bits(num::mul(over_limit, self.limit))
    }

    /// A voltage in units.
    const fn volts(&self, bits: i64) -> i64 {
        num::mul(bits, self.per_volt) >> num::FRAC
    }

    /// The current in units that a residual of `bits` volts stands for.
    const fn current(&self, link: Link, bits: i64) -> i64 {
        let fine = num::mul(bits, self.per_volt) >> (num::FRAC - GUARD);
        num::mul(link.stiffness, fine) >> GUARD
    }
}

impl State {
    /// `rate` is C/B in microsiemens.
    fn new(row: Row, known: &Known, rate: i64, limit: i64) -> Self {
        let [positive, negative] = [known.positive, known.negative].map(|g| g.value.to_bits());
        let leak = positive.saturating_add(negative);
        let total = leak.saturating_add(row.g.to_bits()).max(LEAST);
        let part = ratio(positive.saturating_add(row.p.to_bits()), total);
        let pull = part.saturating_sub(known.positive_share.value.to_bits());
        let z = ratio(total, rate);
        let (phi, psi) = phi_psi(z);
        let chi = ONE.saturating_sub(ratio(psi, phi));
        Self {
            free: ratio(row.i.to_bits(), total),
            part,
            pull: num::mul(pull.saturating_abs(), ratio(total, limit)),
            phi,
            psi,
            chi,
            carry: ONE.saturating_sub(num::mul(z, chi)).max(0),
        }
    }

    const fn settled(&self, pack: i64) -> i64 {
        self.free.saturating_add(num::mul(self.part, pack))
    }
}

/// How far, as a part of the step between two blocks, their weighted mean may
/// be from the mean under the balance's own (triangular) weights, for an
/// exponential that relaxes by e^-z in a block: 1/12 when slow, at most 1/2
/// when it is over within the first block. A bound found by integration.
fn curvature(z: i64) -> i64 {
    let top = z.saturating_add(ONE / 2);
    let bottom = z.saturating_add(3 * ONE);
    ratio(top, bottom) >> 1
}

fn ratio(n: i64, d: i64) -> i64 {
    num::ratio(n, d)
}
