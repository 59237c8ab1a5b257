//! The evidence report: one run as one HTML file that needs nothing else. It
//! holds no clock and no outside reference, so that the same input gives the
//! same bytes and it reads offline.
//!
//! A [`Record`] collects the run in bounded memory; [`page`] turns it, with
//! what is known about it, into the file.

mod axis;
mod budget;
mod circuit;
mod figures;
mod findings;
mod inputs;
mod limits;
mod origin;
mod page;
mod palette;
mod record;
mod ruler;
mod schematic;
mod settling;
mod table;
mod thin;
mod timeline;

use ohmsplit::config::Config;

pub use budget::{Budget, Share};
pub use inputs::{Input, Provenance, command_line};
pub use page::page;
pub use record::Record;

use crate::network::NetworkFile;
use crate::output::{LimitFigures, TruePoint};

/// What is known to be true of the leak.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Truth {
    /// Who knows it.
    pub source: String,
    /// Over time, for the timeline.
    pub course: Vec<TruePoint>,
    /// At the end.
    pub end: Option<TrueFigures>,
}

/// The true circuit; infinite without a leak.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrueFigures {
    /// Rp ‖ Rn, in ohms.
    pub isolation_ohm: f64,
    /// Rp, in ohms.
    pub positive_ohm: f64,
    /// Rn, in ohms.
    pub negative_ohm: f64,
    /// x.
    pub position: Option<f64>,
    /// Cp + Cn, in farads.
    pub capacitance_f: Option<f64>,
}

/// The timeline of a run as an SVG file of its own.
#[must_use]
pub fn picture(title: &str, record: &Record, truth: &[TruePoint], limits: &LimitFigures) -> String {
    let course = timeline::Course {
        record,
        truth,
        limits,
    };
    timeline::picture(title, course)
}

/// All that a report is made of.
#[derive(Debug)]
pub struct Evidence<'a> {
    /// What the run is called.
    pub title: &'a str,
    /// What it is about, as its file says.
    pub description: &'a str,
    /// The monitor as declared.
    pub network: &'a NetworkFile,
    /// The same for the core.
    pub config: &'a Config,
    /// The run.
    pub record: &'a Record,
    /// What is known to be true.
    pub truth: &'a Truth,
    /// What it was made from.
    pub provenance: &'a Provenance,
}
