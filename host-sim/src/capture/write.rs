//! Writing a capture. The file appears under its name only when it is complete.

use std::io::Write;
use std::path::Path;

use flate2::Compression;
use flate2::write::GzEncoder;

use super::{Layout, Row, fields};
use crate::error::HostError;
use crate::network::Readings;
use crate::output::AtomicFile;
use crate::table::{Column, ColumnFile, GROUP, Kind as Holds};

const BUFFER: usize = 1 << 16;

/// A capture being written: Parquet when the name of the file ends in
/// `.parquet`, else CSV.
pub struct Writer(Kind);

enum Kind {
    Text(TextWriter),
    Columns(ColumnWriter),
}

impl Writer {
    /// Starts a capture.
    ///
    /// # Errors
    /// When the folder cannot be written.
    pub fn create(path: &Path, layout: Layout, comment: &str) -> Result<Self, HostError> {
        let ending = path.extension().unwrap_or_default();
        Ok(Self(if ending.eq_ignore_ascii_case("parquet") {
            Kind::Columns(ColumnWriter::create(path, layout, comment)?)
        } else {
            Kind::Text(TextWriter::create(path, layout, comment)?)
        }))
    }

    /// Adds a row.
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn push(&mut self, row: &Row) -> Result<(), HostError> {
        match &mut self.0 {
            Kind::Text(writer) => writer.push(row),
            Kind::Columns(writer) => writer.push(row),
        }
    }

    /// Completes the file and gives it its name.
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn finish(self) -> Result<(), HostError> {
        match self.0 {
            Kind::Text(writer) => writer.finish(),
            Kind::Columns(writer) => writer.finish(),
        }
    }
}

/// Rows as columns, under the names of a CSV capture.
struct ColumnWriter {
    file: ColumnFile,
    readings: Readings,
    rows: Vec<Row>,
}

impl ColumnWriter {
    fn create(path: &Path, layout: Layout, comment: &str) -> Result<Self, HostError> {
        let reading = match layout.readings {
            Readings::Volts => Holds::Real,
            Readings::Codes => Holds::Whole,
        };
        let [first, second] = layout.columns();
        let columns = [
            ("time_s", Holds::Real),
            ("drive", Holds::Text),
            (first, reading),
            (second, reading),
        ];
        Ok(Self {
            file: ColumnFile::create(path, &columns, comment)?,
            readings: layout.readings,
            rows: Vec::with_capacity(GROUP),
        })
    }

    fn push(&mut self, row: &Row) -> Result<(), HostError> {
        self.rows.push(*row);
        if self.rows.len() < GROUP {
            return Ok(());
        }
        self.flush()
    }

    fn flush(&mut self) -> Result<(), HostError> {
        let rows = std::mem::take(&mut self.rows);
        let reading = |place: usize| {
            let codes = rows.iter().map(|row| row.codes[place]);
            match self.readings {
                // Codes of one microvolt.
                Readings::Volts => {
                    Column::Real(codes.map(|code| Some(f64::from(code) / 1e6)).collect())
                }
                Readings::Codes => Column::Whole(codes.map(|code| Some(code.into())).collect()),
            }
        };
        // Whole microseconds, as in a CSV capture.
        let time = |row: &Row| Some((row.time_s * 1e6).round() / 1e6);
        let drive = |row: &Row| Some(row.drive.name().to_owned());
        self.file.write(&[
            Column::Real(rows.iter().map(time).collect()),
            Column::Text(rows.iter().map(drive).collect()),
            reading(0),
            reading(1),
        ])
    }

    fn finish(mut self) -> Result<(), HostError> {
        self.flush()?;
        self.file.finish()
    }
}

/// Plain text, or gzip when the name of the file ends in `.gz`.
enum Sink {
    Plain(AtomicFile),
    Gzip(Box<GzEncoder<AtomicFile>>),
}

/// Rows as CSV.
struct TextWriter {
    name: String,
    sink: Sink,
    layout: Layout,
    buffer: Vec<u8>,
}

impl TextWriter {
    /// Starts a capture with a comment line and the header row.
    fn create(path: &Path, layout: Layout, comment: &str) -> Result<Self, HostError> {
        let file = AtomicFile::create(path)?;
        let gzip = path
            .extension()
            .is_some_and(|extension| extension.eq_ignore_ascii_case("gz"));
        let sink = if gzip {
            Sink::Gzip(Box::new(GzEncoder::new(file, Compression::default())))
        } else {
            Sink::Plain(file)
        };
        let [first, second] = layout.columns();
        let mut buffer = Vec::with_capacity(2 * BUFFER);
        for line in comment.lines() {
            buffer.extend_from_slice(format!("# {line}\n").as_bytes());
        }
        buffer.extend_from_slice(format!("time_s,drive,{first},{second}\n").as_bytes());
        Ok(Self {
            name: path.display().to_string(),
            sink,
            layout,
            buffer,
        })
    }

    /// Adds a row.
    fn push(&mut self, row: &Row) -> Result<(), HostError> {
        let out = &mut self.buffer;
        fields::push_millionths(out, (row.time_s * 1e6).round() as i64);
        out.push(b',');
        out.extend_from_slice(row.drive.name().as_bytes());
        for code in row.codes {
            out.push(b',');
            match self.layout.readings {
                Readings::Volts => fields::push_millionths(out, i64::from(code)),
                Readings::Codes => fields::push_integer(out, code),
            }
        }
        out.push(b'\n');
        if self.buffer.len() < BUFFER {
            return Ok(());
        }
        self.flush()
    }

    fn flush(&mut self) -> Result<(), HostError> {
        let written = match &mut self.sink {
            Sink::Plain(file) => file.write_all(&self.buffer),
            Sink::Gzip(encoder) => encoder.write_all(&self.buffer),
        };
        self.buffer.clear();
        written.map_err(|error| HostError::system(&*self.name, "cannot write", &error))
    }

    /// Completes the file and gives it its name.
    fn finish(mut self) -> Result<(), HostError> {
        self.flush()?;
        match self.sink {
            Sink::Plain(file) => file.commit(),
            Sink::Gzip(encoder) => encoder
                .finish()
                .map_err(|error| HostError::system(&*self.name, "cannot write", &error))?
                .commit(),
        }
    }
}
