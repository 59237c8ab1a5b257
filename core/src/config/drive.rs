//! The drive states.

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
    /// [`crate::config::Element::check_resistor`].
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
