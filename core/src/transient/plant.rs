//! A plant in f64 for the tests: the circuit's equation solved exactly from
//! sample to sample, white noise on v and Vb, readings at the end of each
//! millisecond; and the Cramér-Rao bound of what it yields.

use super::{Fit, Progress, Transient};
use crate::config::{Channel, Config, Drive, Element, FrontEnd, Judged, Limits, Timing};
use crate::front::{Block, Flags};
use crate::num::ONE;
use crate::units::{Ohms, Volts};
use fixed::types::{I32F32, I48F16};
use std::{vec, vec::Vec};

/// Sampling period, s.
pub(super) const DT: f64 = 1e-3;
/// Samples in a block.
pub(super) const BLOCK: usize = 20;

pub(crate) struct Noise(pub(crate) u64);

impl Noise {
    pub(crate) fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / 9_007_199_254_740_992.0
    }

    pub(crate) fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.uniform()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

/// Conductance, share of Vb and current of a drive state: µS, µS, µA.
pub(super) type Row = [f64; 3];
pub(super) const SOURCE: [Row; 2] = [[1.0, 0.0, 40.0], [1.0, 0.0, -40.0]];
pub(super) const WEAK_SOURCE: [Row; 2] = [[1.0, 0.0, 3.3], [1.0, 0.0, -3.3]];
pub(super) const RESISTORS: [Row; 2] = [[1.0, 1.0, 0.0], [1.0, 0.0, 0.0]];
pub(super) const UNEQUAL: [Row; 2] = [[1.0, 1.0, 0.0], [2.0, 0.0, 0.0]];

/// A plant; MΩ, µF, V, s.
#[derive(Clone, Copy)]
pub(super) struct Plant {
    pub(super) rows: [Row; 2],
    pub(super) resistance: f64,
    pub(super) x: f64,
    pub(super) capacitance: f64,
    pub(super) dwell: f64,
    pub(super) length: f64,
    pub(super) sigma: f64,
    /// R at a time.
    pub(super) leak: fn(f64, f64) -> f64,
    /// Vb at a time, and what is added to the reading of v.
    pub(super) pack: fn(f64) -> f64,
    pub(super) reading: fn(f64) -> f64,
}

pub(super) const PLANT: Plant = Plant {
    rows: SOURCE,
    resistance: 0.5,
    x: 0.3,
    capacitance: 1.0,
    dwell: 1.0,
    length: 8.0,
    sigma: 0.05,
    leak: |_, r| r,
    pack: |_| 400.0,
    reading: |_| 0.0,
};

impl Plant {
    pub(super) fn config(&self) -> Config {
        let channel = Channel::bipolar(32, Volts::new(I32F32::from_num(4_294.967_296)));
        let front_end = FrontEnd::ChassisAndPack {
            chassis: channel,
            pack: channel,
        };
        let ohms = |g: f64| Ohms::new(I48F16::from_num(1e6 / g));
        let [[g, p, i], [other, ..]] = self.rows;
        let parts = if p > 0.0 {
            vec![
                Element::switched_to_positive(ohms(g)),
                Element::switched_to_negative(ohms(other)),
            ]
        } else {
            vec![Element::source_to_negative(
                Volts::new(I32F32::from_num(i)),
                ohms(g),
            )]
        };
        let mut timing = Timing::default();
        timing.block_us = 20_000;
        let limits = Limits::new(Volts::from_int(400), Judged::WeakestRail);
        Config::try_new(front_end, &parts, timing, limits).unwrap()
    }

    pub(super) fn state(&self, sample: i64) -> usize {
        let dwell = (self.dwell / DT).round() as i64;
        sample.div_euclid(dwell).rem_euclid(2) as usize
    }

    /// v and Vb at the end of every sample period, on the periodic orbit; G, Gp,
    /// C and v at the start moved by `shift`.
    pub(super) fn clean(&self, shift: [f64; 4]) -> Vec<(usize, f64, f64)> {
        let count = (self.length / DT).round() as i64;
        let before = (40.0 * self.dwell / DT).round() as i64;
        let capacitance = self.capacitance + shift[2];
        let (mut v, mut pack, mut out) = (0.4 * (self.pack)(0.0), (self.pack)(0.0), Vec::new());
        for sample in -before..count {
            let row = self.rows[self.state(sample)];
            let from = |value: f64, by: f64| if sample >= 0 { value + by } else { value };
            let resistance = (self.leak)(sample as f64 * DT, self.resistance);
            let g = from(1.0 / resistance, shift[0]);
            let gp = from(self.x / resistance, shift[1]);
            let c = if sample >= 0 {
                capacitance
            } else {
                self.capacitance
            };
            let next = (self.pack)((sample + 1).max(0) as f64 * DT);
            v += if sample == 0 { shift[3] } else { 0.0 } + 0.25 * (next - pack);
            let settled = (row[2] + (gp + row[1]) * 0.5 * (pack + next)) / (g + row[0]);
            v = settled + (v - settled) * (-(g + row[0]) * DT / c).exp() + 0.25 * (next - pack);
            pack = next;
            if sample >= 0 {
                out.push((self.state(sample), v, pack));
            }
        }
        out
    }

