//! A fleet in one table: of a folder of captures, or of one file with a column of units.

use std::path::Path;

use ohmsplit_host::table::{Cell, Kind, write_parquet};
use parquet::file::reader::{FileReader, SerializedFileReader};
use parquet::record::Field;

use super::bad_input::{LEAK, changed, refused};
use super::bulk::copy;
use super::{Bench, fixture};

/// A fleet of four, one of which cannot be read and one of which has no network.
fn fleet(bench: &Bench) {
    copy(
        bench,
        "captures/source-400v-open.csv",
        "fleet/loose/u-9.csv",
    );
    copy(
        bench,
        "captures/source-400v-open.toml",
        "fleet/loose/u-9.toml",
    );
    copy(
        bench,
        "formats/codes-in-three-groups.mf4",
        "fleet/loose/u-8.mf4",
    );
    let stamps = "formats/codes-with-time-stamps";
    copy(bench, &format!("{stamps}.toml"), "fleet/parts/network.toml");
    copy(
        bench,
        &format!("{stamps}.parquet"),
        "fleet/parts/vehicle=17/part-0.parquet",
    );
    copy(
        bench,
        &format!("{stamps}.parquet"),
        "fleet/parts/vehicle=4/part-0.parquet",
    );
    bench.write("fleet/parts/vehicle=4/part-0.parquet", "PAR1 cut");
}

fn rows(path: &Path) -> Vec<Vec<(String, Field)>> {
    let file =
        SerializedFileReader::new(std::fs::File::open(path).expect("a file")).expect("Parquet");
    let rows = file.get_row_iter(None).expect("rows");
    rows.map(|row| row.expect("a row").into_columns()).collect()
}

#[test]
fn a_fleet_becomes_one_table_and_bad_files_become_rows() {
    let bench = Bench::new();
    fleet(&bench);
    let run = bench.run(&["fleet", "fleet", "--out", "one", "--threads", "1"]);
    assert_eq!(run.code, Some(2), "{}", run.err);
    assert!(run.err.contains("2 rows have no result"), "{}", run.err);
    let table = std::fs::read_to_string(bench.path("one/fleet.csv")).expect("a table");
    let lines: Vec<&str> = table.lines().collect();
    assert!(
        lines[1].starts_with("capture,unit,error,verdict,"),
        "{}",
        lines[1]
    );
    for (line, words) in [
        (
            2,
            &[
                "loose/u-8.mf4,u-8,",
                "u-8.toml",
                "network.toml in a folder above",
            ][..],
        ),
        (3, &["loose/u-9.csv,u-9,,healthy,,open,"]),
        (
            4,
            &["parts/vehicle=17/part-0.parquet,17,,warning,,figure,,,14"],
        ),
        (
            5,
            &[
                "parts/vehicle=4/part-0.parquet,4,",
                "cannot be read as Parquet",
            ],
        ),
    ] {
        for word in words {
            assert!(lines[line].contains(word), "{word} in: {}", lines[line]);
        }
    }
    assert_eq!(lines.len(), 6);

    let rows = rows(&bench.path("one/fleet.parquet"));
    assert_eq!(rows.len(), 4);
    let isolation = rows[2].iter().find(|(name, _)| name == "isolation_ohm");
    // 500 kΩ to P and 200 kΩ to N, by the netlist.
    let Some((_, Field::Double(ohm))) = isolation else {
        panic!("{isolation:?}")
    };
    assert!((ohm / 142_857.0 - 1.0).abs() < 3e-3, "{ohm}");
    assert_eq!(
        rows[0]
            .iter()
            .find(|(name, _)| name == "samples")
            .expect("a column")
            .1,
        Field::Null
    );
}

#[test]
fn the_table_is_the_same_whatever_the_number_of_threads_and_after_a_stop() {
    let bench = Bench::new();
    fleet(&bench);
    bench.run(&["fleet", "fleet", "--out", "one", "--threads", "1"]);
    let table = std::fs::read_to_string(bench.path("one/fleet.csv")).expect("a table");
    let both = |folder: &str| {
        ["fleet.csv", "fleet.parquet"]
            .map(|name| std::fs::read(bench.path(folder).join(name)).expect(name))
    };
    bench.run(&["fleet", "fleet", "--out", "two", "--threads", "2"]);
    assert_eq!(both("two"), both("one"));
    // Stopped in the middle of any row, and gone on with.
    for cut in [10, table.len() / 2, table.len() - 3] {
        std::fs::create_dir_all(bench.path("cut")).expect("a folder");
        bench.write("cut/fleet.csv", &table[..cut]);
        let run = bench.run(&["fleet", "fleet", "--out", "cut", "--resume"]);
        assert_eq!(run.code, Some(2), "{}", run.err);
        assert_eq!(both("cut"), both("one"), "{cut}");
    }
}

