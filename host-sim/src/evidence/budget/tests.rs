use super::*;
use crate::document::Document;

fn network(tolerances: [f64; 4]) -> NetworkFile {
    let [amplitude, resistance, chassis, pack] = tolerances;
    let text = format!(
        "format = \"ohmsplit-network-1\"\npack.working_voltage_V = 400\n\
         [drive]\nkind = \"source_to_negative\"\namplitude_V = 40\nseries_resistance_ohm = 1e6\n\
         amplitude_tolerance_percent = {amplitude}\nresistance_tolerance_percent = {resistance}\n\
         [limits]\njudged = \"both_in_parallel\"\n[front_end]\nkind = \"chassis_and_pack\"\n\
         [front_end.chassis]\ngain_tolerance_percent = {chassis}\n[front_end.pack]\ngain_tolerance_percent = {pack}\n"
    );
    NetworkFile::parse(&Document::embedded("n", &text)).expect("a sound network")
}

/// What the core says of 1 MΩ at 0.3 in a settled circuit, without noise.
fn estimate(network: &NetworkFile) -> Estimate {
    let config = network.config(Readings::Volts).expect("config");
    let scenario = Scenario {
        name: String::new(),
        description: String::new(),
        duration_s: DURATION_S,
        half_period_s: Some(1.0),
        network: NetworkFile {
            monitor: MonitorKind::Settled,
            ..network.clone()
        },
        config,
        world: World {
            leaks: vec![Leak::at(1e6, 0.3)],
            capacitance: Capacitance {
                positive_uf: 1e-3,
                negative_uf: 1e-3,
            },
            ..World::default()
        },
    };
    let mut outcome = Outcome::default();
    simulate::run(&scenario, |_| (), |event| outcome.take(event)).expect("a sound run");
    *outcome.answer().expect("an estimate")
}

fn budget(tolerances: [f64; 4]) -> Budget {
    let network = network(tolerances);
    Budget::of(&network, Judged::BothInParallel, &estimate(&network)).expect("a budget")
}

#[test]
fn shares_are_those_of_the_closed_law() {
    // Two states of ±U give G + g = (2·U/Rc)/Δv. So a relative error ε of U or
    // of the gain of v moves G by ε·(G + g), and one of Rc, which moves the
    // pushed current and g, by ε·G; Vb stands still and drops out (algebra).
    let (g, leak) = (1e-6, 1e-6);
    let of = |percent: f64| percent / 100.0 / 3f64.sqrt();
    let found = budget([0.1, 0.2, 0.3, 0.4]);
    let want = [
        of(0.1) * (leak + g),
        of(0.2) * leak,
        of(0.3) * (leak + g),
        0.0,
    ];
    assert_eq!(found.shares.len(), 4);
    for (share, want) in found.shares.iter().zip(want) {
        let off = (share.u_s - want).abs();
        assert!(off < 0.01 * want.max(1e-11), "{share:?}: {want}");
    }
}

#[test]
fn squares_of_all_shares_are_the_square_of_what_the_core_reports() {
    let found = budget([0.1, 0.2, 0.3, 0.4]);
    let sum: f64 = found.shares.iter().map(|share| share.u_s.powi(2)).sum();
    // Without noise the record adds next to nothing.
    assert!(
        (sum.sqrt() / found.reported_u_s - 1.0).abs() < 0.002,
        "{found:?}"
    );
    assert!(found.record_u_s < 0.07 * found.reported_u_s, "{found:?}");
}

#[test]
fn only_declared_tolerances_have_a_share() {
    let found = budget([0.0, 0.0, 0.5, 0.0]);
    assert_eq!(found.shares.len(), 1, "{found:?}");
    assert_eq!(found.shares[0].declared, "±0.5 %");
    assert!(found.shares[0].source.contains("chassis"));
}
