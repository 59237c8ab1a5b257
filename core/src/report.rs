//! Stage 6, what the monitor says: by value, fixed layout, no text.

use crate::config::{Drive, Judged};
use crate::diagnose::Findings;
use crate::reason::Reason;
use crate::units::{Measured, Microamps, Microfarads, Microsiemens, Ohms, Ratio, Seconds, Volts};

/// A 95 % interval.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Interval<T> {
    /// Lower end.
    pub low: T,
    /// Upper end; the largest value of the type when there is none.
    pub high: T,
}

/// What kind of answer an estimate is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Kind {
    /// A resistance with its uncertainty.
    Figure,
    /// A hard short: the resistance is only bounded above. The position is sound.
    Short,
    /// No leak resolvable: the resistance is only bounded below. The position
    /// is unknown.
    Open,
}

/// Isolation as estimated from one drive cycle.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Estimate {
    /// Figure, short or open.
    pub kind: Kind,
    /// G = Gp + Gn, all leakage conductance. For [`Kind::Short`] the value is
    /// the lower bound.
    pub conductance: Measured<Microsiemens>,
    /// Gp, leakage conductance of the positive rail.
    pub positive_conductance: Measured<Microsiemens>,
    /// Gn, leakage conductance of the negative rail.
    pub negative_conductance: Measured<Microsiemens>,
    /// R_iso = 1/G, both rails in parallel.
    pub isolation: Ohms,
    /// 95 % interval of R_iso: Gaussian in 1/(G + g) where v settles within a dwell; where a fit
    /// sees a part of its way, each half is the wider of that and of one Gaussian in G.
    pub isolation_interval: Interval<Ohms>,
    /// Rp = 1/Gp.
    pub positive: Ohms,
    /// 95 % interval of Rp.
    pub positive_interval: Interval<Ohms>,
    /// Rn = 1/Gn.
    pub negative: Ohms,
    /// 95 % interval of Rn.
    pub negative_interval: Interval<Ohms>,
    /// min(Rp, Rn), the figure that the in-situ test of the regulations yields.
    pub weakest: Ohms,
    /// 95 % interval of the weakest rail.
    pub weakest_interval: Interval<Ohms>,
    /// Position x = Gp/G of the leak in the stack, 0 at the negative rail and
    /// 1 at the positive; `None` when no leak is resolved.
    pub position: Option<Measured<Ratio>>,
    /// Prospective touch current Vb/min(Rp, Rn): value and standard uncertainty.
    pub touch_current: Measured<Microamps>,
    /// Capacitance Cp + Cn; `None` when no transient showed it. A settled reading shows it
    /// while the pack stands still, and to better than a sixteenth once two dwells agree; of a short nothing does.
    pub capacitance: Option<Measured<Microfarads>>,
    /// Pack voltage of the newest reading.
    pub pack: Volts,
}

/// The judgement.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Verdict {
    /// The lower end of the judged interval is above the warning limit.
    Healthy,
    /// The lower end of the judged interval is at or below the warning limit.
    Warning,
    /// The lower end of the judged interval is at or below the alarm limit.
    Alarm,
    /// It cannot be judged.
    Undetermined(Reason),
}

/// One settled dwell as the estimator used it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Reading {
    /// The drive state.
    pub drive: Drive,
    /// Settled chassis voltage.
    pub chassis: Measured<Volts>,
    /// Pack voltage that belongs to it.
    pub pack: Measured<Volts>,
    /// How far v may trail behind a moving pack voltage: τ·dVb/dt. The error
    /// is this times (x − Cp/C), which is the same in every reading.
    pub lag: Volts,
    /// Time constant, when the transient showed one.
    pub time_constant: Option<Measured<Seconds>>,
    /// Microseconds of the dwell, from the switch to its end.
    pub dwell_us: u32,
}

/// What an estimate rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Basis {
    /// Readings of one drive cycle, each proved to have settled.
    Settled,
    /// A fit of the running record, settled or not.
    Transient,
    /// A sudden leak, verified while the circuit moves.
    Sudden,
}

/// What came of one dwell, or is known before it is over.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Report {
    /// Dwells completed before this one, wrapping.
    pub sequence: u32,
    /// Drive state of the dwell.
    pub drive: Drive,
    /// The dwell is over. A [`crate::SwiftMonitor`] reports before, too.
    pub dwell_over: bool,
    /// The settled reading, or why there is none; [`Reason::NotSettled`] while
    /// the dwell lasts.
    pub reading: Result<Reading, Reason>,
    /// What the estimate rests on.
    pub basis: Basis,
    /// The estimate, or why there is none.
    pub estimate: Result<Estimate, Reason>,
    /// Which figure is judged.
    pub judged: Judged,
    /// What the self-diagnosis finds.
    pub findings: Findings,
    /// The judgement after this dwell. A finding withholds [`Verdict::Healthy`].
    pub verdict: Verdict,
}
