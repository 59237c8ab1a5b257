//! The run as lines of text: one a dwell, like ones folded together, and what
//! is news before the dwell is over.

use std::io::{self, Write};

use ohmsplit::{Basis, Finding, Findings, Kind, Report, Verdict};

use super::figures::{Figures, ReadingFigures, kind_word, verdict_word};
use super::quantity::{explain, plus_minus, resistance, si};
use crate::rig::Event;

/// Like lines shown since the last change before they are folded.
const SHOWN: u64 = 4;
/// A figure that differs by more than this factor from the first of its like is news.
const NEWS: f64 = 2.0;

/// What makes two lines of the same drive state alike.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Gist {
    reading: Result<(), u8>,
    answer: Result<Kind, u8>,
    verdict: Verdict,
    findings: Findings,
    isolation: Option<f64>,
}

impl Gist {
    fn of(event: &Event) -> Self {
        let report = &event.report;
        let figures = report.estimate.as_ref().ok().map(Figures::of);
        Self {
            reading: report.reading.map(drop).map_err(ohmsplit::Reason::code),
            answer: report
                .estimate
                .map(|estimate| estimate.kind)
                .map_err(ohmsplit::Reason::code),
            verdict: report.verdict,
            findings: report.findings,
            isolation: figures.and_then(|figures| figures.isolation.value),
        }
    }

    fn like(&self, other: &Self) -> bool {
        self.reading == other.reading && self.tells_as(other)
    }

    /// The same answer and verdict, wherever they come from.
    fn tells_as(&self, other: &Self) -> bool {
        let near = match (self.isolation, other.isolation) {
            (Some(a), Some(b)) => a <= NEWS * b && b <= NEWS * a,
            (a, b) => a.is_none() && b.is_none(),
        };
        let tells = |gist: &Self| (gist.answer, gist.verdict, gist.findings);
        near && tells(self) == tells(other)
    }
}

/// Lines that were folded.
#[derive(Debug, Clone, Copy)]
struct Folded {
    count: u64,
    until_s: f64,
    lowest: f64,
    highest: f64,
}

/// Writes the timeline as events come.
pub struct Timeline<W> {
    out: W,
    started: bool,
    /// First of the current run of like lines, for each drive state.
    seen: [Option<Gist>; 4],
    /// What the last line told.
    told: Option<Gist>,
    alike: u64,
    folded: Option<Folded>,
}

impl<W: Write> Timeline<W> {
    /// A timeline with nothing on it.
    pub fn new(out: W) -> Self {
        Self {
            out,
            started: false,
            seen: [None; 4],
            told: None,
            alike: 0,
            folded: None,
        }
    }

    /// Takes the next event.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn event(&mut self, event: &Event) -> io::Result<()> {
        if !self.started {
            self.started = true;
            writeln!(
                self.out,
                "{:>10}  {:5}  {:>20}  {:>9}  {:>22}  {:>20}  {:>14}  verdict",
                "time", "drive", "settled v", "tau", "R_iso", "weaker rail", "x"
            )?;
        }
        let gist = Gist::of(event);
        if !event.report.dwell_over {
            if self.told.is_some_and(|told| gist.tells_as(&told)) {
                return Ok(());
            }
            self.told = Some(gist);
            self.unfold()?;
            return writeln!(self.out, "{}", line(event));
        }
        let first = &mut self.seen[event.report.drive.index()];
        if first.is_some_and(|first| gist.like(&first)) {
            self.alike += 1;
        } else {
            *first = Some(gist);
            self.alike = 0;
            // The figure belongs to all drive states: it is news once.
            for seen in self.seen.iter_mut().flatten() {
                seen.isolation = seen.isolation.and(gist.isolation);
            }
        }
        if self.alike > SHOWN {
            self.fold(event.time_s, gist.isolation);
            return Ok(());
        }
        self.told = Some(gist);
        self.unfold()?;
        writeln!(self.out, "{}", line(event))
    }

    /// Hands on what was written.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn flush(&mut self) -> io::Result<()> {
        self.out.flush()
    }

    /// The run is over; gives back what it was written to.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn finish(mut self) -> io::Result<W> {
        self.unfold()?;
        Ok(self.out)
    }

    fn fold(&mut self, time_s: f64, isolation: Option<f64>) {
        let folded = self.folded.get_or_insert(Folded {
            count: 0,
            until_s: time_s,
            lowest: f64::INFINITY,
            highest: 0.0,
        });
        folded.count += 1;
        folded.until_s = time_s;
        if let Some(isolation) = isolation {
            folded.lowest = folded.lowest.min(isolation);
            folded.highest = folded.highest.max(isolation);
        }
    }

    fn unfold(&mut self) -> io::Result<()> {
        let Some(folded) = self.folded.take() else {
            return Ok(());
        };
        let Folded {
            count,
            until_s,
            lowest,
            highest,
        } = folded;
        write!(
            self.out,
            "{:>10}  {count} more alike, until {until_s:.2} s",
            "…"
        )?;
        if highest > 0.0 {
            let (low, high) = (si(lowest, "Ω"), si(highest, "Ω"));
            write!(self.out, ": R_iso {low} to {high}")?;
        }
        writeln!(self.out)
    }
}

