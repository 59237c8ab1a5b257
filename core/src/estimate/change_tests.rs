//! What the cycle before foretells against what is read, and how sure the place of a hard short is, in f64.

use super::change::Solution;
use super::system::{System, Zero};
use super::{Estimation, Estimator};
use crate::config::{Config, Drive};
use crate::num::ONE;
use crate::reason::Reason;
use crate::report::Reading;
use crate::settle::{Course, Settled};
use crate::test_reports::config;
use crate::units::{Measured, Volts};

fn bits(x: f64) -> i64 {
    (x * ONE as f64).round() as i64
}

fn real(bits: i64) -> f64 {
    bits as f64 / ONE as f64
}

/// G of 2 µS, a quarter of it to the positive rail; the source has 1 µS and ±40 µA.
const TOTAL: f64 = 2.0;
const POSITIVE: f64 = 0.5;

fn settled(drive: Drive, pack: f64, total: f64, positive: f64) -> f64 {
    let current = if drive == Drive::Raise { 40.0 } else { -40.0 };
    (positive * pack + current) / (total + 1.0)
}

fn reading(drive: Drive, v: [f64; 2], pack: [f64; 2], lag: f64) -> Settled {
    let volts = |[value, u]: [f64; 2]| Measured {
        value: Volts::from_bits(bits(value)),
        u: Volts::from_bits(bits(u)),
    };
    let reading = Reading {
        drive,
        chassis: volts(v),
        pack: volts(pack),
        lag: Volts::from_bits(bits(lag)),
        time_constant: None,
        dwell_us: 500_000,
    };
    Settled::new(&reading, Course::NONE)
}

fn system<'a>(config: &Config, readings: &'a [Settled; 2]) -> System<'a> {
    let mut system = System::default();
    assert!(system.take(config.network(), readings.iter()));
    system
}

/// Raise and lower; the newest is off by so much, known to 10 mV, and lags by so much.
fn readings(off: f64, lag: f64) -> [Settled; 2] {
    let at = |drive, pack| settled(drive, pack, TOTAL, POSITIVE);
    [
        reading(
            Drive::Raise,
            [at(Drive::Raise, 400.0), 0.01],
            [400.0, 0.0],
            0.0,
        ),
        reading(
            Drive::Lower,
            [at(Drive::Lower, 392.0) + off, 0.01],
            [392.0, 0.0],
            lag,
        ),
    ]
}

/// Below 5 V in either reading a leak to either rail cannot be judged.
#[test]
fn a_pack_below_five_volts_is_refused_by_name() {
    let config = config();
    for (packs, refused) in [
        ([5.0, 5.0], false),
        ([4.99, 4.99], true),
        ([4.99, 5.0], true),
        ([5.0, 4.99], true),
    ] {
        let taken = [(Drive::Raise, packs[0]), (Drive::Lower, packs[1])].map(|(drive, pack)| {
            let v = settled(drive, pack, TOTAL, POSITIVE);
            reading(drive, [v, 1e-6], [pack, 0.0], 0.0)
        });
        let (mut estimator, mut estimation) = (Estimator::default(), Estimation::default());
        while estimator.step(&mut estimation, &config, taken.iter(), &Zero::STILL) {}
        let low = estimation.answer().err() == Some(Reason::PackVoltageTooLow);
        assert_eq!(low, refused, "{packs:?}");
    }
}

