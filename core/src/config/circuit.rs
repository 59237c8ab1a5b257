//! The monitor's own circuit as data: every part that hangs on the chassis
//! node, and what each does in each drive state.
//!
//! Firmware, simulator and replay share this table, so that none of them can
//! disagree about what a drive state means.

use heapless::Vec;

use crate::units::{Microamps, Microsiemens, Ohms, Ratio, Volts};

/// Drive state. The drive is the perturbation of the chassis-to-battery
/// voltage; every kind of drive has the first three, and one with a check
/// resistor the fourth.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[repr(u8)]
pub enum Drive {
    /// Nothing pushed: sources and switches open (a logic source: its low level).
    #[default]
    Rest = 0,
    /// Pushes the chassis up, towards the positive rail.
    Raise = 1,
    /// Pushes the chassis down, towards the negative rail.
    Lower = 2,
    /// As [`Drive::Rest`], and the check resistor connected; see
    /// [`Element::check_resistor`].
    Check = 3,
}

impl Drive {
    /// All states, in order of their index.
    pub const ALL: [Self; 4] = [Self::Rest, Self::Raise, Self::Lower, Self::Check];

    /// Place in a table of four.
    #[must_use]
    pub const fn index(self) -> usize {
        self as usize
    }

    /// The word used in captures and reports.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Rest => "rest",
            Self::Raise => "raise",
            Self::Lower => "lower",
            Self::Check => "check",
        }
    }

    /// Place in a table of three, where the states that are not driven share one:
    /// a monitor uses one of them, see [`crate::config::Config::third`].
    pub(crate) const fn slot(self) -> usize {
        match self {
            Self::Rest | Self::Check => 0,
            Self::Raise => 1,
            Self::Lower => 2,
        }
    }

    /// The element of such a table that belongs to this state.
    pub(crate) const fn of<T: Copy>(self, table: &[T; 3]) -> T {
        let [third, raise, lower] = *table;
        match self {
            Self::Rest | Self::Check => third,
            Self::Raise => raise,
            Self::Lower => lower,
        }
    }
}

/// Where a part connects the chassis to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Landing {
    /// The negative rail.
    Negative,
    /// The positive rail.
    Positive,
    /// Both rails, one resistor of the given value to each.
    BothRails,
}

/// What a switched part does in one drive state.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Contact {
    /// The part is connected.
    pub closed: bool,
    /// Source voltage in series with it, positive when it pushes the chassis up.
    pub emf: Volts,
}

impl Contact {
    /// Not connected.
    pub const OPEN: Self = Self {
        closed: false,
        emf: Volts::ZERO,
    };
    /// Connected, no source.
    pub const CLOSED: Self = Self {
        closed: true,
        emf: Volts::ZERO,
    };

    /// Connected with a source in series.
    #[must_use]
    pub const fn at(emf: Volts) -> Self {
        Self { closed: true, emf }
    }
}

/// One part between the chassis and a rail: a drive resistor with or without
/// a source, a measuring divider, a bleed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Element {
    /// Resistance, more than zero.
    pub resistance: Ohms,
    /// The rail or rails it leads to.
    pub landing: Landing,
    /// What it does at rest, in raise and in lower; see [`Element::contact`].
    pub contacts: [Contact; 3],
    /// It is the check resistor: connected in [`Drive::Check`] and only then.
    /// Any other part does in that state what it does at rest.
    pub checks: bool,
    /// Relative standard uncertainty of the resistance.
    pub resistance_u: Ratio,
    /// Relative standard uncertainty of the source voltage.
    pub emf_u: Ratio,
}

impl Element {
    /// A part that stays connected: a divider or a bleed.
    #[must_use]
    pub const fn permanent(resistance: Ohms, landing: Landing) -> Self {
        Self::switched(resistance, landing, [Contact::CLOSED; 3])
    }

    /// A part with a contact for each drive state, in the order rest, raise, lower.
    #[must_use]
    pub const fn switched(resistance: Ohms, landing: Landing, contacts: [Contact; 3]) -> Self {
        Self {
            resistance,
            landing,
            contacts,
            checks: false,
            resistance_u: Ratio::ZERO,
            emf_u: Ratio::ZERO,
        }
    }

    /// The check resistor, from a rail to the chassis, with a switch of its own that
    /// closes in [`Drive::Check`] alone: (g, i) = (1/Rt, Vb/Rt) from the positive
    /// rail, (1/Rt, 0) from the negative. What is wrong with the drive's scale or a
    /// channel's gain contradicts it; see the documentation of [`crate::diagnose`].
    #[must_use]
    pub const fn check_resistor(resistance: Ohms, landing: Landing) -> Self {
        let mut part = Self::switched(resistance, landing, [Contact::OPEN; 3]);
        part.checks = true;
        part
    }