/// One report as a line.
fn line(event: &Event) -> String {
    let report = &event.report;
    let start = format!("{:>8.2} s  {:5}  ", event.time_s, report.drive.name());
    let unknown = report.reading.is_err() && report.estimate.is_err();
    let verdict = if event.unfinished && unknown {
        "the samples end in this dwell".to_owned()
    } else {
        verdict_text(report.verdict) + &found(report.findings)
    };
    let refusal = match (report.reading, report.estimate) {
        (Err(reason), Err(_)) if report.dwell_over => Some(reason),
        (Err(_), Err(reason)) => Some(reason),
        _ => None,
    };
    if let Some(reason) = refusal {
        let refusal = format!("refused: {} ({})", reason.name(), explain(reason));
        return format!("{start}{refusal:<95}  {verdict}");
    }
    let (settled, tau) = settled(report);
    let answer = match &report.estimate {
        Ok(estimate) => answer(&Figures::of(estimate)),
        Err(reason) => format!("{:<60}", format!("no answer: {}", reason.name())),
    };
    format!("{start}{settled:>20}  {tau:>9}  {answer}  {verdict}")
}

/// The columns of the settled reading.
fn settled(report: &Report) -> (String, String) {
    let none = || "-".to_owned();
    let Ok(reading) = &report.reading else {
        let instead = match (report.basis, report.dwell_over) {
            (Basis::Sudden, _) => "sudden leak",
            (_, true) => "not settled",
            (_, false) => "still moving",
        };
        return (instead.to_owned(), none());
    };
    let reading = ReadingFigures::of(reading);
    let [v, v_u] = reading.chassis_v;
    let tau = reading.time_constant_s;
    (
        format!("{v:.3} {} V", plus_minus(2.0 * v_u, 3)),
        tau.map_or_else(none, |[tau, _]| si(tau, "s")),
    )
}

fn answer(figures: &Figures) -> String {
    let isolation = match (
        figures.kind,
        figures.isolation.value,
        figures.isolation.high,
    ) {
        (Kind::Figure, Some(value), Some(high)) => {
            let spread = (high - value).max(value - figures.isolation.low) / value * 100.0;
            format!("{} {} %", si(value, "Ω"), plus_minus(spread, 2))
        }
        (kind, ..) => resistance(kind, &figures.isolation),
    };
    let weakest = match figures.kind {
        Kind::Open => "-".to_owned(),
        Kind::Short => kind_word(figures.kind).to_owned(),
        Kind::Figure => {
            let rail = if figures.weakest_is_positive {
                "P"
            } else {
                "N"
            };
            format!("{rail} {}", resistance(figures.kind, &figures.weakest))
        }
    };
    let x = figures.position.map_or_else(
        || "-".to_owned(),
        |[x, u]| format!("{x:.3} {}", plus_minus(2.0 * u, 3)),
    );
    format!("{isolation:>22}  {weakest:>20}  {x:>14}")
}

/// What the self-diagnosis finds, behind a verdict.
fn found(findings: Findings) -> String {
    let names: Vec<_> = findings.iter().map(Finding::name).collect();
    if names.is_empty() {
        String::new()
    } else {
        format!("  [{}]", names.join(", "))
    }
}

/// A verdict with its reason, when it has one.
#[must_use]
fn verdict_text(verdict: Verdict) -> String {
    match verdict {
        Verdict::Undetermined(reason) => format!("undetermined: {}", reason.name()),
        graded => verdict_word(graded).to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use ohmsplit::config::{Drive, Judged};
    use ohmsplit::{Findings, Reason};

    use super::*;

    fn refused(time_s: f64, drive: Drive, reason: Reason) -> Event {
        Event {
            time_s,
            unfinished: false,
            report: Report {
                sequence: 0,
                drive,
                dwell_over: true,
                reading: Err(reason),
                basis: Basis::Settled,
                estimate: Err(reason),
                judged: Judged::WeakestRail,
                findings: Findings::NONE,
                verdict: Verdict::Undetermined(reason),
            },
        }
    }

    #[test]
    fn like_lines_are_folded_and_news_is_not() {
        let mut timeline = Timeline::new(Vec::new());
        for dwell in 0..100u32 {
            let drive = Drive::ALL[1 + dwell as usize % 2];
            // Each drive state has its own trouble, always the same, but for one dwell.
            let reason = match (dwell, drive) {
                (60, _) => Reason::Implausible,
                (_, Drive::Raise) => Reason::NotSettled,
                _ => Reason::Saturated,
            };
            let event = refused(f64::from(dwell), drive, reason);
            timeline.event(&event).expect("memory");
        }
        let text = String::from_utf8(timeline.finish().expect("memory")).expect("UTF-8");
        assert_eq!(text.matches("refused: implausible").count(), 1, "{text}");
        let folded: Vec<&str> = text
            .lines()
            .filter(|line| line.contains("more alike"))
            .collect();
        assert_eq!(folded.len(), 2, "{text}");
        // 100 dwells less those shown.
        let shown = text.lines().filter(|line| line.contains("refused")).count();
        assert!(shown < 20, "{text}");
        let hidden: usize = folded
            .iter()
            .filter_map(|line| line.split_whitespace().nth(1)?.parse::<usize>().ok())
            .sum();
        assert_eq!(shown + hidden, 100, "{text}");
    }
}
