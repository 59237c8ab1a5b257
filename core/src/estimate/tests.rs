//! What follows from a solution: kind, intervals, the weakest rail, refusals.

use super::*;
use crate::config::{Drive, Element, Judged, Limits};
use crate::report::Reading;
use crate::settle::{Course, Settled};
use crate::units::Seconds;

/// Microsiemens as the core holds them.
fn micro(us: f64) -> i64 {
    (us * 4_294_967_296.0).round() as i64
}

/// G and Gp in µS, with 1 µS of the monitor's own, on 400 V.
fn solved(total: f64, positive: f64) -> Solved {
    Solved {
        total: micro(total),
        positive: micro(positive),
        position: micro(positive / total),
        loaded: micro(total + 1.0),
        pack: Volts::from_int(400),
        capacitance: None,
    }
}

/// Standard uncertainties of G, Gp, Gn in µS and of x.
fn known([total, positive, negative, position]: [f64; 4]) -> Uncertainty {
    Uncertainty {
        total: micro(total),
        positive: micro(positive),
        negative: micro(negative),
        position: micro(position),
    }
}

/// The estimate of a figure.
fn estimate(solved: &Solved, u: &Uncertainty) -> Result<Estimate, Reason> {
    figure(solved, u, Answer::Swing).map(|told| assemble(&told))
}

#[track_caller]
fn close(ohms: Ohms, due: f64) {
    let ohms = ohms.get().to_num::<f64>();
    assert!((ohms / due - 1.0).abs() < 1e-6, "{ohms} is not {due}");
}

#[test]
fn rails_intervals_and_current_follow_from_the_conductances() {
    let u = [0.2, 0.15, 0.1, 0.02];
    for (positive, weakest, weakest_u) in [(1.0, 3.0, 0.1), (3.0, 3.0, 0.15)] {
        let told = estimate(&solved(4.0, positive), &known(u)).expect("an estimate");
        assert_eq!(told.kind, Kind::Figure);
        let negative = 4.0 - positive;
        close(told.isolation, 1e6 / 4.0);
        close(told.positive, 1e6 / positive);
        close(told.negative, 1e6 / negative);
        close(told.weakest, 1e6 / weakest);
        // Gaussian in 1/(G + g): e = 2·0.2/5 narrows the lower half and widens the upper.
        let e = 0.08;
        for (interval, g, u) in [
            (told.isolation_interval, 4.0, u[0]),
            (told.positive_interval, positive, u[1]),
            (told.negative_interval, negative, u[2]),
            (told.weakest_interval, weakest, weakest_u),
        ] {
            close(interval.low, 1e6 / (g + 2.0 * u / (1.0 - e)));
            close(interval.high, 1e6 / (g - 2.0 * u / (1.0 + e)));
        }
        let current = told.touch_current;
        assert!((current.value.get().to_num::<f64>() - weakest * 400.0).abs() < 1e-3);
        assert!((current.u.get().to_num::<f64>() - weakest_u * 400.0).abs() < 1e-3);
    }
}

/// Nothing says then that an interval is Gaussian in 1/(G + g), nor that it is in G: each half is the wider. What is not
/// known of v weighs more in x the less G is.
#[test]
fn where_v_goes_a_part_of_the_way_each_half_is_the_wider() {
    let told = |g: f64, u: f64| {
        let u = known([u, u, u, 0.01]);
        let course = figure(&solved(g, g / 2.0), &u, Answer::Course);
        course.map(|told| assemble(&told)).expect("an estimate")
    };
    for (g, u, reach) in [
        (4.0, 0.2, 2.0),
        (2.0, 0.001, 2.0),
        // Beyond an eighth of G the upper bound of R is that of up to three standard uncertainties, and more.
        (4.0, 0.51, 4.0 - 4.0 / 4.0 / 0.51),
        (4.0, 1.0, 3.0),
    ] {
        let estimate = told(g, u);
        let e = 2.0 * u / (g + 1.0);
        close(
            estimate.isolation_interval.low,
            1e6 / (g + 2.0 * u / (1.0 - e)),
        );
        let least = g - reach * u;
        close(estimate.isolation_interval.high, 1e6 / least);
        let due = 0.01 * (g / (g + 1.0)) / (least / (least + 1.0));
        let x = estimate.position.expect("a place");
        assert!((x.u.get().to_num::<f64>() - due).abs() < 1e-8, "{x:?}");
    }
    // By the swing 1 µS ± 1.2 µS is told from none, by the course it is not.
    let u = known([0.6, 0.6, 0.6, 0.01]);
    let kind = |answer| figure(&solved(1.0, 0.5), &u, answer).map(|told| told.kind);
    assert_eq!(kind(Answer::Swing), Ok(Kind::Figure));
    assert_eq!(kind(Answer::Course), Ok(Kind::Open));
}