    /// With relative standard uncertainties of resistance and source voltage.
    /// A tolerance ±t that is a limit of error has u = t/√3 (rectangular
    /// distribution, JCGM 100:2008, 4.3.7; from memory, not verified).
    #[must_use]
    pub const fn with_uncertainty(mut self, resistance_u: Ratio, emf_u: Ratio) -> Self {
        self.resistance_u = resistance_u;
        self.emf_u = emf_u;
        self
    }

    /// A source of `+amplitude` (raise) or `-amplitude` (lower) through
    /// `series` to the negative rail: (g, i) = (1/Rc, ±U/Rc).
    #[must_use]
    pub const fn source_to_negative(amplitude: Volts, series: Ohms) -> Self {
        Self::bipolar(amplitude, series, Landing::Negative)
    }

    /// The same source through `series` to each rail:
    /// (g, i) = (2/Rc, (Vb ± 2U)/Rc).
    #[must_use]
    pub const fn source_to_both_rails(amplitude: Volts, series: Ohms) -> Self {
        Self::bipolar(amplitude, series, Landing::BothRails)
    }

    const fn bipolar(amplitude: Volts, series: Ohms, landing: Landing) -> Self {
        let down = Volts::ZERO.saturating_sub(amplitude);
        Self::switched(
            series,
            landing,
            [Contact::OPEN, Contact::at(amplitude), Contact::at(down)],
        )
    }

    /// A two-level logic source through `series` to the negative rail; rest
    /// and lower are the low level: (g, i) = (1/Rc, level/Rc).
    #[must_use]
    pub const fn logic_source(low: Volts, high: Volts, series: Ohms) -> Self {
        Self::switched(
            series,
            Landing::Negative,
            [Contact::at(low), Contact::at(high), Contact::at(low)],
        )
    }

    /// The resistor switched from the positive rail to the chassis in raise:
    /// (g, i) = (1/Ra, Vb/Ra).
    #[must_use]
    pub const fn switched_to_positive(resistance: Ohms) -> Self {
        Self::switched(
            resistance,
            Landing::Positive,
            [Contact::OPEN, Contact::CLOSED, Contact::OPEN],
        )
    }

    /// The resistor switched from the negative rail to the chassis in lower:
    /// (g, i) = (1/Rb, 0).
    #[must_use]
    pub const fn switched_to_negative(resistance: Ohms) -> Self {
        Self::switched(
            resistance,
            Landing::Negative,
            [Contact::OPEN, Contact::OPEN, Contact::CLOSED],
        )
    }

    /// What this part does in a drive state.
    #[must_use]
    pub const fn contact(&self, drive: Drive) -> Contact {
        match drive {
            Drive::Check if self.checks => Contact::CLOSED,
            _ => drive.of(&self.contacts),
        }
    }

    /// What this part adds to the row of `drive`.
    #[must_use]
    pub fn row(&self, drive: Drive) -> Row {
        let contact = self.contact(drive);
        if !contact.closed {
            return Row::default();
        }
        let one = Microsiemens::of(self.resistance);
        let pushed = one.at(contact.emf);
        match self.landing {
            Landing::Negative => Row {
                g: one,
                p: Microsiemens::ZERO,
                i: pushed,
            },
            Landing::Positive => Row {
                g: one,
                p: one,
                i: pushed,
            },
            Landing::BothRails => Row {
                g: one.saturating_add(one),
                p: one,
                i: pushed.saturating_add(pushed),
            },
        }
    }
}

/// One row of the drive table: what the monitor itself does to the chassis
/// node in a drive state. The current that it pushes into the chassis is
/// `i + p·Vb - g·v`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Row {
    /// All conductance hung on the chassis.
    pub g: Microsiemens,
    /// The part of it that leads to the positive rail.
    pub p: Microsiemens,
    /// Current pushed into the chassis at v = 0 and Vb = 0.
    pub i: Microamps,
}

impl Row {
    /// Current that the monitor pushes into the chassis at the given voltages.
    #[must_use]
    pub const fn current(&self, chassis: Volts, pack: Volts) -> Microamps {
        self.i
            .saturating_add(self.p.at(pack))
            .saturating_sub(self.g.at(chassis))
    }

    const fn plus(self, other: Self) -> Self {
        Self {
            g: self.g.saturating_add(other.g),
            p: self.p.saturating_add(other.p),
            i: self.i.saturating_add(other.i),
        }
    }
}

/// Most parts that one network may have.
pub const MAX_ELEMENTS: usize = 6;

/// The monitor's parts and the drive table that follows from them.
#[derive(Debug, Clone, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Network {
    elements: Vec<Element, MAX_ELEMENTS>,
    rows: [Row; 4],
}

impl Network {
    /// Derives the table; `None` when there are more than [`MAX_ELEMENTS`] parts.
    #[must_use]
    pub fn new(parts: &[Element]) -> Option<Self> {
        let elements = Vec::from_slice(parts).ok()?;
        let rows = Drive::ALL.map(|drive| {
            elements.iter().fold(Row::default(), |sum, part: &Element| {
                sum.plus(part.row(drive))
            })
        });
        Some(Self { elements, rows })
    }

