//! Expected results of a capture: the truth, and the answer that is due.

use serde::Deserialize;

use ohmsplit::{Kind, Reason};

use crate::document::{Document, FieldFault, in_range};
use crate::error::HostError;
use crate::output::{Figures, Outcome, kind_word, verdict_word};

/// The version of the document that this program reads.
pub const FORMAT: &str = "ohmsplit-expected-1";

/// An expected-results document.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Expected {
    /// [`FORMAT`].
    pub format: String,
    /// The capture, relative to the folder of fixtures.
    pub capture: String,
    /// Where the truth comes from.
    pub source: String,
    /// The leak alone, not the monitor's own parts.
    #[serde(default)]
    pub truth: TruthPart,
    /// What is due.
    pub expect: ExpectPart,
}

/// The leak; what is infinite is left out.
#[derive(Debug, Clone, Copy, PartialEq, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TruthPart {
    /// Rp ‖ Rn.
    pub isolation_ohm: Option<f64>,
    /// x.
    pub position: Option<f64>,
    /// Rp.
    pub positive_ohm: Option<f64>,
    /// Rn.
    pub negative_ohm: Option<f64>,
    /// Cp + Cn.
    #[serde(rename = "capacitance_uF")]
    pub capacitance_uf: Option<f64>,
}

/// The answer that is due at the end of the capture.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ExpectPart {
    /// Its kind.
    pub answer: AnswerWord,
    /// Allowed error of the isolation resistance, for a figure.
    pub within_percent: Option<f64>,
    /// Allowed error of the position.
    pub position_within: Option<f64>,
    /// Name of the reason, for a refusal.
    pub reason: Option<String>,
    /// The verdict.
    pub verdict: Option<String>,
}

/// Kinds of answers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum AnswerWord {
    /// A resistance.
    Figure,
    /// A hard short.
    Short,
    /// No leak.
    Open,
    /// A refusal by name.
    Refused,
}

impl AnswerWord {
    const fn word(self) -> &'static str {
        match self {
            Self::Figure => "figure",
            Self::Short => "short",
            Self::Open => "open",
            Self::Refused => "refused",
        }
    }
}

/// Refuses a word that never comes: it would be awaited in vain.
fn one_of(path: &str, word: Option<&str>, known: &[&str]) -> Result<(), FieldFault> {
    match word {
        Some(word) if !known.contains(&word) => Err(FieldFault::new(
            path,
            format!("\"{word}\" is no such word"),
            known.join(", "),
        )
        .mend("write one of these words")),
        _ => Ok(()),
    }
}

impl Expected {
    /// Parses and checks a document.
    ///
    /// # Errors
    /// One error that names line and field.
    pub fn parse(document: &Document) -> Result<Self, HostError> {
        let expected: Self = document.parse_as(FORMAT)?;
        expected.check().map_err(|fault| document.locate(fault))?;
        Ok(expected)
    }

    fn check(&self) -> Result<(), FieldFault> {
        if self.expect.answer == AnswerWord::Figure {
            let due = |path: &str, value: Option<f64>| {
                value.ok_or_else(|| {
                    FieldFault::new(path, "missing, and a figure is held against it", "a number")
                        .mend(format!("add {path}"))
                })
            };
            let percent = due("expect.within_percent", self.expect.within_percent)?;
            in_range("expect.within_percent", percent, 0.0..=100.0, "percent")?;
            let truth = due("truth.isolation_ohm", self.truth.isolation_ohm)?;
            in_range("truth.isolation_ohm", truth, 0.0..=1.0e12, "ohm")?;
        }
        let verdicts = ["healthy", "warning", "alarm", "undetermined"];
        one_of("expect.verdict", self.expect.verdict.as_deref(), &verdicts)?;
        let reasons = Reason::ALL.map(Reason::name);
        one_of("expect.reason", self.expect.reason.as_deref(), &reasons)
    }

    /// How far a figure may be from the truth, in the unit of its name.
    #[must_use]
    pub fn tolerance(&self, figure: &str) -> Option<f64> {
        match figure {
            "isolation_ohm" => {
                let percent = self.expect.within_percent?;
                Some(self.truth.isolation_ohm? * percent / 100.0)
            }
            "position" => self.expect.position_within,
            _ => None,
        }
    }

