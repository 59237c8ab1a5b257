//! A thousand million samples through the core: random and adversarial, in
//! random configurations, with every overflow checked. After each storm of bad
//! samples in a sensible configuration a good circuit follows, and the monitor
//! must be right again within three drive periods.
//!
//!     cargo run -p ohmsplit --example soak -- [SAMPLES [SEED [BITS]]]
//!
//! Blocks of the storms have up to 2^BITS samples (13), even over the length in
//! bits. A seed means the same only with the same BITS.
//!
//! The development profile is optimised and checks overflow. A release build
//! does not check it unless told:
//! `cargo run --release --config profile.release.overflow-checks=true ...`.
//! It stops with a panic, which names the seed, at the first fault.

#[allow(
    unreachable_pub,
    reason = "the fuzz targets use the same file as a library"
)]
mod draw;

use draw::{Draw, Rig, Storm, Subject};
use ohmsplit::config::{Channel, Config, Drive, Element, FrontEnd, Judged, Limits, Timing};
use ohmsplit::units::{Ohms, Volts};
use ohmsplit::{Estimate, Monitor, Reason, SwiftMonitor, Verdict};
use std::time::Instant;

/// Dwells in three periods of two drive states each; one more was under way.
/// One that the monitor cuts short, because it wants to see the other state, is
/// no half of a period and does not count.
const DWELLS_MAX: u32 = 7;

/// Codes over which the noise of the good circuit's converters is even: 2 mV.
const NOISE_CODES: u64 = 9;

/// xorshift64*, as in Vigna, ACM TOMS 42 (2016): period 2^64 − 1.
struct Seeded(u64);

impl Draw for Seeded {
    fn below(&mut self, limit: u64) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        let bits = self.0.wrapping_mul(0x2545_F491_4F6C_DD1D);
        ((u128::from(bits) * u128::from(limit)) >> 64) as u64
    }
}

/// What the soak has come to.
#[derive(Default)]
struct Tally {
    /// Most samples in a block of a storm, as a power of two.
    bits: u64,
    /// Samples by monitor.
    samples: [u64; 2],
    reports: u64,
    storms: u64,
    refused: u64,
    recoveries: u64,
    /// Recoveries by the dwell in which they were complete.
    dwells: [u64; DWELLS_MAX as usize + 1],
    late: Vec<u64>,
    /// Seeds with estimates that contradict themselves.
    contradictory: Vec<u64>,
    contradictions: u64,
    steps: u32,
}

impl Tally {
    fn all(&self) -> u64 {
        self.samples.iter().sum()
    }

    fn print(&self, seeds: std::ops::Range<u64>, start: Instant) {
        let [waiting, swift] = self.samples;
        println!(
            "{} samples ({waiting} through Monitor, {swift} through SwiftMonitor), {} reports, seeds {} to {}, {:.0} s: no panic, no overflow",
            self.all(),
            self.reports,
            seeds.start,
            seeds.end - 1,
            start.elapsed().as_secs_f64()
        );
        println!(
            "{} storms, {} configurations refused, {} recoveries; by the dwell that completed them: {:?}",
            self.storms, self.refused, self.recoveries, self.dwells
        );
        println!("most steps after one block: {}", self.steps);
        for (what, seeds) in [
            ("estimates that contradict themselves", &self.contradictory),
            ("recoveries not within three periods", &self.late),
        ] {
            if let [first, ..] = seeds.as_slice() {
                println!("{what}: {} seeds, the first {first}", seeds.len());
            }
        }
    }
}

