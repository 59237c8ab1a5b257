//! A log of CAN frames as CSV: `time_s`, `id`, `data_hex` and, where there is
//! more than one bus, `bus`.

use super::can::{Database, Decoder, Frame};
use super::wish::Search;
use super::{Batch, Lane, ROLES, Source};
use crate::capture::fields;
use crate::capture::lines::Lines;
use crate::document::FieldFault;
use crate::error::{HostError, Place};

/// The column that makes a CSV file such a log.
pub(super) const DATA: &str = "data_hex";
/// Longest payload: that of CAN FD.
const BYTES_MAX: usize = 64;
const CHUNK: usize = 4096;
const HEADER: &str = "the columns time_s, id and data_hex, and bus if there is more than one";

/// An opened log.
pub(in crate::capture) struct Log {
    pub(super) name: String,
    open: Option<Box<Open>>,
}

struct Open {
    lines: Lines,
    columns: usize,
    time: usize,
    id: usize,
    data: usize,
    bus: Option<usize>,
}

impl Log {
    /// Takes the header row, which was read last.
    pub(super) fn start(name: &str, lines: Lines) -> Result<Self, HostError> {
        let find = |wanted: &str| {
            lines.place_of(wanted).ok_or_else(|| {
                HostError::input(format!("column {wanted} is missing"))
                    .in_file(name)
                    .at(Place::Row {
                        line: lines.number(),
                        column: None,
                    })
                    .expected(HEADER)
                    .mend("add the column; `ohmsplit formats` says what it holds")
            })
        };
        let open = Open {
            time: find("time_s")?,
            id: find("id")?,
            data: find(DATA)?,
            bus: lines.place_of("bus"),
            columns: lines.len(),
            lines,
        };
        Ok(Self {
            name: name.to_owned(),
            open: Some(Box::new(open)),
        })
    }

    pub(super) fn lane(&mut self, search: &Search<'_>) -> Result<Lane, FieldFault> {
        let Some(dbc) = &search.dbc else {
            let problem = format!("missing, and {} has CAN frames", self.name);
            return Err(
                FieldFault::new("channels.dbc", problem, "the DBC file of the bus")
                    .mend("add dbc = \"FILE.dbc\" to the [channels] table, and name signals as \"Message.Signal\""),
            );
        };
        let wishes: Vec<_> = search.wishes.iter().collect();
        let decoder = Database::read(dbc)?.decoder(search, &wishes)?;
        let Some(open) = self.open.take() else {
            return Err(FieldFault::new(
                "channels",
                "the log has been read",
                "one reading",
            ));
        };
        Ok(Lane {
            carries: [true; ROLES],
            source: Box::new(Frames {
                name: self.name.clone(),
                open,
                decoder,
            }),
        })
    }
}

struct Frames {
    name: String,
    open: Box<Open>,
    decoder: Decoder,
}

impl Frames {
    fn error(&self, problem: String, column: &str) -> HostError {
        HostError::input(problem)
            .in_file(&*self.name)
            .at(Place::Row {
                line: self.open.lines.number(),
                column: Some(column.to_owned()),
            })
    }

    /// The values of the frame in the line that was read last, if any.
    fn values(&mut self) -> Result<Option<(f64, [f64; ROLES])>, HostError> {
        let Open {
            ref lines,
            columns,
            time,
            id,
            data,
            bus,
        } = *self.open;
        let mend = "correct the field, or remove the row";
        if lines.len() != columns {
            let problem = format!("the row has {} fields", lines.len());
            let expected = format!("{columns} fields, as in the header row");
            return Err(self.error(problem, DATA).expected(expected).mend(mend));
        }
        let time_s = fields::time_s(lines.field(time)).map_err(|bad| {
            self.error(bad.problem, "time_s")
                .expected(bad.expected)
                .mend(mend)
        })?;
        let bad = |place: usize, column: &str, expected: &str| {
            let problem = format!("{} is not valid", fields::quoted(lines.field(place)));
            self.error(problem, column).expected(expected).mend(mend)
        };
        let id = identifier(lines.field(id)).ok_or_else(|| {
            bad(
                id,
                "id",
                "a CAN identifier, as 291 or 0x123, of at most 29 bits",
            )
        })?;
        let payload = hex(lines.field(data))
            .ok_or_else(|| bad(data, DATA, "up to 64 bytes, two hexadecimal digits each"))?;
        let bus = match bus {
            Some(place) => number(lines.field(place))
                .and_then(|bus| u8::try_from(bus).ok())
                .ok_or_else(|| bad(place, "bus", "the number of a bus, 0 to 255"))?,
            None => 0,
        };
        let frame = Frame {
            id,
            bus,
            data: &payload,
        };
        let decoded = self.decoder.decode(&frame).map_err(|bad| {
            let problem = format!("{}: {}", bad.channel, bad.problem);
            self.error(problem, DATA)
                .expected(bad.expected)
                .mend(bad.mend)
        })?;
        Ok(decoded.map(|values| (time_s, values)))
    }
}

impl Source for Frames {
    fn next_batch(&mut self) -> Result<Option<Batch>, HostError> {
        let mut batch = Batch::default();
        while batch.times.len() < CHUNK {
            match self.open.lines.advance() {
                Ok(true) => {}
                Ok(false) => break,
                Err(bad) => return Err(bad.told(&self.name, self.open.lines.number())),
            }
            if let Some((time_s, values)) = self.values()? {
                batch.push(time_s, values);
            }
        }
        Ok((!batch.times.is_empty()).then_some(batch))
    }
}

fn number(field: &[u8]) -> Option<u32> {
    let text = std::str::from_utf8(field).ok()?;
    match text.strip_prefix("0x").or_else(|| text.strip_prefix("0X")) {
        Some(digits) => u32::from_str_radix(digits, 16).ok(),
        None => text.parse().ok(),
    }
}

fn identifier(field: &[u8]) -> Option<u32> {
    number(field).filter(|&id| id < 1 << 29)
}

/// Bytes of their hexadecimal digits.
pub(super) fn hex(field: &[u8]) -> Option<Vec<u8>> {
    if !field.len().is_multiple_of(2) || field.len() > 2 * BYTES_MAX {
        return None;
    }
    let digit = |byte: u8| (byte as char).to_digit(16).map(|digit| digit as u8);
    field
        .chunks_exact(2)
        .map(|pair| Some(digit(pair[0])? << 4 | digit(pair[1])?))
        .collect()
}
