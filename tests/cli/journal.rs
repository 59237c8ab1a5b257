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
    assert!(run.out.contains("an alarm waits to be acknowledged"), "{}", run.out);
    assert!(run.out.ends_with("2 records, 0 missing in between; 0 slots damaged, 126 free\n"), "{}", run.out);
    let run = bench.run(&["journal", "flash.bin", "--show", "lines"]);
    let objects = run.objects();
    assert_eq!(objects.len(), 2);
    assert_eq!(objects[1]["latched"], true);
    assert_eq!(objects[1]["time_s"], 120);
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
        assert!(run.err.starts_with(&format!("error: {file}: {problem}")), "{}", run.err);
        assert!(run.err.contains("to mend:"), "{}", run.err);
    }
}