/// Nothing up to four standard uncertainties, half of it beyond, and a named refusal beyond an eighth of the swing.
#[test]
fn a_reading_that_is_not_as_foretold_puts_the_older_in_doubt() {
    let config = config();
    let clean = readings(0.0, 0.0);
    let before = Solution::of(&system(&config, &clean));
    let doubt = |off: f64, lag: f64| {
        let readings = readings(off, lag);
        before
            .doubt(config.network(), &system(&config, &readings), 0)
            .map(real)
    };
    // The swing of v at 392 V, from 400: D/Vb.
    let at = |drive, pack| settled(drive, pack, TOTAL, POSITIVE);
    let swing = at(Drive::Raise, 400.0) - at(Drive::Lower, 392.0) * 400.0 / 392.0;
    for sign in [1.0, -1.0] {
        assert_eq!(doubt(sign * 0.0399, 0.0), Ok(0.0));
        let told = doubt(sign * 0.0401, 0.0).expect("a doubt");
        assert!((told - 0.02005).abs() < 1e-5, "{told}");
        // What it lags is none of it.
        assert_eq!(doubt(sign * 0.5, sign * 0.47), Ok(0.0));
        assert_eq!(doubt(sign * 0.5, -sign * 0.47), Ok(0.0));
        let told = doubt(sign * 0.5, 0.4).expect("a doubt");
        assert!((told - 0.05).abs() < 1e-5, "{told}");
        // The swing is that of the readings as they are.
        let off = swing / (8.0 + sign * 400.0 / 392.0);
        assert!(doubt(sign * 0.99 * off, 0.0).is_ok());
        assert_eq!(doubt(sign * 1.01 * off, 0.0), Err(Reason::CircuitChanged));
    }
}

/// Where the swing cannot be told from none, v is foretold where it stands, within that swing.
#[test]
fn v_of_a_short_stays_where_it_is() {
    let config = config();
    let of = |raise: f64, lower: f64, lag: f64| {
        [
            reading(Drive::Raise, [raise, 0.01], [400.0, 0.0], 0.0),
            reading(Drive::Lower, [lower, 0.01], [400.0, 0.0], lag),
        ]
    };
    let before = of(200.0, 199.99, 0.0);
    let short = Solution::short(&system(&config, &before)).expect("the pack stands still");
    let doubt = |v: f64, untold: f64| {
        let now = of(200.0, v, 0.0);
        let told = short.doubt(config.network(), &system(&config, &now), bits(untold));
        told.map(real)
    };
    // Four standard uncertainties of 10 mV, and the swing that may be there.
    for sign in [1.0, -1.0] {
        assert_eq!(doubt(199.99 + sign * 0.0399, 0.0), Ok(0.0));
        assert_eq!(doubt(199.99 + sign * 0.1398, 0.1), Ok(0.0));
        // A swing that has come with the newest reading is a change.
        let changed = doubt(199.99 + sign * 0.15, 0.1);
        assert!(
            changed.is_ok_and(|doubt| doubt > 0.02) || changed.is_err(),
            "{changed:?}"
        );
        assert_eq!(doubt(199.99 + sign * 5.0, 0.1), Err(Reason::CircuitChanged));
    }
    // While the pack moves nobody knows where v stands.
    let moving = of(200.0, 199.99, 0.02);
    assert!(Solution::short(&system(&config, &moving)).is_none());
}

/// δx of an error of each v, one at a time, as the readings of a hard short make it.
#[test]
fn the_place_of_a_short_is_as_sure_as_its_readings() {
    let config = config();
    for (total, positive) in [(2000.0, 700.0), (2.0, 0.5)] {
        let at = |drive, pack| settled(drive, pack, total, positive);
        let volts = [at(Drive::Raise, 400.0), at(Drive::Lower, 392.0)];
        let u = [0.02, 0.03];
        let of = |by: [f64; 2]| {
            let readings = [
                reading(Drive::Raise, [volts[0] + by[0], u[0]], [400.0, 0.0], 0.0),
                reading(Drive::Lower, [volts[1] + by[1], u[1]], [392.0, 0.0], 0.0),
            ];
            let system = system(&config, &readings);
            (real(system.position()), real(system.position_u()))
        };
        // Small steps, for a short makes x bend.
        let slope = |at: usize| {
            let mut by = [0.0; 2];
            by[at] = 1e-3;
            let up = of(by).0;
            by[at] = -1e-3;
            (up - of(by).0) / 2e-3
        };
        let due = (slope(0) * u[0]).hypot(slope(1) * u[1]);
        let (x, told) = of([0.0; 2]);
        assert!((x - positive / total).abs() < 1e-5, "{x}");
        assert!((told / due - 1.0).abs() < 1e-2, "{told} is not {due}");
    }
}