#[test]
fn a_table_of_another_fleet_is_kept() {
    let bench = Bench::new();
    fleet(&bench);
    bench.run(&["fleet", "fleet", "--out", "one"]);
    let before = std::fs::read(bench.path("one/fleet.csv")).expect("a table");
    let again = |more: &[&str]| bench.run(&[&["fleet"], more, &["--out", "one"]].concat());
    refused(
        &again(&["fleet"]),
        &["one/fleet.csv", "is there already", "--resume"],
    );
    refused(
        &again(&["fleet/loose", "--resume"]),
        &["row 1 is of loose/u-8.mf4", "expected: u-8.mf4, unit u-8"],
    );
    bench.write("one/fleet.csv", "mine\n".repeat(200));
    refused(
        &again(&["fleet", "--resume"]),
        &["fleet.csv, line 1", "by this version of the program"],
    );
    bench.write("one/fleet.csv", &before);
    assert_eq!(
        std::fs::read(bench.path("one/fleet.csv")).expect("kept"),
        before
    );
    std::fs::create_dir(bench.path("empty")).expect("a folder");
    refused(
        &bench.run(&["fleet", "empty", "--out", "x"]),
        &["no capture in this folder"],
    );
}

/// One network for all, named by hand; the tables may lie in the folder itself.
#[test]
fn one_network_serves_all_and_the_tables_are_no_captures() {
    let bench = Bench::new();
    for name in ["a", "b"] {
        copy(
            &bench,
            "captures/source-400v-1m-inside.csv",
            &format!("runs/{name}.csv"),
        );
    }
    let network = fixture("captures/source-400v-1m-inside.toml");
    let run = |more: &[&str]| {
        bench.run(
            &[
                &["fleet", "runs", "--out", "runs", "--network", &network],
                more,
            ]
            .concat(),
        )
    };
    let first = run(&[]);
    assert_eq!(first.code, Some(0), "{}", first.err);
    assert_eq!(rows(&bench.path("runs/fleet.parquet")).len(), 2);
    assert_eq!(run(&["--resume"]).code, Some(0));
    assert_eq!(rows(&bench.path("runs/fleet.parquet")).len(), 2);
}

/// Rows of one file: three units in turns, and between them rows without a unit. B2 is A10 with the words of the
/// drive swapped, begun a day later; C's time goes back.
fn interleaved() -> Vec<Vec<String>> {
    let mut rows = Vec::new();
    for (number, line) in changed(LEAK, |_| {}).lines().enumerate() {
        let fields: Vec<&str> = line.split(',').collect();
        let [time, drive, chassis, pack] = fields[..] else {
            panic!("{line}")
        };
        let mut push = |unit: &str, time: String, drive: &str| {
            rows.push(
                [unit, &time, drive, chassis, pack]
                    .map(str::to_owned)
                    .to_vec(),
            );
        };
        if number == 0 {
            push("vehicle", time.to_owned(), drive);
            continue;
        }
        push("A10", time.to_owned(), drive);
        let later = time.parse::<f64>().expect("a time") + 86_400.0;
        let swapped = match drive {
            "raise" => "lower",
            "lower" => "raise",
            other => other,
        };
        push("B2", format!("{later:.6}"), swapped);
        push(
            "C",
            (if number == 900 { "0.5" } else { time }).to_owned(),
            drive,
        );
    }
    rows
}

/// The same as CSV and as Parquet.
fn one_file_fleet(bench: &Bench) {
    let rows = interleaved();
    let text: String = rows.iter().map(|row| row.join(",") + "\n").collect();
    bench.write("all.csv", text);
    let kinds = [Kind::Text, Kind::Real, Kind::Text, Kind::Real, Kind::Real];
    let columns = rows[0].iter().cloned().zip(kinds).collect();
    let cell = |(text, kind): (&String, Kind)| match kind {
        Kind::Real => Cell::Real(text.parse().expect("a number")),
        _ => Cell::Text(text.clone()),
    };
    let cells: Vec<Vec<Cell>> = rows[1..]
        .iter()
        .map(|row| row.iter().zip(kinds).map(cell).collect())
        .collect();
    write_parquet(&bench.path("all.parquet"), &columns, &cells, "").expect("written");
    for name in ["all.toml", "alone.toml"] {
        copy(bench, &format!("captures/{LEAK}.toml"), name);
    }
}

