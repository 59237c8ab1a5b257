//! The design calculation against what was not written for it: nodal analysis
//! of every single resistor, `ngspice`, the compilers that firmware is built
//! with, and the core measuring the designed network in the plant.

mod design_support;

use design_support::{SHEET, compile_c, compile_rust, rated, sheet, with};
use ohmsplit::config::Drive;
use ohmsplit::diagnose::Finding;
use ohmsplit_host::design::Proposal;
use ohmsplit_host::design::budget::{budget, monte_carlo};
use ohmsplit_host::design::candidate::{Candidate, DriveChoice};
use ohmsplit_host::design::chain::Ratings;
use ohmsplit_host::design::check::{CheckChoice, shown};
use ohmsplit_host::design::circuit::Leak;
use ohmsplit_host::design::emit::{FILES, content};
use ohmsplit_host::design::rank::{Rated, limits_ohm};
use ohmsplit_host::design::sheet::Sheet;
use ohmsplit_host::design::trial::{RUNS, scenario, trial};
use ohmsplit_host::document::Document;
use ohmsplit_host::network::{DriveKind, JudgedWord, NetworkFile, Rail, Readings};
use ohmsplit_host::rig::MonitorKind;
use ohmsplit_host::scenario::Scenario;
use ohmsplit_host::simulate;
use ohmsplit_tests::nodal::{Network, Node};

/// One proposal for each kind of drive, of ordinary strength.
fn proposals(sheet: &Sheet) -> Vec<Rated> {
    DriveChoice::permitted(sheet)
        .into_iter()
        .map(|drive| {
            let ohm = if drive.kind == DriveKind::LogicSource {
                2e5
            } else {
                1e6
            };
            rated(sheet, drive, ohm)
        })
        .collect()
}

/// The chains of a proposal, resistor by resistor, around a battery and a leak.
struct Built {
    network: Network,
    chassis: Node,
    pin: Node,
    /// Both ends of each resistor, and its resistance.
    resistors: Vec<(Node, Node, f64)>,
}

impl Built {
    /// In a drive state, with resistors of the leak in ohms.
    fn new(candidate: &Candidate, drive: Drive, pack_v: f64, [rp, rn]: [f64; 2]) -> Self {
        let mut network = Network::default();
        let positive = network.node();
        network.source(positive, 0, pack_v);
        let chassis = network.node();
        network.resistor(positive, chassis, rp);
        network.resistor(chassis, 0, rn);
        let mut built = Self {
            network,
            chassis,
            pin: 0,
            resistors: Vec::new(),
        };
        let top = candidate.chassis.top;
        // To N: the bias of the pin shifts codes, and is taken off by zero_code.
        built.pin = built.network.node();
        built.chain(chassis, built.pin, top.count, top.each_ohm);
        built
            .network
            .resistor(built.pin, 0, candidate.chassis.bottom_ohm);
        built.push(candidate, drive, positive);
        built
    }

    /// What the drive connects in its state; in the check a logic output is low.
    fn push(&mut self, candidate: &Candidate, drive: Drive, positive: Node) {
        let raise = drive == Drive::Raise;
        let check = drive == Drive::Check;
        let u = candidate.drive.volts;
        let sign = if raise { u } else { -u };
        match candidate.drive.kind {
            DriveKind::LogicSource => {
                let level = self.raised(0, if raise { u } else { 0.0 });
                self.drive(candidate, level);
            }
            _ if check => {}
            DriveKind::SwitchedResistors => {
                let rail = if raise { positive } else { 0 };
                self.drive(candidate, rail);
            }
            DriveKind::SourceToNegative => {
                let level = self.raised(0, sign);
                self.drive(candidate, level);
            }
            DriveKind::SourceToBothRails => {
                for rail in [0, positive] {
                    let level = self.raised(rail, sign);
                    self.drive(candidate, level);
                }
            }
        }
        if check {
            let CheckChoice { rail, chain } = candidate.check.expect("a check resistor");
            let from = if rail == Rail::Positive { positive } else { 0 };
            self.chain(from, self.chassis, chain.count, chain.each_ohm);
        }
    }

    /// A node held above another.
    fn raised(&mut self, rail: Node, volts: f64) -> Node {
        let node = self.network.node();
        self.network.source(node, rail, volts);
        node
    }

    fn drive(&mut self, candidate: &Candidate, from: Node) {
        let chain = candidate.chain;
        self.chain(from, self.chassis, chain.count, chain.each_ohm);
    }

    fn chain(&mut self, from: Node, to: Node, count: u32, each: f64) {
        let mut last = from;
        for n in 1..=count {
            let next = if n == count { to } else { self.network.node() };
            self.network.resistor(last, next, each);
            self.resistors.push((last, next, each));
            last = next;
        }
    }
}