    pub(super) fn blocks(&self, clean: &[(usize, f64, f64)], seed: u64) -> Vec<Block> {
        let mut noise = Noise(seed);
        let volts = |x: f64| Volts::new(I32F32::from_num(x));
        let mut out: Vec<Block> = Vec::new();
        let mut before = 0;
        // A drive change cuts the block that it falls into.
        let dwells = clean.chunk_by(|a, b| a.0 == b.0);
        for samples in dwells.flat_map(|dwell| dwell.chunks(BLOCK)) {
            let cut = samples.len() < BLOCK;
            let count = samples.len() as f64;
            let [mut sums, mut squares] = [[0.0f64; 2]; 2];
            let mut last = [None; 2];
            for (place, &(_, v, pack)) in samples.iter().enumerate() {
                let at = (before + place + 1) as f64 * DT;
                let v = v + (self.reading)(at) + self.sigma * noise.normal();
                for (at, value) in [v, pack + self.sigma * noise.normal()]
                    .into_iter()
                    .enumerate()
                {
                    sums[at] += value;
                    // As the front end does, from neighbours.
                    let differ = value - last[at].replace(value).unwrap_or(value);
                    squares[at] += differ * differ / 2.0;
                }
            }
            before += samples.len();
            let mean = sums.map(|sum| sum / count);
            let scatter = |at: usize| volts((squares[at] / (count - 1.0).max(1.0) / count).sqrt());
            let state = samples[0].0;
            let drive = if state == 0 {
                Drive::Raise
            } else {
                Drive::Lower
            };
            out.push(Block {
                drive,
                flags: Flags {
                    first_in_dwell: out.last().is_none_or(|last| last.drive != drive),
                    cut,
                    ..Flags::default()
                },
                duration_us: 1000 * samples.len() as u32,
                count: samples.len() as u32,
                chassis: volts(mean[0]),
                pack: volts(mean[1]),
                chassis_scatter: scatter(0),
                pack_scatter: scatter(1),
                ..Block::default()
            });
        }
        out
    }

    /// Standard deviation of G at the Cramér-Rao bound, by finite differences.
    pub(super) fn bound(&self) -> f64 {
        let g = 1.0 / self.resistance;
        let steps = [
            1e-4 * (g + 0.3),
            1e-4 * (g + 0.3),
            1e-4 * self.capacitance,
            1e-2,
        ];
        let columns: Vec<Vec<f64>> = (0..4)
            .map(|at| {
                let mut shift = [0.0; 4];
                shift[at] = steps[at];
                let up = self.clean(shift);
                let down = self.clean(shift.map(|by| -by));
                let slope = |(a, b): (&(_, f64, _), &(_, f64, _))| (a.1 - b.1) / 2.0 / steps[at];
                up.iter().zip(&down).map(slope).collect()
            })
            .collect();
        let product = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
        let mut rows: Vec<Vec<f64>> = columns
            .iter()
            .map(|a| columns.iter().map(|b| product(a, b)).collect())
            .collect();
        for row in &mut rows {
            row.push(0.0);
        }
        rows[0][4] = 1.0;
        solve(rows)[0].sqrt() * self.sigma
    }
}

/// Gaussian elimination of an augmented matrix, pivoting by rows.
pub(crate) fn solve(mut rows: Vec<Vec<f64>>) -> Vec<f64> {
    let n = rows.len();
    for at in 0..n {
        let best = (at..n).max_by(|&a, &b| rows[a][at].abs().total_cmp(&rows[b][at].abs()));
        rows.swap(at, best.unwrap());
        for other in (0..n).filter(|&other| other != at) {
            let factor = rows[other][at] / rows[at][at];
            let pivot = rows[at].clone();
            for (value, by) in rows[other].iter_mut().zip(pivot) {
                *value -= factor * by;
            }
        }
    }
    (0..n).map(|at| rows[at][n] / rows[at][at]).collect()
}

pub(super) fn new(config: &Config) -> Transient<'_> {
    Transient::new(config)
}

/// Works until idle; all that was said.
pub(super) fn drain(transient: &mut Transient<'_>) -> Vec<Progress> {
    let mut said = Vec::new();
    for _ in 0..200_000 {
        match transient.step() {
            Progress::Idle => return said,
            Progress::Busy => {}
            other => said.push(other),
        }
    }
    panic!("no end of work");
}

/// One fit at the end of the record.
pub(super) fn last(config: &Config, blocks: &[Block]) -> Option<Fit> {
    let mut transient = new(config);
    blocks.iter().for_each(|block| transient.push(block));
    match drain(&mut transient).last() {
        Some(Progress::Fitted(fit)) => Some(*fit),
        _ => None,
    }
}

/// Fits as the blocks come: when, and what was said.
pub(super) fn follow(config: &Config, blocks: &[Block]) -> Vec<(f64, Progress)> {
    let mut transient = new(config);
    let mut out = Vec::new();
    let mut at = 0.0;
    for block in blocks {
        at += f64::from(block.missing + 1) * 0.02;
        transient.push(block);
        out.extend(drain(&mut transient).into_iter().map(|said| (at, said)));
    }
    out
}

pub(super) fn real(bits: i64) -> f64 {
    bits as f64 / ONE as f64
}

/// G and its standard uncertainty, µS.
pub(super) fn conductance(fit: &Fit) -> (f64, f64) {
    (
        real(fit.conductance.value.to_bits()),
        real(fit.conductance.u.to_bits()),
    )
}

/// Error of G in half-widths of the 95 % interval.
pub(super) fn miss(fit: &Fit, g: f64) -> f64 {
    let (value, u) = conductance(fit);
    (value - g).abs() / (1.96 * u)
}
