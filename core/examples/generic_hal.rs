//! The core on any hardware abstraction layer that has `OutputPin`: two
//! resistors switched to the chassis, a pair of converters, one periodic
//! interrupt and a main loop. `main` runs it on a circuit of its own; the test
//! at the end on the pins of a mock.
//!
//! The voltages of a real battery can kill: build and connect the switched
//! resistors under the local code, by people licensed for it.

use core::cell::Cell;
use core::convert::Infallible;

use embedded_hal::digital::{ErrorType, OutputPin};
use ohmsplit::config::{
    Channel, Config, ConfigError, Divider, Element, FrontEnd, Judged, Limits, Timing,
};
use ohmsplit::contexts::{Handover, Interrupt, Readings, Task, TickError};
use ohmsplit::pins::Switches;
use ohmsplit::units::{Ohms, Volts};
use ohmsplit::{Report, Step, SwiftMonitor};

/// What the designer declares: 1 MΩ from either rail, 16-bit converters of 20 V
/// span behind 10 MΩ dividers of 100:1, a pack of 400 V.
fn design() -> Result<Config, ConfigError> {
    let divider = Divider {
        top: Ohms::from_int(9_900_000),
        bottom: Ohms::from_int(100_000),
    };
    let bare = Channel::bipolar(16, Volts::from_int(20));
    let channel = bare
        .behind(divider)
        .ok_or(ConfigError::ResistanceNotPositive)?;
    let front_end = FrontEnd::ChassisAndPack {
        chassis: channel,
        pack: channel,
    };
    let resistor = Ohms::from_int(1_000_000);
    let parts = [
        Element::switched_to_positive(resistor),
        Element::switched_to_negative(resistor),
    ];
    let limits = Limits::new(Volts::from_int(400), Judged::WeakestRail);
    Config::try_new(front_end, &parts, Timing::default(), limits)
}

/// What the sampling interrupt owns.
struct Sampling<'a, R, P> {
    interrupt: Interrupt<'a>,
    readings: R,
    switches: Switches<'a, P, 2>,
}

impl<R: Readings, P: OutputPin> Sampling<'_, R, P> {
    /// The body of the interrupt: at a fixed rate, 1 kHz for instance.
    fn interrupt(&mut self, at_us: u32) -> Result<(), TickError<R::Error, P::Error>> {
        self.interrupt
            .tick(at_us, &mut self.readings, &mut self.switches)
    }
}

/// The body of the main loop, one bounded slice; false when the processor may sleep.
fn background<'a>(task: &mut Task<'a, SwiftMonitor<'a>>, act: &mut impl FnMut(&Report)) -> bool {
    match task.poll() {
        Step::Idle => false,
        Step::Busy => true,
        Step::Answer(report) => {
            act(&report);
            true
        }
    }
}

/// Runs both contexts in turn, as an interrupt breaks into the main loop.
fn run<R: Readings, P: OutputPin>(
    config: &Config,
    readings: R,
    pins: [P; 2],
    seconds: u32,
    act: &mut impl FnMut(&Report),
) -> [P; 2] {
    // In firmware a `static`: both halves live as long as the program.
    let mut handover = Handover::<8>::new();
    let (interrupt, mut task) = handover.split(config);
    let mut sampling = Sampling {
        interrupt,
        readings,
        switches: Switches::new(config.network(), pins).expect("a pin for each resistor"),
    };
    for tick in 0..seconds * 1000 {
        // A sample that is missing is no reason to stop: the monitor copes, and says so.
        let _ = sampling.interrupt(tick.wrapping_mul(1000));
        while background(&mut task, act) {}
    }
    sampling.switches.release()
}

/// The circuit that `main` and the test measure: 400 V, a leak of 300 kΩ from
/// the positive rail, 0.2 µF to the chassis.
struct Circuit<'w> {
    /// Levels of the two pins.
    levels: &'w [Cell<bool>; 2],
    chassis_v: f64,
}

