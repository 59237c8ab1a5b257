//! The fit of a dwell against least squares of the same slots in f64: values, uncertainties, what noise it sees,
//! how much worse a slow circuit describes the data, and what it says of the pack voltage.

use super::dwell::{Dwell, Slot};
use super::fit::{Fit, Fitted};
use crate::config::Drive;
use crate::front::Block;
use crate::num::ONE;
use crate::transient::plant::{Noise, solve};
use crate::units::Volts;
use std::vec::Vec;

fn bits(volts: f64) -> i64 {
    (volts * ONE as f64).round() as i64
}

fn real(bits: i64) -> f64 {
    bits as f64 / ONE as f64
}

/// Slots of v and Vb; `None` where samples were missing.
pub(super) type Data = Vec<Option<[f64; 2]>>;

/// A record with a block in each slot.
pub(super) fn record(data: &Data) -> Dwell {
    let mut dwell = Dwell::new(Drive::Raise);
    let mut missing = 0;
    for slot in data {
        let Some([chassis, pack]) = slot else {
            missing += 1;
            continue;
        };
        dwell.push(&Block {
            missing,
            count: 1,
            chassis: Volts::from_bits(bits(*chassis)),
            pack: Volts::from_bits(bits(*pack)),
            ..Block::default()
        });
        missing = 0;
    }
    dwell
}

pub(super) fn run(data: &Data, pack_noise: f64) -> Fitted<'static> {
    let dwell = record(data);
    assert_eq!(dwell.slots().len(), data.len(), "a slot for each");
    let slots = dwell.slots().to_vec().leak();
    let mut fit = Fit::none();
    assert!(fit.start(slots, bits(pack_noise)));
    for _ in 0..40 {
        fit.step(slots);
    }
    assert!(fit.is_done());
    fit.result(slots).expect("a fit")
}

/// A dwell: y, A, τ in slots, b, the course of Vb, noise of v.
#[derive(Debug, Clone, Copy)]
struct Case {
    slots: usize,
    settled: f64,
    amplitude: f64,
    tau: f64,
    by_pack: f64,
    pack: fn(f64) -> f64,
    sigma: f64,
    lost: &'static [usize],
}

const STEADY: fn(f64) -> f64 = |_| 400.0;
const RAMP: fn(f64) -> f64 = |i| 390.0 + 1.5 * i;
const STEP: fn(f64) -> f64 = |i| if i < 5.0 { 396.0 } else { 391.5 };
const WAVE: fn(f64) -> f64 = |i| 400.0 - 24.0 * (0.9 * i).sin();

const CASES: [Case; 9] = [
    case(23, 150.0, 30.0, 2.0, STEADY, 1e-3),
    case(20, -80.0, -12.0, 3.5, STEADY, 5e-3),
    case(12, 20.0, 4.0, 1.2, STEADY, 1e-3),
    case(16, 300.0, 0.4, 2.6, STEADY, 2e-3),
    case(23, 150.0, -25.0, 2.0, RAMP, 1e-3),
    case(18, 120.0, 8.0, 1.5, STEP, 2e-3),
    case(22, -40.0, 60.0, 3.0, WAVE, 4e-3),
    // Still slow at the end.
    case(20, 100.0, 20.0, 9.0, STEADY, 1e-3),
    Case {
        lost: &[3, 4, 11],
        ..case(21, 150.0, 30.0, 2.5, RAMP, 1e-3)
    },
];

const fn case(
    slots: usize,
    settled: f64,
    amplitude: f64,
    tau: f64,
    pack: fn(f64) -> f64,
    sigma: f64,
) -> Case {
    Case {
        slots,
        settled,
        amplitude,
        tau,
        by_pack: 0.3,
        pack,
        sigma,
        lost: &[],
    }
}

fn middle(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    let half = values.len() / 2;
    (values[half] + values[(values.len() - 1) / 2]) / 2.0
}

impl Case {
    fn packs(&self, from: usize, to: usize) -> Vec<f64> {
        let there = (from..to).filter(|place| !self.lost.contains(place));
        there.map(|place| (self.pack)(place as f64)).collect()
    }

    fn pack_ref(&self) -> f64 {
        middle(self.packs(self.slots / 2, self.slots))
    }

    fn pack_moves(&self) -> bool {
        self.packs(0, self.slots).iter().any(|&vb| vb != 400.0)
    }

    fn data(&self, seed: u64) -> Data {
        let mut noise = Noise(seed);
        let slot = |place: usize| {
            let (at, pack) = (place as f64, (self.pack)(place as f64));
            let moved = self.by_pack * (pack - self.pack_ref());
            let v = self.settled + self.amplitude * (-at / self.tau).exp() + moved;
            let v = v + self.sigma * noise.normal();
            (!self.lost.contains(&place)).then_some([v, pack])
        };
        (0..self.slots).map(slot).collect()
    }
}

