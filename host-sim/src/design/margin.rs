//! What the proposal means against published limits.
//!
//! Each figure is quoted as a check value with its source; "read" means that
//! the text itself was seen, and everything else is from memory, not verified.
//! A margin is no claim of conformity.

use super::answer::COVERAGE;
use super::budget::worst;
use super::emit::{number, si};
use super::rank::{Rated, burden};
use super::sheet::Sheet;
use super::trial::WAITED_S;
use crate::network::{DriveKind, JudgedWord};

/// Whether a quoted figure was seen in its source.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Seen {
    /// The text itself was read.
    Read,
    /// From memory, not verified.
    Memory,
}

impl Seen {
    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Read => "read",
            Self::Memory => "from memory, not verified",
        }
    }
}

/// One limit and what the proposal makes of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Margin {
    /// Where the limit stands.
    pub source: &'static str,
    /// Whether it was seen there.
    pub seen: Seen,
    /// What it says.
    pub limit: String,
    /// What the proposal does.
    pub design: String,
    /// How many times better than the limit; 1 is just there.
    pub times: f64,
}

impl Margin {
    fn new(source: &'static str, seen: Seen, limit: &str, design: String, times: f64) -> Self {
        Self {
            source,
            seen,
            limit: limit.to_owned(),
            design,
            times,
        }
    }
}

/// What is guaranteed of the weaker rail and of both in parallel, in ohms per
/// volt, while the verdict is healthy: the judged interval lies above the warning
/// limit, and the parallel figure is between half of the weaker rail and all of it.
#[must_use]
pub fn guaranteed(sheet: &Sheet) -> [f64; 2] {
    let warning = sheet.limits.warning_ohm_per_v;
    match sheet.limits.judged {
        JudgedWord::WeakestRail => [warning, warning / 2.0],
        JudgedWord::BothInParallel => [warning, warning],
    }
}

/// Every limit that the proposal is held against; `noticed_s` is how long a
/// leak of half of the warning limit took to the warning.
#[must_use]
pub fn margins(sheet: &Sheet, rated: &Rated, noticed_s: f64) -> Vec<Margin> {
    let mut all = isolation(sheet);
    all.extend(function_tests(sheet, rated));
    all.extend(monitoring_device(sheet, rated, noticed_s));
    all.extend(shock(sheet, rated));
    all
}

/// Limits of the isolation resistance: source, seen, Ω/V of the weaker rail, and what else it says.
const ISOLATION: [(&str, Seen, f64, &str); 6] = [
    (
        "UN R100 5.1.3.1, DC bus apart from AC",
        Seen::Read,
        100.0,
        "",
    ),
    (
        "UN R100 5.1.3.2, DC and AC connected",
        Seen::Read,
        500.0,
        " (100 with double insulation or robust protection of the AC side)",
    ),
    ("49 CFR 571.305 S5.3, DC source", Seen::Memory, 100.0, ""),
    ("49 CFR 571.305 S5.3, AC source", Seen::Memory, 500.0, ""),
    ("ISO 6469-3, DC", Seen::Memory, 100.0, ""),
    (
        "ISO 6469-3, AC, or DC and AC combined",
        Seen::Memory,
        500.0,
        "",
    ),
];

fn isolation(sheet: &Sheet) -> Vec<Margin> {
    let [weaker, parallel] = guaranteed(sheet);
    let above = |have: f64| format!("healthy only above {} Ω/V", number(have));
    let mut all: Vec<Margin> = ISOLATION
        .into_iter()
        .map(|(source, seen, limit, note)| {
            let says = format!("weaker rail at least {limit} Ω/V{note}");
            Margin::new(source, seen, &says, above(weaker), weaker / limit)
        })
        .collect();
    all.push(Margin::new(
        "IEC 62485-2, stationary battery",
        Seen::Memory,
        "100 Ω/V (10 mA); which figure is meant was not seen, both in parallel is the stricter",
        above(parallel),
        parallel / 100.0,
    ));
    all
}

