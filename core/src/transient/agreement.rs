//! The fit against others of the same record: in f64, and of its mirror image.

use super::plant::{
    DT, PLANT, Plant, RESISTORS, SOURCE, UNEQUAL, WEAK_SOURCE, conductance, last, real, solve,
};
use super::record::Record;
use crate::config::Drive;
use crate::front::Block;
use crate::num::ONE;
use crate::units::{Measured, Microsiemens, Volts};
use std::vec::Vec;

/// Least squares of the same entries in f64: ln(G + gr), w, ln C and v at the
/// start, by Gauss-Newton with numerical derivatives.
fn reference(plant: &Plant, blocks: &[Block], from: [f64; 4]) -> f64 {
    let mut record = Record::new(20_000);
    blocks.iter().for_each(|block| {
        let _ = record.push(block, ONE / 4);
    });
    let entries: Vec<_> = record.iter().collect();
    let weight: f64 = entries.iter().map(|e| f64::from(e.weight)).sum();
    let pack = entries
        .iter()
        .map(|e| f64::from(e.weight) * real(e.pack()))
        .sum::<f64>()
        / weight;
    let residuals = |p: &[f64; 4]| -> Vec<f64> {
        let (mut v, mut out) = (p[3], Vec::new());
        for entry in &entries {
            let row = plant.rows[usize::from(entry.drive == Drive::Lower)];
            let (total, span) = (p[0] + row[0], f64::from(entry.duration_us) * 1e-6);
            let rate = total / p[2];
            let settled = (row[2] + (p[1] + row[1]) * pack) / total;
            let phi = |z: f64| -(-z).exp_m1() / z;
            // Readings lag by minus half a period.
            let early = (-rate * DT).exp() / phi(rate * DT);
            let mean = settled + (v - settled) * phi(rate * span) * early;
            v = settled + (v - settled) * (-rate * span).exp();
            out.push((real(entry.chassis()) - mean) * f64::from(entry.weight).sqrt());
        }
        out
    };
    let mut p = from;
    for _ in 0..20 {
        let here = residuals(&p);
        let columns: Vec<Vec<f64>> = (0..4)
            .map(|at| {
                let step = 1e-6 * p[at].abs().max(1e-3);
                let (mut up, mut down) = (p, p);
                up[at] += step;
                down[at] -= step;
                let pairs = residuals(&down).into_iter().zip(residuals(&up));
                pairs.map(|(down, up)| (down - up) / 2.0 / step).collect()
            })
            .collect();
        let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
        let rows = columns.iter().map(|a| {
            let mut row: Vec<f64> = columns.iter().map(|b| dot(a, b)).collect();
            row.push(dot(a, &here));
            row
        });
        for (value, step) in p.iter_mut().zip(solve(rows.collect())) {
            *value += step;
        }
    }
    p[0]
}

/// What fixed point adds to the error: a thousandth of R at most, and little of
/// the standard uncertainty (of which the belief in no drift is a part).
#[test]
fn fixed_point_agrees_with_f64() {
    for (rows, resistance, capacitance) in [
        (SOURCE, 0.01, 1.0),
        (SOURCE, 0.5, 0.1),
        (SOURCE, 10.0, 1.0),
        (SOURCE, 0.5, 20.0),
        (RESISTORS, 0.05, 5.0),
        (UNEQUAL, 5.0, 1.0),
    ] {
        let plant = Plant {
            rows,
            resistance,
            capacitance,
            ..PLANT
        };
        let blocks = plant.blocks(&plant.clean([0.0; 4]), 17);
        let fit = last(&plant.config(), &blocks).unwrap();
        let (g, u) = conductance(&fit);
        let from = [
            1.0 / resistance,
            0.3 / resistance,
            capacitance,
            real(blocks[0].chassis.to_bits()),
        ];
        let exact = reference(&plant, &blocks, from);
        let error = (g - exact).abs();
        assert!(error < 1e-3 * exact || error < 0.05 * u, "{g} {exact} {u}");
        assert!(error < 0.25 * u, "{g} {exact} {u}");
    }
}

/// Exchanging the rails turns v into Vb − v and one resistor into the other:
/// Gp and Gn change places.
#[test]
fn the_mirrored_circuit_is_the_mirror_of_the_fit() {
    let plant = Plant {
        rows: RESISTORS,
        x: 0.8,
        ..PLANT
    };
    let (config, clean) = (plant.config(), plant.clean([0.0; 4]));
    let mut blocks = plant.blocks(&clean, 5);
    for block in &mut blocks {
        block.pack = Volts::from_int(400);
    }
    let mut mirrored = blocks.clone();
    for block in &mut mirrored {
        block.chassis = block.pack.saturating_sub(block.chassis);
        block.drive = if block.drive == Drive::Raise {
            Drive::Lower
        } else {
            Drive::Raise
        };
    }
    let fit = last(&config, &blocks).unwrap();
    let other = last(&config, &mirrored).unwrap();
    let near = |a: Measured<Microsiemens>, b: Measured<Microsiemens>| {
        real(a.value.to_bits() - b.value.to_bits()).abs() < 0.2 * real(a.u.to_bits())
    };
    assert!(near(fit.positive_conductance, other.negative_conductance));
    assert!(near(fit.negative_conductance, other.positive_conductance));
}

/// Without noise the least squares lie at the truth whatever computes them:
/// what is off is fixed point. Wherever 50 mV of noise leave 10 % or better.
#[test]
fn without_noise_the_fit_is_the_circuit_over_the_whole_grid() {
    let packs: [fn(f64) -> f64; 3] = [|_| 60.0, |_| 400.0, |_| 1500.0];
    let plants = [SOURCE, WEAK_SOURCE, RESISTORS]
        .into_iter()
        .flat_map(|rows| {
            packs.into_iter().flat_map(move |pack| {
                let circuits = [0.01, 0.1, 1.0, 10.0].map(|r| [0.01, 1.0, 20.0].map(|c| (r, c)));
                circuits
                    .into_iter()
                    .flatten()
                    .map(move |(resistance, capacitance)| Plant {
                        rows,
                        resistance,
                        capacitance,
                        // x in turn 0, 0.3, 0.5 and 1.
                        x: [0.0, 0.3, 0.5, 1.0][(resistance.log10() + 2.0) as usize],
                        pack,
                        ..PLANT
                    })
            })
        });
    let (mut fits, mut worst) = (0, 0.0f64);
    for plant in plants.filter(|plant| plant.bound() * plant.resistance < 0.1) {
        let quiet = Plant {
            sigma: 0.0,
            ..plant
        };
        let blocks = quiet.blocks(&quiet.clean([0.0; 4]), 0);
        let fit = last(&quiet.config(), &blocks).expect("a fit");
        let (g, _) = conductance(&fit);
        worst = worst.max((g * plant.resistance - 1.0).abs());
        fits += 1;
    }
    assert!(fits > 80, "{fits}");
    assert!(worst < 1e-4, "{worst}");
}