fn main() {
    let mut arguments = std::env::args().skip(1);
    let mut number = |default: u64| {
        arguments.next().map_or(default, |text| {
            text.parse()
                .expect("a whole number: [SAMPLES [SEED [BITS]]]")
        })
    };
    let (samples, first) = (number(1_000_000_000), number(1));
    let bits = number(13).clamp(1, 20);
    let start = Instant::now();
    let mut tally = Tally {
        bits,
        ..Tally::default()
    };
    let mut seed = first;
    let mut told = 0;
    while tally.all() < samples {
        let now = seed;
        let before = tally.contradictions;
        let once = std::panic::AssertUnwindSafe(|| one(now, &mut tally));
        if let Err(panic) = std::panic::catch_unwind(once) {
            eprintln!("seed {seed} failed: run again with 1 {seed} {bits}");
            std::panic::resume_unwind(panic);
        }
        if tally.contradictions > before {
            tally.contradictory.push(seed);
        }
        seed += 1;
        if tally.all() / 10_000_000 > told {
            told = tally.all() / 10_000_000;
            eprintln!(
                "{} million samples, {:.0} s",
                told * 10,
                start.elapsed().as_secs_f64()
            );
        }
    }
    tally.print(first..seed, start);
    if !(tally.contradictory.is_empty() && tally.late.is_empty()) {
        std::process::exit(1);
    }
}