/// Tests that the warning must pass.
fn function_tests(sheet: &Sheet, rated: &Rated) -> [Margin; 2] {
    let [weaker, _] = guaranteed(sheet);
    // The interval is judged: a warning can come up to its width before the limit.
    let before = weaker * (1.0 + 2.0 * COVERAGE * rated.warning.u_percent() / 100.0);
    let sure = format!("for sure at {} Ω/V", number(weaker));
    [
        Margin::new(
            "UN R100 Annex 6, function test",
            Seen::Read,
            "the warning comes while isolation is still at or above 100 Ω/V",
            format!("{sure}; not before {before:.0} Ω/V"),
            weaker / 100.0,
        ),
        Margin::new(
            "49 CFR 571.305 S8, function test",
            Seen::Memory,
            "the warning comes with a total of 95 to 100 Ω/V",
            sure,
            weaker / 100.0,
        ),
    ]
}

/// IEC 61557-8, all from memory, not verified.
fn monitoring_device(sheet: &Sheet, rated: &Rated, noticed_s: f64) -> Vec<Margin> {
    let limit = sheet.limits.warning_ohm_per_v;
    // It is about the total to earth.
    let mut total = sheet.clone();
    total.limits.judged = JudgedWord::BothInParallel;
    let ohm = limit * sheet.working_v();
    let response = COVERAGE * worst(&total, &rated.candidate, &rated.monitor, ohm).u_percent();
    let across = burden(&rated.monitor, JudgedWord::BothInParallel);
    let per_volt = across / sheet.working_v();
    let current = rated.current_a * 1e3;
    let of = |source, says, design, times| Margin::new(source, Seen::Memory, says, design, times);
    let mut all = vec![
        of(
            "IEC 61557-8, relative uncertainty of the response value",
            "±15 % of both in parallel",
            format!(
                "±{response:.2} % (95 %) at {} Ω/V, both in parallel",
                number(limit)
            ),
            15.0 / response,
        ),
        of(
            "IEC 61557-8, response time in DC systems",
            "100 s, from no fault to half of the response value, 1 µF",
            format!(
                "{} at {} µF, in the simulated plant",
                waited(noticed_s),
                sheet.pack.capacitance_max_uf
            ),
            100.0 / noticed_s,
        ),
        of(
            "IEC 61557-8, peak measuring current",
            "10 mA",
            format!("{current:.3} mA"),
            10.0 / current,
        ),
        of(
            "IEC 61557-8, internal DC resistance",
            "30 Ω/V, and 1.8 kΩ",
            format!("{}, {per_volt:.0} Ω/V", si(across, "Ω")),
            (per_volt / 30.0).min(across / 1800.0),
        ),
    ];
    let drive = &rated.candidate.drive;
    if drive.kind != DriveKind::SwitchedResistors {
        all.push(of(
            "IEC 61557-8, peak measuring voltage",
            "120 V",
            format!("{} V", number(drive.volts)),
            120.0 / drive.volts,
        ));
    }
    all
}

/// A time to the warning in words.
pub(super) fn waited(noticed_s: f64) -> String {
    if noticed_s.is_finite() {
        format!("{noticed_s:.2} s")
    } else {
        format!("not within {WAITED_S} s")
    }
}

/// Limits of what a person or a spark gets.
fn shock(sheet: &Sheet, rated: &Rated) -> [Margin; 4] {
    let volts = sheet.pack.voltage_max_v;
    let current = rated.current_a * 1e3;
    let [weaker, _] = guaranteed(sheet);
    let touch = volts / (weaker * sheet.working_v()) * 1e3;
    let energy = Energy::of(sheet);
    [
        Margin::new(
            "IEC 60335-1 8.1.4, protective impedance (household appliances: for comparison)",
            Seen::Read,
            "2 mA DC to an accessible part",
            format!("the monitor's own current {current:.3} mA"),
            2.0 / current,
        ),
        Margin::new(
            "IEC 60479-1, DC-1",
            Seen::Memory,
            "2 mA: felt at most",
            format!(
                "touch current {touch:.3} mA through the leak at the warning limit, {} V",
                number(volts)
            ),
            2.0 / touch,
        ),
        Margin::new(
            "UN GTR 13 and 20, low-energy option",
            Seen::Memory,
            "0.2 J between rails and chassis",
            format!("at most {}", si(energy.at_rail_j, "J")),
            0.2 / energy.at_rail_j,
        ),
        charge(sheet),
    ]
}

