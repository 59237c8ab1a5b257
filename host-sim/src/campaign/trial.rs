//! One cell: its bound, and its records through the estimator.

use ohmsplit::config::Drive;

use super::grid::{Cell, HALF_PERIOD_S, NOISE_V, RATE_HZ};
use super::rows::Row;
use super::score::{CellScore, RecordScore, Truth};
use super::subject::Subject;
use crate::bound::{Bound, Circuit, Deviations, Noise, Row as DriveRow};
use crate::error::HostError;
use crate::plant::Plant;
use crate::scenario::{Scenario, World};

/// Waiting that an answer is held against: five time constants in each of two
/// half-periods.
const WAIT_TAU: f64 = 10.0;

/// Tries a cell on so many records.
///
/// # Errors
/// None for the cells of a grid.
pub(super) fn row(
    cell: &Cell,
    subject: &Subject,
    records: u32,
    seed: u64,
) -> Result<Row, HostError> {
    let scenario = cell.scenario()?;
    let setting = Setting::of(cell, &scenario);
    let truth = Truth {
        leak: setting.circuit.leak,
        limits_ohm: limits_ohm(&scenario),
    };
    let scores: Vec<RecordScore> = (0..records)
        .map(|record| {
            one(
                &scenario,
                &setting,
                &truth,
                subject,
                cell.seed(seed, record),
            )
        })
        .collect::<Result<_, _>>()?;
    let score = CellScore::of(&scores, &truth);
    let bound = setting.bound(&scenario);
    Ok(Row::of(
        cell,
        &setting.circuit,
        WAIT_TAU * setting.tau_s,
        bound,
        &score,
    ))
}

fn limits_ohm(scenario: &Scenario) -> [f64; 2] {
    let limits = &scenario.network.limits;
    [limits.alarm_ohm_per_v, limits.warning_ohm_per_v]
        .map(|per_volt| per_volt * scenario.network.pack.working_voltage_v)
}

/// What all records of a cell share.
struct Setting {
    circuit: Circuit,
    rows: [DriveRow; 4],
    /// The longer time constant of the two drive states, in seconds.
    tau_s: f64,
    /// v at the start: the periodic orbit, in volts.
    start_v: f64,
    pack_v: f64,
}

impl Setting {
    fn of(cell: &Cell, scenario: &Scenario) -> Self {
        let network = scenario.config.network();
        let rows = Drive::ALL.map(|drive| DriveRow::declared(network.row(drive)));
        let circuit = Circuit {
            leak: 1.0 / cell.isolation_ohm,
            positive: cell.position / cell.isolation_ohm,
            capacitance: cell.capacitance_uf * 1e-6,
            coupling: 0.5,
        };
        let cycle = scenario.config.timing().cycle();
        let driven = || cycle.iter().map(|drive| rows[drive.index()]);
        let least = driven()
            .map(|row| row.conductance)
            .fold(f64::INFINITY, f64::min);
        let orbit: Vec<_> = driven().map(|row| (row, HALF_PERIOD_S)).collect();
        Self {
            circuit,
            rows,
            tau_s: circuit.capacitance / (circuit.leak + least),
            start_v: circuit.orbit(&orbit, cell.pack_v),
            pack_v: cell.pack_v,
        }
    }

    /// The bound of the whole record; the pack voltage is known and steady.
    fn bound(&self, scenario: &Scenario) -> Option<Deviations> {
        let start = [self.start_v, self.pack_v];
        let mut bound = Bound::new(self.circuit, &self.rows, 1.0 / RATE_HZ, start);
        for n in 0..scenario.samples() {
            bound.push(drive_of(scenario, n).index(), self.pack_v);
        }
        bound.deviations(Noise {
            chassis_v: NOISE_V,
            pack_v: 0.0,
        })
    }
}

/// The drive state that leads to sample number `n`, counted from 0.
fn drive_of(scenario: &Scenario, n: u64) -> Drive {
    let cycle = scenario.config.timing().cycle();
    let dwell = (n as f64 / (HALF_PERIOD_S * RATE_HZ)) as usize;
    cycle[dwell % cycle.len()]
}

/// One record.
fn one(
    scenario: &Scenario,
    setting: &Setting,
    truth: &Truth,
    subject: &Subject,
    seed: u64,
) -> Result<RecordScore, HostError> {
    let world = World {
        seed,
        ..scenario.world.clone()
    };
    let mut plant =
        Plant::new(&scenario.config, &world).map_err(crate::simulate::without_document)?;
    plant.start_at(setting.start_v);
    let mut samples = (0..scenario.samples()).map(|n| {
        let row = plant.step(drive_of(scenario, n));
        (row.time_s, row.sample)
    });
    let mut score = RecordScore::default();
    (subject.run)(&scenario.config, &mut samples, &mut |answer| {
        score.take(answer, truth);
    });
    Ok(score)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::campaign::grid::{Grid, Stimulus};

    /// The plant, the bound's own motion and the periodic orbit agree on v.
    #[test]
    fn the_record_starts_on_the_periodic_orbit_of_the_plant() {
        for stimulus in Stimulus::ALL {
            let cell = Cell {
                stimulus,
                ..Grid::QUICK.cells()[3]
            };
            let scenario = cell.scenario().expect("a scenario");
            let setting = Setting::of(&cell, &scenario);
            let mut plant = Plant::new(&scenario.config, &scenario.world).expect("a plant");
            plant.start_at(setting.start_v);
            let start = [setting.start_v, setting.pack_v];
            let mut bound = Bound::new(setting.circuit, &setting.rows, 1e-3, start);
            for n in 0..4000 {
                let drive = drive_of(&scenario, n);
                let v = plant.step(drive).chassis_v;
                let own = bound.push(drive.index(), setting.pack_v);
                assert!((v - own).abs() < 1e-6, "{n}: {v} {own}");
                if n % 2000 == 1999 {
                    assert!((v - setting.start_v).abs() < 1e-6, "{n}: {v}");
                }
            }
        }
    }
}
