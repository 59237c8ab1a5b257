//! What `ctest/after.c` prints: the stages after the report, run here without the C interface. They get each report as
//! C gets it, that is with its figures rounded to the units of the header; rounding and codes are written out a second
//! time here.

use std::convert::Infallible;

use ohmsplit::config::Config;
use ohmsplit::journal::{Event, History, Journal, Judgement, Pages, RECORD_SIZE, Recorder};
use ohmsplit::permit::{Answer, Permit, Rules, Withheld};
use ohmsplit::sections::{Connected, Sections, Share};
use ohmsplit::trend::{Course, Trend};
use ohmsplit::units::{Measured, Microsiemens, Ohms, Ratio, Volts};
use ohmsplit::{Basis, Estimate, Kind, Reason, Report};

use crate::text::{ABSENT, Fields, UNBOUNDED, parts, reason_code, verdict_codes};

const RECORDED: i64 = 7;
const SPAN_S: u32 = 86_400;

type Slots = [[[u8; RECORD_SIZE]; 4]; 2];

#[derive(Debug, Clone)]
struct Memory(Slots);

impl Pages for Memory {
    type Error = Infallible;

    fn pages(&self) -> u32 {
        2
    }

    fn slots(&self) -> u32 {
        4
    }

    fn read(&mut self, page: u32, slot: u32, into: &mut [u8; 32]) -> Result<(), Infallible> {
        *into = self.0[page as usize][slot as usize];
        Ok(())
    }

    fn write(&mut self, page: u32, slot: u32, record: &[u8; 32]) -> Result<(), Infallible> {
        self.0[page as usize][slot as usize] = *record;
        Ok(())
    }

    fn erase(&mut self, page: u32) -> Result<(), Infallible> {
        self.0[page as usize] = [[0xFF; RECORD_SIZE]; 4];
        Ok(())
    }
}

/// The handles of the C program.
pub(crate) struct After<'c> {
    config: &'c Config,
    permit: Permit,
    sections: Sections,
    trend: Trend,
    recorder: Recorder,
    journal: Journal<Memory>,
    reports: u32,
}

impl<'c> After<'c> {
    pub(crate) fn new(config: &'c Config) -> Self {
        let erased = Memory([[[0xFF; RECORD_SIZE]; 4]; 2]);
        let mut journal = Journal::open(erased).expect("two pages");
        journal.append(0, Event::Started).expect("memory");
        Self {
            config,
            permit: Permit::new(Rules::default()),
            sections: Sections::new(Connected::NONE, 100),
            trend: Trend::new(config.limits(), SPAN_S),
            recorder: Recorder::new(60),
            journal,
            reports: 0,
        }
    }

    pub(crate) fn report(&mut self, text: &mut String, report: &Report) {
        let report = Report {
            estimate: report.estimate.map(stated),
            ..*report
        };
        let mut fields = Fields(text);
        let now = 10 * self.reports;
        self.ask(&mut fields, now, &report);
        self.compare(&mut fields, now, &report);
        let now = 40_000 * self.reports;
        if let Some(point) = self.trend.take(now, &report) {
            fields.put("span", i64::from(point.span));
            fields.put("ln_r", i64::from(point.ln_r));
            self.record(&mut fields, now, Some(Event::TrendPoint(point)));
        }
        self.course(&mut fields, now);
        self.reports += 1;
    }

    fn record(&mut self, fields: &mut Fields<'_>, now: u32, event: Option<Event>) {
        let status = event.map_or(0, |event| {
            self.journal.append(now, event).expect("memory");
            RECORDED
        });
        fields.put("record", status);
    }

    fn ask(&mut self, fields: &mut Fields<'_>, now: u32, report: &Report) {
        if self.reports % 16 == 9 {
            self.permit.acknowledge(now);
        }
        if self.reports % 32 == 20 {
            self.permit.network_changed(now);
        }
        self.permit.take(now, report);
        let answer = self.permit.ask(now);
        permit(fields, &answer);
        let event = self.recorder.report(now, report);
        self.record(fields, now, event);
        let event = self.recorder.permission(now, &answer);
        self.record(fields, now, event);
    }

