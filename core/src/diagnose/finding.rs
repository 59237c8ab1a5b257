//! What the self-diagnosis can find, each with a stable code, and sets of it.

use crate::reason::Reason;
use crate::report::Verdict;

/// What is wrong with the measuring circuit, or fools the estimator. Where two
/// causes look alike the finding is "one of these". The number of each variant
/// is stable: it is what firmware stores and sends, and its bit in
/// [`Findings::bits`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[repr(u8)]
pub enum Finding {
    /// A converter gives one and the same code, through noise or drive changes
    /// that moved it before: stuck, or its line shorted.
    ConverterStuck = 1,
    /// A converter has been at its limit for eight blocks.
    ConverterSaturated = 2,
    /// A bit of a converter never changes though noise covers it.
    ConverterBits = 3,
    /// The chassis reads as one of the rails whatever is driven: a sense line is
    /// open or shorted, or there is a hard short to that rail.
    SenseLine = 4,
    /// No drive change moves the chassis: no stimulus, or a hard short inside
    /// the stack.
    NoResponse = 5,
    /// A drive state does the same as no drive, and the third contradicts that:
    /// a switch stuck open or closed, or its resistor open.
    SwitchStuck = 6,
    /// No circuit has the settled voltages of the three drive states: a drive
    /// resistor, the source, an offset or a gain has drifted, or a leak's
    /// resistance depends on voltage or polarity.
    StatesContradict = 7,
    /// The chassis moves against the drive, or the pack reads negative.
    Polarity = 8,
    /// The chassis reads as outside of what pack and drive can do: one of the
    /// two voltages is wrong.
    PackImplausible = 9,
    /// The number of samples in a block has changed: the clock of the time
    /// stamps or that of the converter is wrong.
    TimeBase = 10,
    /// The capacitance is larger than the design expects.
    Capacitance = 11,
    /// The capacitance holds more than 0.2 J. Told; nothing is withheld.
    StoredEnergy = 12,
    /// Something moves the chassis that neither circuit nor drive explains:
    /// another monitor on the bus, hum or ripple that aliases, a leak that comes
    /// and goes.
    Interference = 13,
    /// Estimates are refused one after another because noise and resolution are
    /// too high for the stimulus, or too little of it arrives.
    StimulusWeak = 14,
}

impl Finding {
    /// All findings, in order of their code.
    pub const ALL: [Self; 14] = [
        Self::ConverterStuck,
        Self::ConverterSaturated,
        Self::ConverterBits,
        Self::SenseLine,
        Self::NoResponse,
        Self::SwitchStuck,
        Self::StatesContradict,
        Self::Polarity,
        Self::PackImplausible,
        Self::TimeBase,
        Self::Capacitance,
        Self::StoredEnergy,
        Self::Interference,
        Self::StimulusWeak,
    ];

    /// The stable code.
    #[must_use]
    pub const fn code(self) -> u8 {
        self as u8
    }

    /// The name used in reports and expected results.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::ConverterStuck => "converter_stuck",
            Self::ConverterSaturated => "converter_saturated",
            Self::ConverterBits => "converter_bits",
            Self::SenseLine => "sense_line",
            Self::NoResponse => "no_response",
            Self::SwitchStuck => "switch_stuck",
            Self::StatesContradict => "states_contradict",
            Self::Polarity => "polarity",
            Self::PackImplausible => "pack_implausible",
            Self::TimeBase => "time_base",
            Self::Capacitance => "capacitance",
            Self::StoredEnergy => "stored_energy",
            Self::Interference => "interference",
            Self::StimulusWeak => "stimulus_weak",
        }
    }

    /// The verdict is not healthy while this is found.
    #[must_use]
    pub const fn withholds(self) -> bool {
        !matches!(self, Self::StoredEnergy)
    }
}

/// A set of findings.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Findings(u32);

impl Findings {
    /// No finding.
    pub const NONE: Self = Self(0);

    /// One bit for each finding: bit n is the finding with code n.
    #[must_use]
    pub const fn bits(self) -> u32 {
        self.0
    }

    /// The set of these bits; `None` when one of them is no finding's.
    #[must_use]
    pub fn from_bits(bits: u32) -> Option<Self> {
        let all = Finding::ALL
            .into_iter()
            .fold(0, |all, finding| all | Self::bit(finding));
        (bits & !all == 0).then_some(Self(bits))
    }

    /// Nothing is found.
    #[must_use]
    pub const fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// The set holds this finding.
    #[must_use]
    pub const fn contains(self, finding: Finding) -> bool {
        self.0 & Self::bit(finding) != 0
    }

    /// The findings in order of their code.
    pub fn iter(self) -> impl Iterator<Item = Finding> {
        Finding::ALL
            .into_iter()
            .filter(move |&finding| self.contains(finding))
    }

    /// The set with the finding, or without it.
    #[must_use]
    pub(super) const fn with(self, finding: Finding, found: bool) -> Self {
        if found {
            Self(self.0 | Self::bit(finding))
        } else {
            self
        }
    }

    const fn bit(finding: Finding) -> u32 {
        1 << finding.code()
    }

    /// The verdict as the findings leave it: none is healthy while a finding
    /// withholds it, and interference names itself, unless it is known better
    /// what is wrong. An alarm and a warning stand.
    pub(crate) fn withhold(self, verdict: Verdict) -> Verdict {
        let disturbed = self.contains(Finding::Interference);
        match verdict {
            Verdict::Undetermined(Reason::Implausible) => verdict,
            Verdict::Healthy | Verdict::Undetermined(_) if disturbed => {
                Verdict::Undetermined(Reason::Interference)
            }
            Verdict::Healthy if self.iter().any(Finding::withholds) => {
                Verdict::Undetermined(Reason::Diagnosed)
            }
            _ => verdict,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_are_the_places_in_the_list_and_bits_those_of_the_codes() {
        for (place, finding) in Finding::ALL.into_iter().enumerate() {
            assert_eq!(usize::from(finding.code()), place + 1);
            let one = Findings::NONE.with(finding, true);
            assert_eq!(one.bits(), 1 << finding.code());
            assert!(one.iter().eq([finding]));
            assert_eq!(Findings::from_bits(one.bits()), Some(one));
        }
        assert_eq!(Findings::from_bits(1), None);
        assert_eq!(Findings::from_bits(1 << (Finding::ALL.len() + 1)), None);
    }

    #[test]
    fn a_finding_withholds_health_and_hides_nothing_else() {
        let stuck = Findings::NONE.with(Finding::SwitchStuck, true);
        let energy = Findings::NONE.with(Finding::StoredEnergy, true);
        for verdict in [Verdict::Alarm, Verdict::Warning] {
            assert_eq!(stuck.withhold(verdict), verdict);
        }
        let withheld = Verdict::Undetermined(Reason::Diagnosed);
        assert_eq!(stuck.withhold(Verdict::Healthy), withheld);
        assert_eq!(energy.withhold(Verdict::Healthy), Verdict::Healthy);
        let other = stuck.with(Finding::Interference, true);
        let withheld = Verdict::Undetermined(Reason::Interference);
        assert_eq!(other.withhold(Verdict::Healthy), withheld);
    }
}
