//! Event records.

use ohmsplit::journal::{Event, History, Journal, Recorder};
use ohmsplit::trend::Trend;

use super::{sections, status, trend};
use crate::handle::{self, Content, Output, Refused, Slot};
use crate::pages::{Memory, refused};
use crate::types::*;
use crate::{after, given};

use ohmsplit_status_t::*;

/// The records, and what decides on new ones.
pub(super) struct Keeping {
    journal: Journal<Memory>,
    recorder: Recorder,
}

impl Content for Keeping {
    type Storage = ohmsplit_journal_t;
    const MARK: u32 = 0x6f4a_724e;
}

impl Keeping {
    fn append(&mut self, now_s: u32, event: Event) -> Result<ohmsplit_status_t, Refused> {
        self.journal.append(now_s, event).map_err(refused)?;
        Ok(OHMSPLIT_RECORDED)
    }

    /// Records what the recorder decides on. What could not be written is due again.
    fn keep(
        &mut self,
        now_s: u32,
        decide: impl FnOnce(&mut Recorder) -> Option<Event>,
    ) -> Result<ohmsplit_status_t, Refused> {
        let before = self.recorder.clone();
        let Some(event) = decide(&mut self.recorder) else {
            return Ok(OHMSPLIT_OK);
        };
        let done = self.append(now_s, event);
        if done.is_err() {
            self.recorder = before;
        }
        done
    }
}

/// Finds the newest record in the pages: reads every slot once. The journal
/// keeps a copy of `pages`, and its context. `gap_second` is the least time
/// between two records of a kind that are not urgent, so that a verdict that
/// flickers does not wear the memory out; 60 is a good start. When the memory
/// refuses there is no journal.
///
/// Pass sizeof *journal as `size`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_journal_open(
    journal: *mut ohmsplit_journal_t,
    size: usize,
    pages: *const ohmsplit_pages_t,
    gap_second: u32,
) -> ohmsplit_status_t {
    status((|| {
        // SAFETY: the header demands `size` bytes, the caller's own during the call.
        let place = unsafe { handle::place(journal, size) }?;
        // SAFETY: the header demands pages that nobody writes during the call.
        let memory = Memory::of(unsafe { handle::input(pages) }?)?;
        // The functions of the pages may call: they must not find an old journal.
        place.clear();
        place.put(Slot::new(Keeping {
            journal: Journal::open(memory).map_err(refused)?,
            recorder: Recorder::new(gap_second),
        }));
        Ok(OHMSPLIT_OK)
    })())
}

/// Background. What the records tell: reads every slot once. `trend` gets its
/// points back; it is the one pointer that may be null, where there is no trend.
///
/// When the memory refuses, take the latch as set and make the trend anew.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_journal_history(
    journal: *mut ohmsplit_journal_t,
    trend: *mut ohmsplit_trend_t,
    history: *mut ohmsplit_history_t,
) -> ohmsplit_status_t {
    status((|| {
        // SAFETY: the header demands memory of this type, the caller's own during the call.
        let output = unsafe { Output::new(history) }?;
        let read = |keeping: &mut Keeping| {
            if trend.is_null() {
                let mut history = History::default();
                let visited = keeping.journal.visit(|record| history.take(record));
                return visited.map(|()| history).map_err(refused);
            }
            let restore = |trend: &mut Trend| History::restore(&mut keeping.journal, trend);
            // SAFETY: the header demands a trend that only one context uses.
            unsafe { handle::exclusive(trend, restore) }?.map_err(refused)
        };
        // SAFETY: the header demands a journal that only one context uses.
        let history = unsafe { handle::exclusive(journal, read) }??;
        output.put(after::history(&history));
        Ok(OHMSPLIT_OK)
    })())
}

/// Works on a journal.
///
/// # Safety
/// The header's demands on pointers.
unsafe fn with(
    journal: *mut ohmsplit_journal_t,
    work: impl FnOnce(&mut Keeping) -> Result<ohmsplit_status_t, Refused>,
) -> Result<ohmsplit_status_t, Refused> {
    // SAFETY: the header demands a journal that only one context uses.
    unsafe { handle::exclusive(journal, work) }?
}

/// Background. Records that the monitor began, with nothing measured.
/// OHMSPLIT_RECORDED, as in the calls below when there was something to record.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_journal_started(
    journal: *mut ohmsplit_journal_t,
    now_second: u32,
) -> ohmsplit_status_t {
    // SAFETY: the header's demands are those of the call.
    status(unsafe {
        with(journal, |keeping| {
            keeping.append(now_second, Event::Started)
        })
    })
}

/// Background. Records the verdict of a report: at once when it is worse than
/// the one recorded last, otherwise when it changed and the gap is over. Give
/// it every report.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_journal_report(
    journal: *mut ohmsplit_journal_t,
    now_second: u32,
    report: *const ohmsplit_report_t,
) -> ohmsplit_status_t {
    status((|| {
        // SAFETY: the header demands a report that nobody writes during the call.
        let report = given::report(unsafe { handle::input(report) }?)?;
        let decide = |recorder: &mut Recorder| recorder.report(now_second, &report);
        // SAFETY: the header's demands are those of the call.
        unsafe { with(journal, |keeping| keeping.keep(now_second, decide)) }
    })())
}

/// Background. Records an answer of ohmsplit_permit_ask: at once when the
/// alarm's latch changed, since a reset must not forget it, or when a
/// permission was withdrawn. Give it every answer.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_journal_answer(
    journal: *mut ohmsplit_journal_t,
    now_second: u32,
    answer: *const ohmsplit_answer_t,
) -> ohmsplit_status_t {
    status((|| {
        // SAFETY: the header demands an answer that nobody writes during the call.
        let answer = given::answer(unsafe { handle::input(answer) }?)?;
        let decide = |recorder: &mut Recorder| recorder.permission(now_second, &answer);
        // SAFETY: the header's demands are those of the call.
        unsafe { with(journal, |keeping| keeping.keep(now_second, decide)) }
    })())
}

/// Background. Records what is connected, bit by bit as in
/// ohmsplit_sections_init.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_journal_switched(
    journal: *mut ohmsplit_journal_t,
    now_second: u32,
    connected: u32,
) -> ohmsplit_status_t {
    status((|| {
        let event = Event::Sections(sections::connected(connected)?);
        // SAFETY: the header's demands are those of the call.
        unsafe { with(journal, |keeping| keeping.append(now_second, event)) }
    })())
}

/// Background. Records a point of ohmsplit_trend_take.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ohmsplit_journal_point(
    journal: *mut ohmsplit_journal_t,
    now_second: u32,
    point: *const ohmsplit_point_t,
) -> ohmsplit_status_t {
    status((|| {
        // SAFETY: the header demands a point that nobody writes during the call.
        let event = Event::TrendPoint(trend::point(unsafe { handle::input(point) }?));
        // SAFETY: the header's demands are those of the call.
        unsafe { with(journal, |keeping| keeping.append(now_second, event)) }
    })())
}
