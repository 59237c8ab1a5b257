//! What the TOML reader finds wrong, in words from which the mend is obvious.

use crate::error::HostError;

const FORMATS: &str = "`ohmsplit formats` shows every field";
const NUMBER: &str = "a number alone, with a point, as 40.0 or 1.0e6";
const NUMBER_MEND: &str =
    "write it without quotes and without a unit: the field's name says which unit is meant";

/// The error for the reader's `message` about a `line` of the document.
pub(super) fn told(message: &str, line: &str) -> HostError {
    let names = in_backticks(message);
    let (problem, about) = match message.split_once(", expected") {
        Some((problem, about)) => (problem, about.trim()),
        None => (message, ""),
    };
    if problem.starts_with("unknown field") || problem.starts_with("unknown variant") {
        return unknown(problem, names.split_first());
    }
    if let (true, Some(name)) = (problem.starts_with("missing field"), names.first()) {
        return HostError::input(problem)
            .expected(format!("a line {name} = ... in this table"))
            .mend(format!("add {name}; {FORMATS}"));
    }
    let of_a_field = problem.starts_with("invalid type") || problem.starts_with("invalid value");
    let problem = match key(line) {
        Some(key) if of_a_field => format!("{key}: {problem}"),
        _ => problem.to_owned(),
    };
    match (of_a_field, about) {
        (true, "f64") => HostError::input(problem).expected(NUMBER).mend(NUMBER_MEND),
        (true, "u8" | "u16" | "u32" | "u64" | "usize") => HostError::input(problem)
            .expected("a whole number, not negative and not too large")
            .mend("write it without a point, without quotes and without a unit"),
        (true, "i32" | "i64") => HostError::input(problem)
            .expected("a whole number")
            .mend("write it without a point, without quotes and without a unit"),
        (true, about) => HostError::input(problem)
            .expected(about)
            .mend(format!("correct the value; {FORMATS}")),
        (false, _) => syntax(message, line),
    }
}

/// A word that is none of those known; `names` begin with it.
fn unknown(problem: &str, names: Option<(&&str, &[&str])>) -> HostError {
    let Some((found, known)) = names else {
        return HostError::input(problem).mend(FORMATS);
    };
    let near = |name: &&str| strsim::normalized_damerau_levenshtein(found, name);
    let mut known = known.to_vec();
    known.sort_by(|one, other| near(other).total_cmp(&near(one)));
    let nearest = known.first().filter(|name| near(name) > 0.5);
    HostError::input(problem)
        .expected(known.join(", "))
        .mend(match nearest {
            Some(name) => format!("correct it, perhaps to {name}; {FORMATS}"),
            None => format!("correct it, or remove it; {FORMATS}"),
        })
}

/// The text is no TOML.
fn syntax(message: &str, line: &str) -> HostError {
    let value = line.split_once('=').map_or("", |(_, value)| value.trim());
    let numeric = value.starts_with(|c: char| c.is_ascii_digit() || "+-.".contains(c));
    let error = HostError::input(message.replace('\n', "; "));
    if message.contains("duplicate key") {
        error
            .expected("each field and each table once")
            .mend("remove one of the two; [[...]] begins a further entry of a list")
    } else if numeric {
        error.expected(NUMBER).mend(NUMBER_MEND)
    } else if value.starts_with(char::is_alphabetic) {
        error
            .expected("a text in quotes, a number, true or false")
            .mend("put quotes around the text")
    } else {
        error
            .expected("TOML: lines as name = value, below a [table]")
            .mend(format!("correct this place; {FORMATS}"))
    }
}

/// The name before the equals sign.
fn key(line: &str) -> Option<&str> {
    let name = line.split_once('=')?.0.trim();
    (!name.is_empty() && !name.contains(['{', '[', '#'])).then_some(name)
}

fn in_backticks(message: &str) -> Vec<&str> {
    message.split('`').skip(1).step_by(2).collect()
}

#[cfg(test)]
mod tests {
    use serde::Deserialize;

    use crate::document::Document;

    #[derive(Debug, Deserialize)]
    #[serde(deny_unknown_fields)]
    #[expect(dead_code, reason = "only whether it is read")]
    struct Sheet {
        kind: Kind,
        #[serde(rename = "amplitude_V")]
        amplitude_v: f64,
        cells: Option<u32>,
    }

    #[derive(Debug, Deserialize)]
    #[serde(rename_all = "snake_case")]
    enum Kind {
        SwitchedResistors,
        LogicSource,
    }

    #[test]
    fn each_slip_is_told_with_its_line_and_a_cure() {
        let good = "kind = \"logic_source\"\n";
        for (text, words) in [
            (
                "amplitude_V = 40,0\n",
                &["line 2, column 17", "a point", "without a unit"][..],
            ),
            (
                "amplitude_V = 40 V\n",
                &["line 2", "a point", "without a unit"],
            ),
            (
                "amplitude_V = 0.5%\n",
                &["line 2", "a point", "without a unit"],
            ),
            (
                "amplitude_V = \"1M\"\n",
                &[
                    "line 2, column 15: amplitude_V: ",
                    "1.0e6",
                    "without quotes",
                ],
            ),
            (
                "amplitude_V = 1\ncells = -96\n",
                &["line 3", "cells: ", "-96", "not negative"],
            ),
            (
                "amplitude_V = 1\ncells = 96.5\n",
                &["cells: ", "96.5", "whole number", "without a point"],
            ),
            (
                "amplitude_mV = 1\n",
                &["unknown field `amplitude_mV`", "perhaps to amplitude_V;"],
            ),
            (
                "amplitude_V = 1\nkind = \"logic_source\"\n",
                &["line 3", "duplicate key", "remove one of the two"],
            ),
            ("", &["missing field `amplitude_V`", "add amplitude_V"]),
            ("amplitude_V = high\n", &["line 2", "quotes around"]),
            ("amplitude_V\n", &["line 2", "name = value"]),
        ] {
            let error = Document::embedded("a.toml", &format!("{good}{text}"))
                .parse::<Sheet>()
                .expect_err(text)
                .to_string();
            for word in words.iter().chain(&["a.toml", "expected:", "to mend:"]) {
                assert!(error.contains(word), "{word} in: {error}");
            }
            assert_eq!(error.lines().count(), 3, "{error}");
        }
        let error = Document::embedded("a.toml", "kind = \"switched_resistor\"")
            .parse::<Sheet>()
            .expect_err("no such kind")
            .to_string();
        assert!(
            error.contains("expected: switched_resistors, logic_source")
                && error.contains("perhaps to switched_resistors"),
            "{error}"
        );
    }
}
