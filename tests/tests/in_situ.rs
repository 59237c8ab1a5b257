//! The in-situ measurement with a voltmeter and a known resistor, as the
//! regulations word it, on the simulated plant and by nodal analysis; and the
//! core's weakest-rail figure, which must be the same.
//!
//! Sources: UN R100 Rev.2, REESS annex, 1.2 (voltmeter of at least 10 MΩ;
//! order V1, V2, then Ro on the side with the larger reading; Ro about the
//! required Ω/V times the nominal voltage); 49 CFR 571.305 S7.6 (from memory,
//! not verified). The voltages are algebra from the resistors.

use ohmsplit::config::{Config, Judged};
use ohmsplit::{Kind, Verdict};
use ohmsplit_host::plant::Plant;
use ohmsplit_host::scenario::{Capacitance, Leak as PlantLeak, World};
use ohmsplit_tests::bench::{Bench, Figures, Lead, last};
use ohmsplit_tests::bounds::{Bound, FOUR_DIGITS, ISOLATION, SAME_ALGEBRA, SEVEN_DIGITS};
use ohmsplit_tests::design::{Design, Front, core_state, drives};
use ohmsplit_tests::nodal::{Network, Stack};
use ohmsplit_tests::reference::formulas::{in_situ_un, in_situ_us, two_readings, without_meter};
use ohmsplit_tests::reference::{Circuit, Drive, Leak, State};

/// A battery, the resistor that is inserted, and what the sheet says.
struct Sheet {
    vb: f64,
    rp: f64,
    rn: f64,
    ro: f64,
    v1: f64,
    v2: f64,
    /// On the side of the higher voltage.
    with_ro: f64,
    ri: f64,
    digits: Bound,
}

/// Check values: first and its mirror, FMVSS example, limit edges.
fn sheets() -> Vec<Sheet> {
    let sheet = |vb, rp, rn, ro, v: [f64; 3], ri, digits| Sheet {
        vb,
        rp,
        rn,
        ro,
        v1: v[0],
        v2: v[1],
        with_ro: v[2],
        ri,
        digits,
    };
    vec![
        sheet(
            400.0,
            100e3,
            300e3,
            200e3,
            [300.0, 100.0, 218.181_818_18],
            100e3,
            SEVEN_DIGITS,
        ),
        sheet(
            400.0,
            300e3,
            100e3,
            200e3,
            [100.0, 300.0, 218.181_818_18],
            100e3,
            SEVEN_DIGITS,
        ),
        sheet(
            800.0,
            2e6,
            1e6,
            400e3,
            [266.666_7, 533.333_3, 200.0],
            1e6,
            SEVEN_DIGITS,
        ),
        sheet(
            350.0,
            35e3,
            70e3,
            35e3,
            [233.333_3, 116.666_7, 140.0],
            35e3,
            SEVEN_DIGITS,
        ),
        sheet(
            96.0,
            9.6e3,
            1e6,
            48e3,
            [95.087_163, 0.912_837, 79.365_079],
            9.6e3,
            SEVEN_DIGITS,
        ),
    ]
}

impl Sheet {
    /// True when Ro goes between the negative rail and the chassis.
    fn on_negative(&self) -> bool {
        self.v1 >= self.v2
    }

    /// The state of a pair of switched resistors that inserts Ro there.
    fn inserted(&self) -> State {
        if self.on_negative() {
            State::Lower
        } else {
            State::Raise
        }
    }

    /// Ro on a switch on either side, ideal meters.
    fn design(&self) -> Design {
        let drive = Drive::SwitchedResistors {
            positive: self.ro,
            negative: self.ro,
        };
        Design {
            cycle: vec![State::Rest, self.inserted()],
            ..Design::new(drive, self.vb, 28)
        }
    }

    fn leak(&self) -> Leak {
        Leak::of_rails(self.rp, self.rn)
    }

    /// The plant with this leak.
    fn plant(&self, config: &Config) -> Plant {
        let world = World {
            leaks: vec![PlantLeak {
                positive_ohm: Some(self.rp),
                negative_ohm: Some(self.rn),
                ..PlantLeak::default()
            }],
            capacitance: Capacitance {
                positive_uf: 1e-3,
                negative_uf: 1e-3,
            },
            ..World::default()
        };
        Plant::new(config, &world).expect("a world that suits the monitor")
    }
}

/// (V1, V2) of the plant after two seconds in a state.
fn voltages(plant: &mut Plant, state: State) -> (f64, f64) {
    let mut instant = plant.step(core_state(state));
    for _ in 0..2000 {
        instant = plant.step(core_state(state));
    }
    (instant.chassis_v, instant.pack_v - instant.chassis_v)
}

