//! A row of the table. Names and units of the columns are those of the JSON
//! lines of a replay.

use serde_json::Value;

use super::unit_of;
use crate::bulk::Replayed;
use crate::error::HostError;
use crate::output::{Column, ColumnKind, FinalLine};

use ColumnKind::{Number, Text, Whole};

/// The columns; all but the first three are fields of the final JSON line.
pub const COLUMNS: [(&str, ColumnKind); 25] = [
    ("capture", Text),
    ("unit", Text),
    ("error", Text),
    ("verdict", Text),
    ("verdict_reason", Text),
    ("answer", Text),
    ("answer_reason", Text),
    ("isolation_ohm", Number),
    ("isolation_low_ohm", Number),
    ("isolation_high_ohm", Number),
    ("weakest_rail", Text),
    ("weakest_ohm", Number),
    ("weakest_low_ohm", Number),
    ("weakest_high_ohm", Number),
    ("position", Number),
    ("position_u", Number),
    ("capacitance_F", Number),
    ("capacitance_u_F", Number),
    ("first_answer_s", Number),
    ("end_s", Number),
    ("samples", Whole),
    ("dwells", Whole),
    ("answered", Whole),
    ("alarm_ohm", Number),
    ("warning_ohm", Number),
];
/// Columns that are no field of the JSON line.
const OWN: usize = 3;
const ERROR: usize = 2;

/// One capture. A field without a value is empty.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Row(Vec<String>);

impl Row {
    /// From what a capture came to.
    #[must_use]
    pub fn new(name: &str, result: Result<Replayed, HostError>) -> Self {
        let mut fields = vec![name.to_owned(), unit_of(name), String::new()];
        match result {
            Ok(run) => {
                let line = FinalLine::of(&run.outcome, &run.limits, run.cells_in_series);
                let line = serde_json::json!(line);
                let field = |name: &str| match &line[name] {
                    Value::Null => String::new(),
                    Value::String(text) => text.clone(),
                    value => value.to_string(),
                };
                fields.extend(COLUMNS[OWN..].iter().map(|(name, _)| field(name)));
            }
            Err(error) => {
                // A row is a line.
                fields[ERROR] = error.to_string().replace("\n ", ";").replace('\n', " ");
                fields.resize(COLUMNS.len(), String::new());
            }
        }
        Self(fields)
    }

    /// A row that was read, when it has all fields.
    pub(super) fn of_fields(fields: Vec<String>) -> Option<Self> {
        (fields.len() == COLUMNS.len()).then_some(Self(fields))
    }

    /// The capture.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.0[0]
    }

    /// Whether the capture could not be used.
    #[must_use]
    pub fn failed(&self) -> bool {
        !self.0[ERROR].is_empty()
    }

    pub(super) fn line(&self) -> String {
        let quoted = self.0.iter().map(|field| {
            if field.contains([',', '"', '\r']) || field.starts_with('#') {
                format!("\"{}\"", field.replace('"', "\"\""))
            } else {
                field.clone()
            }
        });
        quoted.collect::<Vec<_>>().join(",") + "\n"
    }
}

/// Rows as columns.
pub(super) fn columns(rows: &[Row]) -> Vec<Column> {
    let column = |(place, &(_, kind)): (usize, &(&str, ColumnKind))| {
        let fields = rows.iter().map(|row| row.0[place].as_str());
        let fields = fields.map(|field| (!field.is_empty()).then_some(field));
        match kind {
            Text => Column::Text(fields.map(|field| field.map(str::to_owned)).collect()),
            Number => Column::Number(fields.map(|field| field?.parse().ok()).collect()),
            Whole => Column::Whole(fields.map(|field| field?.parse().ok()).collect()),
        }
    };
    COLUMNS.iter().enumerate().map(column).collect()
}
