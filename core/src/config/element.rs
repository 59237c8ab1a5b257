//! The parts that hang on the chassis node, and what each does in each drive state.

use super::circuit::Row;
use super::drive::Drive;
use crate::units::{Microsiemens, Ohms, Ratio, Volts};

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
