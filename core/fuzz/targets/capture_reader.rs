//! Captures as CSV, plain or gzip, read to their end and fed to the core.
#![no_main]

use std::io::Cursor;

use libfuzzer_sys::fuzz_target;
use ohmsplit_host::capture::Reader;

fuzz_target!(|data: &[u8]| {
    let Ok(mut reader) = Reader::from_bytes("fuzz.csv", Cursor::new(data.to_vec())) else {
        return;
    };
    let mut last = f64::NEG_INFINITY;
    while let Ok(Some(row)) = reader.next_row() {
        assert!(row.time_s > last, "time goes back");
        last = row.time_s;
    }
});