    /// What differs between this and an outcome; nothing when all is met.
    #[must_use]
    pub fn differences(&self, outcome: &Outcome) -> Vec<String> {
        let mut found = Vec::new();
        let figures = outcome.answer().map(Figures::of);
        let answer = figures.map_or("refused", |figures| kind_word(figures.kind));
        let due = self.expect.answer.word();
        if answer != due {
            let why = figures
                .err()
                .map_or_else(String::new, |reason| format!(" ({})", reason.name()));
            found.push(format!("answer: {due} expected, {answer}{why} found"));
        }
        if let (Some(due), Err(reason)) = (&self.expect.reason, figures)
            && due != reason.name()
        {
            found.push(format!("reason: {due} expected, {} found", reason.name()));
        }
        if let Ok(figures) = figures {
            self.compare(&figures, &mut found);
        }
        if let Some(due) = &self.expect.verdict
            && due != verdict_word(outcome.verdict())
        {
            let verdict = verdict_word(outcome.verdict());
            found.push(format!("verdict: {due} expected, {verdict} found"));
        }
        found
    }

    fn compare(&self, figures: &Figures, found: &mut Vec<String>) {
        if let (Kind::Figure, Some(truth), Some(percent), Some(value)) = (
            figures.kind,
            self.truth.isolation_ohm,
            self.expect.within_percent,
            figures.isolation.value,
        ) {
            let error = (value / truth - 1.0) * 100.0;
            if error.abs() > percent {
                found.push(format!(
                    "isolation: {truth:.0} ohm within {percent} % expected, {value:.0} ohm found, {error:+.3} %"
                ));
            }
        }
        if let (Some(truth), Some(within), Some([x, _])) = (
            self.truth.position,
            self.expect.position_within,
            figures.position,
        ) && (x - truth).abs() > within
        {
            found.push(format!(
                "position: {truth:.4} within {within} expected, {x:.4} found"
            ));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const GOOD: &str = "format = \"ohmsplit-expected-1\"\ncapture = \"a.csv\"\nsource = \"bench\"\n\
                        [truth]\nisolation_ohm = 1e6\nposition = 0.3\n\
                        [expect]\nanswer = \"figure\"\nwithin_percent = 0.2\nverdict = \"healthy\"\n";

    fn parse(text: &str) -> Result<Expected, HostError> {
        Expected::parse(&Document::embedded("e.toml", text))
    }

    #[test]
    fn a_run_without_an_answer_meets_no_figure() {
        let expected = parse(GOOD).expect("sound");
        let found = expected.differences(&Outcome::default());
        assert_eq!(
            found,
            [
                "answer: figure expected, refused (not_yet_measured) found",
                "verdict: healthy expected, undetermined found",
            ]
        );
    }

    #[test]
    fn a_word_that_never_comes_is_refused() {
        for (from, to, words) in [
            (
                "\"healthy\"",
                "\"fine\"",
                ["expect.verdict", "\"fine\"", "healthy, warning"],
            ),
            (
                "verdict =",
                "reason = \"slow\"\nverdict =",
                ["expect.reason", "\"slow\"", "not_settled"],
            ),
        ] {
            let error = parse(&GOOD.replace(from, to)).expect_err(to).to_string();
            assert!(words.iter().all(|word| error.contains(word)), "{error}");
        }
    }

    #[test]
    fn a_figure_needs_a_truth_and_an_allowance() {
        for (cut, field) in [
            ("within_percent = 0.2\n", "expect.within_percent"),
            ("isolation_ohm = 1e6\n", "truth.isolation_ohm"),
        ] {
            let error = parse(&GOOD.replace(cut, "")).expect_err(cut);
            let error = error.to_string();
            assert!(
                error.contains(field) && error.contains("missing"),
                "{error}"
            );
        }
        let error = parse(&GOOD.replace("expected-1", "expected-2")).expect_err("version");
        assert!(error.to_string().contains("line 1"), "{error}");
        assert!(parse(&GOOD.replace("\"figure\"", "\"guess\"")).is_err());
    }
}
