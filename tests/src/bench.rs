//! Feeds the core as firmware does: volts at the terminals become codes at
//! sampling times, codes go through the sampler, blocks through the monitor.

use ohmsplit::config::{Channel, Config, FrontEnd};
use ohmsplit::{Estimate, Interval, Monitor, Reason, Report, Sample, Sampler, Step};
use rand::SeedableRng;
use rand::rngs::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use crate::design::{core_state, state_of};
use crate::reference::{Circuit, State};

/// What decides the drive state.
#[derive(Debug, Clone, PartialEq)]
pub enum Lead {
    /// The core's sequencer: the loop is closed.
    Sequencer,
    /// A fixed half-period, as in a recorded capture.
    Recorded {
        /// Seconds in one state.
        half_period: f64,
        /// States in turn.
        order: Vec<State>,
    },
}

impl Lead {
    /// Raise and lower in turn.
    #[must_use]
    pub fn alternating(half_period: f64) -> Self {
        Self::Recorded {
            half_period,
            order: vec![State::Raise, State::Lower],
        }
    }

    fn state(&self, monitor: &Monitor<'_>, time: f64) -> State {
        match self {
            Self::Sequencer => state_of(monitor.drive()),
            Self::Recorded { half_period, order } => {
                // The instant of a switch belongs to the state after it.
                let place = (time / half_period + 1e-9) as usize;
                order[place % order.len()]
            }
        }
    }
}

/// Runs the core on codes: `codes` is asked for those at the end of each
/// sampling period (state, start and end of the period in seconds).
pub fn run_codes(
    config: &Config,
    rate: f64,
    seconds: f64,
    lead: &Lead,
    mut codes: impl FnMut(State, f64, f64) -> [i32; 2],
) -> Vec<Report> {
    let mut sampler = Sampler::new(config);
    let mut monitor = Monitor::new(config);
    let mut reports = Vec::new();
    for sample in 1..=(seconds * rate).round() as u64 {
        let (from, to) = ((sample - 1) as f64 / rate, sample as f64 / rate);
        let state = lead.state(&monitor, from);
        let sample = Sample {
            at_us: (to * 1e6).round() as u64 as u32,
            drive: core_state(state),
            codes: codes(state, from, to),
        };
        if let Some(raw) = sampler.push(&sample) {
            monitor.accept(&raw);
            collect(&mut monitor, &mut reports);
        }
    }
    if let Some(raw) = sampler.finish() {
        monitor.accept(&raw);
        collect(&mut monitor, &mut reports);
    }
    monitor.finish();
    // A dwell that the end cuts short before it settles says nothing about
    // the circuit: firmware would still be in it.
    let mut unfinished = Vec::new();
    collect(&mut monitor, &mut unfinished);
    reports.extend(
        unfinished
            .into_iter()
            .filter(|report| report.reading.is_ok()),
    );
    reports
}

fn collect(monitor: &mut Monitor<'_>, reports: &mut Vec<Report>) {
    loop {
        match monitor.step() {
            Step::Idle => return,
            Step::Busy => {}
            Step::Answer(report) => reports.push(report),
        }
    }
}

/// Runs the core on volts: `volts` gives chassis and pack voltage.
pub fn run_volts(
    config: &Config,
    rate: f64,
    seconds: f64,
    lead: &Lead,
    mut volts: impl FnMut(State, f64, f64) -> [f64; 2],
) -> Vec<Report> {
    let channels = config.front_end().channels().map(Converter::of);
    let pair = matches!(config.front_end(), FrontEnd::RailPair { .. });
    run_codes(config, rate, seconds, lead, |state, from, to| {
        let [chassis, pack] = volts(state, from, to);
        let first = if pair { pack - chassis } else { chassis };
        let second = if pair { chassis } else { pack };
        [channels[0].code(first), channels[1].code(second)]
    })
}

/// Rounds volts at the terminals to the nearest code.
#[derive(Debug, Clone, Copy)]
struct Converter {
    codes_per_volt: f64,
    at_zero: f64,
    least: f64,
    most: f64,
}

impl Converter {
    fn of(channel: &Channel) -> Self {
        let codes = 2f64.powi(i32::from(channel.bits));
        Self {
            codes_per_volt: codes / channel.span.get().to_num::<f64>(),
            at_zero: f64::from(channel.zero_code),
            least: f64::from(channel.lowest),
            most: f64::from(channel.highest),
        }
    }

    fn code(&self, volts: f64) -> i32 {
        (volts * self.codes_per_volt + self.at_zero)
            .round()
            .clamp(self.least, self.most) as i32
    }
}

