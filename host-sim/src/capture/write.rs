//! Writing a capture. The file appears under its name only when it is complete.

use std::io::Write;
use std::path::Path;

use flate2::Compression;
use flate2::write::GzEncoder;

use super::{Layout, Row, fields};
use crate::error::HostError;
use crate::network::Readings;
use crate::output::AtomicFile;

const BUFFER: usize = 1 << 16;

/// Plain text, or gzip when the name of the file ends in `.gz`.
enum Sink {
    Plain(AtomicFile),
    Gzip(Box<GzEncoder<AtomicFile>>),
}

/// A capture being written.
pub struct Writer {
    name: String,
    sink: Sink,
    layout: Layout,
    buffer: Vec<u8>,
}

impl Writer {
    /// Starts a capture with a comment line and the header row.
    ///
    /// # Errors
    /// When the folder cannot be written.
    pub fn create(path: &Path, layout: Layout, comment: &str) -> Result<Self, HostError> {
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
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn push(&mut self, row: &Row) -> Result<(), HostError> {
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
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn finish(mut self) -> Result<(), HostError> {
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
