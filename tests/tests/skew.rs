//! A multiplexer reads the pack voltage half a millisecond before or after the
//! chassis voltage, while the pack moves by 50 V/s up and down: once the skew is
//! declared, no interval misses the truth by more than three half-widths.
//!
//! 400 V, dwells of 1 s, 1 kHz, 50 mV of white noise; all of C at one rail, where the chassis
//! follows the pack or not at all. The plant is the independent circuit theory of
//! `src/reference`.

use ohmsplit_host::rig::{MonitorKind, Rig};
use ohmsplit_tests::bench::{Figures, Lead, converted, feed};
use ohmsplit_tests::design::{Design, swift_drives};
use ohmsplit_tests::reference::{Circuit, Drive, Leak, State};
use rand::SeedableRng;
use rand::rngs::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

const PACK: f64 = 400.0;
const SECONDS: f64 = 12.0;

fn pack(t: f64) -> f64 {
    PACK - 50.0 + 50.0 * (2.0 - (t.max(0.0) % 4.0)).abs()
}

/// The worst miss of an interval, in half-widths.
fn worst(circuit: &Circuit, drive: Drive, skew: f64, declared: f64) -> f64 {
    let mut design = Design::new(drive, PACK, 24);
    design.sampling_skew = declared;
    let config = design.config();
    let mut random = ChaCha8Rng::seed_from_u64(1);
    let mut noise = move || 0.05 * Distribution::<f64>::sample(&StandardNormal, &mut random);
    let mut v = None;
    let volts = |state: State, from: f64, to: f64| {
        let before = v.unwrap_or_else(|| circuit.settled(state, pack(from)));
        let now = circuit.after(state, before, [from, to].map(pack), to - from);
        v = Some(now);
        Some([now + noise(), pack(to + skew) + noise()])
    };
    let rig = Rig::new(&config, MonitorKind::Swift);
    let volts = converted(&config, volts);
    let events = feed(rig, 1000.0, SECONDS, &Lead::alternating(1.0), volts);
    let answers = events.iter().filter(|event| !event.unfinished);
    let answers = answers.filter_map(|event| event.report.estimate.as_ref().ok());
    let mut worst = 0f64;
    let mut count = 0;
    for estimate in answers {
        let [g, u] = Figures::from(estimate).conductance;
        worst = worst.max((g - circuit.leak.conductance()).abs() / (2.0 * u));
        count += 1;
    }
    assert!(count > 50, "{count} answers: {circuit:?}");
    worst
}

#[test]
fn a_declared_skew_of_the_channels_deceives_nobody_and_another_would() {
    let [source, resistors, _] = swift_drives();
    let mut undeclared = 0f64;
    for drive in [source, resistors] {
        for (ohm, farad) in [(1e6, 1e-6), (1e6, 5e-6), (10e6, 0.1e-6)] {
            for coupling in [0.0, 1.0] {
                let circuit = Circuit {
                    positive_farad: coupling * farad,
                    negative_farad: (1.0 - coupling) * farad,
                    ..Circuit::new(Leak::inside(ohm, 0.3), farad, drive)
                };
                for skew in [0.5e-3, -0.5e-3] {
                    let declared = worst(&circuit, drive, skew, skew);
                    assert!(declared < 3.0, "{declared:.2} at {skew}: {circuit:?}");
                }
                // A smaller one is within what a ripple on the pack is allowed for.
                undeclared = undeclared.max(worst(&circuit, drive, 2e-3, 0.0));
            }
        }
    }
    assert!(
        undeclared > 3.0,
        "the skew is too small to be seen: {undeclared:.2}"
    );
}