    fn compare(&mut self, fields: &mut Fields<'_>, now: u32, report: &Report) {
        let connected = Connected::from_bits((self.reports / 2 % 2) as u8);
        if self.reports.is_multiple_of(2) {
            self.sections.switched(connected);
            self.record(fields, now, Some(Event::Sections(connected)));
        }
        self.sections.take(now, report);
        for of in 0..2 {
            fields.put("share", i64::from(of));
            share(fields, self.sections.share(Connected::from_bits(of)));
        }
    }

    fn course(&mut self, fields: &mut Fields<'_>, now: u32) {
        while self.trend.step() {}
        let (kind, slope, reach) = match self.trend.course(now) {
            Course::TooFewSpans => (0, None, None),
            Course::NoTrend(slope) => (1, Some(slope), None),
            Course::Rising(slope) => (2, Some(slope), None),
            Course::Falling(slope, reach) => (3, Some(slope), Some(reach)),
        };
        fields.put("course", kind);
        fields.put("points", self.trend.points() as i64);
        let slope = slope.map(|(value, i)| [value, i.low, i.high].map(|part| part.to_bits()));
        bounded(fields, "slope_ppb_per_day", slope, 1_000_000_000);
        let reach = reach.map(|(value, i)| [value, i.low, i.high].map(|time| time.to_bits()));
        bounded(fields, "reach_second", reach, 1);
    }

    pub(crate) fn end(mut self, text: &mut String) {
        let mut fields = Fields(text);
        let now = 10 * self.reports;
        let memory = self.journal.into_pages();
        self.journal = Journal::open(memory.clone()).expect("two pages");
        self.trend = Trend::new(self.config.limits(), SPAN_S);
        let history = History::restore(&mut self.journal, &mut self.trend).expect("memory");
        fields.put("latched", i64::from(history.latched()));
        let (at_s, connected) = history.connected.expect("one was recorded last but few");
        fields.put("connected_known", 1);
        fields.put("connected_at_second", i64::from(at_s));
        fields.put("connected", i64::from(connected.bits()));
        judgement(&mut fields, "history_verdict", history.verdict);
        judgement(&mut fields, "history_alarm", history.alarm);
        fields.put("permission_known", i64::from(history.permission.is_some()));
        let nothing = Answer {
            permission: Err(Withheld::NothingKnown),
            age_s: 0,
            latched: false,
        };
        let (at_s, permission) = history.permission.unwrap_or((0, nothing));
        fields.put("permission_at_second", i64::from(at_s));
        answer(&mut fields, &permission);
        let mut restored = Permit::restored(Rules::default(), now, history.latched());
        permit(&mut fields, &restored.ask(now + 1));
        let reports = self.reports;
        self.course(&mut fields, 40_000 * reports);
        for bytes in memory.0.as_flattened().as_flattened().chunks(4) {
            let word = u32::from_le_bytes(bytes.try_into().expect("four"));
            fields.put("memory", i64::from(word));
        }
    }
}

fn permit(fields: &mut Fields<'_>, given: &Answer) {
    fields.put("permit", if given.permission.is_ok() { 4 } else { 5 });
    answer(fields, given);
}

fn answer(fields: &mut Fields<'_>, given: &Answer) {
    let (cause, reason) = match given.permission {
        Ok(()) => (0, None),
        Err(Withheld::NothingKnown) => (1, None),
        Err(Withheld::Alarm) => (2, None),
        Err(Withheld::Warning) => (3, None),
        Err(Withheld::Undetermined(reason)) => (4, Some(reason)),
        Err(Withheld::TooOld) => (5, None),
        Err(Withheld::ClockRanBack) => (6, None),
        Err(Withheld::NetworkChanged) => (7, None),
        Err(Withheld::Restarted) => (8, None),
        Err(Withheld::NotAcknowledged) => (9, None),
        Err(Withheld::ToBeConfirmed) => (10, None),
    };
    fields.put("granted", i64::from(given.permission.is_ok()));
    fields.put("cause", cause);
    fields.put("reason", reason_code(reason));
    fields.put("latched", i64::from(given.latched));
    fields.put("age_second", i64::from(given.age_s));
}

