//! A circuit that has not settled is refused by name, whatever rides on the
//! readings: the drive is recorded, so the core cannot wait.

use ohmsplit::{Reason, Report};
use ohmsplit_tests::bench::{Bench, Figures, Lead};
use ohmsplit_tests::design::{Design, drives};
use ohmsplit_tests::reference::{Circuit, Drive, Leak, State};

/// Circuits whose faster state has this time constant, as far as the
/// capacitance stays within what the design expects, 50 µF.
fn slow(drive: Drive, time_constant: f64) -> impl Iterator<Item = Circuit> {
    let leaks = [(3e3, 0.2), (3e4, 0.0), (3e5, 0.3), (3e6, 0.5), (3e7, 1.0)];
    leaks.into_iter().filter_map(move |(ohm, x)| {
        let bare = Circuit::new(Leak::inside(ohm, x), 1.0, drive);
        let load = bare.load(State::Raise).max(bare.load(State::Lower));
        let farad = time_constant * load;
        (farad <= 50e-6).then(|| Circuit::new(bare.leak, farad, drive))
    })
}

/// Fails when a report names a figure, a short or an open circuit, or gives
/// another reason than those.
fn refused(reports: &[Report], reasons: &[Reason], case: &str) {
    assert!(reports.len() > 8, "{case}");
    for report in reports {
        if let Ok(estimate) = report.estimate {
            let figures = Figures::from(&estimate);
            panic!(
                "{case}: dwell {} gives {:?} {figures:?}",
                report.sequence, estimate.kind
            );
        }
    }
    // Nothing is known before the first drive change.
    for report in reports.iter().skip(1) {
        let named = report
            .reading
            .is_err_and(|reason| reasons.contains(&reason));
        assert!(named, "{case}: {report:?}");
    }
}

#[test]
fn quiet_readings_are_refused_as_not_settled() {
    for drive in drives() {
        for bits in [10, 12, 16, 24] {
            for half_period in [0.5, 2.0] {
                for share in [0.3, 0.5, 0.7, 1.0, 1.5, 2.0] {
                    for circuit in slow(drive, share * half_period) {
                        let case = format!("{circuit:?}, {bits} bits, {share} of {half_period} s");
                        let config = Design::new(drive, 400.0, bits).config();
                        let reports = Bench::new(circuit, 400.0).run(
                            &config,
                            200.0,
                            12.0 * half_period,
                            &Lead::alternating(half_period),
                        );
                        // Where the swing is a few counts, the core cannot even tell that.
                        let swing = circuit.settled(State::Raise, 400.0)
                            - circuit.settled(State::Lower, 400.0);
                        let count = Design::new(drive, 400.0, bits).span / 2f64.powi(bits.into());
                        if swing > 40.0 * count {
                            refused(&reports, &[Reason::NotSettled], &case);
                        } else {
                            refused(
                                &reports,
                                &[Reason::NotSettled, Reason::StimulusTooWeak],
                                &case,
                            );
                        }
                    }
                }
            }
        }
    }
}

#[test]
fn noise_and_ripple_do_not_make_a_slow_circuit_look_settled() {
    for drive in drives() {
        for bits in [12, 16, 24] {
            for share in [0.3, 0.6, 1.0, 2.0] {
                for (noise, ripple) in [(0.02, 0.0), (0.5, 0.0), (0.0, 2.0), (0.2, 5.0)] {
                    for circuit in slow(drive, share) {
                        let case =
                            format!("{circuit:?}, {bits} bits, {share}, {noise} V, {ripple} V");
                        let bench = Bench {
                            noise,
                            // Point samples: an alias at 13 Hz.
                            ripple: [ripple, 8013.0],
                            seed: bits.into(),
                            start: Some(150.0),
                            ..Bench::new(circuit, 400.0)
                        };
                        let config = Design::new(drive, 400.0, bits).config();
                        let reports = bench.run(&config, 500.0, 12.0, &Lead::alternating(1.0));
                        let reasons = [Reason::NotSettled, Reason::StimulusTooWeak];
                        refused(&reports, &reasons, &case);
                    }
                }
            }
        }
    }
}

#[test]
fn when_one_state_settles_and_the_other_does_not_there_is_no_estimate() {
    // 1 MΩ to P and 47 kΩ to N: time constants 0.95 s and 0.045 s.
    let drive = Drive::SwitchedResistors {
        positive: 1e6,
        negative: 47e3,
    };
    let circuit = Circuit::new(Leak::inside(20e6, 0.5), 1e-6, drive);
    let config = Design::new(drive, 400.0, 24).config();
    let reports = Bench::new(circuit, 400.0).run(&config, 500.0, 12.0, &Lead::alternating(1.0));
    let mut seen = [0; 2];
    for report in reports.iter().skip(1) {
        assert!(report.estimate.is_err(), "{report:?}");
        match report.reading {
            Ok(_) => seen[0] += 1,
            Err(reason) => {
                assert_eq!(reason, Reason::NotSettled, "{report:?}");
                seen[1] += 1;
            }
        }
    }
    assert!(seen[0] > 3 && seen[1] > 3, "{seen:?}");
}
