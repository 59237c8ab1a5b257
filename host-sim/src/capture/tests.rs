//! Good captures in every dress, and every kind of malformed one.

use std::io::{Cursor, Write as _};

use flate2::Compression;
use flate2::write::GzEncoder;

use super::*;
use crate::document::Document;
use crate::error::HostError;
use crate::error::Place;
use crate::network::NetworkFile;

const GOOD: &str = "time_s,drive,chassis_V,pack_V\n0.1,rest,100,400\n0.2,raise,120.5,400\n";

fn read(bytes: impl Into<Vec<u8>>) -> Result<Vec<Row>, HostError> {
    let mut reader = Reader::from_bytes("run.csv", Cursor::new(bytes.into()))?;
    let mut rows = Vec::new();
    while let Some(row) = reader.next_row()? {
        rows.push(row);
    }
    Ok(rows)
}

fn gzip(text: &str) -> Vec<u8> {
    let mut encoder = GzEncoder::new(Vec::new(), Compression::fast());
    encoder.write_all(text.as_bytes()).expect("memory");
    encoder.finish().expect("memory")
}

fn network(front_end: &str) -> NetworkFile {
    let text = format!(
        "format = \"ohmsplit-network-1\"\npack.working_voltage_V = 400\n\
         [drive]\nkind = \"source_to_negative\"\namplitude_V = 40\nseries_resistance_ohm = 1e6\n\
         {front_end}"
    );
    NetworkFile::parse(&Document::embedded("run.toml", &text)).expect("network")
}

fn ten_bits() -> NetworkFile {
    let channel = "converter_bits = 10\nconverter_full_scale_V = 1023\nzero_code = 0\n";
    network(&format!(
        "[front_end]\nkind = \"chassis_and_pack\"\n\
         [front_end.chassis]\n{channel}[front_end.pack]\n{channel}"
    ))
}

#[test]
fn volts_become_codes_of_one_microvolt() {
    let rows = read(GOOD).expect("good");
    assert_eq!(rows.len(), 2);
    assert_eq!(rows[1].codes, [120_500_000, 400_000_000]);
    assert_eq!((rows[1].time_s, rows[1].drive), (0.2, Drive::Raise));
}

#[test]
fn dress_does_not_matter() {
    let plain = read(GOOD).expect("good");
    let columns_moved =
        "pack_V,x_note,time_s,chassis_V,drive\n400,,0.1,100,rest\n4e2,\"a, b\",2e-1,+120.5,raise\n";
    let commented = format!("# a\n{}# end", GOOD.replace('\n', "\n# note\n"));
    for (name, bytes) in [
        ("gzip", gzip(GOOD)),
        (
            "two gzip members",
            [gzip(&GOOD[..40]), gzip(&GOOD[40..])].concat(),
        ),
        ("line ends", GOOD.replace('\n', "\r\n").into_bytes()),
        ("byte order mark", format!("\u{feff}{GOOD}").into_bytes()),
        ("comments", commented.into_bytes()),
        ("spaces", GOOD.replace(',', " , ").into_bytes()),
        ("order", columns_moved.as_bytes().to_vec()),
    ] {
        assert_eq!(read(bytes).expect(name), plain, "{name}");
    }
}

#[test]
fn codes_are_held_against_the_converter() {
    let text = "time_s,drive,chassis_code,pack_code\n0,rest,0,1023\n1,rest,5,1024\n";
    let mut reader = Reader::from_bytes("run.csv", Cursor::new(text)).expect("header");
    reader.bind(&ten_bits()).expect("fits");
    assert_eq!(
        reader.next_row().expect("row").expect("row").codes,
        [0, 1023]
    );
    let error = reader.next_row().expect_err("1024 needs 11 bits");
    assert!(
        error.to_string().contains("line 3, column pack_code"),
        "{error}"
    );
    assert_eq!(error.expected.as_deref(), Some("0 to 1023"));
}

#[test]
fn a_network_that_does_not_fit_is_refused() {
    let pair = "time_s,drive,positive_V,negative_V\n0,rest,1,2\n";
    let mut reader = Reader::from_bytes("run.csv", Cursor::new(pair)).expect("header");
    assert_eq!(
        reader.bind(&ten_bits()).expect_err("pair").path,
        "front_end.kind"
    );
    let codes = "time_s,drive,chassis_code,pack_code\n0,rest,1,2\n";
    let mut reader = Reader::from_bytes("run.csv", Cursor::new(codes)).expect("header");
    let bare = network("[front_end]\nkind = \"chassis_and_pack\"\n");
    let fault = reader.bind(&bare).expect_err("no converter");
    assert_eq!(fault.path, "front_end.chassis.converter_bits");
}