fn share(fields: &mut Fields<'_>, found: Result<Share, Reason>) {
    let femtosiemens = |g: Microsiemens| parts(g.to_bits(), 32, 1_000_000_000);
    let share = found.ok();
    fields.put("kind", share.map_or(0, |share| kind(share.kind)));
    fields.put("reason", reason_code(found.err()));
    fields.put("apart_second", share.map_or(0, |s| i64::from(s.apart_s)));
    let figures = [
        ("conductance_femtosiemens", share.map(|s| s.conductance)),
        (
            "positive_femtosiemens",
            share.map(|s| s.positive_conductance),
        ),
        (
            "negative_femtosiemens",
            share.map(|s| s.negative_conductance),
        ),
    ];
    for (name, conductance) in figures {
        fields.measured(name, conductance, femtosiemens);
    }
    let isolation = share.map(|s| (s.isolation, s.isolation_interval));
    fields.resistance("isolation", isolation);
    let position = share.and_then(|s| s.position);
    fields.measured("position_ppm", position, |x: Ratio| {
        parts(x.to_bits(), 32, 1_000_000)
    });
}

const fn kind(kind: Kind) -> i64 {
    match kind {
        Kind::Figure => 1,
        Kind::Short => 2,
        Kind::Open => 3,
    }
}

fn bounded(fields: &mut Fields<'_>, name: &str, bits: Option<[i64; 3]>, scale: i64) {
    let [value, low, high] = bits.map_or([ABSENT; 3], |bits| bits.map(|b| parts(b, 32, scale)));
    fields.put(name, value);
    fields.put("  low", low);
    fields.put("  high", high);
}

fn judgement(fields: &mut Fields<'_>, name: &str, from: Option<(u32, Judgement)>) {
    fields.put(name, i64::from(from.is_some()));
    let mut numbers = [0; 9];
    if let Some((at_s, judgement)) = from {
        let [verdict, reason] = verdict_codes(judgement.verdict);
        let basis = match judgement.basis {
            Basis::Settled => 1,
            Basis::Transient => 2,
            Basis::Sudden => 3,
        };
        let at_s = i64::from(at_s);
        numbers = [at_s, verdict, reason, basis, 0, 0, 0, -1, 0];
        if let Some(figures) = judgement.figures {
            let position = figures.position.map_or(-1, |parts| 100 * i64::from(parts));
            numbers[4] = kind(figures.kind);
            numbers[5] = i64::from(figures.isolation_ohm);
            numbers[6] = i64::from(figures.weakest_ohm);
            numbers[7] = position;
            numbers[8] = i64::from(figures.pack_decivolt);
        }
    }
    let names = [
        "at_second",
        "verdict",
        "verdict_reason",
        "basis",
        "kind",
        "isolation_ohm",
        "weakest_ohm",
        "position_ppm",
        "pack_decivolt",
    ];
    for (name, number) in names.into_iter().zip(numbers) {
        fields.put(name, number);
    }
}

/// An estimate as C is told it.
fn stated(from: Estimate) -> Estimate {
    let siemens = |g: Measured<Microsiemens>| Measured {
        value: Microsiemens::from_bits(rounded(g.value.to_bits(), 32, 1_000_000_000)),
        u: Microsiemens::from_bits(rounded(g.u.to_bits(), 32, 1_000_000_000)),
    };
    let ratio = |x: Ratio| Ratio::from_bits(rounded(x.to_bits(), 32, 1_000_000));
    let ohms = |r: Ohms| Ohms::from_bits(rounded(r.to_bits(), 16, 1000));
    Estimate {
        conductance: siemens(from.conductance),
        positive_conductance: siemens(from.positive_conductance),
        negative_conductance: siemens(from.negative_conductance),
        isolation: ohms(from.isolation),
        weakest: ohms(from.weakest),
        position: from.position.map(|x| Measured {
            value: ratio(x.value),
            u: ratio(x.u),
        }),
        pack: Volts::from_bits(rounded(from.pack.to_bits(), 32, 1_000_000)),
        ..from
    }
}

/// To whole parts of the unit and back.
fn rounded(bits: i64, fraction: u32, scale: i64) -> i64 {
    let told = parts(bits, fraction, scale);
    if told == UNBOUNDED {
        return i64::MAX;
    }
    let wide = (i128::from(told) << fraction) + i128::from(scale / 2);
    let back = wide.div_euclid(i128::from(scale));
    i64::try_from(back.min(i128::from(i64::MAX - 1))).expect("within the range")
}