#[test]
fn the_plant_reproduces_the_procedure_in_both_wordings() {
    for sheet in sheets() {
        let config = sheet.design().config();
        let mut plant = sheet.plant(&config);
        let (v1, v2) = voltages(&mut plant, State::Rest);
        let (v1_with, v2_with) = voltages(&mut plant, sheet.inserted());
        sheet.digits.relative(v1, sheet.v1, "V1");
        sheet.digits.relative(v2, sheet.v2, "V2");
        let (v, other, with) = if sheet.on_negative() {
            (v1, v2, v1_with)
        } else {
            (v2, v1, v2_with)
        };
        sheet
            .digits
            .relative(with, sheet.with_ro, "the voltage with Ro");
        let un = in_situ_un(sheet.ro, v1 + v2, v, with);
        let us = in_situ_us(sheet.ro, v, other, with);
        SAME_ALGEBRA.relative(un, us, "UN form against US form");
        SEVEN_DIGITS.relative(un, sheet.ri, "Ri");
        SEVEN_DIGITS.relative(un, sheet.leak().weakest(), "Ri is the weaker rail");
    }
}

#[test]
fn the_core_gives_the_procedures_figure_from_the_procedures_own_states() {
    for sheet in sheets() {
        let design = sheet.design();
        let config = design.config();
        let mut plant = sheet.plant(&config);
        let lead = Lead::Recorded {
            half_period: 1.0,
            order: vec![State::Rest, sheet.inserted()],
        };
        let reports =
            ohmsplit_tests::bench::run_codes(&config, 1000.0, 6.0, &lead, |state, _, _| {
                plant.step(core_state(state)).sample.codes
            });
        let (kind, figures) = last(&reports).expect("an estimate");
        assert_eq!(kind, Kind::Figure);
        ISOLATION.relative(figures.weakest, sheet.ri, "weakest rail");
        ISOLATION.relative(
            figures.isolation,
            sheet.leak().isolation(),
            "both in parallel",
        );
    }
}

#[test]
fn the_core_gives_the_procedures_figure_with_every_drive() {
    for sheet in sheets() {
        for drive in drives() {
            let circuit = Circuit::new(sheet.leak(), 1e-7, drive);
            let config = Design::new(drive, sheet.vb, 24).config();
            let reports =
                Bench::new(circuit, sheet.vb).run(&config, 500.0, 6.0, &Lead::alternating(1.0));
            let (_, figures) = last(&reports).expect("an estimate");
            ISOLATION.relative(figures.weakest, sheet.ri, format!("{drive:?}"));
        }
    }
}

/// A pack of 96 cells with a resistor from each rail, by nodal analysis.
fn battery(network: &mut Network, sheet: [f64; 3]) -> (Stack, usize) {
    let [vb, rp, rn] = sheet;
    let stack = Stack::new(network, &[vb / 96.0; 96]);
    let chassis = network.node();
    network.resistor(stack.positive(), chassis, rp);
    network.resistor(chassis, 0, rn);
    (stack, chassis)
}

/// Chassis voltage with extra resistors to P and to N.
fn chassis(sheet: [f64; 3], to_positive: &[f64], to_negative: &[f64]) -> f64 {
    let mut network = Network::default();
    let (stack, chassis) = battery(&mut network, sheet);
    for &ohm in to_positive {
        network.resistor(stack.positive(), chassis, ohm);
    }
    for &ohm in to_negative {
        network.resistor(chassis, 0, ohm);
    }
    network.solve()[chassis]
}

/// 400 V, 2 MΩ and 3 MΩ, Ro 200 kΩ, voltmeter of 10 MΩ (READ: UN R100).
const LOADED: [f64; 3] = [400.0, 2e6, 3e6];
const RO: f64 = 200e3;
const METER: f64 = 10e6;

#[test]
fn one_meter_moved_from_rail_to_rail_leaves_the_un_form_exact() {
    let v1 = chassis(LOADED, &[], &[METER]);
    let v2 = 400.0 - chassis(LOADED, &[METER], &[]);
    let with = chassis(LOADED, &[], &[METER, RO]);
    SEVEN_DIGITS.relative(v1, 214.285_714, "V1");
    SEVEN_DIGITS.relative(v2, 142.857_143, "V2");
    SEVEN_DIGITS.relative(with, 33.707_865, "V1 with Ro");
    SAME_ALGEBRA.relative(in_situ_un(RO, 400.0, v1, with), 2e6, "UN form");
    let us = in_situ_us(RO, v1, v2, with);
    SAME_ALGEBRA.relative(us / 2e6, (v1 + v2) / 400.0, "US form, low by (V1 + V2)/Vb");
    SEVEN_DIGITS.relative(us, 1_785_714.3, "US form");
    // The textbook test without a resistor, from the same two readings.
    let (positive, negative) = two_readings(METER, 400.0, v2, v1);
    SAME_ALGEBRA.relative(positive, 2e6, "R+");
    SAME_ALGEBRA.relative(negative, 3e6, "R-");
}

