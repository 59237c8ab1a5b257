//! Faults of the measuring circuit against the nodal solution written out.

use ohmsplit::config::Drive;

use super::*;
use crate::scenario::{Cause, Driven, Fault, Leak, Which};

/// A leak of 1 megohm at 0.3, and a fault from 1 s to 3 s.
fn world(what: Cause) -> World {
    World {
        leaks: vec![Leak::at(1e6, 0.3)],
        capacitance: micro(0.02, 0.02),
        faults: vec![Fault {
            until_s: Some(3.0),
            ..Fault::from(1.0, what)
        }],
        ..World::default()
    }
}

/// Settled chassis voltage before, during and after the fault.
fn chassis(config: &Config, world: &World, drive: Drive) -> [f64; 3] {
    let mut plant = plant(config, world);
    [0.99, 2.0, 2.0].map(|seconds| hold(&mut plant, drive, seconds).chassis_v)
}

/// v of 400 V, the leak, a bleed of 20 megohm to the negative rail, and what else
/// hangs on the chassis: conductance in siemens, current in amperes.
fn nodal(conductance: f64, current: f64) -> f64 {
    (0.3e-6 * 400.0 + current) / (1e-6 + 1.0 / 20e6 + conductance)
}

fn close(found: [f64; 3], [sound, faulty]: [f64; 2]) {
    for (found, expected) in found.into_iter().zip([sound, faulty, sound]) {
        assert!((found - expected).abs() < 1e-6, "{found} {expected}");
    }
}

#[test]
fn an_open_switch_leaves_the_drive_at_rest() {
    let drives = drives();
    let what = Cause::SwitchOpen {
        drive: Driven::Raise,
    };
    let found = chassis(&drives[2], &world(what), Drive::Raise);
    let raised = (0.3e-6 * 400.0 + 400.0 / 0.5e6) / (1e-6 + 1.0 / 20e6 + 1.0 / 0.5e6);
    close(found, [raised, nodal(0.0, 0.0)]);
    let other = chassis(&drives[2], &world(what), Drive::Lower);
    close(other, [nodal(1.0 / 0.7e6, 0.0); 2]);
}

#[test]
fn a_closed_switch_drives_in_every_state() {
    let what = Cause::SwitchClosed {
        drive: Driven::Lower,
    };
    let found = chassis(&drives()[2], &world(what), Drive::Rest);
    close(found, [nodal(0.0, 0.0), nodal(1.0 / 0.7e6, 0.0)]);
}

#[test]
fn a_source_that_drifts_or_turns_round_pushes_another_current() {
    let config = &drives()[0];
    let push = |volts: f64| nodal(1e-6, volts / 1e6);
    let drift = Cause::SourceDrift {
        change_percent: 10.0,
    };
    close(
        chassis(config, &world(drift), Drive::Raise),
        [push(40.0), push(44.0)],
    );
    let reversed = Cause::PolarityReversed;
    close(
        chassis(config, &world(reversed), Drive::Raise),
        [push(40.0), push(-40.0)],
    );
    let missing = Cause::StimulusMissing;
    close(
        chassis(config, &world(missing), Drive::Raise),
        [push(40.0), push(0.0)],
    );
}

/// The other monitor's square wave: +60 V first, −60 V in its second half.
#[test]
fn another_monitor_pushes_to_and_fro() {
    let world = world(Cause::OtherMonitor {
        amplitude_v: 60.0,
        series_ohm: 2e6,
        period_s: 2.0,
    });
    let mut plant = plant(&drives()[0], &world);
    let volts = [0.99, 1.0, 1.0, 1.0].map(|s| hold(&mut plant, Drive::Rest, s).chassis_v);
    let alone = nodal(0.0, 0.0);
    let [up, down] = [60.0, -60.0].map(|u| nodal(0.5e-6, u / 2e6));
    for (found, expected) in volts.into_iter().zip([alone, up, down, alone]) {
        assert!((found - expected).abs() < 1e-6, "{found} {expected}");
    }
}

