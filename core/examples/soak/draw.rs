//! Configurations and samples drawn from any source of numbers: seeded ones
//! for the soak, the fuzzer's bytes for the fuzz targets.

use ohmsplit::config::{
    Channel, Config, Contact, Divider, Drive, Element, FrontEnd, Judged, Landing, Limits, Timing,
};
use ohmsplit::units::{Measured, Microfarads, Ohms, Ratio, Seconds, Volts};
use ohmsplit::{
    Estimate, Interval, Monitor, RawBlock, Report, Sample, Sampler, Step, SwiftMonitor,
};

/// A source of numbers.
pub trait Draw {
    /// A number below `limit`, which is more than zero.
    fn below(&mut self, limit: u64) -> u64;

    /// Any 64 bits.
    fn bits(&mut self) -> i64 {
        (self.below(1 << 32) << 32 | self.below(1 << 32)) as i64
    }

    /// One of these.
    fn pick<T: Copy>(&mut self, of: &[T]) -> T {
        of[self.below(of.len() as u64) as usize]
    }

    /// True once in `times`.
    fn once_in(&mut self, times: u64) -> bool {
        self.below(times) == 0
    }

    /// A positive whole number up to `2^bits`, even over its length in bits.
    fn magnitude(&mut self, bits: u64) -> i64 {
        let length = self.below(bits);
        (1u64 << length | self.below(1 << length)) as i64
    }
}

/// Any drive state.
pub fn drive(from: &mut impl Draw) -> Drive {
    from.pick(&Drive::ALL)
}

fn channel(from: &mut impl Draw) -> Option<Channel> {
    let mut channel = Channel::bipolar(1 + from.below(30) as u8, Volts::from_int(20));
    if from.once_in(8) {
        channel.bits = from.below(40) as u8;
        channel.span = Volts::from_bits(from.bits());
        channel.zero_code = from.bits() as i32;
        channel.lowest = from.bits() as i32;
        channel.highest = from.bits() as i32;
    }
    if from.once_in(3) {
        channel.span = Volts::from_bits(from.magnitude(62));
        channel.offset = Volts::from_bits(from.magnitude(40) * from.pick(&[-1, 0, 1]));
    }
    channel.gain_u = Ratio::from_bits(from.magnitude(34));
    channel.offset_u = Volts::from_bits(from.magnitude(40));
    match from.below(3) {
        0 => Some(channel),
        1 => channel.behind(Divider {
            top: Ohms::from_int(9_900_000),
            bottom: Ohms::from_int(100_000),
        }),
        _ => channel.behind(Divider {
            top: Ohms::from_bits(from.magnitude(62)),
            bottom: Ohms::from_bits(from.magnitude(62)),
        }),
    }
}

fn part(from: &mut impl Draw) -> Element {
    let ohms = if from.once_in(3) {
        Ohms::from_bits(from.magnitude(62))
    } else {
        Ohms::from_int(from.magnitude(25) as i32)
    };
    let volts = Volts::from_bits(from.magnitude(42));
    let part = match from.below(7) {
        0 => Element::source_to_negative(volts, ohms),
        1 => Element::source_to_both_rails(volts, ohms),
        2 => Element::switched_to_positive(ohms),
        3 => Element::switched_to_negative(ohms),
        4 => Element::logic_source(Volts::ZERO, volts, ohms),
        5 => Element::permanent(ohms, Landing::Negative),
        _ => {
            let mut contact = || Contact {
                closed: !from.once_in(3),
                emf: Volts::from_bits(from.bits() >> from.below(40)),
            };
            let contacts = [contact(), contact(), contact()];
            Element::switched(ohms, Landing::BothRails, contacts)
        }
    };
    let u = [20, 30].map(|bits| Ratio::from_bits(from.magnitude(bits)));
    part.with_uncertainty(u[0], u[1])
}