impl Readings for Circuit<'_> {
    type Error = Infallible;

    /// One millisecond later.
    fn read(&mut self) -> Result<[i32; 2], Infallible> {
        let [to_positive, to_negative] = self.levels.each_ref().map(|level| f64::from(level.get()));
        // Leak, switched resistors and the divider of the chassis channel, in µS.
        let up = 1.0 / 0.3 + to_positive;
        let down = to_negative + 0.1;
        let settled_v = 400.0 * up / (up + down);
        let kept = (-1e-3 * (up + down) / 0.2).exp();
        self.chassis_v = settled_v + (self.chassis_v - settled_v) * kept;
        let code = |volts: f64| 32_768 + (volts / 100.0 / 20.0 * 65_536.0).round() as i32;
        Ok([code(self.chassis_v), code(400.0)])
    }
}

/// A pin, and the level that the circuit sees on it.
struct Wire<'w, P> {
    pin: P,
    level: &'w Cell<bool>,
}

impl<P: OutputPin> ErrorType for Wire<'_, P> {
    type Error = P::Error;
}

impl<P: OutputPin> OutputPin for Wire<'_, P> {
    fn set_low(&mut self) -> Result<(), P::Error> {
        self.level.set(false);
        self.pin.set_low()
    }

    fn set_high(&mut self) -> Result<(), P::Error> {
        self.level.set(true);
        self.pin.set_high()
    }
}

/// Where a board has a real pin.
struct Unconnected;

impl ErrorType for Unconnected {
    type Error = Infallible;
}

impl OutputPin for Unconnected {
    fn set_low(&mut self) -> Result<(), Infallible> {
        Ok(())
    }

    fn set_high(&mut self) -> Result<(), Infallible> {
        Ok(())
    }
}

/// Both resistors open, the chassis somewhere.
fn circuit(levels: &[Cell<bool>; 2]) -> Circuit<'_> {
    Circuit {
        levels,
        chassis_v: 200.0,
    }
}

fn main() {
    let config = design().expect("a sound design");
    let levels = [const { Cell::new(false) }; 2];
    let wires = levels.each_ref().map(|level| Wire {
        pin: Unconnected,
        level,
    });
    run(
        &config,
        circuit(&levels),
        wires,
        5,
        &mut |report| match &report.estimate {
            Ok(estimate) => println!(
                "{:?}: {} ohm, weaker rail {} ohm",
                report.verdict,
                estimate.isolation.get(),
                estimate.weakest.get()
            ),
            Err(reason) => println!("{:?}: {}", report.verdict, reason.name()),
        },
    );
}

#[cfg(test)]
mod tests {
    use super::*;
    use embedded_hal_mock::eh1::digital::{Mock, State, Transaction};
    use ohmsplit::Verdict;

    /// Both pins are written whenever the drive changes. The drive starts at
    /// rest, and goes on raise, lower, raise, ... in dwells of half a second
    /// (the shortest allowed) once the circuit is known to be quick.
    #[test]
    fn on_the_pins_of_a_mock_the_leak_is_found_and_the_switches_take_turns() {
        let sequence = |closed: [State; 2]| {
            let mut all = vec![Transaction::set(State::Low)];
            all.extend(
                [closed; 4]
                    .as_flattened()
                    .iter()
                    .map(|state| Transaction::set(*state)),
            );
            all
        };
        let mut mocks = [
            Mock::new(&sequence([State::High, State::Low])),
            Mock::new(&sequence([State::Low, State::High])),
        ];
        let config = design().expect("a sound design");
        let levels = [const { Cell::new(false) }; 2];
        let [first, second] = &levels;
        let [upper, lower] = mocks.clone();
        let wires = [
            Wire {
                pin: upper,
                level: first,
            },
            Wire {
                pin: lower,
                level: second,
            },
        ];
        let mut last = None;
        run(&config, circuit(&levels), wires, 4, &mut |report| {
            last = Some(*report)
        });
        let report = last.expect("reports");
        let estimate = report.estimate.expect("an answer");
        let ohms: f64 = estimate.positive.get().to_num();
        assert!((ohms / 300e3 - 1.0).abs() < 0.01, "{estimate:?}");
        // 750 ohm/V, above the warning limit of 500 ohm/V.
        assert_eq!(report.verdict, Verdict::Healthy);
        for mock in &mut mocks {
            mock.done();
        }
    }
}
