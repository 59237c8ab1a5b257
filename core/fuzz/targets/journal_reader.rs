//! The journal: memory with anything in it is opened, read, appended to and
//! read by the host tool.
#![no_main]

use libfuzzer_sys::fuzz_target;
use ohmsplit::config::{Judged, Limits};
use ohmsplit::journal::{Event, History, Journal, Pages, RECORD_SIZE, Slot};
use ohmsplit::trend::Trend;
use ohmsplit::units::Volts;
use ohmsplit_host::journal::{Image, line, table};

struct Memory {
    slots: Vec<[u8; RECORD_SIZE]>,
    pages: u32,
}

impl Memory {
    fn slot(&mut self, page: u32, slot: u32) -> &mut [u8; RECORD_SIZE] {
        let place = page * self.slots() + slot;
        &mut self.slots[place as usize]
    }
}

impl Pages for Memory {
    type Error = ();
    fn pages(&self) -> u32 {
        self.pages
    }
    fn slots(&self) -> u32 {
        self.slots.len() as u32 / self.pages
    }
    fn read(&mut self, page: u32, slot: u32, into: &mut [u8; RECORD_SIZE]) -> Result<(), ()> {
        *into = *self.slot(page, slot);
        Ok(())
    }
    fn write(&mut self, page: u32, slot: u32, record: &[u8; RECORD_SIZE]) -> Result<(), ()> {
        let place = self.slot(page, slot);
        assert!(place.iter().all(|&byte| byte == 0xFF), "written twice");
        *place = *record;
        Ok(())
    }
    fn erase(&mut self, page: u32) -> Result<(), ()> {
        for slot in 0..self.slots() {
            *self.slot(page, slot) = [0xFF; RECORD_SIZE];
        }
        Ok(())
    }
}

fuzz_target!(|data: &[u8]| {
    if let Ok(image) = Image::parse(data) {
        let _ = table(&image);
        for record in &image.records {
            let _ = line(record);
            assert_eq!(Slot::of(&record.to_bytes()), Slot::Record(*record));
        }
    }
    let Some((&first, rest)) = data.split_first() else {
        return;
    };
    let (slots, _) = rest.as_chunks::<RECORD_SIZE>();
    let memory = Memory {
        slots: slots.to_vec(),
        pages: 1 + u32::from(first % 4),
    };
    let Ok(mut journal) = Journal::open(memory) else {
        return;
    };
    let limits = Limits::new(Volts::from_int(400), Judged::WeakestRail);
    let mut trend = Trend::new(&limits, 86_400);
    let history = History::restore(&mut journal, &mut trend).expect("readable");
    let _ = history.latched();
    while trend.step() {}
    let _ = trend.course(u32::from(first));
    if let Ok(kept) = journal.append(7, Event::Started) {
        let mut newest = 0;
        journal
            .visit(|record| newest = newest.max(record.sequence))
            .expect("readable");
        assert_eq!(newest, kept.sequence);
    }
});