    /// The parts.
    #[must_use]
    pub fn elements(&self) -> &[Element] {
        &self.elements
    }

    /// The row of a drive state.
    #[must_use]
    pub const fn row(&self, drive: Drive) -> Row {
        let [rest, raise, lower, check] = self.rows;
        match drive {
            Drive::Rest => rest,
            Drive::Raise => raise,
            Drive::Lower => lower,
            Drive::Check => check,
        }
    }

    /// A part is the check resistor.
    #[must_use]
    pub fn has_check_resistor(&self) -> bool {
        self.elements.iter().any(|part| part.checks)
    }

    /// What the switch of each part must do in a drive state, in the order of
    /// [`Network::elements`]. Open what must open before closing what must
    /// close.
    pub fn contacts(&self, drive: Drive) -> impl Iterator<Item = Contact> + '_ {
        self.elements.iter().map(move |part| part.contact(drive))
    }

    /// How much the pushed current differs between two drive states at the
    /// given voltages: the stimulus of a drive change.
    #[must_use]
    pub const fn stimulus(&self, from: Drive, to: Drive, chassis: Volts, pack: Volts) -> Microamps {
        let before = self.row(from).current(chassis, pack);
        self.row(to).current(chassis, pack).saturating_sub(before)
    }

    /// True when two drive states push the same at every voltage.
    pub(crate) fn same(&self, a: Drive, b: Drive) -> bool {
        self.row(a) == self.row(b)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MEG: Ohms = Ohms::from_int(1_000_000);
    const VB: Volts = Volts::from_int(400);

    fn amps(element: Element, drive: Drive) -> (f64, f64) {
        let row = Network::new(&[element]).expect("one part").row(drive);
        let g = row.g.get().to_num::<f64>();
        (g, row.current(Volts::ZERO, VB).get().to_num::<f64>())
    }

    #[test]
    fn rows_are_those_of_the_drive_table() {
        let u = Volts::from_int(40);
        let near = |got: (f64, f64), want: (f64, f64)| {
            assert!(
                (got.0 - want.0).abs() < 1e-8 && (got.1 - want.1).abs() < 1e-5,
                "{got:?} {want:?}"
            );
        };
        near(
            amps(Element::source_to_negative(u, MEG), Drive::Raise),
            (1.0, 40.0),
        );
        near(
            amps(Element::source_to_negative(u, MEG), Drive::Lower),
            (1.0, -40.0),
        );
        near(
            amps(Element::source_to_negative(u, MEG), Drive::Rest),
            (0.0, 0.0),
        );
        near(
            amps(Element::source_to_both_rails(u, MEG), Drive::Raise),
            (2.0, 480.0),
        );
        near(
            amps(Element::source_to_both_rails(u, MEG), Drive::Lower),
            (2.0, 320.0),
        );
        near(
            amps(Element::switched_to_positive(MEG), Drive::Raise),
            (1.0, 400.0),
        );
        near(
            amps(Element::switched_to_positive(MEG), Drive::Lower),
            (0.0, 0.0),
        );
        near(
            amps(Element::switched_to_negative(MEG), Drive::Lower),
            (1.0, 0.0),
        );
        let logic = Element::logic_source(Volts::ZERO, Volts::from_int(3), MEG);
        near(amps(logic, Drive::Lower), (1.0, 0.0));
        near(amps(logic, Drive::Raise), (1.0, 3.0));
        near(
            amps(Element::permanent(MEG, Landing::Negative), Drive::Rest),
            (1.0, 0.0),
        );
        near(
            amps(Element::permanent(MEG, Landing::Positive), Drive::Rest),
            (1.0, 400.0),
        );
    }

    #[test]
    fn the_check_resistor_is_there_in_its_state_alone_and_all_else_as_at_rest() {
        for (rail, pushed) in [(Landing::Positive, 400.0), (Landing::Negative, 0.0)] {
            let known = Element::check_resistor(MEG, rail);
            for drive in [Drive::Rest, Drive::Raise, Drive::Lower] {
                assert_eq!(amps(known, drive), (0.0, 0.0), "{drive:?}");
            }
            let (g, i) = amps(known, Drive::Check);
            assert!(
                (g - 1.0).abs() < 1e-8 && (i - pushed).abs() < 1e-5,
                "{g} {i}"
            );
        }
        let low = Volts::from_int(1);
        let source = Element::logic_source(low, Volts::from_int(5), MEG);
        let known = Element::check_resistor(MEG, Landing::Negative);
        let network = Network::new(&[source, known]).expect("two parts");
        let contacts: std::vec::Vec<Contact> = network.contacts(Drive::Check).collect();
        assert_eq!(contacts, [Contact::at(low), Contact::CLOSED]);
    }

    #[test]
    fn a_network_of_too_many_parts_is_refused() {
        let part = Element::permanent(MEG, Landing::Negative);
        assert!(Network::new(&[part; MAX_ELEMENTS]).is_some());
        assert!(Network::new(&[part; MAX_ELEMENTS + 1]).is_none());
    }
}
