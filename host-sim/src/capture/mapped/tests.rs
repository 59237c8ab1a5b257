//! Files by independent libraries (`hil-fixtures/make/formats.py`) are read
//! as the CSV captures that they were made from; every mistake has its error.

use std::io::Cursor;
use std::path::{Path, PathBuf};

use crate::capture::{Reader, Row, network_beside};
use crate::document::Document;
use crate::error::HostError;
use crate::network::NetworkFile;
use crate::replay;
use crate::rig::Event;

fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../hil-fixtures")
        .join(name)
}

/// Rows of a capture and what the core reports on them.
fn run(path: &Path, network: &str) -> Result<(Vec<Row>, Vec<Event>), HostError> {
    let document = Document::embedded(&network_beside(path).display().to_string(), network);
    let network = NetworkFile::parse(&document)?;
    let mut reader = Reader::open(path)?;
    let config = reader
        .bind(&network)
        .map_err(|fault| document.locate(fault))?;
    let (mut rows, mut events) = (Vec::new(), Vec::new());
    replay::run(
        &mut reader,
        &config,
        network.monitor,
        |row| rows.push(*row),
        |event| events.push(*event),
    )?;
    Ok((rows, events))
}

fn network_of(path: &Path) -> String {
    std::fs::read_to_string(network_beside(path)).expect("a network")
}

fn captured(name: &str) -> (Vec<Row>, Vec<Event>) {
    let path = fixture(name);
    run(&path, &network_of(&path)).unwrap_or_else(|error| panic!("{error}"))
}

#[test]
fn files_of_independent_libraries_are_read_as_the_csv_originals_bit_for_bit() {
    let unsettled = "captures/source-400v-unsettled-half.csv.gz";
    let switched = "captures/switched-600v-12bit.csv.gz";
    let step = "captures/source-400v-leak-step.csv.gz";
    for (name, original) in [
        ("formats/volts-in-one-group.mf4", unsettled),
        ("formats/volts-as-in-csv.parquet", unsettled),
        ("formats/codes-in-three-groups.mf4", switched),
        ("formats/records-in-turns.mf4", switched),
        ("formats/codes-with-time-stamps.parquet", switched),
        ("formats/frames-on-a-bus.mf4", step),
        ("formats/frames-on-a-bus-log.csv.gz", step),
    ] {
        let (rows, events) = captured(name);
        let (due, due_events) = captured(original);
        assert_eq!(rows.len(), due.len(), "{name}");
        // Time stamps count from the first row.
        let start_s = due[0].time_s - rows[0].time_s;
        assert!(start_s == 0.0 || name.contains("stamps"), "{name}");
        for (row, due) in rows.iter().zip(&due) {
            assert_eq!(
                (row.drive, row.codes),
                (due.drive, due.codes),
                "{name}: {due:?}"
            );
            let late_s = row.time_s + start_s - due.time_s;
            assert!(
                late_s == 0.0 || start_s != 0.0 && late_s.abs() < 1e-9,
                "{name}: {due:?}"
            );
        }
        assert!(
            events.len() > 4 && events.len() == due_events.len(),
            "{name}"
        );
        for (event, due) in events.iter().zip(&due_events) {
            assert_eq!(event.report, due.report, "{name}");
        }
    }
}

/// A capture with its network, one line of which is replaced.
fn refused(name: &str, line: &str, by: &str) -> String {
    let path = fixture(name);
    let network = network_of(&path);
    assert!(network.contains(line), "{line}");
    let Err(error) = run(&path, &network.replace(line, by)) else {
        panic!("{by}: taken");
    };
    assert!(error.expected.is_some() && error.mend.is_some(), "{error}");
    error.to_string()
}

