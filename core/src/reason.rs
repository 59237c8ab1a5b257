//! Every "cannot tell, because …" of the core, with a stable code.

/// Why no figure, or no verdict, can be given. The number of each variant is
/// stable: it is what firmware stores and sends.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[repr(u8)]
pub enum Reason {
    /// No drive cycle has completed since start-up.
    NotYetMeasured = 1,
    /// The dwell ended before the voltage was shown to have settled: the time
    /// constant is too long for the half-period.
    NotSettled = 2,
    /// Drive changes move the voltage too little, against noise and
    /// resolution, to tell a low resistance from a large capacitance, or to
    /// bound the resistance below the alarm limit.
    StimulusTooWeak = 3,
    /// Fewer samples arrived in the dwell than a settling proof needs.
    RecordTooShort = 4,
    /// A converter reading was at its limit.
    Saturated = 5,
    /// Samples were missing for a whole averaging block or longer.
    SamplesMissing = 6,
    /// The pack voltage moved in a way that the readings do not follow quietly
    /// enough to be used.
    PackVoltageMoving = 7,
    /// The pack voltage is too low to judge a leak to either rail.
    PackVoltageTooLow = 8,
    /// The readings demand a negative conductance or a leak outside the
    /// stack: the network description or the wiring is wrong.
    Implausible = 9,
    /// The interval of the judged figure straddles a limit and is too wide to
    /// decide.
    TooUncertain = 10,
    /// The circuit changed so much between the readings of the cycle that they
    /// do not describe one circuit; or the answer has changed, and the check of the
    /// measuring circuit ([`crate::config::Check`]) has not confirmed it yet.
    CircuitChanged = 11,
    /// The self-diagnosis has found a fault of the measuring circuit: see the
    /// findings of the report.
    Diagnosed = 12,
    /// Something moves the chassis that neither circuit nor drive explains:
    /// another monitor, an alias of ripple or hum.
    Interference = 13,
    /// The bus is left to another monitor, on request.
    BusYielded = 14,
}

impl Reason {
    /// All reasons, in order of their code.
    pub const ALL: [Self; 14] = [
        Self::NotYetMeasured,
        Self::NotSettled,
        Self::StimulusTooWeak,
        Self::RecordTooShort,
        Self::Saturated,
        Self::SamplesMissing,
        Self::PackVoltageMoving,
        Self::PackVoltageTooLow,
        Self::Implausible,
        Self::TooUncertain,
        Self::CircuitChanged,
        Self::Diagnosed,
        Self::Interference,
        Self::BusYielded,
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
            Self::NotYetMeasured => "not_yet_measured",
            Self::NotSettled => "not_settled",
            Self::StimulusTooWeak => "stimulus_too_weak",
            Self::RecordTooShort => "record_too_short",
            Self::Saturated => "saturated",
            Self::SamplesMissing => "samples_missing",
            Self::PackVoltageMoving => "pack_voltage_moving",
            Self::PackVoltageTooLow => "pack_voltage_too_low",
            Self::Implausible => "implausible",
            Self::TooUncertain => "too_uncertain",
            Self::CircuitChanged => "circuit_changed",
            Self::Diagnosed => "diagnosed",
            Self::Interference => "interference",
            Self::BusYielded => "bus_yielded",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_are_the_places_in_the_list() {
        for (place, reason) in Reason::ALL.iter().enumerate() {
            assert_eq!(usize::from(reason.code()), place + 1);
        }
    }
}
