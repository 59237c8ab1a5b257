//! Lines of a CSV file as records: comments and blank lines skipped, the line
//! number known. A record never spans lines, since a row is a sample.

use std::io::{BufRead, BufReader, Read};

use csv_core::ReadRecordResult;
use flate2::bufread::MultiGzDecoder;

use crate::error::{HostError, Place};

const BUFFER: usize = 1 << 17;
pub(super) const GZIP_MAGIC: [u8; 2] = [0x1f, 0x8b];
const BYTE_ORDER_MARK: &[u8] = "\u{feff}".as_bytes();
/// Longest line and most fields: far above any capture, so that a file that
/// is none cannot fill the memory.
const LINE_MAX: u64 = 1 << 16;
const FIELDS_MAX: usize = 1024;
const RETURN: &str = "there is a carriage return inside the line, and lines end with a line feed";

/// Why no record can be had.
pub(crate) enum BadLine {
    /// The bytes cannot be read.
    Unreadable(std::io::Error),
    /// The line is no record: what is wrong with it.
    Malformed(&'static str),
}

impl BadLine {
    /// The error of a file, at the line that was reached.
    #[cold]
    pub(crate) fn told(self, file: &str, line: u64) -> HostError {
        let at = |problem: String| {
            HostError::input(problem)
                .in_file(file)
                .at(Place::Row { line, column: None })
        };
        let error = match self {
            Self::Malformed(problem) => {
                return at(problem.to_owned())
                    .expected("one row of a CSV file a line")
                    .mend("correct the line, or name a capture: `ohmsplit formats` describes it");
            }
            Self::Unreadable(error) => error,
        };
        let problem = if error.kind() == std::io::ErrorKind::UnexpectedEof {
            "the compressed file ends too early".to_owned()
        } else {
            format!("the file cannot be read on: {error}")
        };
        at(problem)
            .expected("a whole CSV file, plain or gzip")
            .mend("copy the file again from where it was recorded")
    }
}

/// A stream of records.
pub(crate) struct Lines {
    source: Box<dyn BufRead>,
    parser: csv_core::Reader,
    line: Vec<u8>,
    /// Number of the line read last.
    number: u64,
    fields: Vec<u8>,
    ends: Vec<usize>,
    count: usize,
}

impl Lines {
    /// Starts on plain or gzip bytes, told apart by the first two.
    pub(crate) fn new(bytes: impl Read + 'static) -> std::io::Result<Self> {
        let mut buffered = BufReader::with_capacity(BUFFER, bytes);
        let source: Box<dyn BufRead> = if buffered.fill_buf()?.starts_with(&GZIP_MAGIC) {
            let unpacked = MultiGzDecoder::new(buffered);
            Box::new(BufReader::with_capacity(BUFFER, unpacked))
        } else {
            Box::new(buffered)
        };
        Ok(Self {
            source,
            parser: csv_core::Reader::new(),
            line: Vec::new(),
            number: 0,
            fields: Vec::new(),
            ends: vec![0; FIELDS_MAX],
            count: 0,
        })
    }

    /// Number of the line read last, counted from 1.
    pub(crate) const fn number(&self) -> u64 {
        self.number
    }

    /// Number of fields of the record.
    pub(crate) const fn len(&self) -> usize {
        self.count
    }

    /// A field of the record, without the blanks around it.
    #[inline]
    pub(crate) fn field(&self, place: usize) -> &[u8] {
        let start = match place.checked_sub(1) {
            Some(before) => self.ends[before],
            None => 0,
        };
        self.fields[start..self.ends[place]].trim_ascii()
    }

    /// Where the record has this field.
    pub(crate) fn place_of(&self, wanted: &str) -> Option<usize> {
        (0..self.count).find(|&place| self.field(place) == wanted.as_bytes())
    }

    /// Goes to the next record; `false` at the end of the file.
    #[inline]
    pub(crate) fn advance(&mut self) -> Result<bool, BadLine> {
        loop {
            if !self.read_line()? {
                return Ok(false);
            }
            if self.line.first() != Some(&b'#') && !self.line.trim_ascii().is_empty() {
                return self.split().map(|()| true);
            }
        }
    }

    #[inline]
    fn read_line(&mut self) -> Result<bool, BadLine> {
        self.line.clear();
        let read = self
            .source
            .by_ref()
            .take(LINE_MAX)
            .read_until(b'\n', &mut self.line)
            .map_err(BadLine::Unreadable)?;
        if read == 0 {
            return Ok(false);
        }
        self.number += 1;
        if self.line.last() != Some(&b'\n') {
            if read as u64 == LINE_MAX {
                return Err(BadLine::Malformed(if self.line.contains(&b'\r') {
                    RETURN
                } else {
                    "the line is longer than 65536 bytes"
                }));
            }
            self.line.push(b'\n');
        }
        if self.number == 1 && self.line.starts_with(BYTE_ORDER_MARK) {
            self.line.drain(..BYTE_ORDER_MARK.len());
        }
        Ok(true)
    }

    #[inline]
    fn split(&mut self) -> Result<(), BadLine> {
        if self.fields.len() < self.line.len() {
            self.fields.resize(self.line.len(), 0);
        }
        self.parser.reset();
        let (result, read, _, count) =
            self.parser
                .read_record(&self.line, &mut self.fields, &mut self.ends);
        self.count = count;
        match result {
            ReadRecordResult::Record if matches!(self.line[read..], [] | [b'\n']) => Ok(()),
            ReadRecordResult::Record => Err(BadLine::Malformed(RETURN)),
            ReadRecordResult::OutputEndsFull => {
                Err(BadLine::Malformed("the row has more than 1024 fields"))
            }
            _ => Err(BadLine::Malformed("a quote is not closed on its line")),
        }
    }
}
