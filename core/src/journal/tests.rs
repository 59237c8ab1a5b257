//! The journal against a memory whose power fails at any byte.

use std::vec::Vec;

use super::*;
use crate::permit::{Answer, Permit, Rules, Withheld};
use crate::sections::Connected;
use crate::test_reports::{estimate, open, report};
use crate::trend::{Point, Trend};
use crate::{Basis, Kind, Reason, Verdict};
use proptest::prelude::*;

fn verdict() -> impl Strategy<Value = Verdict> {
    prop_oneof![
        Just(Verdict::Healthy),
        Just(Verdict::Warning),
        Just(Verdict::Alarm),
        prop::sample::select(Reason::ALL.to_vec()).prop_map(Verdict::Undetermined),
    ]
}

fn figures() -> impl Strategy<Value = Figures> {
    let kind = prop::sample::select(std::vec![Kind::Figure, Kind::Short, Kind::Open]);
    let position = prop::option::of(0u16..=10_000);
    (kind, any::<u32>(), any::<u32>(), position, any::<u16>()).prop_map(
        |(kind, isolation_ohm, weakest_ohm, position, pack_decivolt)| Figures {
            kind,
            isolation_ohm,
            weakest_ohm,
            position,
            pack_decivolt,
        },
    )
}

fn event() -> impl Strategy<Value = Event> {
    let basis = prop::sample::select(std::vec![Basis::Settled, Basis::Transient, Basis::Sudden]);
    let judgement =
        (verdict(), basis, prop::option::of(figures())).prop_map(|(verdict, basis, figures)| {
            Judgement {
                verdict,
                basis,
                figures,
            }
        });
    let cause = prop_oneof![
        Just(Ok(())),
        Just(Err(Withheld::Alarm)),
        Just(Err(Withheld::TooOld)),
        prop::sample::select(Reason::ALL.to_vec()).prop_map(|r| Err(Withheld::Undetermined(r))),
    ];
    let answer =
        (cause, any::<u32>(), any::<bool>()).prop_map(|(permission, age_s, latched)| Answer {
            permission,
            age_s,
            latched,
        });
    prop_oneof![
        Just(Event::Started),
        judgement.prop_map(Event::Verdict),
        answer.prop_map(Event::Permission),
        any::<u8>().prop_map(|bits| Event::Sections(Connected::from_bits(bits))),
        (any::<u32>(), any::<i32>())
            .prop_map(|(span, ln_r)| Event::TrendPoint(Point { span, ln_r })),
        (2u8.., any::<u8>(), any::<[u8; 16]>()).prop_map(|(version, kind, payload)| {
            Event::Unknown {
                version,
                kind,
                payload,
            }
        }),
    ]
}

pub(super) fn record() -> impl Strategy<Value = Record> {
    (any::<u32>(), any::<u32>(), event()).prop_map(|(sequence, at_s, event)| Record {
        sequence,
        at_s,
        event,
    })
}

/// Memory that dies after so many bytes, and refuses to be written twice.
#[derive(Debug, Clone)]
struct Cells {
    bytes: Vec<u8>,
    pages: u32,
    slots: u32,
    /// Bytes that can still be changed.
    power: usize,
    erasures: Vec<u32>,
    /// The page that is being erased when the power fails.
    erasing: Option<u32>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct PowerFailed;

impl Cells {
    fn new(pages: u32, slots: u32) -> Self {
        Self {
            bytes: std::vec![0xFF; pages as usize * slots as usize * RECORD_SIZE],
            pages,
            slots,
            power: usize::MAX,
            erasures: std::vec![0; pages as usize],
            erasing: None,
        }
    }

    fn start(&self, page: u32, slot: u32) -> usize {
        assert!(page < self.pages && slot < self.slots);
        (page * self.slots + slot) as usize * RECORD_SIZE
    }

