//! TOML documents: read, parse, and point at the field that is wrong.

mod told;

use std::ops::{Range, RangeInclusive};
use std::path::Path;

use serde::Deserialize;
use serde::de::DeserializeOwned;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::error::{HostError, Place};

/// A field whose value cannot be used; becomes a [`HostError`] once the
/// document says where the field stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FieldFault {
    /// Path of the field, as in `permanent[0].resistance_ohm`.
    pub path: String,
    /// What is wrong.
    pub problem: String,
    /// What was expected.
    pub expected: String,
    /// How to mend it.
    pub mend: String,
}

impl FieldFault {
    /// A fault of the field at `path`.
    #[must_use]
    pub fn new(path: &str, problem: impl Into<String>, expected: impl Into<String>) -> Self {
        Self {
            path: path.to_owned(),
            problem: problem.into(),
            expected: expected.into(),
            mend: format!("correct {path}"),
        }
    }

    /// Says how to mend it.
    #[must_use]
    pub fn mend(mut self, mend: impl Into<String>) -> Self {
        self.mend = mend.into();
        self
    }

    /// The same fault when the document is a table of a larger one.
    #[must_use]
    pub fn under(mut self, table: &str) -> Self {
        self.path = format!("{table}.{}", self.path);
        self
    }
}

/// `value` when it lies in `range`, else a fault that says so. NaN lies in no range.
///
/// # Errors
/// A [`FieldFault`] that names the field and its range.
pub fn in_range(
    path: &str,
    value: f64,
    range: RangeInclusive<f64>,
    unit: &str,
) -> Result<f64, FieldFault> {
    if range.contains(&value) {
        return Ok(value);
    }
    let expected = format!("{} to {} {unit}", range.start(), range.end());
    Err(FieldFault::new(
        path,
        format!("{value} is out of range"),
        expected.trim_end(),
    )
    .mend("give a value in this range; check the unit at the end of the field's name"))
}

/// Whether text begins as UTF-16: with its byte order mark, or with an ASCII character.
#[must_use]
pub fn is_utf16(bytes: &[u8]) -> bool {
    match bytes {
        [0xff, 0xfe, ..] | [0xfe, 0xff, ..] => true,
        &[0, one, 0, other, ..] | &[one, 0, other, 0, ..] => {
            [one, other].iter().all(|byte| (b' '..=b'~').contains(byte))
        }
        _ => false,
    }
}

/// The cure of UTF-16.
pub const SAVE_AS_UTF8: &str = "save it as UTF-8, as any editor can";

/// Kinds of documents: the format that each states, what it is, and who takes it.
const KINDS: [[&str; 3]; 6] = [
    [
        "ohmsplit-network-1",
        "a network",
        "`ohmsplit replay CAPTURE --network`",
    ],
    ["ohmsplit-scenario-1", "a scenario", "`ohmsplit simulate`"],
    [
        "ohmsplit-plan-1",
        "a plan of a sweep",
        "`ohmsplit campaign sweep`",
    ],
    [
        "ohmsplit-pack-1",
        "a pack's data sheet (`ohmsplit design` without a file prints one)",
        "`ohmsplit design`",
    ],
    [
        "ohmsplit-in-situ-1",
        "a sheet of the check by hand",
        "`ohmsplit in-situ`",
    ],
    [
        "ohmsplit-expected-1",
        "a file of expected results",
        "`ohmsplit replay CAPTURE --expect`",
    ],
];

fn kind(format: &str) -> Option<&'static [&'static str; 3]> {
    KINDS.iter().find(|[known, ..]| *known == format)
}

/// The line by which a document says what it is.
#[derive(Deserialize)]
struct Header {
    format: Option<String>,
}

/// The text of a document and the name under which the user knows it.
#[derive(Debug, Clone)]
pub struct Document {
    name: String,
    text: String,
}

impl Document {
    /// Reads a file.
    ///
    /// # Errors
    /// When it cannot be read, or is not UTF-8 text.
    pub fn read(path: &Path) -> Result<Self, HostError> {
        let name = path.display().to_string();
        let bytes = std::fs::read(path)
            .map_err(|error| HostError::system(&*name, "cannot read", &error))?;
        let refused = |problem: &str, mend: &str| {
            HostError::input(problem)
                .in_file(&*name)
                .expected("a TOML document in UTF-8")
                .mend(mend)
        };
        if is_utf16(&bytes) {
            return Err(refused("the file is UTF-16 text", SAVE_AS_UTF8));
        }
        let text = String::from_utf8(bytes).map_err(|_| {
            refused(
                "the file is not text",
                "name the TOML file, saved as UTF-8; a capture goes to `ohmsplit replay`",
            )
        })?;
        if text.trim().is_empty() {
            return Err(refused(
                "the file is empty",
                "name the right file; `ohmsplit formats` shows every document",
            ));
        }
        Ok(Self { name, text })
    }

    /// A document that is already in memory.
    #[must_use]
    pub fn embedded(name: &str, text: &str) -> Self {
        Self {
            name: name.to_owned(),
            text: text.to_owned(),
        }
    }

    /// The text as written.
    #[must_use]
    pub fn text(&self) -> &str {
        &self.text
    }

