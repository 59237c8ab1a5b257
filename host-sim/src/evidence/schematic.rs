//! The circuit as the network document declares it, drawn: pack, rails,
//! chassis, the leak and the capacitance that were found, permanent resistors,
//! dividers, and the drive as it is. Symbols follow IEC 60617.

mod symbols;

use maud::{Markup, html};
use ohmsplit::Kind;

use symbols::{Symbol, Weight};

use super::timeline::n;
use crate::network::{ChannelPart, DriveKind, FixedPart, FrontEndKind, NetworkFile, Rail};
use crate::output::{Figures, Resistance, si};

/// Heights of the positive rail, the chassis and the negative rail.
const P: f64 = 74.0;
const E: f64 = 264.0;
const N: f64 = 454.0;
/// Width of a column.
const COLUMN: f64 = 144.0;
/// Where the pack stands, and where the chassis begins.
const PACK: f64 = 46.0;
const CHASSIS: f64 = 112.0;

/// A part in a chain.
struct Part {
    symbol: Symbol,
    name: String,
    value: String,
}

impl Part {
    fn new(symbol: Symbol, name: &str, value: impl Into<String>) -> Self {
        Self {
            symbol,
            name: name.to_owned(),
            value: value.into(),
        }
    }
}

/// A column: what hangs between P and E, and between E and N; or, without the
/// chassis, between P and N.
#[derive(Default)]
struct Column {
    title: &'static str,
    upper: Vec<Part>,
    lower: Vec<Part>,
    through: Vec<Part>,
    /// What is said below the title of a column that is estimated, not declared.
    found: Option<String>,
}

/// The schematic of a network, with the figures at the end of the run if there are any.
pub(super) fn schematic(network: &NetworkFile, figures: Option<&Figures>) -> Markup {
    let columns = columns(network, figures);
    let through = columns
        .iter()
        .filter(|column| !column.through.is_empty())
        .count() as f64;
    let start = CHASSIS + COLUMN * through;
    let width = CHASSIS + COLUMN * columns.len() as f64 + 54.0;
    let end = width - 44.0;
    html! {
        svg class="schematic" viewBox=(format!("0 0 {} 496", n(width))) role="img"
            aria-labelledby="schematic-title schematic-desc" style=(format!("max-width:{}px", n(width * 1.15))) {
            title id="schematic-title" { "Schematic of the monitored circuit" }
            desc id="schematic-desc" { (in_words(&columns)) }
            path class="wire rail" d=(format!("M{PACK} {P}H{}M{PACK} {N}H{}", n(end), n(end))) {}
            path class="wire chassis-line" d=(format!("M{} {E}H{}", n(start + 12.0), n(end))) {}
            text class="node" x=(n(end)) y=(P - 10.0) text-anchor="end" { "P  positive rail" }
            text class="node" x=(n(end)) y=(N + 22.0) text-anchor="end" { "N  negative rail" }
            text class="node" x=(n(end + 6.0)) y=(E - 10.0) text-anchor="middle" { "E" }
            (symbols::chassis(end, E))
            (symbols::pack(PACK, P, N))
            text class="value" x=(PACK + 20.0) y=(E - 4.0) { "pack" }
            text class="value" x=(PACK + 20.0) y=(E + 12.0) { (si(network.pack.working_voltage_v, "V")) }
            @for (place, column) in columns.iter().enumerate() {
                (draw(column, CHASSIS + COLUMN * (place as f64 + 0.22)))
            }
        }
    }
}

/// The drawing in one sentence a column, for those who cannot see it.
fn in_words(columns: &[Column]) -> String {
    let list = |parts: &[Part]| {
        let words = parts.iter().map(|part| {
            format!("{} {}", part.name, part.value)
                .trim_end()
                .to_owned()
        });
        words.collect::<Vec<_>>().join(", ")
    };
    let mut text =
        String::from("The pack lies between the rails P and N; the chassis E touches neither.");
    for column in columns {
        for (parts, between) in [
            (&column.upper, "between P and E"),
            (&column.lower, "between E and N"),
            (&column.through, "between P and N"),
        ] {
            if !parts.is_empty() {
                text += &format!(" {}, {between}: {}.", column.title, list(parts).trim_end());
            }
        }
    }
    text
}