/// A circuit with a moving pack and disturbed readings.
#[derive(Debug, Clone)]
pub struct Bench {
    /// The circuit.
    pub circuit: Circuit,
    /// Pack voltage at 0 s.
    pub pack: f64,
    /// Volts a second.
    pub pack_slope: f64,
    /// Chassis voltage at 0 s; the settled one of the first state when `None`.
    pub start: Option<f64>,
    /// Standard deviation of white noise in each reading, in volts.
    pub noise: f64,
    /// Peak and frequency of a sinusoid on the pack voltage, which the circuit
    /// passes on to the chassis as it does in the steady state.
    pub ripple: [f64; 2],
    /// Seed of the noise.
    pub seed: u64,
}

impl Bench {
    /// A quiet circuit on a steady pack.
    #[must_use]
    pub fn new(circuit: Circuit, pack: f64) -> Self {
        Self {
            circuit,
            pack,
            pack_slope: 0.0,
            start: None,
            noise: 0.0,
            ripple: [0.0, 1.0],
            seed: 1,
        }
    }

    /// Runs the core against the circuit's exact solution.
    #[must_use]
    pub fn run(&self, config: &Config, rate: f64, seconds: f64, lead: &Lead) -> Vec<Report> {
        let mut random = ChaCha8Rng::seed_from_u64(self.seed);
        let mut noise = move |deviation: f64| -> f64 {
            let standard: f64 = if deviation > 0.0 {
                StandardNormal.sample(&mut random)
            } else {
                0.0
            };
            deviation * standard
        };
        let mut v = self.start;
        run_volts(config, rate, seconds, lead, |state, from, to| {
            let pack = [from, to].map(|t| self.pack + self.pack_slope * t);
            let before = v.unwrap_or_else(|| self.circuit.settled(state, pack[0]));
            let now = self.circuit.after(state, before, pack, to - from);
            v = Some(now);
            let [peak, hertz] = self.ripple;
            let turns = (hertz * to).fract();
            let wave =
                |gain: f64, lead: f64| peak * gain * (std::f64::consts::TAU * turns + lead).sin();
            let [gain, lead] = if peak == 0.0 {
                [0.0; 2]
            } else {
                self.circuit.response(state, hertz)
            };
            [
                now + wave(gain, lead) + noise(self.noise),
                pack[1] + wave(1.0, 0.0) + noise(self.noise),
            ]
        })
    }
}

/// An estimate in SI units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Figures {
    /// G and its standard uncertainty, siemens.
    pub conductance: [f64; 2],
    /// Gp and its standard uncertainty, siemens.
    pub positive: [f64; 2],
    /// Gn and its standard uncertainty, siemens.
    pub negative: [f64; 2],
    /// R_iso in ohms.
    pub isolation: f64,
    /// 95 % interval of R_iso in ohms.
    pub isolation_interval: [f64; 2],
    /// min(Rp, Rn) in ohms.
    pub weakest: f64,
    /// 95 % interval of the weakest rail in ohms.
    pub weakest_interval: [f64; 2],
    /// x and its standard uncertainty.
    pub position: Option<[f64; 2]>,
    /// Touch current in amperes.
    pub touch_current: f64,
    /// C and its standard uncertainty, farads.
    pub capacitance: Option<[f64; 2]>,
}

impl From<&Estimate> for Figures {
    fn from(estimate: &Estimate) -> Self {
        let siemens = |g: ohmsplit::units::Measured<ohmsplit::units::Microsiemens>| {
            [g.value, g.u].map(|g| g.get().to_num::<f64>() * 1e-6)
        };
        let interval = |interval: Interval<ohmsplit::units::Ohms>| {
            [interval.low, interval.high].map(|ohms| ohms.get().to_num::<f64>())
        };
        Self {
            conductance: siemens(estimate.conductance),
            positive: siemens(estimate.positive_conductance),
            negative: siemens(estimate.negative_conductance),
            isolation: estimate.isolation.get().to_num(),
            isolation_interval: interval(estimate.isolation_interval),
            weakest: estimate.weakest.get().to_num(),
            weakest_interval: interval(estimate.weakest_interval),
            position: estimate
                .position
                .map(|x| [x.value, x.u].map(|x| x.get().to_num())),
            touch_current: estimate.touch_current.value.get().to_num::<f64>() * 1e-6,
            capacitance: estimate
                .capacitance
                .map(|c| [c.value, c.u].map(|c| c.get().to_num::<f64>() * 1e-6)),
        }
    }
}

/// The last estimate of a run, with its kind.
///
/// # Errors
/// Why there is none.
pub fn last(reports: &[Report]) -> Result<(ohmsplit::Kind, Figures), Reason> {
    let report = reports.last().ok_or(Reason::NotYetMeasured)?;
    let estimate = report.estimate?;
    Ok((estimate.kind, Figures::from(&estimate)))
}