/// One seed: a storm in any configuration, then one in a sensible
/// configuration and the recovery from it, for either monitor.
fn one(seed: u64, tally: &mut Tally) {
    let mut from = Seeded(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
    from.below(2);
    let blocks = 200 + from.below(2_000);
    let samples = from.magnitude(tally.bits) as u64;
    match draw::config(&mut from) {
        Some(config) if from.once_in(2) => {
            storm(
                &mut from,
                &mut Rig::<Monitor>::new(&config),
                &config,
                [blocks, samples],
                tally,
            );
        }
        Some(config) => {
            storm(
                &mut from,
                &mut Rig::<SwiftMonitor>::new(&config),
                &config,
                [blocks, samples],
                tally,
            );
        }
        None => tally.refused += 1,
    }
    let good = Good::draw(&mut from);
    let recovered = if from.once_in(2) {
        good.recover::<Monitor>(&mut from, blocks, tally)
    } else {
        good.recover::<SwiftMonitor>(&mut from, blocks, tally)
    };
    if !recovered {
        tally.late.push(seed);
    }
}

/// Bad samples; the time of the last.
fn storm<'c, M: Subject<'c>>(
    from: &mut Seeded,
    rig: &mut Rig<M>,
    config: &Config,
    [blocks, samples]: [u64; 2],
    tally: &mut Tally,
) -> u32 {
    let block = config.timing().block_us;
    let step_us = (block / samples as u32).max(1);
    let mut storm = Storm::new(from.bits() as u32, step_us);
    let length = blocks * u64::from(block / step_us);
    let [channel, _] = config.front_end().channels();
    let range = [channel.lowest, channel.highest].map(i64::from);
    for _ in 0..length {
        let sample = storm.next(from, rig.monitor.wants(), range);
        if from.once_in(2_000) {
            rig.meddle(from);
        }
        rig.push(&sample, |_| tally.reports += 1);
    }
    rig.behave();
    tally.samples[M::PLACE] += length;
    tally.storms += 1;
    tally.steps = tally.steps.max(rig.steps);
    tally.contradictions += std::mem::take(&mut rig.contradictions);
    storm.at_us()
}

/// A circuit that settles within the shortest dwell, and its monitor.
struct Good {
    config: Config,
    gp: f64,
    gn: f64,
    uf: f64,
    vb: f64,
    due: Verdict,
}

impl Good {
    fn draw(from: &mut Seeded) -> Self {
        // A logic source is for a small pack.
        let logic = from.once_in(4);
        let vb = if logic {
            60.0
        } else {
            from.pick(&[60.0, 400.0, 800.0])
        };
        let channel = Channel::bipolar(24, Volts::from_int(4096));
        let front_end = FrontEnd::ChassisAndPack {
            chassis: channel,
            pack: channel,
        };
        let meg = Ohms::from_int(1_000_000);
        let parts: &[Element] = match from.below(3) {
            _ if logic => &[Element::logic_source(
                Volts::ZERO,
                Volts::from_int(5),
                Ohms::from_int(100_000),
            )],
            0 => &[Element::source_to_negative(Volts::from_int(40), meg)],
            1 => &[Element::source_to_both_rails(Volts::from_int(40), meg)],
            _ => &[
                Element::switched_to_positive(meg),
                Element::switched_to_negative(meg),
            ],
        };
        let limits = Limits::new(Volts::from_int(vb as i32), Judged::WeakestRail);
        let mut timing = Timing::default();
        timing.dwell_max_us = 4_000_000;
        let config =
            Config::try_new(front_end, parts, timing, limits).expect("a sound configuration");
        // In ohms per volt, well within its class.
        let (per_volt, due) = from.pick(&[
            (20.0, Verdict::Alarm),
            (250.0, Verdict::Warning),
            (3000.0, Verdict::Healthy),
        ]);
        let weakest = 1e6 / (per_volt * vb);
        let other = weakest * from.pick(&[0.0, 0.3, 0.8]);
        let (gp, gn) = if from.once_in(2) {
            (weakest, other)
        } else {
            (other, weakest)
        };
        Self {
            config,
            gp,
            gn,
            uf: 0.05,
            vb,
            due,
        }
    }

    /// A storm, then this circuit: whether the monitor is right in time.
    fn recover<'c, M: Subject<'c>>(
        &'c self,
        from: &mut Seeded,
        blocks: u64,
        tally: &mut Tally,
    ) -> bool {
        let mut rig = Rig::<M>::new(&self.config);
        // At one and the same rate: another would be a fault of the time base.
        let samples = 10 + from.below(30);
        let mut at_us = storm(from, &mut rig, &self.config, [blocks, samples], tally);
        let (mut v, mut dwells, mut right) = (self.vb * 0.4, 0, None);
        let step_us = self.config.timing().block_us / samples as u32;
        let (mut last, mut lasted_us) = (rig.monitor.wants(), 0);
        // Three periods of the longest dwells, and the one under way.
        let limit = DWELLS_MAX * 4_100_000 / step_us;
        for _ in 0..limit {
            at_us = at_us.wrapping_add(step_us);
            let drive = rig.monitor.wants();
            v = self.moved(v, drive, f64::from(step_us) * 1e-6);
            if drive != last {
                dwells += u32::from(lasted_us >= self.config.timing().dwell_min_us);
                (last, lasted_us) = (drive, 0);
            }
            lasted_us += step_us;
            // Without noise a pack voltage that stands still would be a converter that is stuck.
            let codes = [v, self.vb].map(|volts| {
                let code = ((volts / 4096.0) * 16_777_216.0).round() as i32 + (1 << 23);
                code + from.below(NOISE_CODES) as i32 - (NOISE_CODES / 2) as i32
            });
            let sample = ohmsplit::Sample {
                at_us,
                drive,
                codes,
            };
            rig.push(&sample, |report| {
                tally.reports += 1;
                let holds = report
                    .estimate
                    .as_ref()
                    .is_ok_and(|found| self.holds(found));
                // Right once, and from then on neither wrong nor diagnosed: that noise has a
                // dwell refused now and then does not make it less recovered.
                let refused = match report.verdict {
                    Verdict::Undetermined(reason) => reason != Reason::Diagnosed,
                    _ => false,
                };
                if report.verdict == self.due && holds {
                    right = right.or(Some(dwells));
                } else if !(refused || report.verdict == self.due)
                    || report.estimate.is_ok() && !holds
                {
                    right = None;
                }
            });
            tally.samples[M::PLACE] += 1;
            if dwells >= DWELLS_MAX {
                break;
            }
        }
        tally.contradictions += rig.contradictions;
        tally.recoveries += 1;
        if let Some(place) = right.and_then(|at| tally.dwells.get_mut(at as usize)) {
            *place += 1;
        }
        right.is_some()
    }

    /// The exact solution some seconds on.
    fn moved(&self, v: f64, drive: Drive, seconds: f64) -> f64 {
        let row = self.config.network().row(drive);
        let [g, p] = [row.g, row.p].map(|g| g.get().to_num::<f64>());
        let load = self.gp + self.gn + g;
        let end = ((self.gp + p) * self.vb + row.i.get().to_num::<f64>()) / load;
        end + (v - end) * (-load * seconds / self.uf).exp()
    }

    /// The truth is within three half-widths and a part in two hundred.
    fn holds(&self, found: &Estimate) -> bool {
        let g = self.gp + self.gn;
        let value = found.conductance.value.get().to_num::<f64>();
        let u = found.conductance.u.get().to_num::<f64>();
        (value - g).abs() <= 6.0 * u + 0.005 * g
    }
}