/// The capacitance that may be touched behind a protective impedance.
fn charge(sheet: &Sheet) -> Margin {
    let volts = sheet.pack.voltage_max_v;
    let farads = sheet.capacitance_f();
    let (limit, design, times) = if volts > 450.0 {
        let coulombs = farads * volts;
        ("45 µC, above 450 V", si(coulombs, "C"), 45e-6 / coulombs)
    } else {
        ("0.1 µF, to 450 V", si(farads, "F"), 0.1e-6 / farads)
    };
    Margin::new(
        "IEC 60335-1 8.1.4, capacitance (household appliances: for comparison)",
        Seen::Read,
        limit,
        format!("{design} of the pack itself"),
        times,
    )
}

/// Energy in the capacitance to the chassis at the highest pack voltage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Energy {
    /// The chassis at a rail: all of C charged to Vb, 1/2 C V².
    pub at_rail_j: f64,
    /// The chassis centred, half of C to either rail, each charged to Vb/2.
    pub centred_j: f64,
    /// Capacitance that would hold 0.2 J with the chassis at a rail, in farads.
    pub for_limit_f: f64,
}

impl Energy {
    /// Of a sheet's pack. The rails' capacitors are in parallel at the chassis,
    /// and at a rail the one of the other rail alone is charged: at most all.
    #[must_use]
    pub fn of(sheet: &Sheet) -> Self {
        let volts = sheet.pack.voltage_max_v;
        let farads = sheet.capacitance_f();
        Self {
            at_rail_j: 0.5 * farads * volts.powi(2),
            centred_j: 0.5 * farads * (volts / 2.0).powi(2),
            for_limit_f: 0.4 / volts.powi(2),
        }
    }
}

/// The resistor of a function test: inserted between a rail and the chassis of
/// a pack with isolation `ohm` to that rail, it brings the total to `per_volt`.
#[must_use]
pub fn inserted_ohm(working_v: f64, per_volt: f64, ohm: f64) -> f64 {
    1.0 / (1.0 / (per_volt * working_v) - 1.0 / ohm)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::design::sheet::EXAMPLE;
    use crate::document::Document;

    #[test]
    fn function_test_resistors_are_those_of_571_305_s8() {
        // Check values, section 11, example 6 (form from memory; algebra exact).
        for (volts, ohm, low, high) in [
            (400.0, 2e6, 38_735.98, 40_816.33),
            (800.0, 4e6, 77_471.97, 81_632.65),
            (350.0, 5e5, 35_618.64, 37_634.41),
        ] {
            assert!((inserted_ohm(volts, 95.0, ohm) - low).abs() < 0.01);
            assert!((inserted_ohm(volts, 100.0, ohm) - high).abs() < 0.01);
        }
    }

    #[test]
    fn stored_energy_is_that_of_the_worked_examples() {
        // Check values, sections 2 and 11, example 8: E = 1/2 C V² (read).
        let mut sheet = Sheet::parse(&Document::embedded("e", EXAMPLE)).expect("sheet");
        for (volts, micro) in [(400.0, 2.5), (800.0, 0.625), (1500.0, 0.177_778)] {
            sheet.pack.voltage_max_v = volts;
            sheet.pack.capacitance_max_uf = micro;
            let energy = Energy::of(&sheet);
            assert!((energy.at_rail_j - 0.2).abs() < 1e-5);
            assert!((energy.for_limit_f * 1e6 / micro - 1.0).abs() < 1e-5);
        }
        // Cy1 = Cy2 = 0.47 µF at 800 V, centred: 0.0752 J.
        sheet.pack.voltage_max_v = 800.0;
        sheet.pack.capacitance_max_uf = 0.94;
        assert!((Energy::of(&sheet).centred_j - 0.0752).abs() < 1e-9);
    }

    #[test]
    fn what_is_guaranteed_in_the_other_figure_is_the_worst_split() {
        let mut sheet = Sheet::parse(&Document::embedded("e", EXAMPLE)).expect("sheet");
        // A symmetric leak has half of the weaker rail in parallel; a leak to
        // one rail alone has the same in both figures (derived).
        sheet.limits.judged = JudgedWord::WeakestRail;
        assert_eq!(guaranteed(&sheet), [500.0, 250.0]);
        sheet.limits.judged = JudgedWord::BothInParallel;
        assert_eq!(guaranteed(&sheet), [500.0, 500.0]);
    }
}