/// Two readings with a time constant, of 0.5 s known to 1 % and of another known to 8 ms, of which some lag behind a moving
/// pack.
fn timed_by(config: &Config, other: f64, lags: [f64; 2], total_u: f64) -> Option<[f64; 2]> {
    of_two(
        config,
        [Some([0.5, 0.005]), Some([other, 0.008])],
        lags,
        total_u,
    )
}

/// Two readings with these time constants and their uncertainties.
fn of_two(
    config: &Config,
    [raise, lower]: [Option<[f64; 2]>; 2],
    lags: [f64; 2],
    total_u: f64,
) -> Option<[f64; 2]> {
    let volts = |v: f64| Measured {
        value: Volts::from_bits(micro(v)),
        u: Volts::ZERO,
    };
    let reading = |drive, v: f64, time: Option<[f64; 2]>, lag: f64| Reading {
        drive,
        chassis: volts(v),
        pack: volts(400.0),
        lag: Volts::from_bits(micro(lag)),
        time_constant: time.map(|[tau, u]| Measured {
            value: Seconds::from_bits(micro(tau)),
            u: Seconds::from_bits(micro(u)),
        }),
        dwell_us: 500_000,
    };
    let [first, second] = lags;
    let taken = [
        Settled::new(&reading(Drive::Raise, 120.0, raise, first), Course::NONE),
        Settled::new(&reading(Drive::Lower, 80.0, lower, second), Course::NONE),
    ];
    let mut system = System::default();
    assert!(system.take(config.network(), taken.iter()));
    let c = capacitance(config, &system, micro(total_u))?;
    Some([c.value, c.u].map(|c| c.get().to_num()))
}

fn timed(config: &Config, lags: [f64; 2], total_u: f64) -> Option<[f64; 2]> {
    timed_by(config, 0.48, lags, total_u)
}

/// G + g is 2 µS in both states. Their time constants differ by three times the sum of 5 and 8 ms.
#[test]
fn time_constants_that_contradict_each_other_tell_no_c() {
    let config = crate::test_reports::config();
    for (other, told) in [
        (0.4615, true),
        (0.4605, false),
        (0.5385, true),
        (0.5395, false),
    ] {
        let c = timed_by(&config, other, [0.0; 2], 0.0);
        assert_eq!(c.is_some(), told, "{other}");
    }
    // Be it that the pack has one of them for its own.
    assert!(timed_by(&config, 0.48, [0.1, 0.0], 0.0).is_some());
    assert!(timed_by(&config, 0.4, [0.1, 0.0], 0.0).is_none());
}

/// What one dwell tells to a sixteenth, any other would have told, too.
#[test]
fn no_dwell_tells_c_well_alone() {
    let config = crate::test_reports::config();
    let alone = |u: f64| {
        let told = |times| of_two(&config, times, [0.0; 2], 0.0).is_some();
        let both = [[Some([0.5, u]), None], [None, Some([0.5, u])]].map(told);
        assert_eq!(both[0], both[1]);
        both[0]
    };
    assert!(!alone(0.005));
    assert!(!alone(0.0312));
    assert!(alone(0.0313));
    assert_eq!(of_two(&config, [None; 2], [0.0; 2], 0.0), None);
}

#[test]
fn c_is_told_of_a_pack_that_stands_still_and_no_surer_than_what_pushes() {
    let near = |told: Option<[f64; 2]>, due: [f64; 2]| {
        let told = told.expect("C");
        let off = |told: f64, due: f64| (told / due - 1.0).abs();
        assert!(
            off(told[0], due[0]) < 1e-6 && off(told[1], due[1]) < 1e-6,
            "{told:?} is not {due:?}"
        );
    };
    // G is 1 µS, and the source another.
    let exact = crate::test_reports::config();
    near(timed(&exact, [0.0; 2], 0.0), [1.0, 0.01]);
    near(timed(&exact, [0.1, 0.0], 0.0), [0.96, 0.016]);
    assert_eq!(timed(&exact, [0.1, -0.1], 0.0), None);
    // G + g of 2 µS known to 0.1 µS.
    near(timed(&exact, [0.0; 2], 0.1), [1.0, 0.01f64.hypot(0.05)]);
    // A source and a resistor of 3 and 4 %, and what they make of G.
    let (source, limits) = (
        Element::source_to_negative(Volts::from_int(40), Ohms::from_int(1_000_000)),
        Limits::new(Volts::from_int(400), Judged::WeakestRail),
    );
    let parts =
        [source.with_uncertainty(Ratio::from_bits(micro(0.03)), Ratio::from_bits(micro(0.04)))];
    let timing = exact.timing().clone();
    let config = Config::try_new(*exact.front_end(), &parts, timing, limits).expect("sound");
    near(timed(&config, [0.0; 2], 0.0), [1.0, 0.01f64.hypot(0.05)]);
    near(timed(&config, [0.0; 2], 0.2), [1.0, 0.01f64.hypot(0.1)]);
}

