//! `ohmsplit journal`

use super::Bench;
use ohmsplit::Reason;
use ohmsplit::journal::{Event, Record};
use ohmsplit::permit::{Answer, Withheld};

fn image() -> Vec<u8> {
    let answer = Answer {
        permission: Err(Withheld::Undetermined(Reason::NotSettled)),
        age_s: 4,
        latched: true,
    };
    let events = [Event::Started, Event::Permission(answer)];
    let slots = (1..).zip(events).map(|(sequence, event)| {
        Record {
            sequence,
            at_s: 60 * sequence,
            event,
        }
        .to_bytes()
    });
    let mut bytes: Vec<u8> = slots.flatten().collect();
    bytes.resize(4096, 0xFF);
    bytes
}

#[test]
fn a_copy_of_the_memory_is_printed_as_a_table_or_lines() {
    let bench = Bench::new();
    bench.write("flash.bin", image());
    let run = bench.run(&["journal", "flash.bin"]);
    assert_eq!((run.code, run.err.as_str()), (Some(0), ""));
    assert!(
        run.out.contains("an alarm waits to be acknowledged"),
        "{}",
        run.out
    );
    assert!(
        run.out
            .ends_with("2 records, 0 missing in between; 0 slots damaged, 126 free\n"),
        "{}",
        run.out
    );
    let run = bench.run(&["journal", "flash.bin", "--show", "lines"]);
    let objects = run.objects();
    assert_eq!(objects.len(), 2);
    assert_eq!(objects[1]["latched"], true);
    assert_eq!(objects[1]["time_s"], 120);
}

/// A record written by the documented layout outside of this project: by
/// Python's `struct.pack` and `zlib.crc32`.
#[test]
fn a_record_made_by_the_document_is_read() {
    const RECORD: [u8; 32] = [
        0x4F, 0x6A, 0x01, 0x02, 0x03, 0x00, 0x00, 0x00, 0xC8, 0x00, 0x00, 0x00, 0x02, 0x00, 0x01,
        0x01, 0xF0, 0x49, 0x02, 0x00, 0xE0, 0x93, 0x04, 0x00, 0x88, 0x13, 0xA3, 0x0F, 0x8C, 0x57,
        0xF3, 0xC6,
    ];
    let bench = Bench::new();
    bench.write("flash.bin", RECORD);
    let run = bench.run(&["journal", "flash.bin", "--show", "lines"]);
    let due = serde_json::json!({
        "sequence": 3, "time_s": 200, "event": "verdict", "verdict": "warning", "reason": null,
        "basis": "settled", "estimate": "figure", "isolation_ohm": 150_000,
        "weakest_ohm": 300_000, "position": 0.5, "pack_V": 400.3,
    });
    assert_eq!(run.objects(), [due]);
}

#[test]
fn a_file_that_is_no_copy_is_refused_in_one_message() {
    let bench = Bench::new();
    bench.write("short.bin", &image()[..1000]);
    bench.write("text.bin", "x".repeat(320));
    for (file, problem) in [
        ("short.bin", "the file has 1000 bytes"),
        ("text.bin", "no slot holds a sound record"),
        ("none.bin", "cannot read"),
    ] {
        let run = bench.run(&["journal", file]);
        assert_eq!((run.code, run.out.as_str()), (Some(2), ""), "{file}");
        assert!(
            run.err.starts_with(&format!("error: {file}: {problem}")),
            "{}",
            run.err
        );
        assert!(run.err.contains("to mend:"), "{}", run.err);
    }
}