/// Columns of y, A and b, and the datum.
type Row = ([f64; 3], f64);

/// Least squares in f64, y, A and b free at a decay ρ: those, and the sum of squares.
fn linear(case: &Case, data: &Data, rho: f64) -> ([f64; 3], f64) {
    let rows: Vec<Row> = data
        .iter()
        .enumerate()
        .filter_map(|(place, slot)| {
            let [v, pack] = (*slot)?;
            let decay = rho.powi(place as i32);
            Some(([1.0, decay, pack - case.pack_ref()], v - case.settled))
        })
        .collect();
    let used = if case.pack_moves() { 3 } else { 2 };
    let sum = |f: &dyn Fn(&Row) -> f64| rows.iter().map(f).sum::<f64>();
    let lines = (0..used).map(|a| {
        let mut line: Vec<f64> = (0..used).map(|b| sum(&|row| row.0[a] * row.0[b])).collect();
        line.push(sum(&|row| row.0[a] * row.1));
        line
    });
    let found = solve(lines.collect());
    let mut all = [0.0; 3];
    all[..used].copy_from_slice(&found);
    let residual = sum(&|(columns, datum)| {
        let model: f64 = columns.iter().zip(all).map(|(c, x)| c * x).sum();
        (datum - model).powi(2)
    });
    all[0] += case.settled;
    (all, residual)
}

/// The best decay, by bisection of an interval about the true one.
fn best(case: &Case, data: &Data) -> f64 {
    let truth = (-1.0 / case.tau).exp();
    let (mut low, mut high) = (truth - 0.1, (truth + 0.1).min(0.999));
    for _ in 0..100 {
        let third = (high - low) / 3.0;
        if linear(case, data, low + third).1 < linear(case, data, high - third).1 {
            high -= third;
        } else {
            low += third;
        }
    }
    (low + high) / 2.0
}

/// Standard uncertainties of y and ρ for unit noise: the inverse of JᵀJ of (y, A, ρ, b).
fn gains(case: &Case, data: &Data, rho: f64, amplitude: f64) -> [f64; 2] {
    let rows: Vec<[f64; 4]> = data
        .iter()
        .enumerate()
        .filter_map(|(place, slot)| {
            let [_, pack] = (*slot)?;
            let at = place as i32;
            let slope = amplitude * f64::from(at) * rho.powi((at - 1).max(0));
            Some([1.0, rho.powi(at), slope, pack - case.pack_ref()])
        })
        .collect();
    let used = if case.pack_moves() { 4 } else { 3 };
    [0, 2].map(|wanted| {
        let lines = (0..used).map(|a| {
            let dot = |b: usize| rows.iter().map(|row| row[a] * row[b]).sum::<f64>();
            let mut line: Vec<f64> = (0..used).map(dot).collect();
            line.push(f64::from(u8::from(a == wanted)));
            line
        });
        solve(lines.collect())[wanted].sqrt()
    })
}

/// The decays that are tried, as the documentation of the grid states them, and that leave more than 1 %.
fn slow_decays(slots: usize) -> impl Iterator<Item = f64> {
    const TAUS: [f64; 13] = [
        0.4, 0.7, 1.0, 1.5, 2.2, 3.2, 4.7, 7.0, 10.0, 15.0, 24.0, 48.0, 200.0,
    ];
    let decays = TAUS.into_iter().map(|tau| (-1.0 / tau).exp());
    decays.filter(move |rho| rho.powi(slots as i32) > 0.01)
}

#[track_caller]
pub(super) fn near(got: f64, due: f64, allowed: f64, what: &str) {
    assert!((got - due).abs() <= allowed, "{what}: {got} is not {due}");
}

#[test]
fn values_and_uncertainties_are_those_of_least_squares_in_f64() {
    for case in CASES {
        for seed in 1..6 {
            let data = case.data(seed);
            let fitted = run(&data, 1e-3);
            let rho = best(&case, &data);
            let ([settled, amplitude, by_pack], squares) = linear(&case, &data, rho);
            let [settled_gain, rho_gain] = gains(&case, &data, rho, amplitude);
            // A twentieth of the standard uncertainty, and the place where slots end.
            let allowed = |gain: f64| 0.05 * gain * case.sigma + 3e-6;
            near(real(fitted.settled), settled, allowed(settled_gain), "y");
            near(
                real(fitted.amplitude),
                amplitude,
                allowed(settled_gain + 1.0),
                "A",
            );
            near(real(fitted.rho), rho, allowed(rho_gain), "rho");
            near(real(fitted.settled_gain) / settled_gain, 1.0, 0.01, "u(y)");
            let told = real(fitted.rho_gain.expect("a transient that shows"));
            near(told / rho_gain, 1.0, 0.02, "u(rho)");
            let used = data.iter().flatten().count();
            assert_eq!(fitted.used as usize, used);
            assert_eq!(fitted.pack_moves, case.pack_moves(), "{case:?}");
            // y, A, ρ, and b where the pack moves; two for Student's distribution.
            let freedom = used - 3 - usize::from(case.pack_moves()) - 2;
            let noise = (squares / freedom as f64).sqrt();
            near(real(fitted.noise) / noise, 1.0, 0.02, "noise");
            near(
                real(fitted.course.pack),
                half_range(&case),
                1e-5,
                "course of Vb",
            );
            let along = if case.pack_moves() {
                by_pack * half_range(&case)
            } else {
                0.0
            };
            near(
                real(fitted.course.chassis),
                along,
                0.01 * along.abs() + 2e-3,
                "course of v",
            );
        }
    }
}