#[test]
#[expect(clippy::too_many_lines, reason = "a table, one case an entry")]
fn a_channel_that_does_not_suit_is_told_with_field_and_cure() {
    let mdf = "formats/volts-in-one-group.mf4";
    let groups = "formats/codes-in-three-groups.mf4";
    let stamps = "formats/codes-with-time-stamps.parquet";
    let bus = "formats/frames-on-a-bus.mf4";
    for (name, line, by, words) in [
        (
            mdf,
            "chassis_V = \"U_Chassis\"",
            "chassis_V = \"u_chasis\"",
            &[
                "field channels.chassis_V",
                "no channel u_chasis",
                "expected: U_Chassis, ",
            ][..],
        ),
        (
            mdf,
            "\"U_Pack\", unit",
            "\"U_Pack_mV\", unit",
            &["channel U_Pack_mV is in mV, not in V", "scale ="],
        ),
        (
            mdf,
            "minus = \"lower\"",
            "minus = \"down\"",
            &["channels.drive_states.minus", "rest, raise, lower or check"],
        ),
        (
            mdf,
            "minus = \"lower\"",
            "negative = \"lower\"",
            &[
                "channel Stimulus, sample",
                "\"minus\" is not a drive state",
                "channels.drive_states",
            ],
        ),
        (
            mdf,
            "drive = \"Stimulus\"",
            "drive = \"U_Pack\"",
            &["is not a drive state"],
        ),
        (
            mdf,
            "chassis_V = \"U_Chassis\"",
            "chassis_V = \"Stimulus\"",
            &["holds no numbers"],
        ),
        (
            mdf,
            "pack_V = {",
            "pack_code = {",
            &["chassis_V, pack_code is no complete pair"],
        ),
        (
            mdf,
            "pack_V = {",
            "pack_kV = {",
            &["channels.pack_kV", "chassis_V and pack_V"],
        ),
        (
            mdf,
            "unit = \"V\" }",
            "unit = \"V\", scale = 10.0 }",
            &[
                "channel U_Pack, sample 1",
                "out of range",
                "-2147 to 2147 V",
            ],
        ),
        (
            groups,
            ", group = \"1\"",
            "",
            &[
                "channel Code is in the groups 0 (chassis), 1 (pack)",
                "group =",
            ],
        ),
        (
            groups,
            ", group = \"1\" }",
            ", group = \"1\", scale = 0.3333 }",
            &["channel Code, sample", "whole codes"],
        ),
        (
            groups,
            "drive = \"Drive\"",
            "drive = { channel = \"Drive\", stale_after_s = 0.1 }",
            &[
                "channel Drive",
                "s old",
                "at least every 0.1 s",
                "stale_after_s",
            ],
        ),
        (
            stamps,
            "\"u_e\"",
            "\"note\"",
            &["column note", "no plain numbers"],
        ),
        (
            stamps,
            "time = \"stamp\"",
            "time = \"stmp\"",
            &["field channels.time", "expected: stamp, "],
        ),
        (stamps, "time = \"stamp\"", "", &["no channel time_s"]),
        (
            stamps,
            "time = \"stamp\"",
            "time = { channel = \"stamp\", scale = 1e12 }",
            &["at most 1e9 s", "of a duration", "scale = 1e-9"],
        ),
        (
            stamps,
            "drive = \"state\"",
            "drive = \"note\"",
            &["sample 1", "\"x\" is not a drive state"],
        ),
        (
            bus,
            "\"Isolation.PackCode\"",
            "\"Isolation.Pack\"",
            &["channels.pack_code", "expected: Isolation.PackCode, "],
        ),
        (
            bus,
            "frames-on-a-bus.dbc",
            "none.dbc",
            &["field channels.dbc", "cannot read"],
        ),
        (
            bus,
            "frames-on-a-bus.dbc",
            "frames-on-a-bus.toml",
            &["is no DBC"],
        ),
        (
            bus,
            "dbc = \"frames-on-a-bus.dbc\"",
            "",
            &["no channel Isolation."],
        ),
        (
            "formats/frames-on-a-bus-log.csv.gz",
            "dbc = \"frames-on-a-bus.dbc\"",
            "",
            &["channels.dbc", "has CAN frames"],
        ),
        (
            "formats/frames-on-a-bus-log.csv.gz",
            "down = \"lower\"",
            "2 = \"rest\"",
            &[],
        ),
    ] {
        if words.is_empty() {
            // A value with a text in the DBC may be named by its number too.
            let path = fixture(name);
            run(&path, &network_of(&path).replace(line, by)).expect("numbers do");
            continue;
        }
        let told = refused(name, line, by);
        for word in words {
            assert!(told.contains(word), "{word} in: {told}");
        }
    }
}

#[test]
fn a_file_without_a_table_of_channels_is_told_what_it_has() {
    let path = fixture("formats/codes-with-time-stamps.parquet");
    let whole = network_of(&path);
    let bare = &whole[..whole.find("[channels]").expect("a table")];
    let error = run(&path, bare).expect_err("no table").to_string();
    for word in ["no channel chassis_code", "u_e", "[channels]"] {
        assert!(error.contains(word), "{error}");
    }
}