    /// The name under which the user knows the document.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Whether the text names a format somewhere: cheap, before it is parsed.
    #[must_use]
    pub fn mentions(&self, format: &str) -> bool {
        self.text.contains(format)
    }

    /// The document as a `T`, when it states this format.
    ///
    /// # Errors
    /// As [`Document::parse`]; a document of another kind is told by what it is, before its fields are looked at.
    pub fn parse_as<T: DeserializeOwned>(&self, format: &str) -> Result<T, HostError> {
        let found = self.parse::<Header>()?.format;
        if found.as_deref() == Some(format) {
            return self.parse();
        }
        let found = found.as_deref().unwrap_or("missing");
        let wanted = kind(format).map_or("a document", |[_, what, _]| what);
        let fault = FieldFault::new("format", format!("format is {found}"), format);
        Err(self.locate(match kind(found) {
            Some([_, what, taker]) => fault.mend(format!(
                "name {wanted}; this is {what}, which {taker} takes"
            )),
            None => fault.mend(format!(
                "write format = \"{format}\" at the top of {wanted}; `ohmsplit formats` shows one"
            )),
        }))
    }

    /// Whether the first line that says anything is a row of a table, as in a capture.
    fn is_table(&self) -> bool {
        let lines = self.text.lines().map(str::trim);
        let first = lines
            .into_iter()
            .find(|line| !line.is_empty() && !line.starts_with('#'));
        first.is_some_and(|line| line.contains(',') && !line.contains(['=', '[']))
    }

    /// The document as a `T`; unknown and missing fields are refused by `T`.
    ///
    /// # Errors
    /// With line and column, when the text is not TOML or not a `T`.
    pub fn parse<T: DeserializeOwned>(&self) -> Result<T, HostError> {
        toml::from_str(&self.text).map_err(|error| {
            if self.is_table() {
                return HostError::input("this is a table, as a capture is, and no TOML document")
                    .in_file(&*self.name)
                    .expected("a TOML document")
                    .mend("name the TOML file; a capture goes to `ohmsplit replay`");
            }
            let (place, number) = error.span().map_or((Place::Whole, 1), |span| {
                let (line, column) = self.position(&span);
                (Place::Position { line, column }, line)
            });
            let line = self.text.lines().nth(number - 1).unwrap_or_default();
            told::told(error.message(), line)
                .in_file(&*self.name)
                .at(place)
        })
    }

    /// The error of a faulty field, with the position at which it is written.
    #[must_use]
    pub fn locate(&self, fault: FieldFault) -> HostError {
        let position = self.span_of(&fault.path).map(|span| self.position(&span));
        HostError::input(fault.problem)
            .in_file(&*self.name)
            .at(Place::Field {
                path: fault.path,
                position,
            })
            .expected(fault.expected)
            .mend(fault.mend)
    }

    /// Line and column, counted from 1.
    fn position(&self, span: &Range<usize>) -> (usize, usize) {
        let before = self.text.get(..span.start).unwrap_or(&self.text);
        let line = before.matches('\n').count() + 1;
        let start = before.rfind('\n').map_or(0, |newline| newline + 1);
        (line, before[start..].chars().count() + 1)
    }

    /// Where the value at `path` stands, or the innermost table on the way to it.
    fn span_of(&self, path: &str) -> Option<Range<usize>> {
        let root = DeTable::parse(&self.text).ok()?;
        let mut table: &DeTable<'_> = root.get_ref();
        let mut found = None;
        for segment in path.split('.') {
            let (name, place) = match segment.split_once('[') {
                Some((name, rest)) => (name, rest.trim_end_matches(']').parse::<usize>().ok()),
                None => (segment, None),
            };
            let Some(mut value) = table.get(name) else {
                return found;
            };
            if let (Some(place), DeValue::Array(list)) = (place, value.get_ref()) {
                let Some(item) = list.get(place) else {
                    return found;
                };
                value = item;
            }
            found = Some(Spanned::span(value));
            match value.get_ref() {
                DeValue::Table(inner) => table = inner,
                _ => return found,
            }
        }
        found
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEXT: &str = "[pack]\nvolts = 3\n\n[[part]]\nohm = 1\n[[part]]\nohm = -1\n";

    #[test]
    fn a_fault_is_found_at_its_line_and_column() {
        let document = Document::embedded("a.toml", TEXT);
        let at = |path: &str| {
            let error = document.locate(FieldFault::new(path, "bad", "good"));
            error.place.clone()
        };
        let field = |path: &str, position| Place::Field {
            path: path.to_owned(),
            position,
        };
        assert_eq!(at("pack.volts"), field("pack.volts", Some((2, 9))));
        assert_eq!(at("part[1].ohm"), field("part[1].ohm", Some((7, 7))));
        // A field that is not written: the table in which it is missing.
        assert_eq!(at("pack.amps"), field("pack.amps", Some((1, 1))));
        assert_eq!(at("nowhere"), field("nowhere", None));
    }

    #[test]
    fn nan_and_infinity_lie_in_no_range() {
        for value in [f64::NAN, f64::INFINITY, -1.0] {
            assert!(in_range("x", value, 0.0..=1.0, "V").is_err());
        }
        assert_eq!(in_range("x", 1.0, 0.0..=1.0, "V"), Ok(1.0));
    }
}