#[test]
fn settled_voltages_are_those_of_nodal_analysis_for_every_drive() {
    let sheet = sheet(SHEET);
    for one in proposals(&sheet) {
        for drive in one.monitor.states() {
            for [rp, rn] in [[2e5, 1e15], [4e4, 4e4], [1e15, 4e4], [5e6, 3e6]] {
                let built = Built::new(&one.candidate, drive, 350.0, [rp, rn]);
                let volts = built.network.solve();
                let leak = Leak {
                    positive: 1.0 / rp,
                    negative: 1.0 / rn,
                };
                let exact = one.monitor.without_errors();
                let v = one.monitor.settled(drive, leak, 350.0, &exact);
                let words = one.candidate.drive.words();
                // The core's fixed point keeps conductances to 2^-32 µS.
                let want = volts[built.chassis];
                assert!((v - want).abs() < 2e-4, "{words}: {v} {want}");
                // And the pin sees what the channel says of it.
                let seen = volts[built.pin] * one.candidate.chassis.scale();
                assert!((seen - want).abs() < 1e-6, "{words}: {seen}");
            }
        }
    }
}

#[test]
fn no_resistor_exceeds_its_ratings_and_no_current_the_stated_one() {
    let sheet = sheet(SHEET);
    let ratings = Ratings::of(&sheet.resistor);
    let most = sheet.pack.voltage_max_v;
    for one in proposals(&sheet) {
        let mut largest = 0f64;
        for drive in one.monitor.states() {
            // A hard short to either rail, for ever.
            for leak in [[1e-3, 1e15], [1e15, 1e-3]] {
                let built = Built::new(&one.candidate, drive, most, leak);
                let volts = built.network.solve();
                for &(a, b, ohm) in &built.resistors {
                    let across = (volts[a] - volts[b]).abs();
                    assert!(across <= ratings.used_volts * (1.0 + 1e-9), "{across} V");
                    assert!(across.powi(2) / ohm <= ratings.used_watts * (1.0 + 1e-9));
                }
                // All that reaches the chassis comes back through the leak.
                let [rp, rn] = leak;
                let v = volts[built.chassis];
                largest = largest.max(((most - v) / rp - v / rn).abs());
            }
        }
        let stated = one.current_a;
        let words = one.candidate.drive.words();
        // The short's microvolts are computed from differences of 400 V.
        assert!(
            (largest / stated - 1.0).abs() < 1e-3,
            "{words}: {largest} {stated}"
        );
    }
}

/// The design of `SHEET` with switched chains of 4 x 301 kΩ and a divider of
/// 4 x 5.49 MΩ and 237 kΩ, solved by ngspice 39 (`.op`, two netlists):
///
/// ```text
/// Vpack p 0 270 / Rp p e 200k / Ra p e 1.204meg / Rtop e t 21.96meg / Rbot t 0 237k
/// Vpack p 0 270 / Rp p e 200k / Rb e 0 1.204meg / Rtop e t 21.96meg / Rbot t 0 237k
/// ```
const NGSPICE: [f64; 2] = [267.929_781_985_2, 229.763_146_374_8];

#[test]
fn the_settled_voltages_are_those_of_ngspice() {
    let sheet = sheet(&with(SHEET, "every 10 cycles", "never"));
    let choice = DriveChoice {
        kind: DriveKind::SwitchedResistors,
        volts: 0.0,
    };
    let mut one = rated(&sheet, choice, 1.2e6);
    one.candidate.chassis.bottom_ohm = 237e3;
    let one = Rated::new(&sheet, one.candidate).expect("accepted");
    assert_eq!(one.candidate.chain.ohm(), 1.204e6);
    assert_eq!(one.candidate.chassis.load_ohm(), 22.197e6);
    let leak = Leak::judged(JudgedWord::WeakestRail, 200e3, 1.0);
    let exact = one.monitor.without_errors();
    for (drive, want) in one.monitor.cycle().into_iter().zip(NGSPICE) {
        let v = one.monitor.settled(drive, leak, 270.0, &exact);
        assert!((v - want).abs() < 2e-4, "{drive:?}: {v} {want}");
    }
    // The burden by hand: lower has 1.204 MΩ and 22.197 MΩ to N.
    let burden = 1.0 / (1.0 / 1.204e6 + 1.0 / 22.197e6);
    assert!((one.burden_ohm / burden - 1.0).abs() < 1e-6);
}