/// A configuration, sensible or not; `None` when the core refuses it.
pub fn config(from: &mut impl Draw) -> Option<Config> {
    let (first, second) = (channel(from)?, channel(from)?);
    let front_end = if from.once_in(2) {
        FrontEnd::ChassisAndPack {
            chassis: first,
            pack: second,
        }
    } else {
        FrontEnd::RailPair {
            positive: first,
            negative: second,
        }
    };
    let count = 1 + from.below(4);
    let parts: Vec<Element> = (0..count).map(|_| part(from)).collect();
    let longest = from.pick(&[2_000, 40_000, 2_000_000]);
    let block_us = 100 + from.below(longest) as u32;
    let dwell_min_us = block_us * (8 + from.below(16) as u32);
    let length = 2 + from.below(3);
    let cycle: Vec<Drive> = (0..length).map(|_| drive(from)).collect();
    let mut timing = Timing::default().with_cycle(&cycle)?;
    timing.block_us = block_us;
    timing.dwell_min_us = dwell_min_us;
    timing.dwell_max_us = dwell_min_us.saturating_add(from.below(1 << 26) as u32);
    timing.reading_lag = (!from.once_in(3)).then(|| Measured {
        value: Seconds::from_bits(from.magnitude(30)),
        u: Seconds::from_bits(from.magnitude(30)),
    });
    timing.capacitance_max = Microfarads::from_bits(from.magnitude(50));
    let judged = from.pick(&[Judged::WeakestRail, Judged::BothInParallel]);
    let mut limits = Limits::new(Volts::from_bits(from.magnitude(44)), judged);
    limits.alarm_ohm_per_volt = from.magnitude(12) as u32;
    limits.warning_ohm_per_volt = limits.alarm_ohm_per_volt + from.magnitude(12) as u32;
    limits.confirmations = from.below(5) as u8;
    Config::try_new(front_end, &parts, timing, limits).ok()
}

/// Samples that are as bad as an interrupt can make them: how codes, time and
/// drive go on changes now and then.
#[derive(Debug)]
pub struct Storm {
    at_us: u32,
    codes: [i32; 2],
    drive: Drive,
    manner: [u64; 3],
    step_us: u32,
    count: u32,
}

impl Storm {
    /// Begins at a time, with samples about a step apart.
    pub fn new(at_us: u32, step_us: u32) -> Self {
        Self {
            at_us,
            codes: [0; 2],
            drive: Drive::Rest,
            manner: [0; 3],
            step_us,
            count: 0,
        }
    }

    /// The next sample. `wanted` is the drive that the monitor asks for, `range`
    /// the codes of the channels.
    pub fn next(&mut self, from: &mut impl Draw, wanted: Drive, range: [i64; 2]) -> Sample {
        if from.once_in(256) {
            self.manner = [from.below(9), from.below(6), from.below(4)];
        }
        let [low, high] = range;
        let span = (high - low).max(1) as u64;
        self.count = self.count.wrapping_add(1);
        // Either end in turn, from sample to sample and from block to block.
        let ends = |turn: u32| if turn.is_multiple_of(2) { low } else { high };
        for code in &mut self.codes {
            *code = match self.manner[0] {
                0 => (low + from.below(span) as i64) as i32,
                1 => *code,
                2 => code.wrapping_add(from.below(9) as i32 - 4),
                3 => from.pick(&[low as i32, high as i32, i32::MIN, i32::MAX, 0]),
                4 => code.wrapping_add((span >> 10) as i32 + 1),
                5 => from.bits() as i32,
                6 => ends(self.count) as i32,
                7 => ends(self.count >> 5) as i32,
                _ => (low + (span / 2) as i64) as i32,
            };
        }
        let step = match self.manner[1] {
            0 | 1 => self.step_us,
            2 => self.step_us + from.below(u64::from(self.step_us) + 1) as u32,
            3 if from.once_in(64) => from.bits() as u32,
            4 if from.once_in(64) => self.step_us.wrapping_mul(from.below(4096) as u32),
            5 if from.once_in(16) => 0u32.wrapping_sub(from.below(5000) as u32),
            _ => self.step_us,
        };
        self.at_us = self.at_us.wrapping_add(step);
        self.drive = match self.manner[2] {
            0 | 1 => wanted,
            2 if from.once_in(512) => drive(from),
            3 if from.once_in(8) => drive(from),
            _ => self.drive,
        };
        Sample {
            at_us: self.at_us,
            drive: self.drive,
            codes: self.codes,
        }
    }

    /// The time of the newest sample.
    pub fn at_us(&self) -> u32 {
        self.at_us
    }
}

/// Either monitor.
pub trait Subject<'c>: Sized {
    /// Its place in a count by monitor: the one that waits, the one that does not.
    const PLACE: usize;
    /// One that has seen nothing.
    fn begin(config: &'c Config) -> Self;
    /// Takes a block.
    fn accept(&mut self, block: &RawBlock);
    /// One slice of work.
    fn work(&mut self) -> Step;
    /// The drive that it wants.
    fn wants(&self) -> Drive;
    /// The dwell under way is over.
    fn finish(&mut self);
    /// Leaves the bus, or takes it back.
    fn leave(&mut self, leaves: bool);
}

