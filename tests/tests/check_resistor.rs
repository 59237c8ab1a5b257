//! The check resistor in closed loop with the plant, on every drive and both
//! monitors: it shows a common scale of the drive and what is wrong with itself, and
//! finds nothing where parts are within their tolerances.
//!
//! What is true comes from the plant, whose settled voltages are held against nodal
//! analysis in its own tests.

use ohmsplit::{Finding, Findings};
use ohmsplit_host::document::Document;
use ohmsplit_host::scenario::Scenario;
use ohmsplit_host::simulate;

/// Drive, working voltage and the span of the converters.
const DRIVES: [(&str, f64, f64); 4] = [
    (
        "kind = \"source_to_negative\"\namplitude_V = 40.0\nseries_resistance_ohm = 1.0e6\n\
         check_resistor = { to = \"negative\", resistance_ohm = 300.0e3, tolerance_percent = 0.1 }",
        400.0,
        20.48,
    ),
    (
        "kind = \"source_to_both_rails\"\namplitude_V = 40.0\nseries_resistance_ohm = 1.0e6\n\
         check_resistor = { to = \"positive\", resistance_ohm = 820.0e3, tolerance_percent = 0.1 }",
        400.0,
        20.48,
    ),
    (
        "kind = \"switched_resistors\"\npositive_resistance_ohm = 1.0e6\nnegative_resistance_ohm = 1.0e6\n\
         check_resistor = { to = \"positive\", resistance_ohm = 500.0e3, tolerance_percent = 0.1 }",
        400.0,
        20.48,
    ),
    (
        "kind = \"logic_source\"\nlow_V = 0.0\nhigh_V = 3.3\nseries_resistance_ohm = 1.0e5\n\
         check_resistor = { to = \"positive\", resistance_ohm = 60.0e3, tolerance_percent = 0.1 }",
        60.0,
        2.56,
    ),
];

/// What is found at the end of 16 s.
fn found(drive: (&str, f64, f64), monitor: &str, ohm: f64, seed: u64, fault: &str) -> Findings {
    let (drive, volts, span) = drive;
    let channel = format!(
        "divider_top_ohm = 9.9e6\ndivider_bottom_ohm = 100.0e3\nconverter_bits = 16\n\
         converter_full_scale_V = {span}\nzero_code = 32768\ngain_tolerance_percent = 0.1\n"
    );
    let text = format!(
        "format = \"ohmsplit-scenario-1\"\nname = \"n\"\ndescription = \"d\"\nseed = {seed}\n\
         duration_s = 16.0\nsample_rate_Hz = 1000.0\n\
         [network]\nmonitor = \"{monitor}\"\n[network.pack]\nworking_voltage_V = {volts:.1}\n\
         [network.drive]\n{drive}\nresistance_tolerance_percent = 0.1\namplitude_tolerance_percent = 0.1\n\
         [network.front_end]\nkind = \"chassis_and_pack\"\n\
         [network.front_end.chassis]\n{channel}[network.front_end.pack]\n{channel}\
         [network.timing]\ndwell_max_s = 1.0\ncapacitance_max_uF = 20.0\ncheck = \"every 1 cycles\"\n\
         [[leak]]\nfrom_s = 0.0\nresistance_ohm = {ohm:.1}\nposition = 0.5\n\
         [capacitance]\npositive_uF = 0.02\nnegative_uF = 0.02\n\
         [disturbance]\nnoise_chassis_V = 0.02\nnoise_pack_V = 0.02\n\
         [parts]\ndraw = true\n{fault}"
    );
    let scenario = Scenario::parse(&Document::embedded("check", &text)).expect("sound");
    let mut findings = Findings::NONE;
    let on_event = |event: &ohmsplit_host::rig::Event| findings = event.report.findings;
    simulate::run(&scenario, |_| (), on_event).expect("a run");
    findings
}

const MONITORS: [&str; 2] = ["swift", "settled"];

#[test]
fn parts_within_their_tolerances_are_no_finding() {
    for drive in DRIVES {
        for monitor in MONITORS {
            for (seed, ohm) in [(1, 50e3), (2, 1e6), (3, 10e6)] {
                let found = found(drive, monitor, ohm, seed, "");
                assert!(found.is_empty(), "{drive:?} {monitor} {ohm}: {found:?}");
            }
        }
    }
}

#[test]
fn a_scale_that_is_off_and_a_resistor_that_is_not_there_contradict_the_check() {
    for drive in DRIVES {
        for monitor in MONITORS {
            for what in [
                "kind = \"drive_drift\", drive = \"raise\", change_percent = 30.0",
                "kind = \"source_drift\", change_percent = -30.0",
                "kind = \"reference_drift\", channel = \"first\", change_percent = -20.0",
                "kind = \"switch_open\", drive = \"check\"",
                "kind = \"switch_closed\", drive = \"check\"",
            ] {
                if drive.0.contains("switched") && what.contains("source") {
                    continue;
                }
                let fault = format!("[[fault]]\nfrom_s = 6.3\nwhat = {{ {what} }}\n");
                let found = found(drive, monitor, 300e3, 1, &fault);
                let told = found.contains(Finding::StatesContradict);
                assert!(told, "{drive:?} {monitor} {what}: {found:?}");
            }
        }
    }
}
