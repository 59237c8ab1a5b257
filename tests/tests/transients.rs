//! Transients by an independent integrator: Dormand and Prince's method with
//! step control (J. Comp. Appl. Math. 6, 1980; the `ode_solvers` crate) on the
//! differential equation itself, against the plant's exact step and against
//! the time constant and capacitance that the core reads from the waveform.

use ode_solvers::{Dopri5, OutputType, System, Vector1};
use ohmsplit::Kind;
use ohmsplit_host::plant::Plant;
use ohmsplit_host::scenario::{Capacitance, Leak as PlantLeak, PackPoint, PackProfile, World};
use ohmsplit_tests::bench::{Lead, last, run_volts};
use ohmsplit_tests::bounds::{INTEGRATOR, ISOLATION, TIME_CONSTANT};
use ohmsplit_tests::design::{Design, core_state, drives, state_of};
use ohmsplit_tests::reference::{Circuit, Leak, State};

/// Pack voltage in straight lines between corners.
const PACK: [(f64, f64); 5] = [
    (0.0, 400.0),
    (0.6, 400.0),
    (0.9, 380.0),
    (1.5, 395.0),
    (4.0, 360.0),
];

/// The line that a time lies on: voltage then, and slope.
fn pack_at(time: f64) -> (f64, f64) {
    let after = PACK
        .iter()
        .position(|&(corner, _)| corner > time)
        .unwrap_or(PACK.len() - 1);
    let ((t0, v0), (t1, v1)) = (PACK[after - 1], PACK[after]);
    let slope = (v1 - v0) / (t1 - t0);
    (v0 + slope * (time - t0), slope)
}

/// C dv/dt = (Gp + p) Vb + Cp dVb/dt + i - (G + g) v.
struct Chassis {
    circuit: Circuit,
    state: State,
    /// Voltage at a time, and slope.
    line: (f64, f64, f64),
}

impl System<f64, Vector1<f64>> for Chassis {
    fn system(&self, time: f64, v: &Vector1<f64>, rate: &mut Vector1<f64>) {
        let (t0, v0, slope) = self.line;
        let vb = v0 + slope * (time - t0);
        let row = self.circuit.row(self.state);
        let current =
            (self.circuit.leak.positive + row.p) * vb + self.circuit.positive_farad * slope + row.i
                - self.circuit.load(self.state) * v[0];
        rate[0] = current / self.circuit.farad();
    }
}

/// One stretch by the integrator.
fn integrate(chassis: Chassis, v: f64, from: f64, to: f64) -> f64 {
    let start = Vector1::new(v);
    let mut solver = Dopri5::new(chassis, from, to, to - from, start, 1e-11, 1e-9);
    // The steps themselves, not values between them.
    solver.set_output(OutputType::Sparse);
    solver.integrate().expect("an integral");
    solver.y_out().last().expect("an end")[0]
}

/// Chassis voltage sample by sample; corners of the pack fall on samples.
fn advance(circuit: &Circuit, state: State, v: f64, from: f64, to: f64) -> f64 {
    let middle = (from + to) / 2.0;
    let (at_middle, slope) = pack_at(middle);
    let chassis = Chassis {
        circuit: *circuit,
        state,
        line: (middle, at_middle, slope),
    };
    integrate(chassis, v, from, to)
}

#[test]
fn the_plants_exact_step_is_the_integral_of_the_equation() {
    for drive in drives() {
        for (ohm, x, positive_uf, negative_uf) in [
            (20e3, 0.0, 1e-3, 2e-3),
            (300e3, 0.4, 0.5, 0.2),
            (5e6, 1.0, 6.0, 14.0),
        ] {
            let circuit = Circuit {
                positive_farad: positive_uf * 1e-6,
                negative_farad: negative_uf * 1e-6,
                ..Circuit::new(Leak::inside(ohm, x), 0.0, drive)
            };
            let world = World {
                leaks: vec![PlantLeak::at(ohm, x)],
                capacitance: Capacitance {
                    positive_uf,
                    negative_uf,
                },
                pack_profile: PackProfile {
                    point: PACK
                        .map(|(time_s, voltage_v)| PackPoint { time_s, voltage_v })
                        .to_vec(),
                    ..PackProfile::default()
                },
                ..World::default()
            };
            let config = Design::new(drive, 400.0, 24).config();
            let mut plant = Plant::new(&config, &world).expect("a world that suits the monitor");
            let mut v = circuit.settled(State::Rest, 400.0);
            for sample in 0..2000u32 {
                let state = [State::Raise, State::Lower, State::Rest][(sample / 350 % 3) as usize];
                let (from, to) = (f64::from(sample) / 1e3, f64::from(sample + 1) / 1e3);
                v = advance(&circuit, state, v, from, to);
                let plant_v = plant.step(core_state(state)).chassis_v;
                INTEGRATOR.absolute(plant_v, v, format!("{drive:?} {ohm} Ω at {to} s"));
            }
        }
    }
}

#[test]
fn time_constant_and_capacitance_of_an_integrated_waveform() {
    for drive in drives() {
        for (ohm, x, farad) in [(100e3, 0.3, 1e-6), (1e6, 0.5, 0.5e-6), (1e6, 1.0, 0.2e-6)] {
            let circuit = Circuit::new(Leak::inside(ohm, x), farad, drive);
            let config = Design::new(drive, 400.0, 24).config();
            let mut v = 100.0;
            let lead = Lead::alternating(4.0);
            let reports = run_volts(&config, 500.0, 16.0, &lead, |state, from, to| {
                let chassis = Chassis {
                    circuit,
                    state,
                    line: (0.0, 400.0, 0.0),
                };
                v = integrate(chassis, v, from, to);
                [v, 400.0]
            });
            let case = format!("{drive:?} {ohm} Ω at {x}, {farad} F");
            let (kind, figures) =
                last(&reports).unwrap_or_else(|reason| panic!("{case}: {reason:?}"));
            assert_eq!(kind, Kind::Figure, "{case}");
            ISOLATION.relative(figures.isolation, ohm, &case);
            let [got, u] = figures
                .capacitance
                .unwrap_or_else(|| panic!("{case}: {figures:?}"));
            TIME_CONSTANT.relative(got, farad, &case);
            assert!(
                (got - farad).abs() < 4.0 * u + 1e-3 * farad,
                "{case}: {got} ± {u}"
            );
            let reading = reports
                .last()
                .expect("a report")
                .reading
                .expect("a reading");
            let tau = reading.time_constant.expect("a time constant").value;
            let want = circuit.time_constant(state_of(reading.drive));
            TIME_CONSTANT.relative(tau.get().to_num(), want, &case);
        }
    }
}
