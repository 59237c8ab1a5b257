//! `ohmsplit simulate`

use std::path::{Path, PathBuf};

use super::End;
use super::args::SimulateArgs;
use super::files::{ends_in, free_for_network, keep_apart};
use super::show::{View, note, title};
use crate::capture::{Layout, Row, Writer, network_beside};
use crate::error::HostError;
use crate::network::NetworkFile;
use crate::output::{AtomicFile, TruePoint};
use crate::scenario::Scenario;
use crate::simulate;

pub(super) fn run(args: &SimulateArgs) -> Result<End, HostError> {
    let network = args.capture.as_deref().map(network_beside);
    let written: Vec<&Path> = [&args.capture, &network, &args.output.picture]
        .into_iter()
        .flatten()
        .map(PathBuf::as_path)
        .collect();
    keep_apart(&[&args.scenario], &written)?;
    if let Some(capture) = &args.capture {
        ends_in(capture, &[".csv", ".csv.gz", ".parquet"], "a capture")?;
    }
    if let Some(picture) = &args.output.picture {
        ends_in(picture, &[".svg"], "a picture")?;
    }
    if let Some(network) = &network {
        free_for_network(network)?;
    }
    let mut scenario = Scenario::read(&args.scenario)?;
    if let Some(seed) = args.seed {
        scenario.world.seed = seed;
    }
    warn_of_the_end(&scenario);
    let view = View::new(
        &args.output,
        &title(&scenario.name, &args.scenario),
        &scenario.config,
        scenario.network.pack.cells_in_series,
    );
    simulate(&scenario, view, args.capture.as_deref())
}

/// Names what of a scenario the run is too short for.
pub(super) fn warn_of_the_end(scenario: &Scenario) {
    for (field, from_s) in scenario.beyond_the_end() {
        note(format_args!(
            "warning: {field} = {from_s} s does nothing: the run ends at {} s (duration_s)",
            scenario.duration_s
        ));
    }
}

/// Runs a scenario into a view, and into a capture if one is wanted.
pub(super) fn simulate(
    scenario: &Scenario,
    mut view: View,
    capture: Option<&Path>,
) -> Result<End, HostError> {
    let layout = Layout::new(scenario.network.front_end.kind, scenario.network.readings());
    let comment = format!(
        "simulated from scenario \"{}\", seed {}",
        scenario.name, scenario.world.seed
    );
    let mut writer = match capture {
        Some(path) => Some(Writer::create(path, layout, &comment)?),
        None => None,
    };
    let mut unwritten = None;
    let shared = std::cell::RefCell::new(&mut view);
    simulate::run(
        scenario,
        |row| {
            shared.borrow_mut().sample(row.time_s, row.sample.codes);
            if let (Some(writer), None) = (&mut writer, &unwritten) {
                unwritten = writer
                    .push(&Row {
                        time_s: row.time_s,
                        drive: row.sample.drive,
                        codes: row.sample.codes,
                    })
                    .err();
            }
        },
        |event| shared.borrow_mut().event(event),
    )?;
    if let Some(error) = unwritten {
        return Err(error);
    }
    if let (Some(writer), Some(path)) = (writer, capture) {
        writer.finish()?;
        write_network(path, &scenario.network)?;
    }
    let outcome = view.finish(&truth(scenario))?;
    Ok(End::Judged(outcome.verdict()))
}

/// The network that describes a capture, beside it.
fn write_network(capture: &Path, network: &NetworkFile) -> Result<(), HostError> {
    let path = network_beside(capture);
    let document = toml::to_string(&network.clone().standalone())
        .map_err(|error| HostError::input(error.to_string()).in_file(path.display().to_string()))?;
    AtomicFile::write(&path, &document)?;
    note(format_args!(
        "capture: {}, network: {}",
        capture.display(),
        path.display()
    ));
    Ok(())
}

pub(super) fn truth(scenario: &Scenario) -> Vec<TruePoint> {
    simulate::truth(scenario)
        .into_iter()
        .map(|truth| TruePoint {
            from_s: truth.from_s,
            weakest_ohm: truth.leak.weakest_ohm(),
            isolation_ohm: truth.leak.isolation_ohm(),
            position: truth.leak.position(),
        })
        .collect()
}