fn columns(network: &NetworkFile, figures: Option<&Figures>) -> Vec<Column> {
    let front_end = &network.front_end;
    let [first, second] = front_end.channels();
    let mut all = Vec::new();
    if front_end.kind == FrontEndKind::ChassisAndPack {
        all.push(Column {
            title: "Pack reading",
            through: channel(&second, "pack channel"),
            ..Column::default()
        });
    }
    all.push(leak(figures));
    all.push(capacitance(figures));
    all.extend(permanent(network));
    let (upper, lower) = match front_end.kind {
        FrontEndKind::ChassisAndPack => (Vec::new(), channel(&first, "chassis channel")),
        FrontEndKind::RailPair => (
            channel(&first, "positive channel"),
            channel(&second, "negative channel"),
        ),
    };
    all.push(Column {
        title: if upper.is_empty() {
            "Chassis reading"
        } else {
            "Rail readings"
        },
        upper,
        lower,
        ..Column::default()
    });
    all.push(drive(network));
    all.extend(network.drive.check_resistor.as_ref().map(check));
    all
}

fn check(part: &FixedPart) -> Column {
    let switch = Part::new(Symbol::Switch, "closed in", "check");
    let resistor = Part::new(Symbol::Resistor, "Rt", si(part.resistance_ohm, "Ω"));
    let title = "Check resistor";
    match part.to {
        Rail::Positive => Column {
            title,
            upper: vec![switch, resistor],
            ..Column::default()
        },
        Rail::Negative => Column {
            title,
            lower: vec![resistor, switch],
            ..Column::default()
        },
    }
}

fn leak(figures: Option<&Figures>) -> Column {
    let value = |of: fn(&Figures) -> &Resistance| {
        figures.map_or_else(|| "no figure".to_owned(), |f| short(f.kind, of(f)))
    };
    Column {
        title: "Leak, as found",
        upper: vec![Part::new(Symbol::Resistor, "Rp", value(|f| &f.positive))],
        lower: vec![Part::new(Symbol::Resistor, "Rn", value(|f| &f.negative))],
        found: Some("estimated".to_owned()),
        ..Column::default()
    }
}

/// A resistance in so few words that they fit beside a part.
fn short(kind: Kind, of: &Resistance) -> String {
    match (kind, of.value, of.high) {
        (_, Some(value), _) => si(value, "Ω"),
        (Kind::Short, None, Some(high)) => format!("< {}", si(high, "Ω")),
        (Kind::Short, None, None) => "not known".to_owned(),
        _ => format!("> {}", si(of.low, "Ω")),
    }
}

fn capacitance(figures: Option<&Figures>) -> Column {
    let found = match figures.and_then(|figures| figures.capacitance_f) {
        Some([c, _]) => format!("Cp + Cn: {}", si(c, "F")),
        None => "not found".to_owned(),
    };
    Column {
        title: "Y-capacitors",
        upper: vec![Part::new(Symbol::Capacitor, "Cp", "")],
        lower: vec![Part::new(Symbol::Capacitor, "Cn", "")],
        found: Some(found),
        ..Column::default()
    }
}

/// Permanent resistors, one to each rail in a column.
fn permanent(network: &NetworkFile) -> Vec<Column> {
    let mut columns: Vec<Column> = Vec::new();
    for (place, part) in network.permanent.iter().enumerate() {
        let drawn = Part::new(
            Symbol::Resistor,
            &format!("R{}", place + 1),
            si(part.resistance_ohm, "Ω"),
        );
        let free = columns.iter().position(|column| match part.to {
            Rail::Positive => column.upper.is_empty(),
            Rail::Negative => column.lower.is_empty(),
        });
        let at = free.unwrap_or(columns.len());
        if free.is_none() {
            columns.push(Column {
                title: "Permanent",
                ..Column::default()
            });
        }
        match part.to {
            Rail::Positive => columns[at].upper.push(drawn),
            Rail::Negative => columns[at].lower.push(drawn),
        }
    }
    columns
}

