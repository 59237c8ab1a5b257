//! `ohmsplit replay`

use std::path::{Path, PathBuf};

use super::End;
use super::args::ReplayArgs;
use super::files::{ends_in, keep_apart};
use super::show::{View, note, title};
use crate::capture::{Reader, network_beside};
use crate::document::Document;
use crate::error::HostError;
use crate::expected::{Expected, TruthPart};
use crate::network::NetworkFile;
use crate::output::{Outcome, TruePoint};
use crate::replay;

pub(super) fn run(args: &ReplayArgs) -> Result<End, HostError> {
    let path = match &args.network {
        Some(path) => path.clone(),
        None => network_beside(&args.capture),
    };
    let read: Vec<&Path> = [&args.capture, &path]
        .into_iter()
        .chain(&args.expect)
        .map(PathBuf::as_path)
        .collect();
    let picture: Vec<&Path> = args.output.picture.iter().map(PathBuf::as_path).collect();
    keep_apart(&read, &picture)?;
    for picture in picture {
        ends_in(picture, &[".svg"], "a picture")?;
    }
    let expected = match &args.expect {
        Some(path) => Some(Expected::parse(&Document::read(path)?)?),
        None => None,
    };
    let reader = Reader::open(&args.capture)?;
    let document = network_document(&path, args.network.is_some())?;
    let name = |network: &NetworkFile| title(&network.name, &args.capture);
    replay(reader, &document, expected.as_ref(), |config, network| {
        View::new(
            &args.output,
            &name(network),
            config,
            network.pack.cells_in_series,
        )
    })
}

/// Reads the network of a capture, which the user may have named.
pub(super) fn network_document(path: &Path, named: bool) -> Result<Document, HostError> {
    Document::read(path).map_err(|error| {
        if named {
            return error;
        }
        error
            .expected("the network file beside the capture, with the same stem")
            .mend("write it as `ohmsplit formats` shows, or name another with --network")
    })
}

/// Runs a capture into a view, and holds the outcome against what is expected.
pub(super) fn replay(
    mut reader: Reader,
    document: &Document,
    expected: Option<&Expected>,
    view: impl FnOnce(&ohmsplit::config::Config, &NetworkFile) -> View,
) -> Result<End, HostError> {
    let network = NetworkFile::parse(document)?;
    let config = reader
        .bind(&network)
        .map_err(|fault| document.locate(fault))?;
    let mut view = view(&config, &network);
    let shared = std::cell::RefCell::new(&mut view);
    replay::run(
        &mut reader,
        &config,
        network.monitor,
        |row| shared.borrow_mut().sample(row.time_s, row.codes),
        |event| shared.borrow_mut().event(event),
    )?;
    let truth = expected.map(|expected| true_at_the_end(&expected.truth, view.last_part_s()));
    let outcome = view.finish(truth.as_slice())?;
    Ok(match expected {
        Some(expected) => compare(expected, &outcome),
        None => End::Judged(outcome.verdict()),
    })
}

pub(super) fn true_at_the_end(truth: &TruthPart, from_s: f64) -> TruePoint {
    let ohm = |value: Option<f64>| value.unwrap_or(f64::INFINITY);
    TruePoint {
        from_s,
        weakest_ohm: ohm(truth.positive_ohm).min(ohm(truth.negative_ohm)),
        isolation_ohm: ohm(truth.isolation_ohm),
        position: truth.position,
    }
}

pub(super) fn compare(expected: &Expected, outcome: &Outcome) -> End {
    let differences = expected.differences(outcome);
    if differences.is_empty() {
        note("as expected");
        return End::Done;
    }
    for difference in differences {
        note(format_args!("not as expected: {difference}"));
    }
    End::Differs
}
