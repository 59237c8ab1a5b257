//! Feeds the core as firmware does: volts at the terminals become codes at
//! sampling times, codes go through the sampler, blocks through the monitor.

use ohmsplit::config::{Channel, Config, FrontEnd};
use ohmsplit::{Estimate, Interval, Reason, Report, Sample};
use ohmsplit_host::rig::{Event, MonitorKind, Rig};
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

    fn state(&self, rig: &Rig<'_>, time: f64) -> State {
        match self {
            Self::Sequencer => state_of(rig.drive()),
            Self::Recorded { half_period, order } => {
                // The instant of a switch belongs to the state after it.
                let place = (time / half_period + 1e-9) as usize;
                order[place % order.len()]
            }
        }
    }
}

/// Feeds the core: `codes` is asked for those at the end of each sampling
/// period (state, start and end of the period in seconds); none is a sample
/// that was lost.
pub fn feed(
    rig: Rig<'_>,
    rate: f64,
    seconds: f64,
    lead: &Lead,
    codes: impl FnMut(State, f64, f64) -> Option<[i32; 2]>,
) -> Vec<Event> {
    let samples = 1..=(seconds * rate).round() as u64;
    feed_at(rig, samples.map(|sample| sample as f64 / rate), lead, codes)
}

/// The same at any times, in seconds, that go up.
pub fn feed_at(
    mut rig: Rig<'_>,
    times: impl Iterator<Item = f64>,
    lead: &Lead,
    mut codes: impl FnMut(State, f64, f64) -> Option<[i32; 2]>,
) -> Vec<Event> {
    let mut events = Vec::new();
    let mut collect = |event: &Event| events.push(*event);
    let mut from = 0.0;
    for to in times {
        let state = lead.state(&rig, from);
        let from = std::mem::replace(&mut from, to);
        let Some(codes) = codes(state, from, to) else {
            continue;
        };
        let sample = Sample {
            at_us: (to * 1e6).round() as u64 as u32,
            drive: core_state(state),
            codes,
        };
        rig.push(to, &sample, &mut collect);
    }
    rig.finish(&mut collect);
    events
}

/// The reports but for that of a dwell which the end cuts short before it
/// tells anything about the circuit: firmware would still be in it.
fn reports(events: Vec<Event>) -> Vec<Report> {
    let counts = |event: &Event| !event.unfinished || event.report.reading.is_ok();
    let counted = events.into_iter().filter(counts);
    counted.map(|event| event.report).collect()
}

/// Runs the monitor that waits on codes.
pub fn run_codes(
    config: &Config,
    rate: f64,
    seconds: f64,
    lead: &Lead,
    mut codes: impl FnMut(State, f64, f64) -> [i32; 2],
) -> Vec<Report> {
    let rig = Rig::new(config, MonitorKind::Settled);
    let codes = |state: State, from: f64, to: f64| Some(codes(state, from, to));
    reports(feed(rig, rate, seconds, lead, codes))
}

/// Runs the monitor that waits on volts: `volts` gives chassis and pack
/// voltage.
pub fn run_volts(
    config: &Config,
    rate: f64,
    seconds: f64,
    lead: &Lead,
    mut volts: impl FnMut(State, f64, f64) -> [f64; 2],
) -> Vec<Report> {
    let rig = Rig::new(config, MonitorKind::Settled);
    let volts = |state: State, from: f64, to: f64| Some(volts(state, from, to));
    reports(feed(rig, rate, seconds, lead, converted(config, volts)))
}

/// Codes of volts at the terminals.
pub fn converted(
    config: &Config,
    mut volts: impl FnMut(State, f64, f64) -> Option<[f64; 2]>,
) -> impl FnMut(State, f64, f64) -> Option<[i32; 2]> {
    let channels = config.front_end().channels().map(Converter::of);
    let pair = matches!(config.front_end(), FrontEnd::RailPair { .. });
    move |state, from, to| {
        let [chassis, pack] = volts(state, from, to)?;
        let first = if pair { pack - chassis } else { chassis };
        let second = if pair { chassis } else { pack };
        Some([channels[0].code(first), channels[1].code(second)])
    }
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
    /// What the circuit becomes, and when.
    pub later: Option<(f64, Circuit)>,
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
            later: None,
            ripple: [0.0, 1.0],
            seed: 1,
        }
    }

    /// Runs the monitor that waits against the circuit's exact solution.
    #[must_use]
    pub fn run(&self, config: &Config, rate: f64, seconds: f64, lead: &Lead) -> Vec<Report> {
        let rig = Rig::new(config, MonitorKind::Settled);
        reports(self.drive(rig, config, rate, seconds, lead))
    }

    /// The same with the monitor that does not wait; all its reports, and when
    /// they came.
    #[must_use]
    pub fn run_swift(&self, config: &Config, rate: f64, seconds: f64, lead: &Lead) -> Vec<Event> {
        let rig = Rig::new(config, MonitorKind::Swift);
        self.drive(rig, config, rate, seconds, lead)
    }

    fn drive(
        &self,
        rig: Rig<'_>,
        config: &Config,
        rate: f64,
        seconds: f64,
        lead: &Lead,
    ) -> Vec<Event> {
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
        let volts = |state: State, from: f64, to: f64| {
            let circuit = match &self.later {
                Some((time, later)) if from >= *time => later,
                _ => &self.circuit,
            };
            let pack = [from, to].map(|t| self.pack + self.pack_slope * t);
            let before = v.unwrap_or_else(|| circuit.settled(state, pack[0]));
            let now = circuit.after(state, before, pack, to - from);
            v = Some(now);
            let [peak, hertz] = self.ripple;
            let turns = (hertz * to).fract();
            let wave =
                |gain: f64, lead: f64| peak * gain * (std::f64::consts::TAU * turns + lead).sin();
            let [gain, lead] = if peak == 0.0 {
                [0.0; 2]
            } else {
                circuit.response(state, hertz)
            };
            Some([
                now + wave(gain, lead) + noise(self.noise),
                pack[1] + wave(1.0, 0.0) + noise(self.noise),
            ])
        };
        feed(rig, rate, seconds, lead, converted(config, volts))
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
