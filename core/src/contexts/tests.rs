use std::convert::Infallible;
use std::thread;
use std::vec::Vec;

use embedded_hal_mock::eh1::MockError;
use embedded_hal_mock::eh1::digital::{Mock, State, Transaction};

use super::*;
use crate::config::{Channel, Element, FrontEnd, Judged, Limits, Timing};
use crate::reason::Reason;
use crate::report::{Report, Verdict};
use crate::units::{Ohms, Volts};

const MICROS: u32 = 1000;

/// 16 bits of 0..20 V span, shifted to the middle, behind 100:1.
const VOLTS_PER_CODE: f64 = 20.0 / 65_536.0 * 100.0;

/// ±40 V through 1 MΩ to the negative rail, sensing that loads nothing.
fn config() -> Config {
    let channel = Channel::bipolar(16, Volts::from_int(2000));
    let front_end = FrontEnd::ChassisAndPack {
        chassis: channel,
        pack: channel,
    };
    let source = Element::source_to_negative(Volts::from_int(40), Ohms::from_int(1_000_000));
    let limits = Limits::new(Volts::from_int(400), Judged::WeakestRail);
    Config::try_new(front_end, &[source], Timing::default(), limits).expect("a sound configuration")
}

/// 400 V with 1 MΩ from each rail and 0.1 µF to the chassis.
struct Circuit {
    chassis: f64,
}

impl Circuit {
    fn codes(&mut self, drive: Drive) -> [i32; 2] {
        let (g, i) = match drive {
            Drive::Rest | Drive::Check => (0.0, 0.0),
            Drive::Raise => (1e-6, 40e-6),
            Drive::Lower => (1e-6, -40e-6),
        };
        let all = 2e-6 + g;
        let settled = (1e-6 * 400.0 + i) / all;
        let kept = (-1e-3 * all / 0.1e-6_f64).exp();
        self.chassis = settled + (self.chassis - settled) * kept;
        [self.chassis, 400.0].map(|volts| 32_768 + (volts / VOLTS_PER_CODE).round() as i32)
    }
}

#[test]
fn both_contexts_in_threads_of_their_own_report_as_one_loop_does() {
    const SAMPLES: u32 = 6000;
    let config = config();
    let mut handover = Handover::<512>::new();
    let (mut interrupt, mut task) = handover.split::<SwiftMonitor<'_>>(&config);
    let samples: Vec<Sample>;
    let mut reports = Vec::new();
    (samples, interrupt, task) = thread::scope(|scope| {
        let sampling = scope.spawn(move || {
            let mut circuit = Circuit { chassis: 200.0 };
            let mut taken = Vec::new();
            for k in 0..SAMPLES {
                let drive = interrupt.drive();
                let codes = circuit.codes(drive);
                let at_us = k * MICROS;
                interrupt.sample(at_us, codes);
                taken.push(Sample {
                    at_us,
                    drive,
                    codes,
                });
                // Slow enough for the drive to follow the monitor.
                while interrupt.blocks.len() > 1 {
                    thread::yield_now();
                }
            }
            (taken, interrupt)
        });
        while !sampling.is_finished() {
            work(&mut task, &mut reports);
        }
        let (taken, interrupt) = sampling.join().expect("the sampling thread");
        work(&mut task, &mut reports);
        (taken, interrupt, task)
    });
    let _ = (interrupt, task);
    assert_eq!(reports, in_one_loop(&config, &samples));
    let drives = |wanted| samples.iter().filter(|s| s.drive == wanted).count();
    assert!(drives(Drive::Raise) > 400 && drives(Drive::Lower) > 400);
    let last = reports.last().expect("reports");
    let isolation = last.estimate.expect("an answer").isolation;
    let ohms: f64 = isolation.get().to_num();
    assert!((ohms / 500e3 - 1.0).abs() < 0.01, "{isolation:?}");
}

fn work<'a>(task: &mut Task<'a, SwiftMonitor<'a>>, reports: &mut Vec<Report>) {
    loop {
        match task.poll() {
            Step::Idle => return,
            Step::Busy => {}
            Step::Answer(report) => reports.push(report),
        }
    }
}

fn in_one_loop(config: &Config, samples: &[Sample]) -> Vec<Report> {
    let mut sampler = Sampler::new(config);
    let mut monitor = SwiftMonitor::new(config);
    let mut reports = Vec::new();
    for sample in samples {
        let Some(block) = sampler.push(sample) else {
            continue;
        };
        monitor.accept(&block);
        loop {
            match monitor.step() {
                Step::Idle => break,
                Step::Busy => {}
                Step::Answer(report) => reports.push(report),
            }
        }
    }
    reports
}

/// Converters that give these codes, then nothing.
struct Script(Vec<[i32; 2]>);

#[derive(Debug, PartialEq)]
struct NotReady;

impl Readings for Script {
    type Error = NotReady;
    fn read(&mut self) -> Result<[i32; 2], NotReady> {
        self.0.pop().ok_or(NotReady)
    }
}