    /// Changes a byte; when the power fails in it, only some of its bits change.
    fn change(&mut self, at: usize, to: u8) -> Result<(), PowerFailed> {
        if self.power == 0 {
            self.bytes[at] = (self.bytes[at] & 0x5A) | (to & 0xA5);
            return Err(PowerFailed);
        }
        self.power -= 1;
        self.bytes[at] = to;
        Ok(())
    }
}

impl Pages for Cells {
    type Error = PowerFailed;
    fn pages(&self) -> u32 {
        self.pages
    }
    fn slots(&self) -> u32 {
        self.slots
    }
    fn read(
        &mut self,
        page: u32,
        slot: u32,
        into: &mut [u8; RECORD_SIZE],
    ) -> Result<(), PowerFailed> {
        let start = self.start(page, slot);
        into.copy_from_slice(&self.bytes[start..start + RECORD_SIZE]);
        Ok(())
    }
    fn write(
        &mut self,
        page: u32,
        slot: u32,
        record: &[u8; RECORD_SIZE],
    ) -> Result<(), PowerFailed> {
        let start = self.start(page, slot);
        let old = &self.bytes[start..start + RECORD_SIZE];
        assert!(old.iter().all(|&byte| byte == 0xFF), "written twice");
        for (place, &byte) in record.iter().enumerate() {
            self.change(start + place, byte)?;
        }
        Ok(())
    }
    fn erase(&mut self, page: u32) -> Result<(), PowerFailed> {
        self.erasures[page as usize] += 1;
        self.erasing = Some(page);
        let start = self.start(page, 0);
        for place in 0..self.slots as usize * RECORD_SIZE {
            self.change(start + place, 0xFF)?;
        }
        self.erasing = None;
        Ok(())
    }
}

fn read<P: Pages>(journal: &mut Journal<P>) -> Vec<Record>
where
    P::Error: core::fmt::Debug,
{
    let mut records = Vec::new();
    journal
        .visit(|record| records.push(*record))
        .expect("readable");
    records
}

/// What must still be read of the records that were appended, each with its
/// page: all but those that erasures have taken.
fn due(model: &[(Record, u32)], erased: &[(usize, u32)]) -> Vec<Record> {
    let kept = model.iter().enumerate().filter(|(place, (_, page))| {
        !erased
            .iter()
            .any(|(before, gone)| place < before && gone == page)
    });
    kept.map(|(_, (record, _))| *record).collect()
}

/// Appends events with a power failure after `power` bytes, restarts, and goes on.
fn survive(pages: u32, slots: u32, events: &[Event], power: usize) -> Result<(), TestCaseError> {
    let mut journal = Journal::open(Cells::new(pages, slots)).expect("a journal");
    journal.pages.power = power;
    let mut model: Vec<(Record, u32)> = Vec::new();
    let mut erased = Vec::new();
    let mut failed = false;
    for (at_s, &event) in (0u32..).zip(events) {
        let place = journal.next;
        if place.slot == 0 {
            erased.push((model.len(), place.page));
        }
        let in_flight = Record {
            sequence: journal.sequence.expect("not exhausted"),
            at_s,
            event,
        };
        match journal.append(at_s, event) {
            Ok(record) => model.push((record, place.page)),
            Err(fault) => {
                prop_assert_eq!(fault, Fault::Memory(PowerFailed));
                prop_assert!(!failed);
                failed = true;
                let mut cells = journal.into_pages();
                cells.power = usize::MAX;
                let erasing = cells.erasing.take();
                journal = Journal::open(cells).expect("a journal");
                let mut records = read(&mut journal);
                // The write may have been complete but for the answer.
                records.retain(|record| *record != in_flight);
                if let Some(page) = erasing {
                    // Some of the page that was being erased may be left, and nothing else.
                    let gone = |record: &Record| {
                        model.iter().any(|(kept, at)| kept == record && *at == page)
                    };
                    records.retain(|record| !gone(record));
                }
                prop_assert_eq!(&records, &due(&model, &erased));
            }
        }
    }
    let records = read(&mut journal);
    // After the failure every new record is kept as before.
    let newest: Vec<Record> = model.iter().map(|(record, _)| *record).collect();
    let tail = records.len().min(((pages - 1) * slots) as usize - 1);
    let ends = |records: &[Record]| records[records.len() - tail..].to_vec();
    let mut all = ends(&records);
    all.retain(|record| newest.contains(record));
    prop_assert!(all.len() + 1 >= tail);
    prop_assert!(
        records
            .windows(2)
            .all(|pair| pair[0].sequence < pair[1].sequence)
    );
    Ok(())
}

proptest! {
    #[test]
    fn all_before_a_power_failure_is_still_read(
        pages in 2u32..5, slots in 1u32..9,
        events in prop::collection::vec(event(), 2..60),
        power in 0usize..4000,
    ) {
        survive(pages, slots, &events, power)?;
    }

    /// Memory with anything in it: no panic, nothing out of order is appended.
    #[test]
    fn any_memory_can_be_opened_and_appended_to(bytes in prop::collection::vec(any::<u8>(), 3 * 4 * RECORD_SIZE)) {
        let mut cells = Cells::new(3, 4);
        cells.bytes = bytes;
        let mut journal = Journal::open(cells).expect("a journal");
        prop_assert!(read(&mut journal).is_empty());
        for second in 0..30 {
            journal.append(second, Event::Started).expect("room");
        }
        prop_assert!(read(&mut journal).len() >= 8);
    }

    #[test]
    fn a_flipped_byte_costs_one_record(
        events in prop::collection::vec(event(), 12), place in 0usize..12 * RECORD_SIZE, mask in 1u8..,
    ) {
        let mut journal = Journal::open(Cells::new(3, 8)).expect("a journal");
        for (at_s, &event) in (0..).zip(&events) {
            journal.append(at_s, event).expect("room");
        }
        let before = read(&mut journal);
        let mut cells = journal.into_pages();
        cells.bytes[place] ^= mask;
        let mut journal = Journal::open(cells).expect("a journal");
        let after = read(&mut journal);
        let mut without = before;
        without.remove(place / RECORD_SIZE);
        prop_assert_eq!(after, without);
    }
}

/// Every byte of a fixed run, not only those that chance picks.
#[test]
fn a_cut_at_every_byte_of_two_rounds() {
    let events: Vec<Event> = (0..24u32)
        .map(|span| Event::TrendPoint(Point { span, ln_r: -1 }))
        .collect();
    // Two pages of four slots: three rounds, erasures included.
    for power in 0..24 * RECORD_SIZE + 6 * 4 * RECORD_SIZE {
        survive(2, 4, &events, power).unwrap_or_else(|error| panic!("power {power}: {error}"));
    }
}

#[test]
fn pages_wear_alike() {
    let mut journal = Journal::open(Cells::new(4, 16)).expect("a journal");
    for second in 0..64 * 100 {
        journal.append(second, Event::Started).expect("room");
    }
    assert_eq!(read(&mut journal).len(), 64);
    assert_eq!(journal.into_pages().erasures, [100; 4]);
}

#[test]
fn a_worn_slot_is_stepped_over() {
    struct Worn(Cells);
    impl Pages for Worn {
        type Error = PowerFailed;
        fn pages(&self) -> u32 {
            self.0.pages
        }
        fn slots(&self) -> u32 {
            self.0.slots
        }
        fn read(
            &mut self,
            page: u32,
            slot: u32,
            into: &mut [u8; RECORD_SIZE],
        ) -> Result<(), PowerFailed> {
            self.0.read(page, slot, into)?;
            if (page, slot) == (0, 1) {
                into[9] &= !4;
            }
            Ok(())
        }
        fn write(
            &mut self,
            page: u32,
            slot: u32,
            record: &[u8; RECORD_SIZE],
        ) -> Result<(), PowerFailed> {
            self.0.write(page, slot, record)
        }
        fn erase(&mut self, page: u32) -> Result<(), PowerFailed> {
            self.0.erase(page)
        }
    }
    let mut journal = Journal::open(Worn(Cells::new(2, 8))).expect("a journal");
    for _ in 0..3 {
        journal.append(0xFFFF, Event::Started).expect("room");
    }
    let numbers: Vec<u32> = read(&mut journal)
        .iter()
        .map(|record| record.sequence)
        .collect();
    assert_eq!(numbers, [1, 2, 3]);
}

#[test]
fn too_little_memory_is_refused() {
    assert_eq!(Journal::open(Cells::new(1, 8)).err(), Some(Fault::TooSmall));
    assert_eq!(Journal::open(Cells::new(2, 0)).err(), Some(Fault::TooSmall));
}

/// A reset in the middle of an alarm: the history is there, the permission is
/// not, and the latch holds until it is acknowledged and measured again.
#[test]
fn a_reset_keeps_the_alarm_and_withdraws_the_permission() {
    let limits = crate::config::Limits::new(
        crate::units::Volts::from_int(400),
        crate::config::Judged::WeakestRail,
    );
    let mut journal = Journal::open(Cells::new(2, 64)).expect("a journal");
    let (mut permit, mut recorder) = (Permit::new(Rules::default()), Recorder::new(60));
    let mut trend = Trend::new(&limits, 86_400);
    let mut now = 0;
    for day in 0..20u32 {
        now = day * 86_400;
        let g = 100.0 * (0.05 * f64::from(day)).exp();
        let verdict = if day < 19 {
            Verdict::Healthy
        } else {
            Verdict::Alarm
        };
        for dwell in 0..3 {
            let report = report(
                day * 3 + dwell,
                verdict,
                Ok(estimate([g, 0.0], [g * 0.01; 2])),
            );
            permit.take(now, &report);
            for event in [
                recorder.report(now, &report),
                trend.take(now, &report).map(Event::TrendPoint),
                recorder.permission(now, &permit.ask(now)),
            ]
            .into_iter()
            .flatten()
            {
                journal.append(now, event).expect("room");
            }
        }
    }
    while trend.step() {}
    // The reset: all that is left is the memory.
    let mut journal = Journal::open(journal.into_pages()).expect("a journal");
    let mut restored = Trend::new(&limits, 86_400);
    let history = History::restore(&mut journal, &mut restored).expect("readable");
    while restored.step() {}
    assert_eq!(restored.course(now), trend.course(now));
    assert_eq!(
        history.verdict.map(|(at_s, j)| (at_s, j.verdict)),
        Some((now, Verdict::Alarm))
    );
    assert!(history.latched());
    let mut permit = Permit::restored(Rules::default(), now, history.latched());
    assert_eq!(permit.ask(now).permission, Err(Withheld::Restarted));
    for dwell in 0..5 {
        permit.take(now, &report(dwell, Verdict::Healthy, Ok(open())));
    }
    assert_eq!(permit.ask(now).permission, Err(Withheld::NotAcknowledged));
}

/// An alarm whose latch could not be recorded any more is not forgotten.
#[test]
fn an_alarm_without_its_permission_record_still_latches() {
    let mut history = History::default();
    let mut sequence = 0;
    let mut take = |history: &mut History, event| {
        sequence += 1;
        history.take(&Record {
            sequence,
            at_s: 0,
            event,
        });
    };
    let granted = Answer {
        permission: Ok(()),
        age_s: 0,
        latched: false,
    };
    take(&mut history, Event::Permission(granted));
    assert!(!history.latched());
    let alarm = report(1, Verdict::Alarm, Ok(open()));
    take(&mut history, Event::Verdict(Judgement::of(&alarm)));
    assert!(history.latched());
}
