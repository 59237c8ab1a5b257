//! A capture as CSV, read as a stream. Every malformed file yields one error
//! with line and column.

use std::borrow::Cow;
use std::ops::RangeInclusive;
use std::path::Path;

use super::fields::{self, BadField};
use super::foreign::{HEADER, cure_of_header, other_case};
use super::lines::{BadLine, Lines};
use super::units::no_column;
use super::{Layout, Row};
use crate::error::{HostError, Place};
use crate::network::Readings;

/// Where the columns stand in a row.
#[derive(Debug, Clone, Copy)]
struct Columns {
    count: usize,
    time: usize,
    drive: usize,
    readings: [usize; 2],
    /// The unit, where the capture is of several.
    unit: Option<usize>,
}

/// An open capture with its own columns.
pub(super) struct CsvReader {
    name: String,
    lines: Lines,
    layout: Layout,
    columns: Columns,
    /// Codes that each converter can give.
    pub(super) codes: [RangeInclusive<i64>; 2],
    last_s: f64,
    rows: u64,
}

impl CsvReader {
    /// Starts behind the header row, which `first` says is there. A column of units is looked for if it is named.
    ///
    /// # Errors
    /// When there is no proper header.
    pub(super) fn start(
        name: &str,
        lines: Lines,
        first: Result<bool, BadLine>,
        unit_column: Option<&str>,
    ) -> Result<Self, HostError> {
        let mut reader = Self {
            name: name.to_owned(),
            lines,
            layout: Layout::ALL[0],
            columns: Columns {
                count: 0,
                time: 0,
                drive: 0,
                readings: [0; 2],
                unit: None,
            },
            codes: [0..=0, 0..=0],
            last_s: f64::NEG_INFINITY,
            rows: 0,
        };
        reader.read_header(first, unit_column)?;
        Ok(reader)
    }

    pub(super) const fn layout(&self) -> Layout {
        self.layout
    }

    /// The file, as the user named it.
    pub(super) fn name(&self) -> &str {
        &self.name
    }

    pub(super) const fn rows(&self) -> u64 {
        self.rows
    }

    /// The next row, or `None` at the end.
    ///
    /// # Errors
    /// With line and column, when the row is malformed, or when the capture has no row at all.
    #[inline]
    pub(super) fn next_row(&mut self) -> Result<Option<Row>, HostError> {
        if !self.advance()? {
            return self.end();
        }
        let row = self.row_after(self.last_s)?;
        self.last_s = row.time_s;
        self.rows += 1;
        Ok(Some(row))
    }

    /// Goes to the next line; false at the end.
    #[inline]
    pub(super) fn advance(&mut self) -> Result<bool, HostError> {
        match self.lines.advance() {
            Ok(true) if self.lines.len() != self.columns.count => Err(self.ragged()),
            Ok(more) => Ok(more),
            Err(bad) => Err(self.bad_line(bad)),
        }
    }

    /// The row of the line, which must be later than `last_s`.
    #[inline]
    pub(super) fn row_after(&self, last_s: f64) -> Result<Row, HostError> {
        let row = match self.parse() {
            Ok(row) => row,
            Err((column, bad)) => return Err(self.bad_field(column, bad)),
        };
        if row.time_s <= last_s {
            return Err(self.not_increasing(row.time_s, last_s));
        }
        Ok(row)
    }