#[test]
fn no_sample_is_taken_until_the_switches_stand_as_wanted() {
    let config = config();
    let mut handover = Handover::<8>::new();
    let (mut interrupt, _task) = handover.split::<Monitor<'_>>(&config);
    // The first write fails; the second puts the switch at rest; after the
    // first sample it is closed.
    let expected = [
        Transaction::set(State::Low).with_error(MockError::Io(std::io::ErrorKind::NotConnected)),
        Transaction::set(State::Low),
        Transaction::set(State::High),
    ];
    let mut switches =
        Switches::new(config.network(), [Mock::new(&expected)]).expect("a pin for the source");
    let mut readings = Script([[40_000, 45_875]; 2].into());
    let mut tick =
        |readings: &mut Script, k: u32| interrupt.tick(k * MICROS, readings, &mut switches);
    assert!(matches!(
        tick(&mut readings, 0),
        Err(TickError::Switch(MockError::Io(_)))
    ));
    assert_eq!(tick(&mut readings, 1), Ok(()));
    assert_eq!(
        readings.0.len(),
        2,
        "no reading while a switch was not known to stand"
    );
    assert_eq!(tick(&mut readings, 2), Ok(()));
    assert_eq!(tick(&mut readings, 3), Ok(()));
    assert_eq!(interrupt.drive(), Drive::Raise);
    assert_eq!(
        interrupt.tick(4 * MICROS, &mut readings, &mut switches),
        Err(TickError::Reading(NotReady))
    );
    for mut pin in switches.release() {
        pin.done();
    }
}

#[test]
fn a_split_starts_with_an_empty_queue_and_at_rest() {
    let config = config();
    let mut handover = Handover::<4>::new();
    {
        let (mut interrupt, _late) = handover.split::<Monitor<'_>>(&config);
        for k in 0..100 {
            interrupt.sample(k * MICROS, [40_000, 45_875]);
        }
        assert_eq!(interrupt.drive(), Drive::Raise);
    }
    let (interrupt, mut task) = handover.split::<Monitor<'_>>(&config);
    assert_eq!(interrupt.drive(), Drive::Rest);
    assert_eq!(task.poll(), Step::Idle);
}

#[test]
fn readings_that_cannot_fail_and_pins_that_cannot_fail_leave_no_error_to_handle() {
    struct Fixed;
    impl Readings for Fixed {
        type Error = Infallible;
        fn read(&mut self) -> Result<[i32; 2], Infallible> {
            Ok([40_000, 45_875])
        }
    }
    #[derive(Debug)]
    struct Pin;
    impl embedded_hal::digital::ErrorType for Pin {
        type Error = Infallible;
    }
    impl OutputPin for Pin {
        fn set_low(&mut self) -> Result<(), Infallible> {
            Ok(())
        }
        fn set_high(&mut self) -> Result<(), Infallible> {
            Ok(())
        }
    }
    let config = config();
    let mut handover = Handover::<8>::new();
    let (mut interrupt, _task) = handover.split::<Monitor<'_>>(&config);
    let mut switches = Switches::new(config.network(), [Pin]).expect("a pin for the source");
    let outcome: Result<(), TickError<Infallible, Infallible>> =
        interrupt.tick(0, &mut Fixed, &mut switches);
    assert_eq!(outcome, Ok(()));
}

/// A background that comes too late for the queue: no figure is made of two
/// dwells that a lost drive change has run together, and no verdict stands.
#[test]
fn blocks_that_found_no_room_are_missed_and_never_make_a_wrong_figure() {
    fn run<'c, M: Background<'c>>(config: &'c Config) {
        let handover = std::boxed::Box::leak(std::boxed::Box::new(Handover::<4>::new()));
        let (mut interrupt, mut task) = handover.split::<M>(config);
        let mut circuit = Circuit { chassis: 200.0 };
        let (mut missed, mut healthy) = (0, 0);
        for k in 0..60_000 {
            let codes = circuit.codes(interrupt.drive());
            interrupt.sample(k * MICROS, codes);
            // From 10 to 40 s the background has other work for 130 ms at a time.
            let late = (10_000..40_000).contains(&k);
            if late && k % 130 != 0 {
                continue;
            }
            loop {
                match task.poll() {
                    Step::Idle => break,
                    Step::Busy => {}
                    Step::Answer(report) => {
                        if let Ok(estimate) = &report.estimate {
                            let g: f64 = estimate.conductance.value.get().to_num();
                            let u: f64 = estimate.conductance.u.get().to_num();
                            assert!((g - 2.0).abs() < 6.0 * u.max(0.005), "{k}: {g} ±{u}");
                        }
                    }
                }
            }
            let verdict = task.monitor().verdict();
            missed += u32::from(verdict == Verdict::Undetermined(Reason::SamplesMissing));
            healthy += u32::from(k > 50_000 && verdict == Verdict::Healthy);
        }
        assert!(missed > 100, "{missed}");
        assert!(healthy > 9_000, "{healthy}");
    }
    let config = config();
    run::<Monitor<'_>>(&config);
    run::<SwiftMonitor<'_>>(&config);
}