#[test]
fn a_leak_is_a_short_open_or_a_figure() {
    let kind = |total: f64, u: f64| {
        let u = known([u, u, u, 0.01]);
        estimate(&solved(total, total / 2.0), &u).map(|told| (told.kind, told.position.is_some()))
    };
    // At most 500 Ω for sure.
    assert_eq!(kind(2001.0, 0.0), Ok((Kind::Short, true)));
    assert_eq!(kind(1999.0, 0.0), Ok((Kind::Figure, true)));
    assert_eq!(kind(2001.0, 10.0), Ok((Kind::Figure, true)));
    // Not told from none, or 200 MΩ at least: then there is no place either.
    assert_eq!(kind(1.0, 1.1), Ok((Kind::Open, false)));
    assert_eq!(kind(1.0, 0.9), Ok((Kind::Figure, true)));
    assert_eq!(kind(0.0049, 0.0), Ok((Kind::Open, false)));
    assert_eq!(kind(0.0051, 0.0), Ok((Kind::Figure, true)));
    // Four standard uncertainties below zero the description of the network is wrong.
    assert_eq!(kind(-0.39, 0.1), Ok((Kind::Open, false)));
    assert_eq!(kind(-0.41, 0.1), Err(Reason::Implausible));
}

/// v pushed to either side of 100 V, where Vb moved 2 V to either side and v so many
/// volts with it, and then so much of 0.4 V: standard uncertainty of v, and whether it strays.
fn doubts(followed: f64, then: f64) -> (f64, bool) {
    doubts_then(followed, [then, 0.4])
}

/// The same, where v and Vb then move by so much.
fn doubts_then(followed: f64, then: [f64; 2]) -> (f64, bool) {
    let config = crate::test_reports::config();
    let volts = |v: f64| Measured {
        value: Volts::from_bits(micro(v)),
        u: Volts::from_bits(micro(0.001)),
    };
    let reading = |drive, v| Reading {
        drive,
        chassis: volts(v),
        pack: volts(400.0),
        lag: Volts::ZERO,
        time_constant: None,
        dwell_us: 500_000,
    };
    // G of 1 µS and Gp of 0.5 µS beside the 1 µS of the source: w is a quarter.
    let readings = [
        reading(crate::config::Drive::Raise, 120.0),
        reading(crate::config::Drive::Lower, 80.0),
    ];
    let courses = [[followed, 2.0], then].map(|[chassis, pack]| Course {
        chassis: micro(chassis),
        pack: micro(pack),
    });
    let [first, second] = readings;
    let [wide, narrow] = courses;
    let taken = [Settled::new(&first, wide), Settled::new(&second, narrow)];
    let mut system = System::default();
    assert!(system.take(config.network(), taken.iter()));
    let [first, second] = [0, 1].map(|at| system.states[at].v_u as f64 / 4_294_967_296.0);
    assert_eq!(first, second);
    (first, system.strays)
}

#[test]
fn what_v_does_beyond_its_share_of_the_pack_or_short_of_it_is_in_doubt() {
    let near = |(told, strays): (f64, bool), due: f64| {
        assert!(!strays);
        assert!((told - due).abs() < 1e-5, "{told} is not {due}");
    };
    // Its share, and what noise makes of it; a fifth of the way shows to five times as much what it does in all.
    let usual = 0.005f64.hypot(0.001);
    near(doubts(0.5, 0.1), usual);
    near(doubts(0.5029, 0.1005), usual);
    near(doubts(0.4971, 0.0995), usual);
    near(doubts(1.8, 0.1), 1.3);
    near(doubts(0.0, 0.1), 0.5);
    near(doubts(0.51, 0.1), 0.01f64.hypot(0.001));
    // What it does where Vb moves less, it does five times as much in the other state.
    near(doubts(0.5, 0.35), 1.25);
    near(doubts(1.8, 0.35), 1.3);
}