macro_rules! subject {
    ($monitor:ident, $place:literal) => {
        impl<'c> Subject<'c> for $monitor<'c> {
            const PLACE: usize = $place;
            fn begin(config: &'c Config) -> Self {
                Self::new(config)
            }
            fn accept(&mut self, block: &RawBlock) {
                $monitor::accept(self, block);
            }
            fn work(&mut self) -> Step {
                self.step()
            }
            fn wants(&self) -> Drive {
                self.drive()
            }
            fn finish(&mut self) {
                $monitor::finish(self);
            }
            fn leave(&mut self, leaves: bool) {
                if leaves {
                    self.yield_bus();
                } else {
                    self.resume_bus();
                }
            }
        }
    };
}

subject!(Monitor, 0);
subject!(SwiftMonitor, 1);

/// Steps after one block beyond which the work is taken to have no end.
const STEPS_MAX: u32 = 100_000;

/// A sampler and a monitor fed as firmware feeds them.
#[derive(Debug)]
pub struct Rig<M> {
    sampler: Sampler,
    /// The monitor.
    pub monitor: M,
    /// Blocks that are still lost between the two.
    pub lost: u32,
    /// Steps after a block at most: fewer than it needs where the background does not keep up.
    pub patience: u32,
    /// Most steps that one block took.
    pub steps: u32,
    /// Estimates that contradict themselves.
    pub contradictions: u64,
}

impl<M> Rig<M> {
    /// One that has seen nothing.
    pub fn new<'c>(config: &'c Config) -> Self
    where
        M: Subject<'c>,
    {
        Self {
            sampler: Sampler::new(config),
            monitor: M::begin(config),
            lost: 0,
            patience: STEPS_MAX,
            steps: 0,
            contradictions: 0,
        }
    }

    /// Calls of an integrator who has misread the guide: at any time, and without a word to the sampler.
    pub fn meddle<'c>(&mut self, from: &mut impl Draw)
    where
        M: Subject<'c>,
    {
        match from.below(5) {
            0 => self.monitor.finish(),
            1 => self.monitor.leave(true),
            2 => self.monitor.leave(false),
            3 => self.lost = 1 + from.below(5) as u32,
            _ => self.patience = from.below(16) as u32,
        }
    }

    /// From now on all is done as it should be.
    pub fn behave<'c>(&mut self)
    where
        M: Subject<'c>,
    {
        self.monitor.leave(false);
        self.lost = 0;
        self.patience = STEPS_MAX;
    }

    /// Feeds one sample; `each` gets the reports.
    ///
    /// # Panics
    /// When the work has no end.
    pub fn push<'c>(&mut self, sample: &Sample, mut each: impl FnMut(&Report))
    where
        M: Subject<'c>,
    {
        let Some(block) = self.sampler.push(sample) else {
            return;
        };
        if self.lost > 0 {
            self.lost -= 1;
            return;
        }
        self.monitor.accept(&block);
        let mut steps = 0;
        while steps < self.patience {
            match self.monitor.work() {
                Step::Idle => break,
                Step::Busy => {}
                Step::Answer(report) => {
                    if report.estimate.as_ref().is_ok_and(contradictory) {
                        self.contradictions += 1;
                    }
                    each(&report);
                }
            }
            steps += 1;
            assert!(steps < STEPS_MAX, "work without an end");
        }
        self.steps = self.steps.max(steps);
    }
}

/// What no estimate is, right or wrong: an interval with crossed ends or below
/// zero, an uncertainty below zero.
fn contradictory(estimate: &Estimate) -> bool {
    let sound =
        |interval: &Interval<Ohms>| Ohms::ZERO <= interval.low && interval.low <= interval.high;
    let intervals = [
        &estimate.isolation_interval,
        &estimate.positive_interval,
        &estimate.negative_interval,
        &estimate.weakest_interval,
    ];
    let us = [
        estimate.conductance.u,
        estimate.positive_conductance.u,
        estimate.negative_conductance.u,
    ];
    let position = estimate.position.is_none_or(|x| x.u.to_bits() >= 0);
    !intervals.into_iter().all(sound) || !position || us.iter().any(|u| u.to_bits() < 0)
}
