//! The stages after the report: permission, sections, trend, event records.

use core::hint::black_box;

use ohmsplit::config::{Config, Judged};
use ohmsplit::journal::{Event, History, Journal, Pages, RECORD_SIZE, Recorder, Slot};
use ohmsplit::permit::{Permit, Rules, Withheld};
use ohmsplit::sections::{Connected, SECTIONS_MAX, Sections};
use ohmsplit::trend::{Point, Trend};
use ohmsplit::{Reason, Report};

/// All of them, on the reports of one monitor.
pub(super) struct After {
    permit: Permit,
    sections: Sections,
    trend: Trend,
    recorder: Recorder,
    journal: Option<Journal<Memory>>,
    reports: u32,
}

impl After {
    pub(super) fn new(config: &Config) -> Self {
        let rules = black_box(Rules::default());
        let nothing = black_box(Permit::new(rules)).ask(0);
        black_box((nothing, SECTIONS_MAX));
        Self {
            permit: Permit::restored(rules, black_box(7), black_box(true)),
            sections: Sections::new(black_box(Connected::NONE), black_box(1 << 20)),
            trend: Trend::new(config.limits(), black_box(600)),
            recorder: Recorder::new(black_box(60)),
            journal: Journal::open(black_box(Memory::ERASED)).ok(),
            reports: 0,
        }
    }

    /// At a time that jumps, goes on and runs back as the report number says.
    pub(super) fn take(&mut self, report: &Report) {
        self.reports = self.reports.wrapping_add(1);
        let mut report = *report;
        for judged in [Judged::WeakestRail, Judged::BothInParallel] {
            report.judged = judged;
            for scale in black_box([0, 1, 700, u32::MAX]) {
                self.at(self.reports.wrapping_mul(scale), black_box(&report));
            }
        }
    }

    fn at(&mut self, now_s: u32, report: &Report) {
        self.permit.take(now_s, report);
        if now_s & 3 == 0 {
            self.permit.acknowledge(now_s);
        }
        if now_s & 31 == 5 {
            self.permit.network_changed(now_s);
        }
        let answer = black_box(self.permit.ask(now_s));
        if let Err(cause) = answer.permission {
            black_box((cause.code(), cause.name()));
        }
        let connected = Connected::NONE.with(black_box(now_s as u8));
        self.sections.switched(connected);
        self.sections.take(now_s, report);
        black_box(self.sections.connected().bits());
        black_box(self.sections.battery()).ok();
        for bits in black_box([0, 1, 5, u8::MAX]) {
            black_box(self.sections.share(Connected::from_bits(bits))).ok();
        }
        let point = self.trend.take(now_s, report);
        while self.trend.step() {}
        black_box((self.trend.points(), self.trend.course(now_s)));
        let events = [
            Some(Event::Started),
            self.recorder.report(now_s, report),
            self.recorder.permission(now_s, &answer),
            Some(Event::Sections(connected)),
            point.map(Event::TrendPoint),
        ];
        let Some(journal) = &mut self.journal else {
            return;
        };
        for event in events.into_iter().flatten() {
            black_box(journal.append(now_s, black_box(event))).ok();
        }
    }

    /// A reset: everything is read again.
    pub(super) fn finish(self) {
        let Some(journal) = self.journal else { return };
        black_box(journal.next());
        let mut trend = self.trend;
        if let Ok(mut journal) = Journal::open(black_box(journal.into_pages())) {
            let history = History::restore(&mut journal, &mut trend);
            black_box(history.map(|history| history.latched())).ok();
        }
        for span in black_box([0, 1, u32::MAX, 5]) {
            trend.restore(Point {
                span,
                ln_r: black_box(i32::MIN),
            });
            while trend.step() {}
            black_box(trend.course(span));
        }
    }
}

/// What no monitor need have made: stored bytes and codes.
pub(super) fn stored(a: i64) {
    let mut bytes = [a as u8; RECORD_SIZE];
    for (place, byte) in bytes.iter_mut().zip(black_box(a).to_le_bytes()) {
        *place = byte;
    }
    if let Slot::Record(record) = black_box(Slot::of(&bytes)) {
        black_box(record.to_bytes());
    }
    for reason in black_box([None, Some(Reason::Saturated)]) {
        black_box(Withheld::from_code(a as u8, reason));
    }
}

/// Two pages of eight slots; a write may fail, or not be what reads back.
#[derive(Debug, Clone)]
struct Memory([[[u8; RECORD_SIZE]; 8]; 2]);

impl Memory {
    const ERASED: Self = Self([[[0xFF; RECORD_SIZE]; 8]; 2]);

    fn slot(&mut self, page: u32, slot: u32) -> Result<&mut [u8; RECORD_SIZE], u8> {
        let page = self.0.get_mut(page as usize).ok_or(1)?;
        page.get_mut(slot as usize).ok_or(2)
    }
}

impl Pages for Memory {
    type Error = u8;

    fn pages(&self) -> u32 {
        black_box(2)
    }

    fn slots(&self) -> u32 {
        black_box(8)
    }

    fn read(&mut self, page: u32, slot: u32, into: &mut [u8; RECORD_SIZE]) -> Result<(), u8> {
        *into = black_box(*self.slot(page, slot)?);
        Ok(())
    }

    fn write(&mut self, page: u32, slot: u32, record: &[u8; RECORD_SIZE]) -> Result<(), u8> {
        *self.slot(page, slot)? = black_box(*record);
        Ok(())
    }

    fn erase(&mut self, page: u32) -> Result<(), u8> {
        let page = self.0.get_mut(page as usize).ok_or(1)?;
        *page = [[0xFF; RECORD_SIZE]; 8];
        black_box(Ok(()))
    }
}
