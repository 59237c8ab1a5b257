//! Limits of standards and regulations beside what was found, with their sources.
//! Figures are check values; no conformity is claimed.

use crate::output::si;

/// How the text of a limit is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Known {
    /// The text was read.
    Read,
    /// Only a part of the text, or a paraphrase, was read.
    Part,
    /// From memory, not verified.
    Memory,
}

impl Known {
    pub(super) const fn words(self) -> &'static str {
        match self {
            Self::Read => "text read",
            Self::Part => "a fragment read, the rest from memory, not verified",
            Self::Memory => "from memory, not verified",
        }
    }
}

/// What a limit is held against.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Against {
    /// The weaker rail, in Ω/V of working voltage, at least.
    WeakestPerVolt(f64),
    /// R_iso, in Ω/V of working voltage, at least.
    IsolationPerVolt(f64),
    /// Energy stored between chassis and rails, in joules, below.
    Energy(f64),
    /// Half the 95 % interval of R_iso, in percent, at most.
    Uncertainty(f64),
}

/// A limit.
#[derive(Debug, Clone, Copy)]
pub(super) struct Limit {
    pub(super) source: &'static str,
    pub(super) about: &'static str,
    pub(super) against: Against,
    pub(super) known: Known,
}

const fn limit(source: &'static str, about: &'static str, against: Against, known: Known) -> Limit {
    Limit {
        source,
        about,
        against,
        known,
    }
}

/// The limits shown.
pub(super) const LIMITS: [Limit; 10] = [
    limit(
        "UN R100, 5.1.3.1",
        "DC bus, galvanically separate from AC: at least 100 Ω/V",
        Against::WeakestPerVolt(100.0),
        Known::Read,
    ),
    limit(
        "UN R100, 5.1.3.1 and 5.1.3.2",
        "AC bus, or DC and AC connected: at least 500 Ω/V (connected with doubly protected AC: 100 Ω/V)",
        Against::WeakestPerVolt(500.0),
        Known::Read,
    ),
    limit(
        "49 CFR 571.305, S5.3",
        "DC source after a crash: at least 100 Ω/V",
        Against::WeakestPerVolt(100.0),
        Known::Memory,
    ),
    limit(
        "49 CFR 571.305, S5.3",
        "AC source after a crash: at least 500 Ω/V (100 Ω/V connected to DC and physically protected)",
        Against::WeakestPerVolt(500.0),
        Known::Memory,
    ),
    limit(
        "ISO 6469-3:2018",
        "DC: at least 100 Ω/V",
        Against::WeakestPerVolt(100.0),
        Known::Part,
    ),
    limit(
        "ISO 6469-3:2018",
        "AC: at least 500 Ω/V",
        Against::WeakestPerVolt(500.0),
        Known::Memory,
    ),
    limit(
        "IEC 62485-2",
        "stationary battery: more than 100 Ω/V of nominal voltage, less than 10 mA",
        Against::IsolationPerVolt(100.0),
        Known::Memory,
    ),
    limit(
        "IEC 61557-8",
        "relative uncertainty of the response value: at most ±15 %",
        Against::Uncertainty(15.0),
        Known::Memory,
    ),
    limit(
        "UN GTR 13 and 20, UN R137",
        "low-energy option after a crash: below 0.2 J",
        Against::Energy(0.2),
        Known::Memory,
    ),
    limit(
        "UN R94, 5.2.8",
        "energy after a crash: below 2.0 J",
        Against::Energy(2.0),
        Known::Part,
    ),
];

/// A found value beside its limit: by which factor it is on the safe side of
/// the limit, 1 at the limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Margin {
    pub(super) found: f64,
    pub(super) times: f64,
}

impl Against {
    /// The value that counts against the limit.
    pub(super) fn margin(
        self,
        weakest_low_per_volt: f64,
        isolation_low_per_volt: f64,
        energy_j: Option<f64>,
        half_width_percent: Option<f64>,
    ) -> Option<Margin> {
        let (found, times) = match self {
            Self::WeakestPerVolt(limit) => (weakest_low_per_volt, weakest_low_per_volt / limit),
            Self::IsolationPerVolt(limit) => {
                (isolation_low_per_volt, isolation_low_per_volt / limit)
            }
            Self::Energy(limit) => energy_j.map(|energy| (energy, limit / energy))?,
            Self::Uncertainty(limit) => half_width_percent.map(|half| (half, limit / half))?,
        };
        Some(Margin { found, times })
    }

    /// A value of this kind in words.
    pub(super) fn value(self, found: f64) -> String {
        match self {
            Self::WeakestPerVolt(_) | Self::IsolationPerVolt(_) => si(found, "Ω/V"),
            Self::Energy(_) => si(found, "J"),
            Self::Uncertainty(_) => format!("{found:.3} %"),
        }
    }

    /// What is held against the limit, in words.
    pub(super) const fn words(self) -> &'static str {
        match self {
            Self::WeakestPerVolt(_) => "weaker rail, lower end",
            Self::IsolationPerVolt(_) => "R_iso, lower end",
            Self::Energy(_) => "½·C·Vb², all on one rail",
            Self::Uncertainty(_) => "half of the 95 % interval of R_iso",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn margins_are_one_at_the_limit_and_more_where_it_is_met() {
        for entry in LIMITS {
            let at = match entry.against {
                Against::WeakestPerVolt(l) | Against::IsolationPerVolt(l) => (l, l, None, None),
                Against::Energy(l) => (0.0, 0.0, Some(l), None),
                Against::Uncertainty(l) => (0.0, 0.0, None, Some(l)),
            };
            let margin = entry.against.margin(at.0, at.1, at.2, at.3).expect("known");
            assert_eq!(margin.times, 1.0, "{entry:?}");
        }
        let better = Against::Energy(0.2).margin(0.0, 0.0, Some(0.1), None);
        assert_eq!(better.map(|margin| margin.times), Some(2.0));
        assert_eq!(Against::Energy(0.2).margin(0.0, 0.0, None, None), None);
    }
}
