//! A recorded capture through the core: the recorded drive leads.

use ohmsplit::Sample;
use ohmsplit::config::Config;

use crate::capture::{Reader, Row};
use crate::error::HostError;
use crate::rig::{Clock, Event, MonitorKind, Rig};

/// Runs a capture that is bound to its configuration. `on_row` gets every
/// row, `on_event` every report of the core.
///
/// # Errors
/// The first malformed row; what came before it has been reported.
pub fn run(
    reader: &mut Reader,
    config: &Config,
    kind: MonitorKind,
    mut on_row: impl FnMut(&Row),
    mut on_event: impl FnMut(&Event),
) -> Result<(), HostError> {
    let mut rig = Rig::new(config, kind);
    let mut clock = Clock::default();
    while let Some(row) = reader.next_row()? {
        on_row(&row);
        let sample = Sample {
            at_us: clock.at(row.time_s),
            drive: row.drive,
            codes: row.codes,
        };
        rig.push(row.time_s, &sample, &mut on_event);
    }
    rig.finish(&mut on_event);
    Ok(())
}