/// `(what is wrong, the file, line, column, words of the message)`.
type Malformed = (
    &'static str,
    Vec<u8>,
    Option<u64>,
    Option<&'static str>,
    &'static str,
);

fn rows_after_header(rows: &str) -> Vec<u8> {
    format!("# note\ntime_s,drive,chassis_V,pack_V\n0.1,rest,100,400\n{rows}").into_bytes()
}

#[expect(clippy::too_many_lines, reason = "a table, one case an entry")]
fn malformed_headers() -> Vec<Malformed> {
    let header = |text: &str| format!("# note\n{text}\n0,rest,1,2\n").into_bytes();
    vec![
        ("empty", Vec::new(), None, None, "is empty"),
        (
            "only comments",
            b"# a\n# b\n".to_vec(),
            None,
            None,
            "is empty",
        ),
        (
            "no rows",
            header("time_s,drive,chassis_V,pack_V")[..37].to_vec(),
            None,
            None,
            "no rows",
        ),
        (
            "binary",
            vec![0x7f, b'E', b'L', b'F', 2, 1, 0, 0, 200, 201],
            None,
            None,
            "not a CSV capture",
        ),
        (
            "no header",
            b"0.1,rest,100,400\n".to_vec(),
            Some(1),
            None,
            "no header row",
        ),
        (
            "semicolons",
            header("time_s;drive;chassis_V;pack_V"),
            Some(2),
            None,
            "no header row",
        ),
        (
            "no drive",
            header("time_s,x_drive,chassis_V,pack_V"),
            Some(2),
            None,
            "drive is missing",
        ),
        (
            "no time",
            header("x_t,drive,chassis_V,pack_V"),
            Some(2),
            None,
            "time_s is missing",
        ),
        (
            "no pack",
            header("time_s,drive,chassis_V,x_pack"),
            Some(2),
            None,
            "pack_V is missing",
        ),
        (
            "no readings",
            header("time_s,drive,x_v,x_b"),
            Some(2),
            None,
            "no column holds readings",
        ),
        (
            "both units",
            header("time_s,drive,chassis_V,pack_code"),
            Some(2),
            None,
            "chassis_V, pack_code do not go together",
        ),
        (
            "both pairs",
            header("time_s,drive,chassis_V,pack_V,positive_V,negative_V"),
            Some(2),
            None,
            "do not go together",
        ),
        (
            "unknown column",
            header("time_s,drive,chassis_V,pack_V,current_A"),
            Some(2),
            None,
            "unknown column \"current_A\"",
        ),
        (
            "doubled column",
            header("time_s,drive,chassis_V,pack_V,drive"),
            Some(2),
            None,
            "drive is there twice",
        ),
    ]
}

#[expect(clippy::too_many_lines, reason = "a table, one case an entry")]
fn malformed_rows() -> Vec<Malformed> {
    let after = rows_after_header;
    vec![
        (
            "same time",
            after("0.1,rest,1,2\n"),
            Some(4),
            Some("time_s"),
            "0.1 does not come after 0.1",
        ),
        (
            "time backwards",
            after("0.05,rest,1,2\n"),
            Some(4),
            Some("time_s"),
            "does not come after",
        ),
        (
            "bad time",
            after("1:30,rest,1,2\n"),
            Some(4),
            Some("time_s"),
            "\"1:30\" is not a number",
        ),
        (
            "time without end",
            after("inf,rest,1,2\n"),
            Some(4),
            Some("time_s"),
            "not a finite number",
        ),
        (
            "bad number",
            after("0.2,rest,1V,2\n"),
            Some(4),
            Some("chassis_V"),
            "\"1V\" is not a number",
        ),
        (
            "not a number",
            after("0.2,rest,1,NaN\n"),
            Some(4),
            Some("pack_V"),
            "not a finite number",
        ),
        (
            "infinite",
            after("0.2,rest,-inf,2\n"),
            Some(4),
            Some("chassis_V"),
            "not a finite number",
        ),
        (
            "empty field",
            after("0.2,rest,,2\n"),
            Some(4),
            Some("chassis_V"),
            "an empty field",
        ),
        (
            "too high",
            after("0.2,rest,1,2500\n"),
            Some(4),
            Some("pack_V"),
            "out of range",
        ),
        (
            "unknown drive",
            after("0.2,up,1,2\n"),
            Some(4),
            Some("drive"),
            "\"up\" is not a drive state",
        ),
        (
            "short row",
            after("0.2,rest,1\n"),
            Some(4),
            None,
            "3 fields",
        ),
        (
            "long row",
            after("0.2,rest,1,2,3\n"),
            Some(4),
            None,
            "5 fields",
        ),
        ("cut row", after("0.2,re"), Some(4), None, "2 fields"),
        (
            "binary row",
            after("\0\u{1}\u{2},rest,1,2\n"),
            Some(4),
            Some("time_s"),
            "is not a number",
        ),
    ]
}

