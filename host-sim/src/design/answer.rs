//! How long the answer takes: the Cramér-Rao bound of the record against what
//! the parts leave of the accuracy wanted, and settling.

use ohmsplit::config::Drive;

use super::budget::POSITIONS;
use super::candidate::Candidate;
use super::circuit::{Leak, Monitor};
use super::sheet::Sheet;
use crate::bound::{Bound, Circuit, Noise, Row};
use crate::network::{FrontEndKind, JudgedWord};

/// Standard uncertainties of a 95 % interval on either side, as the core counts.
pub const COVERAGE: f64 = 2.0;

/// Half-period in time constants, once the record is that long: what the core's
/// sequencer takes.
const HALF_PERIOD: f64 = 2.5;

/// Time constants until 1 % of a step is left.
pub const SETTLED: f64 = 4.605;

/// How far beyond the time wanted an answer is looked for: to say by how much
/// a design is too slow.
pub const HORIZON: f64 = 8.0;

/// Drive rows as the bound takes them.
#[must_use]
pub fn rows(monitor: &Monitor) -> [Row; 4] {
    let exact = monitor.without_errors();
    Drive::ALL.map(|drive| {
        let push = monitor.pushes(drive, &exact);
        Row {
            conductance: push.g,
            to_positive: push.p,
            current: push.i,
        }
    })
}

/// Time constant with a leak, in the slower of the two drive states.
#[must_use]
pub fn time_constant(sheet: &Sheet, monitor: &Monitor, leak_siemens: f64) -> f64 {
    let exact = monitor.without_errors();
    let g = monitor.cycle().map(|drive| monitor.pushes(drive, &exact).g);
    sheet.capacitance_f() / (leak_siemens + g[0].min(g[1]))
}

/// Half-period of a monitor that has run for long, with a leak, in seconds.
fn half_period(sheet: &Sheet, candidate: &Candidate, monitor: &Monitor, leak_siemens: f64) -> f64 {
    (HALF_PERIOD * time_constant(sheet, monitor, leak_siemens))
        .max(candidate.timing.dwell_min_s)
        .min(candidate.timing.dwell_max_s)
}

/// Noise of one averaging block of v, in volts.
fn chassis_noise(sheet: &Sheet, candidate: &Candidate) -> f64 {
    let [first, second] = [candidate.chassis, candidate.pack].map(|c| c.noise_v(sheet));
    let one = match sheet.converter.front_end {
        FrontEndKind::ChassisAndPack => first,
        // Vb - v and v: two readings of v.
        FrontEndKind::RailPair => 1.0 / (first.powi(-2) + second.powi(-2)).sqrt(),
    };
    block_noise(sheet, one)
}

/// What the mean of a block leaves of the noise of one reading, in volts.
pub(super) fn block_noise(sheet: &Sheet, reading_v: f64) -> f64 {
    let readings = sheet.converter.block_ms * 1e-3 * sheet.converter.sample_rate_hz;
    reading_v / readings.floor().max(1.0).sqrt()
}

/// Time after which the noise of the record leaves at most `noise_percent`
/// (standard uncertainty) of the judged resistance `ohm`, whatever the method:
/// the slowest over the stack, at the lowest pack voltage, from power-up on. The
/// drive changes as the core's sequencer has it: after the shortest dwell, then
/// each dwell as long as the record so far, up to the half-period. Infinite when it takes longer than `until_s`.
#[must_use]
pub fn bound_time(
    sheet: &Sheet,
    candidate: &Candidate,
    monitor: &Monitor,
    [ohm, noise_percent, until_s]: [f64; 3],
) -> f64 {
    if noise_percent.is_nan() || noise_percent <= 0.0 {
        return f64::INFINITY;
    }
    POSITIONS
        .into_iter()
        .map(|x| {
            time_at(
                sheet,
                candidate,
                monitor,
                [ohm, x],
                [noise_percent, until_s],
            )
        })
        .fold(0.0, f64::max)
}

fn time_at(
    sheet: &Sheet,
    candidate: &Candidate,
    monitor: &Monitor,
    [ohm, x]: [f64; 2],
    [noise_percent, until_s]: [f64; 2],
) -> f64 {
    let judged = sheet.limits.judged;
    let leak = Leak::judged(judged, ohm, x);
    let total = leak.positive + leak.negative;
    let rows = rows(monitor);
    let circuit = Circuit {
        leak: total,
        positive: leak.positive,
        capacitance: sheet.capacitance_f(),
        coupling: 0.5,
    };
    let step_s = sheet.converter.block_ms * 1e-3;
    let half = half_period(sheet, candidate, monitor, total);
    let pack_v = sheet.pack.voltage_min_v;
    let exact = monitor.without_errors();
    let start = monitor.settled(Drive::Rest, leak, pack_v, &exact);
    let cycle = monitor.cycle().map(Drive::index);
    let mut record = Bound::new(circuit, &rows, step_s, [start, pack_v]);
    let noise = Noise {
        chassis_v: chassis_noise(sheet, candidate),
        pack_v: 0.0,
    };
    let blocks = (until_s / step_s).ceil().min(2e5) as u64;
    let shortest = candidate.timing.dwell_min_s;
    let (mut state, mut change_s) = (0, shortest);
    for block in 0..blocks {
        let now = block as f64 * step_s;
        if now >= change_s {
            state = 1 - state;
            change_s = now + now.min(half).max(shortest);
        }
        record.push(cycle[state], pack_v);
        // Every block at first, then every hundredth of the record.
        let look = block > 3 && (block < 200 || block.is_multiple_of(block / 100));
        if look && let Some(found) = record.deviations(noise) {
            let u = match judged {
                JudgedWord::BothInParallel => found.leak,
                JudgedWord::WeakestRail if x < 0.5 => found.negative,
                JudgedWord::WeakestRail if x > 0.5 => found.positive,
                JudgedWord::WeakestRail => found.positive.max(found.negative),
            };
            if u * ohm * 100.0 <= noise_percent {
                return (block + 1) as f64 * step_s;
            }
        }
    }
    f64::INFINITY
}