#[test]
fn monte_carlo_spreads_as_the_budget_says_and_never_beyond_the_worst_case() {
    let sheet = sheet(SHEET);
    for one in proposals(&sheet) {
        for found in [&one.warning, &one.alarm] {
            let spread = monte_carlo(&sheet, &one.candidate, &one.monitor, found, 20_000, 7);
            // The standard error of a deviation is 0.5 % (normal law); the law
            // here is flatter, and not quite linear.
            let ratio = spread.deviation / found.u_percent();
            let words = one.candidate.drive.words();
            assert!((ratio - 1.0).abs() < 0.03, "{words}: {ratio}");
            let worst = found.worst_percent() * 1.05;
            assert!(
                spread.range[0] > -worst && spread.range[1] < worst,
                "{spread:?}"
            );
            for (line, alone) in found.lines.iter().zip(&spread.by_part) {
                let ratio = alone / line.u_percent();
                assert!((ratio - 1.0).abs() < 0.03, "{}: {ratio}", line.part);
            }
            // All parts are drawn, and the wrong way now and then.
            assert!(spread.range[1] > 1.5 * found.u_percent(), "{spread:?}");
        }
    }
}

/// Relative standard uncertainty, in percent, that the core states of the
/// judged conductance, from settled readings of perfect parts without noise.
fn stated_percent(sheet: &Sheet, one: &Rated, x: f64) -> f64 {
    let ohm = limits_ohm(sheet)[0];
    let leak = Leak::judged(sheet.limits.judged, ohm, x);
    let text = scenario(
        sheet,
        &one.candidate,
        ["budget", ""],
        (20.0, 1, sheet.pack.voltage_min_v),
        &[(0.0, 1.0 / leak.positive, 1.0 / leak.negative)],
    );
    let text = text.replace("draw = true", "draw = false");
    let mut scenario = Scenario::parse(&Document::embedded("s", &text)).expect("scenario");
    scenario.network.monitor = MonitorKind::Settled;
    let mut found = None;
    simulate::run(
        &scenario,
        |_| (),
        |event| {
            if let Ok(estimate) = event.report.estimate {
                let g = if x > 0.5 {
                    estimate.positive_conductance
                } else {
                    estimate.negative_conductance
                };
                let number = |g: ohmsplit::units::Microsiemens| g.get().to_num::<f64>();
                found = Some(number(g.u) / number(g.value) * 100.0);
            }
        },
    )
    .expect("runs");
    found.expect("an estimate")
}

#[test]
fn the_core_states_the_uncertainty_that_was_budgeted() {
    let quiet = with(SHEET, "noise_codes = 1.5", "noise_codes = 0.3");
    let quiet = with(
        &quiet,
        "noise_at_terminals_V = 0.02",
        "noise_at_terminals_V = 0.0",
    );
    let quiet = with(&quiet, "bits = 16", "bits = 24");
    let sheet = sheet(&quiet);
    for one in proposals(&sheet) {
        if one.candidate.drive.kind == DriveKind::SourceToBothRails {
            // The core takes its two resistors as one part, the budget as two.
            continue;
        }
        for x in [0.0, 1.0] {
            let case = [limits_ohm(&sheet)[0], x, sheet.pack.voltage_min_v];
            let budgeted = budget(&sheet, &one.candidate, &one.monitor, case).u_percent();
            let stated = stated_percent(&sheet, &one, x);
            let words = one.candidate.drive.words();
            assert!(
                (stated / budgeted - 1.0).abs() < 0.02,
                "{words} x {x}: {stated} {budgeted}"
            );
        }
    }
}

#[test]
fn measured_with_parts_that_are_off_the_error_stays_within_what_was_predicted() {
    let sheet = sheet(SHEET);
    for one in proposals(&sheet) {
        for found in [&one.warning, &one.alarm] {
            let runs = trial(&sheet, &one, found, 11).expect("runs");
            let words = one.candidate.drive.words();
            assert_eq!(runs.len() as u32, RUNS, "{words}");
            // Worst case of the parts; the record of ten seconds adds noise.
            let noise = runs
                .iter()
                .map(|run| (run.interval_percent[1] - run.interval_percent[0]) / 2.0)
                .fold(0.0, f64::max);
            let worst = found.worst_percent() + noise;
            assert!(
                runs.iter().all(|run| run.error_percent.abs() <= worst),
                "{words}: {worst} {runs:?}"
            );
            // 95 % intervals: fewer than 33 of 40 would come by chance once in 20,000.
            let holding = runs.iter().filter(|run| run.holds()).count();
            assert!(holding >= 33, "{words}: {holding} of {RUNS}");
        }
    }
}

#[test]
fn the_answer_comes_soon_after_the_bound() {
    let sheet = sheet(SHEET);
    for one in proposals(&sheet) {
        let limits = [&one.warning, &one.alarm];
        let slowest = limits
            .into_iter()
            .flat_map(|found| trial(&sheet, &one, found, 5).expect("runs"))
            .map(|run| run.answered_s.unwrap_or(f64::INFINITY))
            .fold(0.0, f64::max);
        let words = one.candidate.drive.words();
        // Twice the bound in time is 1.4 times its deviation; one dwell more.
        let most = 2.0 * one.answer_s + one.candidate.timing.dwell_min_s;
        assert!(
            slowest <= most,
            "{words}: {slowest} s, bound {}",
            one.answer_s
        );
    }
}

