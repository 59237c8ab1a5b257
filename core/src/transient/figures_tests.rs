//! Every figure of a fit and its uncertainty over records that differ by their noise; and the sums that they are
//! made of, against f64.

use super::fit::Fit;
use super::groups::Group;
use super::noise::Noise as Learnt;
use super::normal::{Normal, System, WIDE};
use super::plant::{BLOCK, DT, Noise, PLANT, Plant, RESISTORS, SOURCE, UNEQUAL, last, real};
use super::scaled::Scaled;
use super::tally::Tally;
use crate::front::{Block, Flags};
use crate::num::ONE;
use crate::units::{Measured, Volts};
use std::vec::Vec;

/// Value and standard uncertainty, as bits of either type.
macro_rules! figure {
    ($measured:expr) => {{
        let Measured { value, u } = $measured;
        (real(value.to_bits()), real(u.to_bits()))
    }};
}

/// Errors of G, Gp, Gn, x and C over their standard uncertainties.
fn errors(plant: &Plant, fit: &Fit) -> [f64; 5] {
    let g = 1.0 / plant.resistance;
    let told = [
        (figure!(fit.conductance), g),
        (figure!(fit.positive_conductance), plant.x * g),
        (figure!(fit.negative_conductance), (1.0 - plant.x) * g),
        (figure!(fit.position.expect("G is positive")), plant.x),
        (
            figure!(fit.capacitance.expect("C shows")),
            plant.capacitance,
        ),
    ];
    told.map(|((value, u), truth)| (value - truth) / u)
}

/// The root mean square of error over uncertainty is one, for each figure of each circuit.
#[test]
fn each_figure_is_as_uncertain_as_it_says() {
    for (rows, resistance, x, capacitance) in [
        (SOURCE, 0.5, 0.3, 1.0),
        (RESISTORS, 2.0, 0.7, 0.5),
        (UNEQUAL, 0.2, 0.5, 0.2),
    ] {
        let plant = Plant {
            rows,
            resistance,
            x,
            capacitance,
            ..PLANT
        };
        let (config, clean) = (plant.config(), plant.clean([0.0; 4]));
        let (mut squares, mut noise, runs) = ([0.0; 5], 0.0, 120);
        for seed in 0..runs {
            let fit = last(&config, &plant.blocks(&clean, seed * 65_537 + 3)).expect("a fit");
            for (sum, error) in squares.iter_mut().zip(errors(&plant, &fit)) {
                *sum += error * error / runs as f64;
            }
            noise += real(fit.noise.to_bits()) / runs as f64;
            assert!(fit.scatter >= fit.noise);
            assert_eq!(fit.dwell_us, 1_000_000);
            assert!((real(fit.span.to_bits()) - plant.length).abs() < 0.02);
            let tau = capacitance / (1.0 / resistance + 1.0);
            let told = real(fit.time_constant.to_bits());
            assert!((told / tau - 1.0).abs() < 0.1, "{told} is not {tau}");
            assert!(real(fit.misfit.to_bits()) < 4.0);
        }
        for (place, square) in squares.into_iter().enumerate() {
            assert!(
                (0.6..1.4).contains(&square),
                "{resistance}, {place}: {square}"
            );
        }
        // Of a block mean.
        let due = plant.sigma / (BLOCK as f64).sqrt();
        assert!((noise / due - 1.0).abs() < 0.1, "{noise} is not {due}");
    }
}

/// Twice the noise is twice the uncertainty, of every figure.
#[test]
fn uncertainty_goes_with_the_noise() {
    let told = |sigma: f64| {
        let plant = Plant { sigma, ..PLANT };
        let fit = last(&plant.config(), &plant.blocks(&plant.clean([0.0; 4]), 21)).expect("a fit");
        [
            figure!(fit.conductance).1,
            figure!(fit.positive_conductance).1,
            figure!(fit.negative_conductance).1,
            figure!(fit.position.expect("x")).1,
            figure!(fit.capacitance.expect("C")).1,
        ]
    };
    for (one, four) in told(0.05).into_iter().zip(told(0.2)) {
        assert!((four / one / 4.0 - 1.0).abs() < 0.1, "{one} {four}");
    }
}

/// As far as C is known to a quarter of itself it is told.
#[test]
fn a_capacitance_that_does_not_show_is_not_told() {
    let told = |capacitance: f64, sigma: f64| {
        let plant = Plant {
            capacitance,
            sigma,
            resistance: 0.05,
            ..PLANT
        };
        let fit = last(&plant.config(), &plant.blocks(&plant.clean([0.0; 4]), 2)).expect("a fit");
        fit.capacitance.map(|c| figure!(c))
    };
    let (value, u) = told(1.0, 0.05).expect("τ is two blocks");
    assert!((value - 1.0).abs() < 4.0 * u && u < 0.05, "{value} {u}");
    assert_eq!(told(1e-4, 0.5), None);
}

