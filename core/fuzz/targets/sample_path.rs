//! The core from the sampling interrupt to the report and what comes after it:
//! any configuration, any samples.
#![no_main]

use libfuzzer_sys::fuzz_target;
use ohmsplit::journal::{Event, Judgement, Record, Slot};
use ohmsplit::permit::{Permit, Rules};
use ohmsplit::sections::{Connected, Sections};
use ohmsplit::trend::Trend;
use ohmsplit::{Monitor, SwiftMonitor};
use ohmsplit_fuzz::Bytes;
use ohmsplit_fuzz::draw::{self, Draw, Rig, Storm};

fuzz_target!(|data: &[u8]| {
    let mut from = Bytes::new(data);
    let Some(config) = draw::config(&mut from) else {
        return;
    };
    let [channel, _] = config.front_end().channels();
    let range = [channel.lowest, channel.highest].map(i64::from);
    let mut storm = Storm::new(0, (config.timing().block_us / 4).max(1));
    let mut settled = Rig::<Monitor>::new(&config);
    let mut swift = Rig::<SwiftMonitor>::new(&config);
    let mut permit = Permit::new(Rules::default());
    let mut sections = Sections::new(Connected::NONE, 600);
    let mut trend = Trend::new(config.limits(), 60);
    let mut now_s = 0u32;
    // Bytes that are used up read as zeros: a few more samples end the dwell.
    let mut left = 200;
    while left > 0 {
        left -= u32::from(from.is_empty());
        let sample = storm.next(&mut from, swift.monitor.drive(), range);
        settled.push(&sample, |_| {});
        swift.push(&sample, |report| {
            now_s = now_s.wrapping_add(from.below(200) as u32);
            permit.take(now_s, report);
            let answer = permit.ask(now_s);
            sections.take(now_s, report);
            let next = Connected::from_bits(from.below(4) as u8);
            let _ = sections.share(next);
            sections.switched(next);
            trend.take(now_s, report);
            while trend.step() {}
            let _ = trend.course(now_s);
            for event in [
                Event::Verdict(Judgement::of(report)),
                Event::Permission(answer),
            ] {
                let record = Record {
                    sequence: 1,
                    at_s: now_s,
                    event,
                };
                assert_eq!(Slot::of(&record.to_bytes()), Slot::Record(record));
            }
        });
    }
});