/// Whether the core, in the plant, ever finds a part contradicted that is off by `percent`.
fn contradicted(sheet: &Sheet, one: &Rated, fault: &str, percent: f64) -> bool {
    let leak = Leak::judged(sheet.limits.judged, limits_ohm(sheet)[0], 0.5);
    let text = scenario(
        sheet,
        &one.candidate,
        ["check", ""],
        (60.0, 1, sheet.working_v()),
        &[(0.0, 1.0 / leak.positive, 1.0 / leak.negative)],
    );
    let text = text.replace("draw = true", "draw = false")
        + &format!(
            "\n[[fault]]\nfrom_s = 0.0\nwhat = {{ {fault}, change_percent = {percent:?} }}\n"
        );
    let scenario = Scenario::parse(&Document::embedded("s", &text)).expect("scenario");
    let mut found = false;
    simulate::run(
        &scenario,
        |_| (),
        |event| found |= event.report.findings.contains(Finding::StatesContradict),
    )
    .expect("runs");
    found
}

#[test]
fn the_core_contradicts_what_is_off_from_the_stated_deviation_on() {
    let sheet = sheet(&with(SHEET, "every 10 cycles", "every 1 cycles"));
    let mut kinds = Vec::new();
    for one in proposals(&sheet) {
        let words = one.candidate.drive.words();
        // What does not do all that is wanted gets none.
        if one.candidate.check.is_none() {
            continue;
        }
        kinds.push(one.candidate.drive.kind);
        let (part, fault) = match one.candidate.drive.kind {
            DriveKind::SwitchedResistors => (
                "drive resistor to P",
                "kind = \"drive_drift\", drive = \"raise\"",
            ),
            DriveKind::SourceToBothRails => (
                "drive resistors, alike",
                "kind = \"drive_drift\", drive = \"raise\"",
            ),
            DriveKind::SourceToNegative | DriveKind::LogicSource => {
                ("source voltage", "kind = \"source_drift\"")
            }
        };
        let all = shown(&sheet, &one.candidate, &one.monitor);
        let (_, [_, leaking]) = all.iter().find(|(name, _)| name == part).expect(part);
        for sign in [1.0, -1.0] {
            let percent = sign * leaking.off * 100.0;
            assert!(
                contradicted(&sheet, &one, fault, 1.4 * percent),
                "{words} {percent}"
            );
            assert!(
                !contradicted(&sheet, &one, fault, 0.6 * percent),
                "{words} {percent}"
            );
        }
    }
    kinds.dedup();
    assert_eq!(kinds.len(), 3, "{kinds:?}");
}

/// A design for each kind of drive and both front ends, none of them ranked.
fn designs() -> Vec<(String, Proposal)> {
    let mut all = Vec::new();
    for front_end in ["chassis_and_pack", "rail_pair"] {
        let text = with(SHEET, "\"chassis_and_pack\"", &format!("\"{front_end}\""));
        // A voltage that is no whole number of volts.
        let text = with(&text, "source_V = [24.0, 48.0]", "source_V = [36.3]");
        let sheet = sheet(&text);
        for one in proposals(&sheet) {
            let name = format!("{front_end}_{}", one.candidate.drive.kind.word());
            let spread = monte_carlo(&sheet, &one.candidate, &one.monitor, &one.warning, 10, 1);
            let proposal = Proposal {
                sheet: sheet.clone(),
                ranking: vec![one],
                chosen: 0,
                spread,
                runs: [Vec::new(), Vec::new()],
                noticed_s: 1.0,
                seed: 1,
            };
            all.push((name, proposal));
        }
    }
    all
}

#[test]
fn the_configurations_compile_and_are_the_network() {
    let mut rust = Vec::new();
    for (name, proposal) in designs() {
        let files = content(&proposal, "ohmsplit design").expect("files");
        let file = |wanted: &str| {
            let place = FILES.iter().position(|name| *name == wanted);
            &files[place.expect("a file of the design")]
        };
        let network = Document::embedded("network.toml", file("network.toml"));
        let network = NetworkFile::parse(&network).expect("accepted");
        let config = network.config(Readings::Codes).expect("accepted");
        Scenario::parse(&Document::embedded("s", file("scenario.toml"))).expect("accepted");
        compile_c(&name, file("ohmsplit_config.c"));
        rust.push((
            name,
            file("ohmsplit_config.rs").clone(),
            format!("{config:?}"),
        ));
    }
    compile_rust(&rust);
}