/// A way of less than half of the other's tells by the noise of v alone what v does in the other; of one that is shorter
/// than that noise v may go all, and of none nothing is told.
#[test]
fn what_v_does_on_a_short_way_is_in_doubt_on_a_longer() {
    let told = |pack: f64| doubts_then(0.5, [pack / 4.0, pack]).0;
    for (pack, due) in [
        (1.01, 0.0),
        (0.99, 0.002 / 0.99),
        (0.1, 0.02),
        (0.002, 1.0),
        (0.0005, 2.0),
        (0.0, 0.0),
    ] {
        let (told, due) = (told(pack), f64::hypot(due, 0.001));
        assert!(
            (told - due).abs() < 1e-3 * due,
            "{pack}: {told} is not {due}"
        );
    }
}

#[test]
fn v_strays_where_it_goes_by_a_quarter_of_the_swing_beyond_its_share() {
    // A swing of 40 V, a share of 0.5 V.
    for (followed, due) in [(10.4, false), (10.6, true), (-9.4, false), (-9.6, true)] {
        assert_eq!(doubts(followed, 0.1).1, due, "{followed}");
    }
}

/// Three readings of a circuit, one of them off by so much: how uncertain v is then, in volts.
fn contradicted(drive: crate::config::Drive, off: f64) -> [f64; 3] {
    let config = crate::test_reports::config();
    let volts = |v: f64, u: f64| Measured {
        value: Volts::from_bits(micro(v)),
        u: Volts::from_bits(micro(u)),
    };
    let readings = config.states().map(|state| {
        let row = config.network().row(state);
        let [g, p] = [row.g, row.p].map(|g| g.get().to_num::<f64>());
        let pushed = (0.5 + p) * 400.0 + row.i.get().to_num::<f64>();
        let off = if state == drive { off } else { 0.0 };
        let reading = Reading {
            drive: state,
            chassis: volts(pushed / (1.0 + g) + off, 0.001),
            pack: volts(400.0, 0.0),
            lag: Volts::ZERO,
            time_constant: None,
            dwell_us: 500_000,
        };
        Settled::new(&reading, Course::NONE)
    });
    let mut system = System::default();
    assert!(system.take(config.network(), readings.iter()));
    [0, 1, 2].map(|at| system.states[at].v_u as f64 / 4_294_967_296.0)
}

/// Two unknowns fit two states: which of three is off nobody knows, and the one that is, is in doubt by as much.
#[test]
fn a_third_state_that_contradicts_puts_all_in_doubt() {
    use crate::config::Drive;
    for drive in [Drive::Rest, Drive::Raise, Drive::Lower] {
        for off in [0.0, 0.001] {
            let told = contradicted(drive, off);
            assert!(told.iter().all(|u| (u - 0.001).abs() < 1e-6), "{told:?}");
        }
        for off in [0.1, -1.0] {
            let told = contradicted(drive, off);
            let at = crate::test_reports::config().states();
            let place = at
                .iter()
                .position(|&state| state == drive)
                .expect("a state");
            let due = f64::hypot(off, 0.001);
            assert!((told[place] / due - 1.0).abs() < 0.02, "{drive:?} {told:?}");
            assert!(told.iter().all(|&u| u > 0.01 * due), "{drive:?} {told:?}");
        }
    }
}

#[test]
fn an_upper_bound_that_is_not_known_is_none() {
    // 2u is all of G + g.
    let told = estimate(&solved(1.0, 0.5), &known([1.0, 0.1, 0.1, 0.01])).expect("an estimate");
    assert_eq!(told.isolation_interval.low, Ohms::ZERO);
    assert_eq!(told.isolation_interval.high, Ohms::MAX);
    assert_eq!(told.conductance.u, Microsiemens::MAX);
    let nothing = Solved {
        loaded: 0,
        ..solved(1.0, 0.5)
    };
    let told = estimate(&nothing, &known([0.1; 4]));
    assert_eq!(told, Err(Reason::Implausible));
}

#[test]
fn a_leak_outside_of_the_stack_is_implausible() {
    // Four standard uncertainties and one part in a hundred.
    for (x, plausible) in [
        (0.5, true),
        (0.0, true),
        (1.0, true),
        (-0.089, true),
        (-0.091, false),
        (1.089, true),
        (1.091, false),
    ] {
        let told = plausible_position(micro(x), micro(0.02));
        let due = plausible.then(|| micro(x)).ok_or(Reason::Implausible);
        assert_eq!(told.map(|x| x.value.to_bits()), due, "{x}");
    }
}
