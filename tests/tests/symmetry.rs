//! Nothing in the core prefers a rail: with the rails swapped, and with them
//! every part and the polarity of the drive, Rp and Rn swap. The samples are
//! those of one run with the two readings of each exchanged, through sampler
//! and monitor as firmware runs them. (Noise of the pack voltage is left out:
//! the core takes v and Vb, not both rail voltages, and seen from the other
//! rail the same noise is spread over them in another way.)

use ohmsplit::config::{
    Channel, Config, Contact, Drive, Element, FrontEnd, Judged, Landing, Limits, Timing,
};
use ohmsplit::units::{Ohms, Volts};
use ohmsplit::{Estimate, Report, Sample};
use ohmsplit_host::rig::{MonitorKind, Rig};
use proptest::prelude::*;
use rand::SeedableRng;
use rand::rngs::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// The part on the other rail, pushing the other way in the other state.
fn mirrored(part: &Element) -> Element {
    let [rest, raise, lower] = part.contacts.map(|contact| Contact {
        closed: contact.closed,
        emf: Volts::ZERO.saturating_sub(contact.emf),
    });
    let landing = match part.landing {
        Landing::Negative => Landing::Positive,
        Landing::Positive => Landing::Negative,
        Landing::BothRails => Landing::BothRails,
    };
    Element {
        landing,
        contacts: [rest, lower, raise],
        ..*part
    }
}

const fn opposite(drive: Drive) -> Drive {
    match drive {
        Drive::Rest | Drive::Check => drive,
        Drive::Raise => Drive::Lower,
        Drive::Lower => Drive::Raise,
    }
}

fn config(parts: &[Element], cycle: &[Drive], judged: Judged) -> Config {
    let channel = Channel::bipolar(20, Volts::from_int(4096));
    let front_end = FrontEnd::RailPair {
        positive: channel,
        negative: channel,
    };
    let limits = Limits::new(Volts::from_int(400), judged);
    let timing = Timing::default().with_cycle(cycle).expect("room");
    Config::try_new(front_end, parts, timing, limits).expect("a sound configuration")
}

#[derive(Debug, Clone)]
struct Run {
    drive: usize,
    gp: f64,
    gn: f64,
    uf: f64,
    noise: f64,
    half_s: f64,
    seed: u64,
}

fn parts(run: &Run) -> Vec<Element> {
    let meg = Ohms::from_int(1_000_000);
    let forty = Volts::from_int(40);
    match run.drive {
        0 => vec![Element::source_to_negative(forty, meg)],
        1 => vec![Element::source_to_both_rails(forty, meg)],
        2 => vec![
            Element::switched_to_positive(meg),
            Element::switched_to_negative(Ohms::from_int(470_000)),
        ],
        _ => vec![
            Element::logic_source(Volts::ZERO, Volts::from_int(12), meg),
            Element::permanent(Ohms::from_int(20_000_000), Landing::Positive),
        ],
    }
}

/// One sample a millisecond: the drive and the two readings, by the circuit's
/// exact solution in microsiemens, microfarads and volts.
fn record(run: &Run, config: &Config) -> Vec<Sample> {
    let mut noise = ChaCha8Rng::seed_from_u64(run.seed);
    let (vb, dt) = (400.0, 1e-3);
    let mut v = 160.0;
    let code = |volts: f64| (volts / 4096.0 * 1_048_576.0).round() as i32 + (1 << 19);
    let samples = 1..=(run.half_s * 8.0 / dt) as u32;
    samples
        .map(|count| {
            let half = (f64::from(count - 1) * dt / run.half_s + 1e-9) as u32;
            let drive = [Drive::Raise, Drive::Lower][half as usize % 2];
            let row = config.network().row(drive);
            let [g, p] = [row.g, row.p].map(|g| g.get().to_num::<f64>());
            let load = run.gp + run.gn + g;
            let end = ((run.gp + p) * vb + row.i.get().to_num::<f64>()) / load;
            v = end + (v - end) * (-load * dt / run.uf).exp();
            let draw: f64 = StandardNormal.sample(&mut noise);
            let seen = code(v + run.noise * draw);
            // Noise of the chassis alone: the sum of both readings stands still,
            // and the record seen from the other rail is the same one.
            Sample {
                at_us: count * 1000,
                drive,
                codes: [code(vb) + code(0.0) - seen, seen],
            }
        })
        .collect()
}