#[test]
fn a_cut_file_is_told_and_never_read_in_part() {
    let folder = tempfile::tempdir().expect("a folder");
    for name in [
        "formats/volts-in-one-group.mf4",
        "formats/codes-in-three-groups.mf4",
        "formats/frames-on-a-bus.mf4",
        "formats/codes-with-time-stamps.parquet",
    ] {
        let path = fixture(name);
        let network = network_of(&path).replace(
            "dbc = \"",
            &format!("dbc = \"{}/", fixture("formats").display()),
        );
        let whole = std::fs::read(&path).expect("a file");
        let ending = path
            .extension()
            .expect("an ending")
            .to_string_lossy()
            .into_owned();
        for part in 1..16 {
            let cut = folder.path().join(format!("cut.{ending}"));
            std::fs::write(&cut, &whole[..whole.len() * part / 16]).expect("write");
            let error = run(&cut, &network).expect_err(name);
            assert!(
                error.to_string().contains("cut."),
                "{name}, {part}: {error}"
            );
            assert!(error.mend.is_some(), "{name}, {part}: {error}");
        }
    }
}

const LOG_NETWORK: &str = "format = \"ohmsplit-network-1\"\npack.working_voltage_V = 400\n\
    [drive]\nkind = \"source_to_negative\"\namplitude_V = 40\nseries_resistance_ohm = 1e6\n\
    [front_end]\nkind = \"chassis_and_pack\"\n\
    [channels]\ndbc = \"DBC\"\nchassis_V = { channel = \"Plain.IntelUnsigned\", stale_after_s = 2 }\n\
    pack_V = \"Plain.MotorolaUnsigned\"\ndrive = \"Switched.Page\"\n\
    drive_states = { 0 = \"rest\", 1 = \"raise\" }\n";

fn log(rows: &str) -> Result<Vec<Row>, HostError> {
    let dbc = fixture("formats/signals.dbc").display().to_string();
    let document = Document::embedded("log.toml", &LOG_NETWORK.replace("DBC", &dbc));
    let network = NetworkFile::parse(&document)?;
    let text = format!("time_s,id,data_hex,bus\n{rows}");
    let mut reader = Reader::from_bytes("log.csv", Cursor::new(text))?;
    reader
        .bind(&network)
        .map_err(|fault| document.locate(fault))?;
    let mut rows = Vec::new();
    while let Some(row) = reader.next_row()? {
        rows.push(row);
    }
    Ok(rows)
}

#[test]
fn values_of_different_messages_are_held_until_the_next() {
    // 100 V is 800 · 0.25 - 100, at bit 3; 4.00 V is 400 · 0.01.
    let plain = |code: u64| format!("{:016x}", ((code << 3).swap_bytes()) | 400);
    let rows = log(&format!(
        "0,100,{0},1\n0.1,200,0000000000000000,1\n0.2,0x64,{0},1\n0.3,200,0100000000000000,1\n\
         0.4,7,00,9\n0.5,100,{1},1\n0.5,200,0000000000000000,1\n",
        plain(800),
        plain(804)
    ))
    .expect("a sound log");
    let found: Vec<_> = rows
        .iter()
        .map(|row| (row.time_s, row.drive.name(), row.codes))
        .collect();
    // The first message comes before the drive state is known. Frames of one instant count together.
    let due = [
        (0.2, "rest", [100_000_000, 4_000_000]),
        (0.5, "rest", [101_000_000, 4_000_000]),
    ];
    assert_eq!(found, due);
}

#[test]
fn a_malformed_log_is_told_with_line_and_column() {
    let plain = "0,200,00,1\n0.1,100,0000000000000190,1\n";
    for (rows, words) in [
        ("0,200,0,1\n", &["line 2, column data_hex"][..]),
        ("0,0x3fffffff,00,1\n", &["line 2, column id", "29 bits"]),
        ("0,200,00\n", &["line 2", "3 fields"]),
        ("x,200,00,1\n", &["column time_s"]),
        ("0,200,00,one\n", &["column bus"]),
        ("0,200,07,1\n", &["Switched.Page", "7 is not a drive state"]),
        (
            &format!("{plain}0.05,100,0000000000000190,1\n"),
            &["does not come after 0.1"],
        ),
        (
            &format!("{plain}0.2,100,0000000000000190,2\n"),
            &["bus 1 and on bus 2"],
        ),
        (
            "0,200,00,1\n",
            &["no moment at which all channels have a value"],
        ),
    ] {
        let error = log(rows).expect_err(rows);
        let told = error.to_string();
        assert!(error.expected.is_some() && error.mend.is_some(), "{told}");
        for word in words {
            assert!(told.contains(word), "{word} in: {told}");
        }
    }
}
