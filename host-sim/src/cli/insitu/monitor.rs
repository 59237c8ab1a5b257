//! What the monitor said: a figure, JSON lines, or a capture that is replayed.

use std::fs::File;
use std::io::Read;
use std::path::Path;

use ohmsplit::Reason;
use serde_json::Value;

use crate::capture::{Reader, network_beside};
use crate::cli::replay::network_document;
use crate::error::{HostError, Place};
use crate::insitu::{Bounded, Claim, Figure};
use crate::network::NetworkFile;
use crate::output::{FinalLine, LimitFigures, Outcome};
use crate::replay;

/// The figure at the end, or why the monitor gives none.
pub(super) type Said = Result<Claim, Reason>;

/// What a file of the monitor says at its end.
pub(super) fn said(path: &Path) -> Result<Said, HostError> {
    let name = path.display().to_string();
    let unread = |error| HostError::system(&*name, "cannot read", &error);
    let mut start = Vec::new();
    let mut file = File::open(path).map_err(unread)?.take(64);
    file.read_to_end(&mut start).map_err(unread)?;
    match start.iter().find(|byte| !byte.is_ascii_whitespace()) {
        Some(b'{') => of_lines(&name, &std::fs::read_to_string(path).map_err(unread)?),
        Some(b'<') => Err(
            HostError::input("this is a report to read, with rounded figures")
                .in_file(name)
                .expected("a capture, or JSON lines")
                .mend("name the capture that the report was made of"),
        ),
        Some(_) => of_capture(path),
        None => Err(nothing(&name)),
    }
}

fn nothing(name: &str) -> HostError {
    HostError::input("no line has a figure of the weaker rail")
        .in_file(name)
        .expected("a capture, or JSON lines with weakest_ohm and its interval")
        .mend("name the capture, or write the file with `ohmsplit replay CAPTURE --show lines`")
}

/// The capture through the core; the network lies beside it.
fn of_capture(path: &Path) -> Result<Said, HostError> {
    let mut reader = Reader::open(path)?;
    let document = network_document(&network_beside(path), false)?;
    let network = NetworkFile::parse(&document)?;
    let config = reader
        .bind(&network)
        .map_err(|fault| document.locate(fault))?;
    let mut outcome = Outcome::default();
    replay::run(
        &mut reader,
        &config,
        network.monitor,
        |_| {},
        |event| outcome.take(event),
    )?;
    let end = FinalLine::of(&outcome, &LimitFigures::of(&config), None);
    let name = path.display().to_string();
    let end = serde_json::to_value(end)
        .map_err(|error| HostError::input(error.to_string()).in_file(&*name))?;
    of_object(&end).ok_or_else(|| nothing(&name))
}

/// The last line counts, whether it has a figure or not.
fn of_lines(name: &str, text: &str) -> Result<Said, HostError> {
    let mut end = None;
    for (line, text) in (1..).zip(text.lines()) {
        if text.trim().is_empty() {
            continue;
        }
        let object: Value = serde_json::from_str(text).map_err(|error| {
            HostError::input(format!("not JSON: {error}"))
                .in_file(name)
                .at(Place::Row { line, column: None })
                .expected("one JSON object a line")
                .mend("write the file with `ohmsplit replay CAPTURE --show lines` once more")
        })?;
        if !cut_short(&object) {
            end = Some(object);
        }
    }
    end.as_ref()
        .and_then(of_object)
        .ok_or_else(|| nothing(name))
}

/// As [`Outcome::take`]: a dwell that the end of the samples cut short says nothing.
fn cut_short(object: &Value) -> bool {
    let is = |field: &str, value: Value| object.get(field) == Some(&value);
    is("unfinished", true.into()) && is("settled", false.into()) && is("answer", "refused".into())
}

fn of_object(object: &Value) -> Option<Said> {
    let word = |field: &str| object.get(field).and_then(Value::as_str);
    if word("answer") == Some("refused") {
        let name = word("answer_reason")?;
        let reason = Reason::ALL.into_iter().find(|reason| reason.name() == name);
        return reason.map(Err);
    }
    let number = |field: &str| object.get(field).and_then(Value::as_f64);
    let (ohm, high_ohm) = (number("weakest_ohm"), number("weakest_high_ohm"));
    let low_ohm = number("weakest_low_ohm").unwrap_or(0.0);
    let u = |high: f64| (high - low_ohm) / (2.0 * 1.96);
    (ohm.or(high_ohm).is_some() || low_ohm > 0.0).then_some(Ok(Claim {
        figure: Figure::WeakestRail,
        resistance: Bounded {
            ohm,
            u_ohm: ohm.and(high_ohm).map(u),
            low_ohm,
            high_ohm,
        },
    }))
}