fn reports(config: &Config, kind: MonitorKind, samples: &[Sample]) -> Vec<Report> {
    let mut rig = Rig::new(config, kind);
    let mut reports = Vec::new();
    for sample in samples {
        let time_s = f64::from(sample.at_us) * 1e-6;
        rig.push(time_s, sample, &mut |event| reports.push(event.report));
    }
    reports
}

fn run() -> impl Strategy<Value = Run> {
    (
        0usize..4,
        -2.0f64..2.0,
        -2.0f64..2.0,
        -2.0f64..1.3,
        prop::sample::select(vec![0.0, 0.02]),
        prop::sample::select(vec![0.5, 2.0]),
        any::<u64>(),
    )
        .prop_map(|(drive, gp, gn, uf, noise, half_s, seed)| Run {
            drive,
            gp: 10f64.powf(gp),
            gn: 10f64.powf(gn),
            uf: 10f64.powf(uf),
            noise,
            half_s,
            seed,
        })
}

/// The figures of both rails swap, to a small part of what is stated for them.
/// The stated uncertainties themselves need not: of a rail pair the core knows
/// v and Vb, takes their errors as independent, and one rail comes off worse. So
/// one of two estimates may be the better seen from one rail and not from the
/// other: where they are `alike` not even in their basis, they agree within three
/// standard uncertainties of their difference.
fn swapped(one: &Estimate, other: &Estimate, alike: bool) -> Result<(), String> {
    let pairs = [
        (&one.positive_conductance, &other.negative_conductance),
        (&one.negative_conductance, &other.positive_conductance),
    ];
    for (a, b) in pairs {
        let [a, b] = [a, b].map(|g| [g.value, g.u].map(|g| g.get().to_num::<f64>()));
        // Rounding of the fixed point, which differs between v and Vb - v.
        let stated = if alike {
            0.05 * a[1].min(b[1])
        } else {
            3.0 * a[1].hypot(b[1])
        };
        let allowed = stated + 1e-4 * a[0].abs() + 1e-6;
        if (a[0] - b[0]).abs() > allowed {
            return Err(format!("{a:?} {b:?}"));
        }
    }
    Ok(())
}

/// The judged end of the interval is well on one side of both limits, so that
/// neither a different uncertainty nor hysteresis decides the verdict.
fn is_clear(config: &Config, estimate: &Estimate) -> bool {
    let limits = config.limits();
    let low = estimate.weakest_interval.low.get().to_num::<f64>();
    [limits.alarm_ohm_per_volt, limits.warning_ohm_per_volt]
        .map(|limit| low / limits.resistance(limit).get().to_num::<f64>())
        .into_iter()
        .all(|part| !(0.7..1.4).contains(&part))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn swapping_the_rails_swaps_the_leaks(run in run()) {
        let parts = parts(&run);
        let others: Vec<Element> = parts.iter().map(mirrored).collect();
        let cycle = [Drive::Raise, Drive::Lower];
        let there = config(&parts, &cycle, Judged::WeakestRail);
        let here = config(&others, &cycle.map(opposite), Judged::WeakestRail);
        let samples = record(&run, &there);
        let exchanged: Vec<Sample> = samples.iter().map(|sample| {
            let [first, second] = sample.codes;
            Sample { drive: opposite(sample.drive), codes: [second, first], ..*sample }
        }).collect();
        for kind in [MonitorKind::Settled, MonitorKind::Swift] {
            let one = reports(&there, kind, &samples);
            let other = reports(&here, kind, &exchanged);
            let ends = |reports: &[Report]| -> Vec<Report> {
                reports.iter().filter(|report| report.dwell_over).copied().collect()
            };
            let (one, other) = (ends(&one), ends(&other));
            prop_assert!(!one.is_empty() && one.len() == other.len());
            let mut clear = true;
            for (a, b) in one.iter().zip(&other) {
                prop_assert_eq!(a.drive, opposite(b.drive));
                let estimates = [&a.estimate, &b.estimate].into_iter().flatten();
                clear &= estimates.into_iter().all(|estimate| is_clear(&there, estimate));
                if clear {
                    prop_assert_eq!(a.verdict, b.verdict, "{:?} {:?}", kind, a.sequence);
                }
                let alike = a.basis == b.basis;
                match (&a.estimate, &b.estimate) {
                    (Ok(a), Ok(b)) => swapped(a, b, alike).map_err(TestCaseError::fail)?,
                    (a, b) => prop_assert_eq!(a.map(|_| ()), b.map(|_| ())),
                }
            }
        }
    }
}
