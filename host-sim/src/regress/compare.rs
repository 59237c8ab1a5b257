//! What moved between two runs of a capture.

use std::collections::BTreeSet;
use std::fmt;

use super::baseline::{Figure, Findings};
use crate::expected::Expected;

/// A relative difference below this is that of reading and writing decimals.
const SAME: f64 = 1e-12;

/// One figure or word that moved.
#[derive(Debug, Clone, PartialEq)]
pub struct Move {
    /// Its name; ends in the unit.
    pub figure: String,
    /// What it was, and is.
    pub values: [Option<String>; 2],
    /// By how much, in units of its tolerance.
    pub tolerances: Option<f64>,
    /// By how much, in standard uncertainties before.
    pub u: Option<f64>,
    /// More than is allowed.
    pub counts: bool,
}

/// All that moved. A figure counts when it moved by more than `allowed`
/// standard uncertainties, or came or went; a word counts whenever it changed.
/// A time to answer has no uncertainty and never counts.
#[must_use]
pub fn moves(
    before: &Findings,
    after: &Findings,
    expected: Option<&Expected>,
    allowed: f64,
) -> Vec<Move> {
    let mut found = Vec::new();
    let names = |one: &Findings| one.words.keys().cloned().collect::<Vec<_>>();
    for figure in names(before)
        .into_iter()
        .chain(names(after))
        .collect::<BTreeSet<_>>()
    {
        let values = [before, after].map(|findings| findings.words.get(&figure).cloned());
        if values[0] != values[1] {
            found.push(Move {
                figure,
                values,
                tolerances: None,
                u: None,
                counts: true,
            });
        }
    }
    let names = |one: &Findings| one.figures.keys().cloned().collect::<Vec<_>>();
    for figure in names(before)
        .into_iter()
        .chain(names(after))
        .collect::<BTreeSet<_>>()
    {
        let values = [before, after].map(|findings| findings.figures.get(&figure).copied());
        found.extend(moved(figure, values, expected, allowed));
    }
    found
}

fn moved(
    figure: String,
    values: [Option<Figure>; 2],
    expected: Option<&Expected>,
    allowed: f64,
) -> Option<Move> {
    let shown = values.map(|value| value.map(|value| format!("{:.6e}", value.value)));
    let [Some(before), Some(after)] = values else {
        return (values[0] != values[1]).then_some(Move {
            figure,
            values: shown,
            tolerances: None,
            u: None,
            counts: true,
        });
    };
    let change = after.value - before.value;
    if change.abs() <= SAME * before.value.abs() {
        return None;
    }
    let in_u = before.u.or(after.u).map(|u| change / u);
    Some(Move {
        tolerances: expected
            .and_then(|expected| expected.tolerance(&figure))
            .filter(|tolerance| *tolerance > 0.0)
            .map(|tolerance| change / tolerance),
        figure,
        values: shown,
        u: in_u,
        counts: in_u.is_some_and(|moved| moved.abs() > allowed),
    })
}

impl fmt::Display for Move {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [before, after] = &self.values;
        let shown = |value: &Option<String>| value.clone().unwrap_or_else(|| "none".to_owned());
        write!(f, "{}: {} -> {}", self.figure, shown(before), shown(after))?;
        if let Some(tolerances) = self.tolerances {
            write!(f, ", {tolerances:+.3} of its tolerance")?;
        }
        if let Some(u) = self.u {
            write!(f, ", {u:+.3} u")?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use super::*;
    use crate::document::Document;

    fn findings(verdict: &str, ohm: f64, first_s: f64) -> Findings {
        let figure = |value, u| Figure { value, u };
        Findings {
            words: BTreeMap::from([("verdict".to_owned(), verdict.to_owned())]),
            figures: BTreeMap::from([
                ("isolation_ohm".to_owned(), figure(ohm, Some(50.0))),
                ("first_answer_s".to_owned(), figure(first_s, None)),
            ]),
        }
    }

    #[test]
    fn a_move_is_told_in_units_of_tolerance_and_uncertainty() {
        let text = "format = \"ohmsplit-expected-1\"\ncapture = \"a.csv\"\nsource = \"bench\"\n\
                    [truth]\nisolation_ohm = 1e5\n[expect]\nanswer = \"figure\"\nwithin_percent = 0.2\n";
        let expected = Expected::parse(&Document::embedded("e.toml", text)).expect("sound");
        let before = findings("healthy", 100_000.0, 1.0);
        let told = |after: &Findings| moves(&before, after, Some(&expected), 1.0);
        assert_eq!(told(&before), []);
        // 0.2 % of 100 kΩ is 200 Ω; the standard uncertainty is 50 Ω.
        let near = told(&findings("healthy", 100_040.0, 1.0));
        assert_eq!(near.len(), 1);
        assert!(!near[0].counts, "{near:?}");
        assert_eq!(
            near[0].to_string(),
            "isolation_ohm: 1.000000e5 -> 1.000400e5, +0.200 of its tolerance, +0.800 u"
        );
        let far = told(&findings("healthy", 99_900.0, 1.0));
        assert!(far[0].counts && far[0].u == Some(-2.0), "{far:?}");
        let late = told(&findings("healthy", 100_000.0, 9.0));
        assert_eq!((late.len(), late[0].counts), (1, false));
        let worse = told(&findings("alarm", 100_000.0, 1.0));
        assert_eq!(worse[0].to_string(), "verdict: healthy -> alarm");
        assert!(worse[0].counts);
        let mut gone = before.clone();
        gone.figures.remove("isolation_ohm");
        assert!(told(&gone)[0].counts);
        assert_eq!(
            told(&gone)[0].to_string(),
            "isolation_ohm: 1.000000e5 -> none"
        );
    }
}
