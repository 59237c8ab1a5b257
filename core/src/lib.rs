#![no_std]
#![forbid(unsafe_code)]
#![cfg_attr(
    not(test),
    deny(
        clippy::float_arithmetic,
        clippy::arithmetic_side_effects,
        clippy::indexing_slicing,
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::panic,
        clippy::unreachable
    )
)]
//! Isolation monitoring of a floating high-voltage battery: how much
//! resistance separates its rails from the chassis, where a leak sits, and
//! what that means for safety.
//!
//! `no_std`, no allocation, no floating point, no `unsafe`. Work is bounded in
//! every call, and nothing panics: what cannot be computed is a [`Reason`].
//!
//! # The circuit
//! P and N are the rails, E is the chassis, `Vb = V(P) − V(N)` and
//! `v = V(E) − V(N)`. In drive state k the monitor hangs the conductance g_k
//! on E and pushes the current i_k + p_k·Vb into it:
//!
//! ```text
//! C·dv/dt = Gp·Vb + Cp·dVb/dt + i_k + p_k·Vb − (Gp + Gn + g_k)·v
//! ```
//!
//! # The pipeline
//! Data flows one way; each stage is a module, owns its state and knows only
//! the stage before it.
//!
//! | stage | module | turns |
//! |---|---|---|
//! | front end | `front` | counts into mean voltages of averaging blocks |
//! | settling | `settle` | blocks into readings that are proved settled |
//! | drive | `drive` | readings into drive cycles, and the next drive state |
//! | estimate | `estimate` | a cycle into G, Gp and all that follows |
//! | judgement | `judge` | an estimate into a verdict |
//! | self-diagnosis | [`diagnose`] | blocks, readings and estimates into findings, which withhold a verdict |
//! | report | [`Report`] | all of it, by value |
//!
//! [`Monitor`] is this pipeline. [`SwiftMonitor`] runs two more estimators
//! beside it on the same blocks and reports before a circuit has settled:
//! [`transient`] fits the running record, [`sudden`] watches for a new leak.
//!
//! After the report: [`permit`] answers whether the contactors may close,
//! [`sections`] on which side of them a leak is, [`trend`] how isolation develops
//! over days, and [`journal`] keeps what happened across resets.
//!
//! [`config`] is what the designer declares, [`units`] the quantities.
//!
//! # Use
//! Two entry points, one for each context. [`Sampler::push`] belongs into the
//! sampling interrupt: sums and comparisons. [`Monitor::accept`] and
//! [`Monitor::step`] belong into a background task. A [`RawBlock`] by value is
//! all that passes between them; [`contexts`] has a lock-free handover, and a
//! type for each context.
//!
//! ```
//! use ohmsplit::config::{Channel, Config, Divider, Element, FrontEnd, Judged, Limits, Timing};
//! use ohmsplit::units::{Ohms, Volts};
//! use ohmsplit::{Monitor, Sample, Sampler, Step, Verdict};
//!
//! // ±40 V through 1 MΩ to the negative rail; 16-bit converters of 0..20 V
//! // span, shifted to the middle, behind 10 MΩ dividers of 100:1.
//! let divider = Divider { top: Ohms::from_int(9_900_000), bottom: Ohms::from_int(100_000) };
//! let channel = Channel::bipolar(16, Volts::from_int(20)).behind(divider).unwrap();
//! let front_end = FrontEnd::ChassisAndPack { chassis: channel, pack: channel };
//! let source = Element::source_to_negative(Volts::from_int(40), Ohms::from_int(1_000_000));
//! let limits = Limits::new(Volts::from_int(400), Judged::WeakestRail);
//! let config = Config::try_new(front_end, &[source], Timing::default(), limits).unwrap();
//!
//! let mut sampler = Sampler::new(&config); // owned by the interrupt
//! let mut monitor = Monitor::new(&config); // owned by the background task
//! # let read = |_| [33_000, 45_875];
//! for tick in 0..3_000u32 {
//!     // In firmware: the converter's data, and the switches as they are.
//!     let sample = Sample { at_us: tick * 1000, drive: monitor.drive(), codes: read(tick) };
//!     if let Some(block) = sampler.push(&sample) {
//!         monitor.accept(&block);
//!         while let step @ (Step::Busy | Step::Answer(_)) = monitor.step() {
//!             if let Step::Answer(report) = step {
//!                 match report.verdict {
//!                     Verdict::Alarm => { /* open the contactors */ }
//!                     Verdict::Undetermined(_reason) => { /* not healthy either */ }
//!                     Verdict::Healthy | Verdict::Warning => {}
//!                 }
//!             }
//!         }
//!     }
//! }
//! ```
//!
//! # Features
//! * `defmt`: `defmt::Format` on every public type; nothing logs.
//! * `gauge`: figures in single precision for a display (with `micromath`);
//!   nothing that is judged.

#[cfg(test)]
extern crate std;

/// The examples in the README and in the integrator's guide compile and run.
#[cfg(doctest)]
mod documents {
    #[doc = include_str!("../../README.md")]
    mod readme {}
    #[doc = include_str!("../../host-sim/book/integration.md")]
    mod integration {}
}

pub mod config;
pub mod contexts;
mod decay;
pub mod diagnose;
mod drive;
#[cfg(test)]
mod drive_tests;
mod estimate;
#[cfg(feature = "defmt")]
mod formats;
mod front;
#[cfg(feature = "gauge")]
pub mod gauge;
pub mod journal;
mod judge;
mod monitor;
#[cfg(test)]
mod monitor_tests;
mod num;
pub mod permit;
pub mod pins;
mod reason;
mod report;
mod sample;
pub mod sections;
mod settle;
mod steady;
pub mod sudden;
mod swift;
#[cfg(test)]
mod test_reports;
pub mod transient;
pub mod trend;
pub mod units;

pub use diagnose::{Finding, Findings};
pub use front::{Block, Flags, RawBlock, Sampler};
pub use monitor::{Monitor, Step};
pub use reason::Reason;
pub use report::{Basis, Estimate, Interval, Kind, Reading, Report, Verdict};
pub use sample::Sample;
pub use swift::SwiftMonitor;