/// A divider with its converter, or a meter that draws no current.
fn channel(part: &ChannelPart, name: &str) -> Vec<Part> {
    let converter = match part.converter_bits {
        Some(bits) => format!("{bits} bit"),
        None => "volts".to_owned(),
    };
    match part.divider_ohm() {
        Some((top, bottom)) => vec![
            Part::new(Symbol::Resistor, "top", si(top, "Ω")),
            Part::new(Symbol::Tap, name, converter),
            Part::new(Symbol::Resistor, "bottom", si(bottom, "Ω")),
        ],
        None => vec![Part::new(
            Symbol::Meter,
            name,
            format!("{converter}, no load"),
        )],
    }
}

fn drive(network: &NetworkFile) -> Column {
    let drive = &network.drive;
    let ohm = |value: Option<f64>| value.map_or_else(String::new, |ohm| si(ohm, "Ω"));
    let amplitude = drive
        .amplitude_v
        .map_or_else(String::new, |u| format!("±{}", si(u, "V")));
    let series = || Part::new(Symbol::Resistor, "Rc", ohm(drive.series_resistance_ohm));
    match drive.kind {
        DriveKind::SourceToNegative => Column {
            title: "Drive: source to N",
            lower: vec![series(), Part::new(Symbol::Source, "U", amplitude)],
            ..Column::default()
        },
        DriveKind::SourceToBothRails => Column {
            title: "Drive: source to both",
            upper: vec![Part::new(Symbol::Source, "U", amplitude.clone()), series()],
            lower: vec![series(), Part::new(Symbol::Source, "U", amplitude)],
            ..Column::default()
        },
        DriveKind::SwitchedResistors => Column {
            title: "Drive: switched",
            upper: vec![
                Part::new(Symbol::Switch, "closed in", "raise"),
                Part::new(Symbol::Resistor, "Ra", ohm(drive.positive_resistance_ohm)),
            ],
            lower: vec![
                Part::new(Symbol::Resistor, "Rb", ohm(drive.negative_resistance_ohm)),
                Part::new(Symbol::Switch, "closed in", "lower"),
            ],
            ..Column::default()
        },
        DriveKind::LogicSource => {
            let level = |value: Option<f64>| value.map_or_else(String::new, |v| format!("{v}"));
            let levels = format!("{} / {} V", level(drive.low_v), level(drive.high_v));
            Column {
                title: "Drive: logic levels",
                lower: vec![series(), Part::new(Symbol::Levels, "low / high", levels)],
                ..Column::default()
            }
        }
    }
}

fn draw(column: &Column, x: f64) -> Markup {
    let weight = match column.found {
        Some(_) => Weight::Found,
        None => Weight::Declared,
    };
    html! {
        g {
            text class="title" x=(n(x - 12.0)) y="22" { (column.title) }
            @if let Some(found) = &column.found { text class="name" x=(n(x - 12.0)) y="38" { (found) } }
            (chain(&column.upper, x, [P, E], weight))
            (chain(&column.lower, x, [E, N], weight))
            (chain(&column.through, x, [P, N], weight))
        }
    }
}

/// Parts one below the other, with wires between them.
fn chain(parts: &[Part], x: f64, [top, bottom]: [f64; 2], weight: Weight) -> Markup {
    let step = (bottom - top) / (parts.len() as f64 + 1.0);
    let middle = |place: usize| top + step * (place as f64 + 1.0);
    let ends = parts.iter().enumerate().map(|(place, part)| {
        let half = part.symbol.half_height();
        (middle(place) - half, middle(place) + half)
    });
    let mut from = top;
    let mut wires = String::new();
    for (above, below) in ends {
        wires += &format!("M{} {}V{}", n(x), n(from), n(above));
        from = below;
    }
    wires += &format!("M{} {}V{}", n(x), n(from), n(bottom));
    html! {
        @if !parts.is_empty() {
            path class="wire" d=(wires) {}
            circle class="joint" cx=(n(x)) cy=(n(top)) r="3" {}
            circle class="joint" cx=(n(x)) cy=(n(bottom)) r="3" {}
            @for (place, part) in parts.iter().enumerate() {
                (part.symbol.draw(x, middle(place), weight))
                text class="name" x=(n(x + part.symbol.label_at())) y=(n(middle(place) - 3.0)) { (part.name) }
                text class="value" x=(n(x + part.symbol.label_at())) y=(n(middle(place) + 12.0)) { (part.value) }
            }
        }
    }
}

#[cfg(test)]
mod tests;