    /// The unit that the line is of.
    pub(super) fn unit(&self) -> Cow<'_, str> {
        let field = self.columns.unit.map(|place| self.lines.field(place));
        String::from_utf8_lossy(field.unwrap_or_default())
    }

    /// The record as a row, or the place of its bad field.
    #[inline]
    fn parse(&self) -> Result<Row, (usize, BadField)> {
        let Columns {
            time,
            drive,
            readings,
            ..
        } = self.columns;
        let mut codes = [0; 2];
        for ((code, place), range) in codes.iter_mut().zip(readings).zip(&self.codes) {
            let field = self.lines.field(place);
            let parsed = match self.layout.readings {
                Readings::Volts => fields::microvolts(field),
                Readings::Codes => fields::code(field, range),
            };
            *code = parsed.map_err(|bad| (place, bad))?;
        }
        Ok(Row {
            time_s: fields::time_s(self.lines.field(time)).map_err(|bad| (time, bad))?,
            drive: fields::drive(self.lines.field(drive)).map_err(|bad| (drive, bad))?,
            codes,
        })
    }

    fn read_header(
        &mut self,
        first: Result<bool, BadLine>,
        unit_column: Option<&str>,
    ) -> Result<(), HostError> {
        match first {
            Ok(true) => {}
            Ok(false) => {
                return Err(self
                    .error("the capture is empty")
                    .expected(HEADER)
                    .mend("record again, or name the right file"));
            }
            Err(bad) => return Err(self.bad_line(bad)),
        }
        let names: Vec<&[u8]> = (0..self.lines.len())
            .map(|place| self.lines.field(place))
            .collect();
        let text = |byte: &u8| (b' '..=b'~').contains(byte) || *byte == b'\t';
        if !names.iter().copied().flatten().all(text) {
            return Err(self
                .error("this is not a CSV capture: the header row has bytes that are not text")
                .expected(HEADER)
                .mend("name a capture; `ohmsplit formats` describes it"));
        }
        let names: Vec<String> = names
            .into_iter()
            .map(|name| String::from_utf8_lossy(name).into_owned())
            .collect();
        let is_unit = |name: &&String| Some(name.as_str()) == unit_column;
        let unit = names.iter().position(|name| is_unit(&name));
        if let (Some(column), None) = (unit_column, unit) {
            return Err(no_column(Path::new(&self.name), column, &names.join(", ")));
        }
        let others: Vec<String> = names
            .iter()
            .filter(|name| !is_unit(name))
            .cloned()
            .collect();
        self.check_units(&others)?;
        self.layout = self.find_layout(&names)?;
        self.columns = self.place_columns(&names, unit)?;
        Ok(())
    }

    /// Refuses a column that would be known with another unit.
    fn check_units(&self, names: &[String]) -> Result<(), HostError> {
        let readings = Layout::ALL.into_iter().flat_map(|layout| layout.columns());
        let known: Vec<&str> = ["time_s"].into_iter().chain(readings).collect();
        let quantity = |column: &str| column.rsplit_once('_').map(|(name, _)| name.to_owned());
        for name in names.iter().filter(|name| name.contains('_')) {
            let meant = known
                .iter()
                .find(|column| quantity(column) == quantity(name));
            if let Some(column) = meant
                && !known.contains(&name.as_str())
            {
                return Err(self
                    .header_error(format!(
                        "unknown column \"{name}\", and no unit is converted"
                    ))
                    .expected(
                        "time_s in seconds; readings in volts (_V) or converter codes (_code)",
                    )
                    .mend(format!("convert the values and name the column {column}")));
            }
        }
        Ok(())
    }

    /// Which pair of readings the header names.
    fn find_layout(&self, names: &[String]) -> Result<Layout, HostError> {
        let has = |wanted: &str| names.iter().any(|name| name == wanted);
        let present: Vec<Layout> = Layout::ALL
            .into_iter()
            .filter(|layout| layout.columns().into_iter().any(has))
            .collect();
        match present[..] {
            [layout] => Ok(layout),
            [] if !has("time_s") && !has("drive") => Err(self
                .header_error("there is no header row with column names")
                .mend(cure_of_header(names))),
            [] => Err(self
                .header_error("no column holds readings")
                .mend("name one of these pairs of columns: chassis_V and pack_V, chassis_code and pack_code, positive_V and negative_V, positive_code and negative_code")),
            _ => {
                let found: Vec<&str> = Layout::ALL
                    .iter()
                    .flat_map(|layout| layout.columns())
                    .filter(|column| has(column))
                    .collect();
                Err(self
                    .header_error(format!("{} do not go together", found.join(", ")))
                    .expected("one pair of readings, both in volts or both in codes")
                    .mend("keep one pair; start the name of a column to be ignored with x_"))
            }
        }
    }

    fn place_columns(&self, names: &[String], unit: Option<usize>) -> Result<Columns, HostError> {
        let [first, second] = self.layout.columns();
        let known = ["time_s", "drive", first, second];
        for (place, name) in names.iter().enumerate() {
            if names[..place].contains(name) && !name.starts_with("x_") {
                return Err(self
                    .header_error(format!("column {name} is there twice"))
                    .mend("remove or rename one of them"));
            }
            let ignored = name.starts_with("x_") || unit == Some(place);
            if !known.contains(&name.as_str()) && !ignored {
                return Err(self
                    .header_error(format!(
                        "unknown column {}",
                        fields::quoted(name.as_bytes())
                    ))
                    .mend(match other_case(&names[place..=place]) {
                        Some((_, known)) => {
                            format!("write {known}: small and capital letters differ")
                        }
                        None => "correct the name, or start it with x_ to have the column ignored"
                            .to_owned(),
                    }));
            }
        }
        let find = |wanted: &str| {
            names.iter().position(|name| name == wanted).ok_or_else(|| {
                self.header_error(format!("column {wanted} is missing"))
                    .mend(format!(
                        "add a column {wanted}; `ohmsplit formats` says what it holds"
                    ))
            })
        };
        Ok(Columns {
            count: names.len(),
            time: find("time_s")?,
            drive: find("drive")?,
            readings: [find(first)?, find(second)?],
            unit,
        })
    }
}

