//! Wall-clock rate of reading and replaying captures, in rows a second.

use std::hint::black_box;
use std::io::{Cursor, Write as _};

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use flate2::Compression;
use flate2::write::GzEncoder;
use ohmsplit_host::capture::Reader;
use ohmsplit_host::document::Document;
use ohmsplit_host::network::NetworkFile;
use ohmsplit_host::replay;
use ohmsplit_host::rig::MonitorKind;

/// Rows in one capture: 100 s at 10 kHz.
const ROWS: u64 = 1_000_000;

const NETWORK: &str = r#"format = "ohmsplit-network-1"
[pack]
working_voltage_V = 400.0
[drive]
kind = "source_to_negative"
amplitude_V = 40.0
series_resistance_ohm = 1.0e6
[front_end]
kind = "chassis_and_pack"
[front_end.chassis]
converter_bits = 16
converter_full_scale_V = 2048.0
zero_code = 32768
[front_end.pack]
converter_bits = 16
converter_full_scale_V = 2048.0
zero_code = 32768
"#;

/// A capture whose drive changes once a second, with a little noise.
fn capture(columns: &str, step: f64, zero: f64, decimals: usize) -> Vec<u8> {
    let mut text = format!("time_s,drive,{columns}\n");
    for row in 0..ROWS {
        let up = row / 10_000 % 2 == 0;
        let noise = (row * 7919 % 13) as f64 - 6.0;
        let chassis = (if up { 160.0 } else { 120.0 }) / step + zero + noise;
        let pack = 400.0 / step + zero - noise;
        let line = format!(
            "{:.6},{},{chassis:.decimals$},{pack:.decimals$}\n",
            row as f64 * 1e-4,
            if up { "raise" } else { "lower" },
        );
        text.push_str(&line);
    }
    text.into_bytes()
}

fn gzip(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = GzEncoder::new(Vec::new(), Compression::default());
    encoder.write_all(bytes).expect("memory");
    encoder.finish().expect("memory")
}

fn rates(criterion: &mut Criterion) {
    let network = NetworkFile::parse(&Document::embedded("bench", NETWORK)).expect("a network");
    let volts = capture("chassis_V,pack_V", 1.0, 0.0, 6);
    let codes = capture("chassis_code,pack_code", 0.03125, 32768.0, 0);
    let packed = gzip(&codes);
    let mut group = criterion.benchmark_group("capture");
    group.throughput(Throughput::Elements(ROWS)).sample_size(10);
    for (name, bytes) in [
        ("volts", &volts),
        ("codes", &codes),
        ("codes_gzip", &packed),
    ] {
        let open = || {
            let mut reader =
                Reader::from_bytes("bench", Cursor::new(bytes.clone())).expect("header");
            let config = reader.bind(&network).expect("it fits");
            (reader, config)
        };
        group.bench_function(format!("read_{name}"), |bencher| {
            bencher.iter(|| {
                let (mut reader, _) = open();
                while let Some(row) = reader.next_row().expect("a row") {
                    black_box(row);
                }
                assert_eq!(reader.rows(), ROWS);
            });
        });
        group.bench_function(format!("replay_{name}"), |bencher| {
            bencher.iter(|| {
                let (mut reader, config) = open();
                let mut events = 0;
                replay::run(
                    &mut reader,
                    &config,
                    MonitorKind::default(),
                    |_| (),
                    |_| events += 1,
                )
                .expect("a sound run");
                assert!(events > 50);
            });
        });
    }
    group.finish();
}

criterion_group!(benches, rates);
criterion_main!(benches);