/// Half of what Vb moved, where it does.
fn half_range(case: &Case) -> f64 {
    let packs = case.packs(0, case.slots);
    let most = packs.iter().copied().fold(f64::MIN, f64::max);
    (most - packs.iter().copied().fold(f64::MAX, f64::min)) / 2.0
}

#[test]
fn a_slow_circuit_is_as_much_worse_as_least_squares_in_f64_makes_it() {
    for case in CASES {
        for seed in 1..6 {
            let data = case.data(seed);
            let fitted = run(&data, 1e-3);
            let (_, squares) = linear(&case, &data, best(&case, &data));
            let slow = slow_decays(case.slots).map(|rho| (linear(&case, &data, rho), rho));
            let (([_, amplitude, _], least), rho) = slow
                .min_by(|((_, a), _), ((_, b), _)| a.total_cmp(b))
                .expect("a slow decay");
            let moved = amplitude * (1.0 - rho.powi(case.slots as i32));
            near(
                real(fitted.slow_movement) / moved,
                1.0,
                1e-3,
                "how far it moves",
            );
            let settles = (-(case.slots as f64) / case.tau).exp() < 0.01;
            assert_eq!(fitted.slow_excess.is_some(), settles, "{case:?}");
            if let Some(excess) = fitted.slow_excess {
                let excess = excess as f64 / 2f64.powi(64);
                near(
                    excess / (least - squares),
                    1.0,
                    0.01,
                    "by how much it is worse",
                );
            }
        }
    }
}

#[test]
fn means_ranges_and_slopes_are_those_of_the_slots() {
    for case in CASES {
        let data = case.data(3);
        let fitted = run(&data, 1e-3);
        let v: Vec<f64> = data.iter().flatten().map(|slot| slot[0]).collect();
        let late: Vec<f64> = data[case.slots / 2..]
            .iter()
            .flatten()
            .map(|slot| slot[0])
            .collect();
        let mean = late.iter().sum::<f64>() / late.len() as f64;
        near(real(fitted.late_mean), mean, 2e-6, "mean of the later half");
        let most = v.iter().copied().fold(f64::MIN, f64::max);
        let range = most - v.iter().copied().fold(f64::MAX, f64::min);
        near(real(fitted.range), range, 2e-6, "range");
        near(real(fitted.pack), case.pack_ref(), 2e-6, "Vb");
        let first = fitted.first().map(Slot::chassis).map(real);
        near(first.expect("data"), v[0], 2e-6, "first slot");
        let (half, slots) = (case.slots / 2, case.slots);
        let split = usize::midpoint(half, slots);
        let rise = middle(case.packs(split, slots)) - middle(case.packs(half, split));
        let slope = 2.0 * rise / (slots - half) as f64;
        near(real(fitted.slope_of_pack()), slope, 2e-6, "slope of Vb");
    }
}

#[test]
fn a_pack_that_stays_within_its_noise_stands_still() {
    for (away, moves) in [(0.0599, false), (0.0601, true)] {
        for sign in [1.0, -1.0] {
            let mut data = case(20, 150.0, 30.0, 2.0, STEADY, 1e-3).data(1);
            data[2] = data[2].map(|[v, vb]| [v, vb + sign * away]);
            let fitted = run(&data, 0.01);
            assert_eq!(fitted.pack_moves, moves, "{away}");
        }
    }
}

#[test]
fn nothing_moves_and_nothing_is_told_of_a_decay() {
    let data: Data = std::vec![Some([120.0, 400.0]); 20];
    let fitted = run(&data, 1e-3);
    near(real(fitted.settled), 120.0, 1e-6, "y");
    assert_eq!((fitted.amplitude, fitted.range, fitted.noise), (0, 0, 0));
    assert_eq!((fitted.rho_gain, fitted.slow_movement), (None, 0));
    assert!(fitted.slow_excess.is_none_or(|excess| excess == 0));
}

#[test]
fn fewer_than_eight_slots_with_data_are_no_record() {
    for (there, enough) in [(7, false), (8, true)] {
        let mut data: Data = std::vec![Some([120.0, 400.0]); there];
        data.insert(2, None);
        let dwell = record(&data);
        assert_eq!(Fit::none().start(dwell.slots(), 0), enough, "{there}");
    }
}
