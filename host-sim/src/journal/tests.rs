//! Images as firmware leaves them.

use ohmsplit::journal::{Event, Figures, Judgement, RECORD_SIZE, Record};
use ohmsplit::permit::{Answer, Withheld};
use ohmsplit::sections::Connected;
use ohmsplit::trend::Point;
use ohmsplit::{Basis, Kind, Reason, Verdict};

use super::*;

fn bytes(sequence: u32, event: Event) -> [u8; RECORD_SIZE] {
    Record {
        sequence,
        at_s: 1000 + sequence,
        event,
    }
    .to_bytes()
}

fn events() -> Vec<Event> {
    let figures = Figures {
        kind: Kind::Figure,
        isolation_ohm: 250_000,
        weakest_ohm: 333_333,
        position: Some(2500),
        pack_decivolt: 4001,
    };
    let judgement = |verdict, figures| {
        Event::Verdict(Judgement {
            verdict,
            basis: Basis::Settled,
            figures,
        })
    };
    let answer = |permission| {
        Event::Permission(Answer {
            permission,
            age_s: 7,
            latched: permission.is_err(),
        })
    };
    vec![
        Event::Started,
        judgement(Verdict::Undetermined(Reason::NotSettled), None),
        judgement(Verdict::Warning, Some(figures)),
        answer(Ok(())),
        answer(Err(Withheld::Undetermined(Reason::Saturated))),
        Event::Sections(Connected::from_bits(0b101)),
        Event::TrendPoint(Point {
            span: 20_000,
            ln_r: 0,
        }),
        Event::Unknown {
            version: 9,
            kind: 1,
            payload: [1; 16],
        },
    ]
}

/// Two pages: the newest half of the records first, then a slot that was cut
/// short and a free one, as in a ring.
fn image() -> Vec<u8> {
    let records: Vec<[u8; RECORD_SIZE]> = (1..).zip(events()).map(|(n, e)| bytes(n, e)).collect();
    let (old, new) = records.split_at(4);
    let mut cut = bytes(9, Event::Started);
    cut[13..].fill(0xFF);
    let mut image = new.concat();
    image.extend(cut);
    image.extend([0xFF; RECORD_SIZE]);
    image.extend(old.concat());
    image
}

#[test]
fn records_come_in_the_order_in_which_they_were_written() {
    let image = Image::parse(&image()).expect("an image");
    let found: Vec<Event> = image.records.iter().map(|record| record.event).collect();
    assert_eq!(found, events());
    assert_eq!((image.damaged, image.free, image.missing()), (1, 1, 0));
}

#[test]
fn the_table_says_what_happened() {
    let text = table(&Image::parse(&image()).expect("an image"));
    for words in [
        "1001 s  start       nothing measured yet",
        "warning; R_iso 250.0 kΩ, weaker rail 333.3 kΩ, x 0.250, pack 400.1 V (settled)",
        "granted on evidence 7 s old",
        "withheld: a converter reading was at its limit; an alarm waits to be acknowledged",
        "connected: 0, 2",
        "span 20000: 1.000 MΩ",
        "version 9, kind 1",
        "8 records, 0 missing in between; 1 slots damaged, 1 free",
    ] {
        assert!(text.contains(words), "{words} is not in:\n{text}");
    }
}

#[test]
fn lines_are_objects_with_units_in_their_names() {
    let image = Image::parse(&image()).expect("an image");
    let lines: Vec<serde_json::Value> = image.records.iter().map(line).collect();
    assert_eq!(lines[2]["isolation_ohm"], 250_000);
    assert_eq!(lines[2]["time_s"], 1003);
    assert_eq!(lines[1]["reason"], "not_settled");
    assert_eq!(lines[4]["cause"], "undetermined");
    assert_eq!(lines[5]["connected_bits"], 5);
}

#[test]
fn what_is_no_image_is_refused_with_what_was_expected() {
    for (bytes, problem) in [
        (vec![], "0 bytes"),
        (vec![0; 33], "33 bytes"),
        (vec![b'a'; 64], "no slot holds a sound record"),
    ] {
        let error = Image::parse(&bytes).expect_err(problem).to_string();
        assert!(
            error.contains(problem) && error.contains("to mend"),
            "{error}"
        );
    }
    let erased = Image::parse(&[0xFF; 64]).expect("an erased memory is one");
    assert_eq!((erased.records.len(), erased.free), (0, 2));
}
