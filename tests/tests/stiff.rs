//! Stiff transients, time constants from a microsecond to seconds seen at the
//! same millisecond steps, by an implicit integrator (Radau IIA of order 5,
//! Hairer and Wanner, Solving Ordinary Differential Equations II; the
//! `differential-equations` crate) against the plant's exact step.

use differential_equations::prelude::*;
use ohmsplit_host::plant::Plant;
use ohmsplit_host::scenario::{Capacitance, Leak as PlantLeak, World};
use ohmsplit_tests::design::{Design, core_state, drives};
use ohmsplit_tests::reference::{Circuit, Leak, State};

const PACK: f64 = 400.0;

/// Allowed difference in volts: the integrator's own tolerance over two drive changes.
const ALLOWED_V: f64 = 1e-5;

/// C dv/dt = (Gp + p) Vb + i - (G + g) v.
struct Chassis {
    circuit: Circuit,
    state: State,
}

impl ODE for Chassis {
    fn diff(&self, _time: f64, v: &f64, rate: &mut f64) {
        let row = self.circuit.row(self.state);
        let pushed = (self.circuit.leak.positive + row.p) * PACK + row.i;
        *rate = (pushed - self.circuit.load(self.state) * v) / self.circuit.farad();
    }
}

#[test]
fn the_plants_exact_step_agrees_with_an_implicit_integrator_however_stiff() {
    for drive in drives() {
        for (ohm, x, microfarad) in [(10.0, 0.7, 0.1), (1e3, 0.3, 0.05), (1e6, 0.5, 2.0)] {
            let circuit = Circuit::new(Leak::inside(ohm, x), microfarad * 1e-6, drive);
            let half = microfarad / 2.0;
            let world = World {
                leaks: vec![PlantLeak::at(ohm, x)],
                capacitance: Capacitance {
                    positive_uf: half,
                    negative_uf: half,
                },
                pack_profile: ohmsplit_host::scenario::PackProfile {
                    start_v: Some(PACK),
                    ..Default::default()
                },
                ..World::default()
            };
            let config = Design::new(drive, PACK, 24).config();
            let mut plant = Plant::new(&config, &world).expect("a world that suits the monitor");
            let mut v = circuit.settled(State::Rest, PACK);
            for sample in 0..60u32 {
                let state = [State::Raise, State::Lower][(sample / 30) as usize];
                let chassis = Chassis { circuit, state };
                let method = ImplicitRungeKutta::radau5().rtol(1e-10).atol(1e-9);
                let solution = IVP::ode(&chassis, 0.0, 1e-3, v).method(method).solve();
                v = *solution.expect("an integral").y.last().expect("an end");
                let exact = plant.step(core_state(state)).chassis_v;
                let off = (exact - v).abs();
                assert!(
                    off < ALLOWED_V,
                    "{drive:?} {ohm} Ω, sample {sample}: {off:e} V"
                );
            }
        }
    }
}
