//! Prints a run as it goes, and collects what comes at its end.

use std::io::{self, BufWriter, StdoutLock, Write};
use std::path::{Path, PathBuf};

use ohmsplit::config::Config;
use serde::Serialize;

use super::args::{Show, ShowArgs};
use crate::error::HostError;
use crate::evidence::{Record, picture};
use crate::output::{
    AtomicFile, FinalLine, LimitFigures, Outcome, ReportLine, Timeline, TruePoint, summary,
};
use crate::rig::Event;

type Out = BufWriter<StdoutLock<'static>>;

/// What is written while the run goes on.
#[allow(clippy::large_enum_variant, reason = "one a run, never moved")]
enum Stream {
    Timeline(Timeline<Out>),
    Lines(Out),
    Nothing,
}

/// A view of a run.
pub(super) struct View {
    stream: Stream,
    /// Whoever read the output has gone, or the disk is full.
    failed: Option<io::Error>,
    outcome: Outcome,
    picture: Option<(PathBuf, Record)>,
    limits: LimitFigures,
    cells_in_series: Option<u32>,
    title: String,
}

impl View {
    pub(super) fn new(
        args: &ShowArgs,
        title: &str,
        config: &Config,
        cells_in_series: Option<u32>,
    ) -> Self {
        let mut out = BufWriter::new(io::stdout().lock());
        let failed = match args.show {
            Show::Timeline | Show::Final => writeln!(out, "{title}\n").err(),
            Show::Lines => None,
        };
        Self {
            stream: match args.show {
                Show::Timeline => Stream::Timeline(Timeline::new(out)),
                Show::Lines => Stream::Lines(out),
                Show::Final => Stream::Nothing,
            },
            failed,
            outcome: Outcome::default(),
            picture: args.picture.clone().map(|path| (path, Record::new(config))),
            limits: LimitFigures::of(config),
            cells_in_series,
            title: title.to_owned(),
        }
    }

    #[inline]
    pub(super) fn sample(&mut self, time_s: f64, codes: [i32; 2]) {
        self.outcome.samples += 1;
        self.outcome.end_s = time_s;
        if let Some((_, record)) = &mut self.picture {
            record.sample(time_s, codes);
        }
    }

    pub(super) fn event(&mut self, event: &Event) {
        self.outcome.take(event);
        if let Some((_, record)) = &mut self.picture {
            record.event(event);
        }
        if self.failed.is_some() {
            return;
        }
        self.failed = match &mut self.stream {
            Stream::Timeline(timeline) => timeline.event(event),
            Stream::Lines(out) => json(out, &ReportLine::of(event)),
            Stream::Nothing => Ok(()),
        }
        .err();
    }

    /// Hands on what was printed, to whoever watches the run as it goes. False
    /// when nobody does any more.
    pub(super) fn flush(&mut self) -> bool {
        if self.failed.is_none() {
            self.failed = match &mut self.stream {
                Stream::Timeline(timeline) => timeline.flush(),
                Stream::Lines(out) => out.flush(),
                Stream::Nothing => Ok(()),
            }
            .err();
        }
        self.failed.is_none()
    }

    /// When the last part of the run begins, in seconds: the stretch for which
    /// a truth that holds at the end is drawn.
    pub(super) fn last_part_s(&self) -> f64 {
        match &self.picture {
            Some((_, record)) => record.last_part_s(),
            None => self.outcome.end_s,
        }
    }

    /// Prints the final figures and draws the picture.
    pub(super) fn finish(mut self, truth: &[TruePoint]) -> Result<Outcome, HostError> {
        if self.failed.is_none() {
            self.failed = self.print_end(truth).err();
        }
        if let Some((path, record)) = self.picture.take() {
            let svg = picture(&self.title, &record, truth, &self.limits);
            AtomicFile::write(&path, &svg)?;
            note(format_args!("picture: {}", path.display()));
        }
        match self.failed {
            // The reader has seen enough.
            Some(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(self.outcome),
            Some(error) => Err(HostError::system("standard output", "cannot write", &error)),
            None => Ok(self.outcome),
        }
    }

    fn print_end(&mut self, truth: &[TruePoint]) -> io::Result<()> {
        let text = || {
            summary(
                &self.outcome,
                &self.limits,
                self.cells_in_series,
                truth.last(),
            )
        };
        match std::mem::replace(&mut self.stream, Stream::Nothing) {
            Stream::Timeline(timeline) => {
                let mut out = timeline.finish()?;
                write!(out, "\n{}", text())?;
                out.flush()
            }
            Stream::Lines(mut out) => {
                json(
                    &mut out,
                    &FinalLine::of(&self.outcome, &self.limits, self.cells_in_series),
                )?;
                out.flush()
            }
            Stream::Nothing => write!(io::stdout(), "{}", text()),
        }
    }
}

fn json(out: &mut Out, line: &impl Serialize) -> io::Result<()> {
    serde_json::to_writer(&mut *out, line)?;
    out.write_all(b"\n")
}

/// The title of a run: what it is about, and the file it came from.
pub(super) fn title(name: &str, file: &Path) -> String {
    let file = file.file_name().unwrap_or_default().to_string_lossy();
    if name.is_empty() {
        file.into_owned()
    } else {
        format!("{name} ({file})")
    }
}

/// Prints a text and a line end. A reader who has gone is no error.
pub(super) fn say(text: &str) -> Result<(), HostError> {
    match writeln!(io::stdout(), "{text}") {
        Err(error) if error.kind() != io::ErrorKind::BrokenPipe => {
            Err(HostError::system("standard output", "cannot write", &error))
        }
        _ => Ok(()),
    }
}

/// A line on standard error. Where nobody can read it, that is no reason to stop.
pub(super) fn note(text: impl std::fmt::Display) {
    let _ = writeln!(io::stderr(), "{text}");
}