/// Conducts a quarter while the chassis is below the place of the leak.
#[test]
fn a_leak_that_rectifies_depends_on_polarity() {
    let world = world(Cause::LeakRectifies {
        reverse_percent: 25.0,
    });
    let config = &drives()[0];
    let raised = chassis(config, &world, Drive::Raise);
    let lowered = chassis(config, &world, Drive::Lower);
    let node = |share: f64, volts: f64| {
        let leak = share * 1e-6;
        (0.3 * leak * 400.0 + volts / 1e6) / (leak + 1.0 / 20e6 + 1e-6)
    };
    let below = |volts: f64| node(1.0, volts) < 120.0;
    for (found, volts) in [(raised, 40.0), (lowered, -40.0)] {
        let faulty = if below(volts) { 0.25 } else { 1.0 };
        close(found, [node(1.0, volts), node(faulty, volts)]);
    }
}

/// Faults of the readings: the circuit goes on as before.
#[test]
fn faults_of_the_converter_change_codes_only() {
    let sound = World {
        faults: Vec::new(),
        ..world(Cause::DriveOpen)
    };
    let channel = Which::First;
    let code_in_mid = |world: &World| {
        let mut plant = plant(&drives()[0], world);
        let before = hold(&mut plant, Drive::Raise, 0.99).sample.codes;
        let during = hold(&mut plant, Drive::Lower, 1.0);
        assert_eq!(before[1], during.sample.codes[1]);
        (before[0], during.sample.codes[0], during.chassis_v)
    };
    let (_, code, volts) = code_in_mid(&sound);
    let with = |what| {
        let (before, faulty, chassis_v) = code_in_mid(&world(what));
        assert_eq!(chassis_v, volts);
        (before, faulty)
    };
    assert_eq!(with(Cause::DeadBit { channel, bit: 5 }).1, code & !(1 << 5));
    assert_eq!(with(Cause::ConverterSaturated { channel }).1, i32::MAX);
    let (before, stuck) = with(Cause::ConverterStuck { channel });
    // The drive changed ten samples before: it stays on the way down.
    assert!(code < stuck && stuck < before, "{before} {stuck} {code}");
    // A code is a microvolt here.
    let offset = Cause::Offset {
        channel,
        offset_v: 2.0,
    };
    assert_eq!(with(offset).1, code + 2_000_000);
    let drift = Cause::ReferenceDrift {
        channel,
        change_percent: 5.0,
    };
    let expected = f64::from(code) * 1.05;
    assert!((f64::from(with(drift).1) - expected).abs() < 2.0);
}

/// 1/(0.5 megohm) to the positive rail in the check state alone.
#[test]
fn the_check_resistor_is_open_closed_or_off_as_the_fault_says() {
    let known = Element::check_resistor(Ohms::from_int(500_000), Landing::Positive);
    let bleed = Element::permanent(Ohms::from_int(20_000_000), Landing::Negative);
    let config = config(&[Element::source_to_negative(FORTY, MEG), bleed, known]);
    let (rest, checked) = (nodal(0.0, 0.0), nodal(2e-6, 2e-6 * 400.0));
    let drive = Driven::Check;
    let open = world(Cause::SwitchOpen { drive });
    close(chassis(&config, &open, Drive::Check), [checked, rest]);
    close(chassis(&config, &open, Drive::Rest), [rest; 2]);
    let closed = world(Cause::SwitchClosed { drive });
    close(chassis(&config, &closed, Drive::Rest), [rest, checked]);
    let raised = nodal(1e-6, 40e-6);
    let both = nodal(3e-6, 40e-6 + 2e-6 * 400.0);
    close(chassis(&config, &closed, Drive::Raise), [raised, both]);
    let off = world(Cause::DriveDrift {
        drive,
        change_percent: 25.0,
    });
    let less = nodal(1.6e-6, 1.6e-6 * 400.0);
    close(chassis(&config, &off, Drive::Check), [checked, less]);
    close(chassis(&config, &off, Drive::Raise), [raised; 2]);
    // A fault of the drive is none of the resistor.
    let silent = world(Cause::DriveOpen);
    close(chassis(&config, &silent, Drive::Check), [checked; 2]);
}