#[test]
fn one_file_with_a_column_of_units_gives_a_result_a_unit() {
    let bench = Bench::new();
    one_file_fleet(&bench);
    copy(&bench, &format!("captures/{LEAK}.csv"), "alone.csv");
    let fleet = |file: &str, more: &[&str]| {
        let run = bench.run(&[&["fleet", file, "--out", "out"], more].concat());
        let table = std::fs::read_to_string(bench.path("out/fleet.csv")).unwrap_or_default();
        let _ = std::fs::remove_dir_all(bench.path("out"));
        let lines: Vec<String> = table.lines().skip(2).map(ToOwned::to_owned).collect();
        (run, lines)
    };
    let (_, alone) = fleet("alone.csv", &[]);
    let of = |line: &str, from: &str| line.split_once(from).expect(from).1.to_owned();
    for file in ["all.csv", "all.parquet"] {
        let (run, rows) = fleet(file, &["--unit-column", "vehicle"]);
        assert_eq!((run.code, rows.len()), (Some(2), 3), "{}", run.err);
        // As the unit's rows alone, but for the times, which count from the unit's first row at 0.001 s.
        let expected = of(&alone[0], "alone.csv,alone,");
        let found = of(&rows[0], &format!("{file},A10,"));
        let fields = |line: &str| line.split(',').map(str::to_owned).collect::<Vec<_>>();
        let [expected, found] = [expected, found].map(|line| fields(&line));
        assert_eq!(found[..17], expected[..17]);
        assert_eq!(found[19..], expected[19..]);
        let swapped = &rows[1];
        assert!(
            swapped.starts_with(&format!("{file},B2,,undetermined,implausible")),
            "{swapped}"
        );
        assert!(swapped.contains("raise and lower are swapped"), "{swapped}");
        assert!(
            rows[2].starts_with(&format!("{file},C,")) && rows[2].contains("0.5"),
            "{}",
            rows[2]
        );
        assert!(rows[2].contains("does not come after"), "{}", rows[2]);
    }
    // A column that is not there: one row that names those that are.
    for file in ["all.csv", "all.parquet"] {
        let (run, rows) = fleet(file, &["--unit-column", "vehicel"]);
        assert_eq!((run.code, rows.len()), (Some(2), 1), "{}", run.err);
        for word in ["no column vehicel", "vehicle, time_s", "--unit-column"] {
            assert!(rows[0].contains(word), "{word} in: {}", rows[0]);
        }
    }
}

/// Written by an independent library; what is due is told by the netlists.
#[test]
fn cars_in_one_parquet_file_of_another_library() {
    let bench = Bench::new();
    let run = bench.run(&[
        "fleet",
        &fixture("formats/fleet-in-one-file.parquet"),
        "--unit-column",
        "vehicle",
        "--network",
        &fixture("captures/source-400v-open.toml"),
        "--out",
        "out",
    ]);
    assert_eq!(run.code, Some(0), "{}", run.err);
    let rows = rows(&bench.path("out/fleet.parquet"));
    let of = |row: usize, name: &str| {
        let found = rows[row].iter().find(|(column, _)| column == name);
        found.expect(name).1.clone()
    };
    for (row, [unit, verdict, answer]) in [
        ["101", "healthy", "open"],
        ["102", "alarm", "short"],
        ["103", "alarm", "figure"],
    ]
    .into_iter()
    .enumerate()
    {
        for (name, due) in [("unit", unit), ("verdict", verdict), ("answer", answer)] {
            assert_eq!(of(row, name), Field::Str(due.to_owned()), "{row} {name}");
        }
    }
    let Field::Double(ohm) = of(2, "isolation_ohm") else {
        panic!("{:?}", of(2, "isolation_ohm"))
    };
    // The allowance of its expected results.
    assert!((ohm / 24_875.621_89 - 1.0).abs() < 0.016, "{ohm}");
}

/// Stopped between units of one file, and on any number of threads.
#[test]
fn the_units_of_one_file_are_gone_on_with() {
    let bench = Bench::new();
    one_file_fleet(&bench);
    let fleet = |out: &str, more: &[&str]| {
        let always = [
            "fleet",
            "all.parquet",
            "--unit-column",
            "vehicle",
            "--out",
            out,
        ];
        let run = bench.run(&[&always, more].concat());
        assert_eq!(run.code, Some(2), "{}", run.err);
        std::fs::read(bench.path(out).join("fleet.csv")).expect("a table")
    };
    let whole = fleet("whole", &["--threads", "1"]);
    std::fs::create_dir(bench.path("cut")).expect("a folder");
    let second = String::from_utf8_lossy(&whole)
        .find("all.parquet,B2")
        .expect("B2");
    bench.write("cut/fleet.csv", &whole[..second + 20]);
    assert_eq!(fleet("cut", &["--resume"]), whole);
    assert_eq!(rows(&bench.path("cut/fleet.parquet")).len(), 3);
}
