//! A row of the table. Names and units of the columns are those of the JSON
//! lines of a replay.

use serde_json::Value;

use crate::bulk::Replayed;
use crate::error::HostError;
use crate::output::FinalLine;
use crate::table::{Cell, Kind};

use Kind::{Real, Text, Whole};

/// The columns; all but the first three are fields of the final JSON line.
pub const COLUMNS: [(&str, Kind); 26] = [
    ("capture", Text),
    ("unit", Text),
    ("error", Text),
    ("verdict", Text),
    ("verdict_reason", Text),
    ("answer", Text),
    ("answer_reason", Text),
    ("hint", Text),
    ("isolation_ohm", Real),
    ("isolation_low_ohm", Real),
    ("isolation_high_ohm", Real),
    ("weakest_rail", Text),
    ("weakest_ohm", Real),
    ("weakest_low_ohm", Real),
    ("weakest_high_ohm", Real),
    ("position", Real),
    ("position_u", Real),
    ("capacitance_F", Real),
    ("capacitance_u_F", Real),
    ("first_answer_s", Real),
    ("end_s", Real),
    ("samples", Whole),
    ("dwells", Whole),
    ("answered", Whole),
    ("alarm_ohm", Real),
    ("warning_ohm", Real),
];
/// Columns that are no field of the JSON line.
const OWN: usize = 3;
const ERROR: usize = 2;

/// One capture, or one unit of it. A field without a value is empty.
#[derive(Debug, Clone, PartialEq)]
pub struct Row(Vec<Cell>);

impl Row {
    /// From what a capture came to.
    #[must_use]
    pub fn new(name: [&str; 2], result: Result<Replayed, HostError>) -> Self {
        let mut cells = name.map(|text| Cell::Text(text.to_owned())).to_vec();
        match result {
            Ok(run) => {
                cells.push(Cell::None);
                let line = FinalLine::of(&run.outcome, &run.limits, run.cells_in_series);
                let line = serde_json::json!(line);
                let fields = COLUMNS[OWN..].iter();
                cells.extend(fields.map(|&(name, kind)| cell(&line[name], kind)));
            }
            Err(error) => {
                // A row is a line.
                let told = error.to_string().replace("\n ", ";");
                cells.push(Cell::Text(told.replace(['\n', '\r'], " ")));
                cells.resize(COLUMNS.len(), Cell::None);
            }
        }
        Self(cells)
    }

    /// A row that was read.
    pub(super) const fn of_cells(cells: Vec<Cell>) -> Self {
        Self(cells)
    }

    /// The capture and the unit.
    #[must_use]
    pub fn name(&self) -> [&str; 2] {
        [self.0[0].as_text(), self.0[1].as_text()]
    }

    /// Whether the capture could not be used.
    #[must_use]
    pub fn failed(&self) -> bool {
        self.0[ERROR] != Cell::None
    }

    /// Its cells, in the order of [`COLUMNS`].
    #[must_use]
    pub fn cells(&self) -> &[Cell] {
        &self.0
    }
}

/// A field of the JSON line.
fn cell(value: &Value, kind: Kind) -> Cell {
    match kind {
        Kind::Whole => value.as_i64().map_or(Cell::None, Cell::Whole),
        Kind::Real => Cell::real(value.as_f64()),
        Kind::Flag => value.as_bool().map_or(Cell::None, Cell::Flag),
        Kind::Text => value
            .as_str()
            .map_or(Cell::None, |text| Cell::Text(text.to_owned())),
    }
}