#[test]
fn each_malformed_file_gives_one_error_with_row_and_column() {
    for (what, bytes, line, column, words) in
        malformed_headers().into_iter().chain(malformed_rows())
    {
        let error = read(bytes).expect_err(what);
        let text = error.to_string();
        assert!(
            text.starts_with("run.csv") && text.contains(words),
            "{what}: {text}"
        );
        assert!(
            error.expected.is_some() && error.mend.is_some(),
            "{what}: {text}"
        );
        let place = match &error.place {
            Place::Row { line, column } => (Some(*line), column.as_deref()),
            _ => (None, None),
        };
        assert_eq!(place, (line, column), "{what}: {text}");
    }
}

#[test]
fn a_wrong_code_is_named() {
    let after = |row: &str| {
        let text = format!("time_s,drive,chassis_code,pack_code\n0,rest,1,2\n{row}\n");
        let mut reader = Reader::from_bytes("run.csv", Cursor::new(text)).expect("header");
        reader.bind(&ten_bits()).expect("fits");
        reader.next_row().expect("good row");
        reader.next_row().expect_err(row).to_string()
    };
    for (row, words) in [
        ("1,rest,12.5,3", "\"12.5\" is not a converter code"),
        (
            "1,rest,-1,3",
            "\"-1\" is a code that the converter cannot give",
        ),
        ("1,rest,99999999999999999999,3", "is not a converter code"),
    ] {
        assert!(after(row).contains(words), "{row}: {}", after(row));
    }
}

#[test]
fn a_damaged_gzip_is_told_with_the_line_reached() {
    let text = format!(
        "{}{}",
        GOOD,
        (3..20_000)
            .map(|n| format!("{n},rest,{n},400\n")
                .replace(&format!("{n},400"), &format!("{}.5,400", n % 300)))
            .collect::<String>()
    );
    let whole = gzip(&text);
    assert_eq!(read(whole.clone()).expect("whole").len(), 19_999);
    let error = read(whole[..whole.len() / 2].to_vec()).expect_err("cut");
    assert!(error.problem.contains("ends too early"), "{error}");
    assert!(
        matches!(error.place, Place::Row { line, .. } if line > 100),
        "{error}"
    );
    let mut damaged = whole;
    let middle = damaged.len() / 2;
    damaged[middle..middle + 40].fill(0xff);
    assert!(read(damaged).is_err());
}

#[test]
fn what_is_written_is_read_again() {
    let folder = tempfile::tempdir().expect("folder");
    for (name, readings) in [("a.csv", Readings::Volts), ("b.csv.gz", Readings::Codes)] {
        let path = folder.path().join(name);
        let layout = Layout::new(FrontEndKind::ChassisAndPack, readings);
        let rows: Vec<Row> = (0..5000)
            .map(|n| Row {
                time_s: f64::from(n) * 1e-3 - 0.5,
                drive: Drive::ALL[n as usize % 3],
                codes: [n % 1024, (n * 7) % 1024],
            })
            .collect();
        let mut writer = Writer::create(&path, layout, "one\ntwo").expect("create");
        for row in &rows {
            writer.push(row).expect("write");
        }
        assert!(
            !path.exists(),
            "nothing under the name before it is complete"
        );
        writer.finish().expect("finish");
        let mut reader = Reader::open(&path).expect("open");
        reader.bind(&ten_bits()).expect("fits");
        for row in &rows {
            let back = reader.next_row().expect("row").expect("row");
            assert_eq!((back.codes, back.drive), (row.codes, row.drive));
            assert!((back.time_s - row.time_s).abs() < 1e-9);
        }
        assert_eq!(reader.next_row().expect("end"), None);
    }
    assert_eq!(std::fs::read_dir(folder.path()).expect("folder").count(), 2);
}

#[test]
fn a_capture_that_is_given_up_leaves_nothing() {
    let folder = tempfile::tempdir().expect("folder");
    let path = folder.path().join("a.csv");
    drop(Writer::create(&path, Layout::ALL[0], "").expect("create"));
    assert_eq!(std::fs::read_dir(folder.path()).expect("folder").count(), 0);
    assert!(Writer::create(&folder.path().join("no/such/a.csv"), Layout::ALL[0], "").is_err());
}

#[test]
fn the_network_file_has_the_same_stem() {
    for name in ["a/run.csv", "a/run.csv.gz", "a/run.CSV.GZ", "a/run"] {
        assert_eq!(
            network_beside(Path::new(name)),
            Path::new("a/run.toml"),
            "{name}"
        );
    }
}
