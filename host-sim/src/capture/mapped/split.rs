//! A table of many units: its rows go to a merger for each unit.

use super::merge::{Merge, Tick};
use super::parquet::{Rows, Table};
use super::wish::Search;
use super::{Batch, Lane, ROLES, Source};
use crate::capture::units::{Slot, Units};
use crate::document::FieldFault;
use crate::error::HostError;

/// The merger of a unit, fed by its slot.
struct OneUnit {
    slot: Slot<Batch>,
    merge: Merge,
    failed: bool,
}

/// A unit, and a moment of it or its fault.
type TickOfUnit = (usize, Result<Tick, HostError>);

pub(super) struct Split {
    rows: Rows,
    units: Vec<OneUnit>,
    /// The unit whose rows are handed over.
    at: usize,
}

/// What the table has put into the slot.
struct Fed(Slot<Batch>);

impl Source for Fed {
    fn next_batch(&mut self) -> Result<Option<Batch>, HostError> {
        Ok(self.0.borrow_mut().take())
    }
}

impl Split {
    pub(super) fn new(
        table: &Table,
        search: &Search<'_>,
        units: &Units,
    ) -> Result<Self, FieldFault> {
        let one = |name: &String| {
            let slot = Slot::default();
            let lane = Lane {
                carries: [true; ROLES],
                source: Box::new(Fed(slot.clone())),
            };
            let file = format!("{}, {} {name}", search.file, units.column);
            OneUnit {
                slot,
                merge: Merge::new(file, vec![lane], search.stale_s(), &search.channels()),
                failed: false,
            }
        };
        Ok(Self {
            rows: table.rows(search, Some(units))?,
            units: units.names().iter().map(one).collect(),
            at: units.names().len(),
        })
    }

    /// The next moment of a unit, or its fault.
    pub(super) fn next_tick(&mut self) -> Result<Option<TickOfUnit>, HostError> {
        loop {
            let Some(unit) = self.units.get_mut(self.at) else {
                if !self.feed()? {
                    return Ok(None);
                }
                self.at = 0;
                continue;
            };
            if !unit.failed
                && let Some(next) = unit.merge.next_tick().transpose()
            {
                unit.failed = next.is_err();
                return Ok(Some((self.at, next)));
            }
            self.at += 1;
        }
    }

    /// Deals the next rows out to their units; false at the end.
    fn feed(&mut self) -> Result<bool, HostError> {
        let Some((batch, places)) = self.rows.next_of_units()? else {
            return Ok(false);
        };
        let mut dealt: Vec<Batch> = self.units.iter().map(|_| Batch::default()).collect();
        for (row, &place) in places.iter().enumerate() {
            let Some(place) = place else { continue };
            let values = std::array::from_fn(|role| batch.values[role][row]);
            dealt[place].push(batch.times[row], values);
        }
        for (unit, batch) in self.units.iter().zip(dealt) {
            unit.slot
                .replace((!batch.times.is_empty()).then_some(batch));
        }
        Ok(true)
    }
}