fn scaled(x: Scaled) -> f64 {
    // Sums of squares of volts here are below 2^40.
    x.fixed(20) as f64 / f64::from(1 << 20)
}

/// Sums of products as a plain f64 makes them, whatever the sizes of the columns.
#[test]
fn normal_equations_are_the_sums_of_their_rows() {
    let mut noise = Noise(8);
    let scales = [400.0, 100.0, 20.0, 3.0, 1.0, 50.0, 0.5, 0.2];
    let rows: Vec<([f64; WIDE], u32)> = (0..200)
        .map(|at| {
            let row = scales.map(|scale| scale * (1.0 + f64::from(at) / 40.0) * noise.normal());
            (row, 16 + (at as u32 * 37) % 900)
        })
        .collect();
    let mut normal = Normal::new();
    for (row, weight) in &rows {
        let bits = row.map(|x| (x * ONE as f64).round() as i64);
        normal.add(&bits, *weight);
    }
    let mut system = System::NONE;
    normal.write(&mut system);
    for left in 0..WIDE {
        for right in 0..WIDE {
            let sum = |a: usize, b: usize| {
                rows.iter()
                    .map(|(row, weight)| f64::from(*weight) * row[a] * row[b])
                    .sum::<f64>()
            };
            let told = scaled(system.at(left, right));
            let scale = (sum(left, left) * sum(right, right)).sqrt();
            assert!(
                (told - sum(left, right)).abs() < 1e-5 * scale,
                "{left} {right}: {told}"
            );
        }
    }
    assert!((scaled(system.squares()) - scaled(system.at(7, 7))).abs() < 1e-6);
}

/// What the data say of one parameter beyond what they say of another as well: the Schur complement.
#[test]
fn what_two_parameters_share_is_said_of_neither() {
    let of = |x: f64| Scaled::of((x * ONE as f64).round() as i64);
    for (own, across, other) in [(4.0, 3.0, 9.0), (4.0, -3.0, 9.0), (2.0, 0.0, 5.0)] {
        let mut system = System::NONE;
        system.set(1, 1, of(own));
        system.set(1, 4, of(across));
        system.set(4, 4, of(other));
        let due = own - across * across / other;
        let told = scaled(system.said_of(1, 4));
        assert!((told - due).abs() < 1e-5, "{told} {due}");
    }
    // All of it is shared: rounding is no information; and nothing is known of the other.
    let mut system = System::NONE;
    system.set(1, 1, of(4.0));
    system.set(1, 4, of(6.0));
    system.set(4, 4, of(9.0));
    let told = scaled(system.said_of(1, 4));
    assert!((0.0..1e-6).contains(&told), "{told}");
    system.set(1, 4, of(0.0));
    system.set(4, 4, of(0.0));
    assert!((scaled(system.said_of(1, 4)) - 4.0).abs() < 1e-5);
}

/// A belief about one parameter: (θ − b)²·w joins the sum of squares.
#[test]
fn a_prior_adds_its_own_row() {
    let of = |x: f64| Scaled::of((x * ONE as f64).round() as i64);
    let mut system = System::NONE;
    system.prior(2, of(3.0), of(5.0));
    assert!((scaled(system.at(2, 2)) - 5.0).abs() < 1e-5);
    assert!((scaled(system.side(2)) - 15.0).abs() < 1e-5);
    assert!((scaled(system.squares()) - 45.0).abs() < 1e-5);
    system.lower(of(20.0));
    assert!((scaled(system.squares()) - 25.0).abs() < 1e-5);
    assert!(!system.is_held(2));
    system.hold(2, system.at(2, 2));
    assert!(system.is_held(2) && system.side(2) == Scaled::ZERO);
    assert!((scaled(system.at(2, 2)) - 5.0).abs() < 1e-5);
    system.hold(3, system.at(3, 3));
    assert!((scaled(system.at(3, 3)) - 1.0).abs() < 1e-6);
}

