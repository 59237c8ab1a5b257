//! The monitor's own circuit as data: every part that hangs on the chassis
//! node, and what all of them do in each drive state.
//!
//! Firmware, simulator and replay share this table, so that none of them can
//! disagree about what a drive state means.

use heapless::Vec;

use super::drive::Drive;
use super::element::{Contact, Element};
use crate::units::{Microamps, Microsiemens, Volts};

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
    use super::super::element::Landing;
    use super::*;
    use crate::units::Ohms;

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
