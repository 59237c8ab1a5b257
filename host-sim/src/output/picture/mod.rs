//! The run as a picture: waveform, estimates with limits and truth, position,
//! verdicts and refusals. Told apart by line style, marker and lightness, so
//! that it reads in monochrome and to the colour-blind.

mod panels;
mod resistance;
pub(crate) mod style;
mod verdicts;

use std::error::Error;
use std::path::Path;

use ohmsplit::{Reason, Verdict};
use plotters::prelude::*;

use super::figures::Figures;
use super::file::AtomicFile;
use super::outcome::LimitFigures;
use super::trace::Trace;
use crate::error::HostError;
use crate::rig::Event;

/// Most dwells drawn one by one; of more, every so many are left out.
const POINTS: usize = 400;

/// The true leak from a time on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TruePoint {
    /// From when on, in seconds.
    pub from_s: f64,
    /// min(Rp, Rn), in ohms; infinite without a leak.
    pub weakest_ohm: f64,
    /// Rp ‖ Rn, in ohms.
    pub isolation_ohm: f64,
    /// x.
    pub position: Option<f64>,
}

/// What came of a dwell, as the picture needs it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Point {
    pub(super) time_s: f64,
    pub(super) answer: Result<Figures, Reason>,
    pub(super) verdict: Verdict,
}

/// Collects what a picture shows.
#[derive(Debug, Clone)]
pub struct Picture {
    /// The waveform.
    pub trace: Trace,
    /// What is known to be true, in order of time.
    pub truth: Vec<TruePoint>,
    pub(super) points: Vec<Point>,
}

impl Picture {
    /// An empty picture.
    #[must_use]
    pub const fn new(trace: Trace) -> Self {
        Self {
            trace,
            truth: Vec::new(),
            points: Vec::new(),
        }
    }

    /// Takes the next event.
    pub fn event(&mut self, event: &Event) {
        let report = &event.report;
        if event.unfinished && report.reading.is_err() {
            return;
        }
        self.points.push(Point {
            time_s: event.time_s,
            answer: report
                .estimate
                .as_ref()
                .map(Figures::of)
                .map_err(|reason| *reason),
            verdict: report.verdict,
        });
    }

    /// Draws it into an SVG file, which appears when it is complete.
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn save(&self, path: &Path, title: &str, limits: &LimitFigures) -> Result<(), HostError> {
        let mut svg = String::new();
        self.draw(&mut svg, title, limits).map_err(|error| {
            HostError::input(format!("the picture cannot be drawn: {error}"))
                .in_file(path.display().to_string())
        })?;
        AtomicFile::write(path, &svg)
    }

    fn draw(
        &self,
        svg: &mut String,
        title: &str,
        limits: &LimitFigures,
    ) -> Result<(), Box<dyn Error>> {
        let reasons = self.reasons();
        let height = 870 + 24 * reasons.len() as u32;
        let root = SVGBackend::with_string(svg, (1200, height)).into_drawing_area();
        root.fill(&WHITE)?;
        let root = root.titled(title, ("sans-serif", 22))?;
        let (waveform, rest) = root.split_vertically(260);
        let (below, rest) = rest.split_vertically(330);
        let (position, strip) = rest.split_vertically(160);
        let span = self.trace.span_s();
        let points = self.thinned();
        panels::waveform(&waveform, &self.trace)?;
        resistance::resistance(&below, span, &points, &self.truth, limits)?;
        panels::position(&position, span, &points, &self.truth)?;
        verdicts::verdicts(&strip, span, &self.points, &reasons)?;
        root.present()?;
        Ok(())
    }

    /// The reasons that occurred, in order of their code.
    fn reasons(&self) -> Vec<Reason> {
        let occurred = |reason: &Reason| {
            self.points
                .iter()
                .any(|point| point.answer.err() == Some(*reason))
        };
        Reason::ALL.into_iter().filter(occurred).collect()
    }

    /// At most so many points, evenly: every so many, an odd number of them, so
    /// that drive states that take turns are all seen.
    fn thinned(&self) -> Vec<Point> {
        let every = self.points.len().div_ceil(POINTS).max(1) | 1;
        self.points.iter().copied().step_by(every).collect()
    }
}
