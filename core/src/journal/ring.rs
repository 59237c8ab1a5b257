//! Records in a ring of pages.

use super::record::{Event, RECORD_SIZE, Record, Slot};

/// Slots that are tried before a write that does not read back is given up.
const TRIES: u32 = 3;

/// Memory pages that the integrator owns: at least two, of the same size, each
/// erased as a whole to `0xFF`. A slot is written once between two erasures.
/// Memory that erases to zero is inverted by the implementation.
pub trait Pages {
    /// What can go wrong.
    type Error;

    /// Number of pages, at least 2.
    fn pages(&self) -> u32;
    /// Slots of [`RECORD_SIZE`] bytes in a page, at least 1.
    fn slots(&self) -> u32;
    /// Reads a slot.
    ///
    /// # Errors
    /// When the memory refuses.
    fn read(
        &mut self,
        page: u32,
        slot: u32,
        into: &mut [u8; RECORD_SIZE],
    ) -> Result<(), Self::Error>;
    /// Writes a slot that is free. It may be cut short at any byte.
    ///
    /// # Errors
    /// When the memory refuses.
    fn write(
        &mut self,
        page: u32,
        slot: u32,
        record: &[u8; RECORD_SIZE],
    ) -> Result<(), Self::Error>;
    /// Erases a page. It may be cut short at any byte.
    ///
    /// # Errors
    /// When the memory refuses.
    fn erase(&mut self, page: u32) -> Result<(), Self::Error>;
}

/// Why a journal does not work.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Fault<E> {
    /// Fewer than two pages, or no slots in a page.
    TooSmall,
    /// What was written does not read back: the memory is worn.
    Worn,
    /// Four thousand million records have been written.
    Exhausted,
    /// The memory refused.
    Memory(E),
}

impl<E> From<E> for Fault<E> {
    fn from(error: E) -> Self {
        Self::Memory(error)
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Place {
    pub(super) page: u32,
    pub(super) slot: u32,
}

/// A ring of records. Owned by the background task.
#[derive(Debug)]
pub struct Journal<P: Pages> {
    pub(super) pages: P,
    /// Where the next record goes. A page is erased when its slot 0 is next.
    pub(super) next: Place,
    /// The sequence of the next record.
    pub(super) sequence: Option<u32>,
}

impl<P: Pages> Journal<P> {
    /// Finds the newest record: reads every slot once, for the start-up.
    ///
    /// # Errors
    /// [`Fault::TooSmall`], or when the memory refuses.
    pub fn open(mut pages: P) -> Result<Self, Fault<P::Error>> {
        if pages.pages() < 2 || pages.slots() < 1 {
            return Err(Fault::TooSmall);
        }
        let mut newest: Option<(u32, Place)> = None;
        for page in 0..pages.pages() {
            for slot in 0..pages.slots() {
                let Slot::Record(record) = look(&mut pages, page, slot)? else {
                    continue;
                };
                if newest.is_none_or(|(sequence, _)| record.sequence > sequence) {
                    newest = Some((record.sequence, Place { page, slot }));
                }
            }
        }
        let Some((sequence, place)) = newest else {
            return Ok(Self {
                pages,
                next: Place { page: 0, slot: 0 },
                sequence: Some(1),
            });
        };
        let next = after(&mut pages, place)?;
        Ok(Self {
            pages,
            next,
            sequence: sequence.checked_add(1),
        })
    }

    /// Appends a record, and reads it back.
    ///
    /// # Errors
    /// [`Fault::Worn`], [`Fault::Exhausted`], or when the memory refuses. The
    /// slot is not used again before its page is erased.
    pub fn append(&mut self, at_s: u32, event: Event) -> Result<Record, Fault<P::Error>> {
        let sequence = self.sequence.ok_or(Fault::Exhausted)?;
        let record = Record {
            sequence,
            at_s,
            event,
        };
        let bytes = record.to_bytes();
        for _ in 0..TRIES {
            let Place { page, slot } = self.next;
            if slot == 0 {
                self.pages.erase(page)?;
            }
            self.next = self.following(self.next);
            self.pages.write(page, slot, &bytes)?;
            let mut kept = [0; RECORD_SIZE];
            self.pages.read(page, slot, &mut kept)?;
            if kept == bytes {
                self.sequence = sequence.checked_add(1);
                return Ok(record);
            }
        }
        Err(Fault::Worn)
    }

    /// Hands over all sound records, oldest first. Reads every slot once.
    ///
    /// # Errors
    /// When the memory refuses.
    pub fn visit(&mut self, mut each: impl FnMut(&Record)) -> Result<(), Fault<P::Error>> {
        let pages = self.pages.pages();
        // The page of the next record holds the newest ones, unless it is still
        // to be erased: then it holds the oldest.
        let mut page = self.next.page;
        if self.next.slot > 0 {
            page = next_page(page, pages);
        }
        for _ in 0..pages {
            for slot in 0..self.pages.slots() {
                if let Slot::Record(record) = look(&mut self.pages, page, slot)? {
                    each(&record);
                }
            }
            page = next_page(page, pages);
        }
        Ok(())
    }

    /// The sequence of the next record; `None` when no number is left.
    #[must_use]
    pub const fn next(&self) -> Option<u32> {
        self.sequence
    }

    /// Gives the memory back.
    #[must_use]
    pub fn into_pages(self) -> P {
        self.pages
    }

    fn following(&self, place: Place) -> Place {
        let slot = place.slot.saturating_add(1);
        if slot < self.pages.slots() {
            return Place {
                page: place.page,
                slot,
            };
        }
        Place {
            page: next_page(place.page, self.pages.pages()),
            slot: 0,
        }
    }
}

fn next_page(page: u32, pages: u32) -> u32 {
    let next = page.saturating_add(1);
    if next < pages { next } else { 0 }
}

fn look<P: Pages>(pages: &mut P, page: u32, slot: u32) -> Result<Slot, P::Error> {
    let mut bytes = [0; RECORD_SIZE];
    pages.read(page, slot, &mut bytes)?;
    Ok(Slot::of(&bytes))
}

/// The first slot from which on the newest record's page is free; the next
/// page when there is none. What a cut write left is stepped over.
fn after<P: Pages>(pages: &mut P, newest: Place) -> Result<Place, P::Error> {
    let mut used = newest.slot;
    for later in newest.slot.saturating_add(1)..pages.slots() {
        if look(pages, newest.page, later)? != Slot::Free {
            used = later;
        }
    }
    let slot = used.saturating_add(1);
    Ok(if slot < pages.slots() {
        Place {
            page: newest.page,
            slot,
        }
    } else {
        Place {
            page: next_page(newest.page, pages.pages()),
            slot: 0,
        }
    })
}