#[test]
fn two_meters_at_once_are_permanent_dividers_and_the_core_takes_them_off() {
    let v1 = chassis(LOADED, &[METER], &[METER]);
    let with = chassis(LOADED, &[METER], &[METER, RO]);
    SEVEN_DIGITS.relative(v1, 232.258_065, "V1");
    SEVEN_DIGITS.relative(400.0 - v1, 167.741_935, "V2");
    SEVEN_DIGITS.relative(with, 39.779_006, "V1 with Ro");
    SEVEN_DIGITS.relative(400.0 - with, 360.220_994, "V2 with Ro");
    let raw = in_situ_un(RO, 400.0, v1, with);
    SEVEN_DIGITS.relative(raw, 1_666_666.7, "Rp in parallel with the meter");
    SAME_ALGEBRA.relative(without_meter(raw, METER), 2e6, "meter taken off");
    // The same two meters as the core's measuring dividers.
    let design = Design {
        front: Front::RailPair,
        divider: Some(METER),
        cycle: vec![State::Rest, State::Lower],
        ..Design::new(
            Drive::SwitchedResistors {
                positive: RO,
                negative: RO,
            },
            400.0,
            24,
        )
    };
    let lead = Lead::Recorded {
        half_period: 1.0,
        order: vec![State::Rest, State::Lower],
    };
    let reports =
        ohmsplit_tests::bench::run_volts(&design.config(), 500.0, 6.0, &lead, |state, _, _| {
            [if state == State::Rest { v1 } else { with }, 400.0]
        });
    let (_, figures) = last(&reports).expect("an estimate");
    ISOLATION.relative(figures.weakest, 2e6, "weakest rail");
}

#[test]
fn a_rounded_reading_moves_the_result_as_the_sheet_says() {
    // V1' rounded to 218.1818 gives 100,000.031 Ω; 0.1 V more gives -0.168 %
    // and 0.4 V -0.671 %; law dRi/Ri = -(1 + Ro/(Rp ‖ Rn))·dV1'/V1'.
    let exact = 2400.0 / 11.0;
    let ri = |with: f64| in_situ_un(200e3, 400.0, 300.0, with);
    assert!((ri(218.1818) - 100_000.031).abs() < 1e-3);
    for (more, percent) in [(0.1, -0.168), (0.4, -0.671)] {
        let change = 100.0 * (ri(exact + more) / 1e5 - 1.0);
        assert!((change - percent).abs() < 5e-4, "{change}");
        let law = -(1.0 + 200e3 / 75e3) * more / exact * 100.0;
        assert!((change / law - 1.0).abs() < 3e-3, "{change} {law}");
    }
}

/// The verdict on settled readings of one circuit.
fn verdict(vb: f64, rp: f64, rn: f64, judged: Judged) -> (Verdict, Figures) {
    let drive = drives()[0];
    let design = Design {
        judged,
        ..Design::new(drive, vb, 24)
    };
    let circuit = Circuit::new(Leak::of_rails(rp, rn), 1e-8, drive);
    let reports =
        Bench::new(circuit, vb).run(&design.config(), 500.0, 8.0, &Lead::alternating(1.0));
    let figures = last(&reports).expect("an estimate").1;
    (reports.last().expect("a report").verdict, figures)
}

#[test]
fn the_two_figures_can_give_opposite_verdicts_and_the_designer_chooses() {
    // 100 kΩ at 400 V is 250 Ω/V: passes 100, fails 500 (UN R100 5.1.3.1).
    let (first, _) = verdict(400.0, 100e3, 300e3, Judged::WeakestRail);
    assert_eq!(first, Verdict::Warning);
    // 36 kΩ and 70 kΩ at 350 V: the weaker rail has 102.9 Ω/V, both together 67.9.
    let (weakest, figures) = verdict(350.0, 36e3, 70e3, Judged::WeakestRail);
    let (parallel, _) = verdict(350.0, 36e3, 70e3, Judged::BothInParallel);
    assert_eq!((weakest, parallel), (Verdict::Warning, Verdict::Alarm));
    FOUR_DIGITS.relative(figures.weakest / 350.0, 102.857, "Ω/V of the weaker rail");
    FOUR_DIGITS.relative(figures.isolation / 350.0, 67.925, "Ω/V of both in parallel");
    // Exactly on the limit of 100.0 Ω/V counts as reached.
    let (edge, _) = verdict(350.0, 35e3, 70e3, Judged::WeakestRail);
    assert_eq!(edge, Verdict::Alarm);
}