#[test]
fn rows_are_summed_over_five_blocks() {
    let us = (BLOCK as f64 * DT * 1e6) as u32;
    let mut group = Group::<2>::NONE;
    let mut due = [0, 0];
    for count in 1..=5i64 {
        let row = [count * 100, -count * 7];
        for (due, value) in due.iter_mut().zip(row) {
            *due += value * 16;
        }
        assert_eq!(group.add(row.iter(), 16, us, us), count == 5, "{count}");
    }
    assert_eq!((group.sums, group.weight), (due, 80));
    group.average();
    assert_eq!(group.sums, [300, -21]);
    // Anew; a quarter of a block may be short.
    group.reset();
    let row = [10, 20];
    assert!(!group.add(row.iter(), 16, us, us));
    assert!(!group.add(row.iter(), 16, 4 * us - us / 4 - 1, us));
    assert!(group.add(row.iter(), 16, 1, us));
    assert_eq!((group.sums, group.weight), ([480, 960], 48));
    let mut weightless = Group::<2>::NONE;
    weightless.add(row.iter(), 0, us, us);
    weightless.average();
    assert_eq!(weightless.sums, [0, 0]);
}

#[test]
fn a_tally_is_the_mean_square_of_weighted_sums() {
    let mut tally = Tally::NONE;
    let of = |x: f64| (x * ONE as f64).round() as i64;
    // (Σ w·r)²/Σw of 8 V with weight 4, and of 6 V with weight 9.
    tally.add(of(8.0), 4);
    tally.add(of(-6.0), 9);
    assert_eq!(tally.count, 2);
    assert!((scaled(tally.sum) - 20.0).abs() < 1e-5);
    assert!((scaled(tally.mean()) - 10.0).abs() < 1e-5);
}

/// Noise within blocks, with v at a slope: the white part is told without it, and the other with it.
#[test]
fn white_noise_is_told_from_the_slope_of_v() {
    let config = PLANT.config();
    let volts = |x: f64| Volts::from_bits((x * ONE as f64).round() as i64);
    let (sigma, way) = (0.02f64, 0.1f64);
    // Deviation of a block mean by an even slope of so much a block.
    let by_slope = way / BLOCK as f64 / (2.0 * BLOCK as f64).sqrt();
    let mut learnt = Learnt::new(&config);
    for count in 0..400 {
        learnt.listen(&Block {
            count: BLOCK as u32,
            chassis: volts(way * f64::from(count)),
            chassis_scatter: volts(sigma.hypot(by_slope)),
            pack_scatter: volts(0.03),
            flags: Flags {
                first_in_dwell: count == 0,
                ..Flags::default()
            },
            ..Block::default()
        });
    }
    // V² times weight: sixteen for a block.
    let near = |told: Scaled, due: f64| {
        let told = scaled(told.shifted(10)) / 1024.0 / 16.0;
        assert!((told / due - 1.0).abs() < 1e-2, "{told} is not {due}");
    };
    near(learnt.white(), sigma * sigma);
    near(learnt.chassis, sigma * sigma + by_slope * by_slope);
    near(learnt.pack, 9e-4);
    // A millivolt is the least.
    near(learnt.floor, 1e-6);
    // What is small is believed sooner: a quarter, and what is large a sixty-fourth at a time.
    let mut block = Block {
        count: BLOCK as u32,
        chassis_scatter: volts(0.2),
        pack_scatter: volts(0.03),
        ..Block::default()
    };
    block.flags.first_in_dwell = true;
    let before = sigma * sigma + by_slope * by_slope;
    learnt.listen(&block);
    let grown = before + (0.04 - before) / 64.0;
    near(learnt.chassis, grown);
    block.chassis_scatter = volts(0.01);
    learnt.listen(&block);
    near(learnt.chassis, grown + (1e-4 - grown) / 4.0);
    // The first block of a dwell says nothing of the slope.
    near(learnt.white(), sigma * sigma);
}

/// A block in which v jumps, the first that is heard or a later one, makes no dither of it.
#[test]
fn a_jump_is_no_noise() {
    let config = PLANT.config();
    let volts = |x: f64| Volts::from_bits((x * ONE as f64).round() as i64);
    for at in [1, 2, 30] {
        let mut learnt = Learnt::new(&config);
        for count in 0..40 {
            learnt.listen(&Block {
                count: BLOCK as u32,
                chassis_scatter: volts(if count == at { 0.5 } else { 0.002 }),
                pack_scatter: volts(0.03),
                flags: Flags {
                    first_in_dwell: count == 0,
                    ..Flags::default()
                },
                ..Block::default()
            });
            let white = scaled(learnt.white().shifted(10)) / 1024.0 / 16.0;
            let known = count > at.max(3);
            assert!(
                !known || (4e-6..7e-6).contains(&white),
                "{at} {count} {white}"
            );
        }
    }
}
