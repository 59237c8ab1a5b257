//! What runs without arguments: a simulated battery, then a capture that an
//! independent circuit simulator made. Both are inside the program, so that
//! it runs in any folder.

use std::io::Cursor;

use super::End;
use super::args::{Show, ShowArgs};
use super::replay::replay;
use super::show::{View, say};
use super::simulate::simulate;
use crate::capture::Reader;
use crate::document::Document;
use crate::error::HostError;
use crate::expected::Expected;
use crate::scenario::Scenario;

macro_rules! fixture {
    ($name:literal) => {
        concat!(env!("CARGO_MANIFEST_DIR"), "/../hil-fixtures/", $name)
    };
}

const SCENARIO: &str = include_str!(fixture!("scenarios/parked-car-connector-gets-wet.toml"));
const CAPTURE: &[u8] = include_bytes!(fixture!("captures/switched-800v-both-rails.csv.gz"));
const NETWORK: &str = include_str!(fixture!("captures/switched-800v-both-rails.toml"));
const EXPECTED: &str = include_str!(fixture!("expected/switched-800v-both-rails.toml"));

const NEXT: &str = "\
How to go on:
  ohmsplit simulate hil-fixtures/scenarios/city-drive.toml --picture drive.svg
  ohmsplit replay hil-fixtures/captures/us06-steps-switched.csv.gz --show final
  ohmsplit formats        how to write a scenario, or a capture of your own
  ohmsplit --help         all commands and exit codes";

pub(super) fn run() -> Result<End, HostError> {
    let show = ShowArgs {
        show: Show::Timeline,
        picture: None,
    };
    let scenario = Scenario::parse(&Document::embedded("the demo's scenario", SCENARIO))?;
    say(&format!(
        "DEMO 1 of 2: a simulated battery. The core measures it and leads the drive.\n\n{}\n",
        scenario.description.trim()
    ))?;
    let cells = scenario.network.pack.cells_in_series;
    simulate(
        &scenario,
        View::new(&show, &scenario.name, &scenario.config, cells),
        None,
    )?;

    say(
        "\nDEMO 2 of 2: a capture made by an independent circuit simulator, ngspice, from a netlist.\n",
    )?;
    let expected = Expected::parse(&Document::embedded("the demo's expected result", EXPECTED))?;
    let reader = Reader::from_bytes("the demo's capture", Cursor::new(CAPTURE))?;
    let network = Document::embedded("the demo's network", NETWORK);
    let end = replay(reader, &network, Some(&expected), |config, network| {
        View::new(
            &show,
            &network.description,
            config,
            network.pack.cells_in_series,
        )
    })?;
    say(&format!("\n{NEXT}"))?;
    Ok(end)
}
