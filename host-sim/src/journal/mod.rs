//! Event records that firmware kept: a copy of the memory pages, read slot by
//! slot with the core's own decoder and put in order.

mod lines;
mod table;

use std::path::Path;

use ohmsplit::journal::{RECORD_SIZE, Record, Slot};

use crate::error::HostError;
pub use lines::line;
pub use table::table;

/// What a copy of the memory holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Image {
    /// Sound records, oldest first.
    pub records: Vec<Record>,
    /// Slots that are neither free nor sound.
    pub damaged: usize,
    /// Slots that are free.
    pub free: usize,
}

/// Largest image that is read: far beyond any flash that holds a journal.
const BYTES_MAX: u64 = 256 << 20;

impl Image {
    /// Reads a file.
    ///
    /// # Errors
    /// When it cannot be read, or is no copy of a journal's pages.
    pub fn read(path: &Path) -> Result<Self, HostError> {
        let name = path.display().to_string();
        let refused = |error| HostError::system(&*name, "cannot read", &error);
        let size = std::fs::metadata(path).map_err(refused)?.len();
        if size > BYTES_MAX {
            return Err(HostError::input(format!("the file has {size} bytes"))
                .in_file(&*name)
                .expected(format!("at most {BYTES_MAX} bytes"))
                .mend("cut out the pages of the journal"));
        }
        let bytes = std::fs::read(path).map_err(refused)?;
        Self::parse(&bytes).map_err(|error| error.in_file(&*name))
    }

    /// Reads bytes.
    ///
    /// # Errors
    /// When they are no copy of a journal's pages.
    pub fn parse(bytes: &[u8]) -> Result<Self, HostError> {
        let (slots, rest) = bytes.as_chunks::<RECORD_SIZE>();
        if !rest.is_empty() || slots.is_empty() {
            return Err(HostError::input(format!("the file has {} bytes", bytes.len()))
                .expected(format!("whole slots of {RECORD_SIZE} bytes"))
                .mend("copy all pages of the journal from their first byte to their last, in binary"));
        }
        let mut image = Self {
            records: Vec::new(),
            damaged: 0,
            free: 0,
        };
        for slot in slots {
            match Slot::of(slot) {
                Slot::Record(record) => image.records.push(record),
                Slot::Damaged => image.damaged += 1,
                Slot::Free => image.free += 1,
            }
        }
        if image.records.is_empty() && image.damaged > 0 {
            return Err(HostError::input("no slot holds a sound record")
                .expected("pages of the journal, each slot with mark, version and check")
                .mend("check that the copy begins at the start of a page and is not text"));
        }
        image.records.sort_by_key(|record| record.sequence);
        Ok(image)
    }

    /// Numbers that are missing between the oldest and the newest record.
    #[must_use]
    pub fn missing(&self) -> u64 {
        let (Some(first), Some(last)) = (self.records.first(), self.records.last()) else {
            return 0;
        };
        let span = u64::from(last.sequence - first.sequence) + 1;
        span.saturating_sub(self.records.len() as u64)
    }
}

#[cfg(test)]
mod tests;