/// Errors: off the path of good rows.
impl CsvReader {
    fn error(&self, problem: impl Into<String>) -> HostError {
        HostError::input(problem).in_file(&*self.name)
    }

    fn header_error(&self, problem: impl Into<String>) -> HostError {
        self.row_error(problem, None).expected(HEADER)
    }

    /// An error at the line that was read last.
    fn row_error(&self, problem: impl Into<String>, column: Option<&str>) -> HostError {
        self.error(problem).at(Place::Row {
            line: self.lines.number(),
            column: column.map(ToOwned::to_owned),
        })
    }

    fn column_name(&self, place: usize) -> &'static str {
        let [first, second] = self.layout.columns();
        if place == self.columns.time {
            "time_s"
        } else if place == self.columns.drive {
            "drive"
        } else if place == self.columns.readings[0] {
            first
        } else {
            second
        }
    }

    #[cold]
    fn end(&self) -> Result<Option<Row>, HostError> {
        if self.rows > 0 {
            return Ok(None);
        }
        Err(self
            .error("the capture has a header but no rows")
            .expected("one row a sample")
            .mend("record again, or name the right file"))
    }

    #[cold]
    fn bad_field(&self, place: usize, bad: BadField) -> HostError {
        let mend = if place == self.columns.drive {
            "write the state of the drive with these words; it is what the switches did, not what was wanted"
        } else if place == self.columns.time {
            "count seconds from the beginning of the recording, with a point; or remove the row: missing samples are allowed"
        } else if self.layout.readings == Readings::Volts {
            "convert to volts, or remove the row if it alone is wrong: missing samples are allowed"
        } else {
            "correct the field, or remove the row: missing samples are allowed"
        };
        self.row_error(bad.problem, Some(self.column_name(place)))
            .expected(bad.expected)
            .mend(mend)
    }

    #[cold]
    fn ragged(&self) -> HostError {
        let (found, wanted) = (self.lines.len(), self.columns.count);
        let fields = if found == 1 { "field" } else { "fields" };
        self.row_error(format!("the row has {found} {fields}"), None)
            .expected(format!("{wanted} fields, as in the header row"))
            .mend(if found > wanted {
                "write numbers with a point, as a comma begins a new field; or remove the row"
            } else {
                "complete the row, or remove it: missing samples are allowed"
            })
    }

    #[cold]
    fn not_increasing(&self, time_s: f64, last_s: f64) -> HostError {
        let problem = format!("{time_s} does not come after {last_s} of the row before");
        self.row_error(problem, Some("time_s"))
            .expected("times in seconds that increase from row to row")
            .mend("sort the rows by time and remove doubles")
    }

    #[cold]
    fn bad_line(&self, bad: BadLine) -> HostError {
        bad.told(&self.name, self.lines.number())
    }
}
