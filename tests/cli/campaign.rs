//! A small campaign: its files, its repeatability, going on after a stop.

use std::process::{Command, Stdio};

use super::bad_input::refused;
use super::{Bench, Run, fixture};

const FILES: [&str; 3] = ["efficiency.csv", "efficiency.md", "efficiency.svg"];

fn campaign(bench: &Bench, folder: &str, more: &[&str]) -> Run {
    let always = [
        "campaign",
        "efficiency",
        "--quick",
        "--records",
        "3",
        "--out",
    ];
    bench.run(&[&always[..], &[folder], more].concat())
}

fn files(bench: &Bench, folder: &str) -> [String; 3] {
    FILES.map(|name| {
        std::fs::read_to_string(bench.path(folder).join(name)).expect("a file of the campaign")
    })
}

#[test]
fn a_campaign_writes_table_page_and_picture_whatever_the_threads() {
    let bench = Bench::new();
    let run = campaign(&bench, "one", &["--threads", "1"]);
    assert_eq!(run.code, Some(0), "{}", run.err);
    assert!(run.err.contains("12 of 12 cells"), "{}", run.err);
    let [table, page, picture] = files(&bench, "one");
    // Format line, columns, three drives by two capacitances by two resistances.
    assert_eq!(table.lines().count(), 2 + 12, "{table}");
    let columns = table.lines().nth(1).expect("columns").split(',').count();
    assert!(
        table
            .lines()
            .skip(1)
            .all(|line| line.split(',').count() == columns)
    );
    for words in ["--records 3 --seed 1 --quick", "can kill"] {
        assert!(page.contains(words), "{words}: {page}");
    }
    assert!(picture.starts_with("<svg") && picture.contains("source_40V"));
    assert_eq!(campaign(&bench, "three", &["--threads", "3"]).code, Some(0));
    assert_eq!(files(&bench, "three"), [table.clone(), page, picture]);
    assert_eq!(campaign(&bench, "other", &["--seed", "2"]).code, Some(0));
    assert_ne!(files(&bench, "other")[0], table);
}

#[test]
fn a_stopped_campaign_goes_on_where_it_was_even_from_half_a_line() {
    let bench = Bench::new();
    assert_eq!(campaign(&bench, "run", &[]).code, Some(0));
    let whole = files(&bench, "run");
    let table = bench.path("run").join(FILES[0]);
    std::fs::write(&table, &whole[0][..whole[0].len() / 2]).expect("write");
    let run = campaign(&bench, "run", &["--resume"]);
    assert_eq!(run.code, Some(0), "{}", run.err);
    assert_eq!(files(&bench, "run"), whole);
    // Complete: nothing is left to do, and it says so by doing nothing.
    assert_eq!(campaign(&bench, "run", &["--resume"]).code, Some(0));
    assert_eq!(files(&bench, "run"), whole);
}

/// Killed outright, which is more than an interrupt from the keyboard does.
#[test]
fn a_killed_campaign_leaves_whole_rows_and_goes_on() {
    let bench = Bench::new();
    let options = ["campaign", "efficiency", "--quick", "--records", "60"];
    let mut child = Command::new(env!("CARGO_BIN_EXE_ohmsplit"))
        .args(options)
        .args(["--out", "run"])
        .current_dir(bench.folder.path())
        .stderr(Stdio::null())
        .spawn()
        .expect("the program starts");
    let table = bench.path("run").join(FILES[0]);
    let lines = || std::fs::read_to_string(&table).map_or(0, |text| text.lines().count());
    while lines() < 4 && child.try_wait().expect("a state").is_none() {
        std::thread::yield_now();
    }
    // It may have ended by itself, which is as well.
    let _ = child.kill();
    child.wait().expect("it ends");
    assert!(lines() >= 4);
    let run = bench.run(&[&options[..], &["--out", "run", "--resume"]].concat());
    assert_eq!(run.code, Some(0), "{}", run.err);
    let run = bench.run(&[&options[..], &["--out", "whole"]].concat());
    assert_eq!(run.code, Some(0), "{}", run.err);
    assert_eq!(files(&bench, "run"), files(&bench, "whole"));
}

#[test]
fn nothing_is_written_over_and_another_campaign_is_not_mixed_in() {
    let bench = Bench::new();
    assert_eq!(campaign(&bench, "run", &[]).code, Some(0));
    let whole = files(&bench, "run");
    refused(
        &campaign(&bench, "run", &[]),
        &["efficiency.csv", "is there already", "--resume"],
    );
    refused(
        &campaign(&bench, "run", &["--resume", "--seed", "9"]),
        &["efficiency.csv, line 1", "not of this campaign", "seed 9"],
    );
    assert_eq!(files(&bench, "run"), whole);
    std::fs::create_dir(bench.path("notes")).expect("a folder");
    bench.write("notes/efficiency.md", "mine");
    for more in [&[][..], &["--resume"]] {
        refused(
            &campaign(&bench, "notes", more),
            &["efficiency.md", "is there already"],
        );
    }
    bench.write("taken", "");
    let run = campaign(&bench, "taken", &[]);
    assert_ne!(run.code, Some(0));
    assert_eq!(run.err.matches("error: ").count(), 1, "{}", run.err);
}

/// The table that ships, its lines above the rows apart, and which rows are above what is asked for.
fn shipped() -> (String, Vec<String>, Vec<String>) {
    let table = fixture("../host-sim/campaigns/efficiency.csv");
    let table = std::fs::read_to_string(table).expect("the table");
    let field = |line: &str, n: usize| line.split(',').nth(n).and_then(|f| f.parse::<f64>().ok());
    // The bound of R in percent, and the error over the bound.
    let is_above = |line: &str| {
        field(line, 6).is_some_and(|bound| bound < 10.0)
            && field(line, 12).is_some_and(|ratio| ratio > 1.3)
    };
    let head: String = table.split_inclusive('\n').take(2).collect();
    let rows = table.lines().skip(2).map(str::to_owned);
    let (above, fine) = rows.partition(|line| is_above(line));
    (head, above, fine)
}

fn again(bench: &Bench, table: &str, more: &[&str]) -> Run {
    let options = ["campaign", "efficiency", "--out", "run", "--records", "3"];
    bench.run(&[&options[..], &["--again", table, "--seed", "5"], more].concat())
}

#[test]
fn cells_above_what_is_asked_for_are_tried_again_and_no_others() {
    let bench = Bench::new();
    let (head, above, fine) = shipped();
    let short = [&above[0], &fine[0], &above[1]]
        .map(String::as_str)
        .join("\n");
    bench.write("before.csv", format!("{head}{short}\n"));
    let run = again(&bench, "before.csv", &[]);
    assert_eq!(run.code, Some(0), "{}", run.err);
    let [text, page, _] = files(&bench, "run");
    assert!(text.contains("subject swift, grid again, records 3, seed 5\n"));
    assert!(page.contains("--again TABLE"));
    let key = |line: &str| {
        line.split(',')
            .take(5)
            .map(str::to_owned)
            .collect::<Vec<_>>()
    };
    let cells: Vec<_> = text.lines().skip(2).map(key).collect();
    assert_eq!(cells, [key(&above[0]), key(&above[1])]);
    assert_eq!(again(&bench, "before.csv", &["--resume"]).code, Some(0));
}

#[test]
fn a_table_that_cannot_be_tried_again_says_why() {
    let bench = Bench::new();
    let (head, _, fine) = shipped();
    bench.write("fine.csv", format!("{head}{}\n", fine[0]));
    bench.write("other.csv", "a,b\n1,2\n");
    bench.write("odd.csv", format!("{head}source_40V,7,1,1,1,\n"));
    for (table, words) in [
        ("fine.csv", ["fine.csv", "nothing to try again"]),
        ("other.csv", ["other.csv, line 1", "no table"]),
        ("odd.csv", ["odd.csv, line 3", "not of a cell"]),
    ] {
        refused(&again(&bench, table, &[]), &words);
    }
    assert_ne!(again(&bench, "none.csv", &[]).code, Some(0));
    assert!(!bench.path("run").exists());
}

const SWEEP: &str = "format = \"ohmsplit-plan-1\"\nname = \"quick\"\nscenario = \"SCENARIO\"\ntrials = 2\nseed = 1\n\
    [set]\nduration_s = 2.0\n[[axis]]\nfield = \"disturbance.noise_chassis_V\"\nvalues = [0.01, 0.02, 0.05]\n";

#[test]
fn a_sweep_in_shards_that_are_merged_gives_the_files_of_a_whole_one() {
    let bench = Bench::new();
    let scenario = fixture("scenarios/city-drive.toml");
    bench.write("plan.toml", SWEEP.replace("SCENARIO", &scenario));
    let sweep =
        |more: &[&str]| bench.run(&[&["campaign", "sweep", "plan.toml", "--out"], more].concat());
    let run = sweep(&["whole"]);
    assert_eq!(run.code, Some(0), "{}", run.err);
    assert!(
        run.err.contains("6 of 6 trials") && run.err.contains("cells.parquet"),
        "{}",
        run.err
    );
    for (folder, shard) in [("a", "1/2"), ("b", "2/2")] {
        assert_eq!(sweep(&[folder, "--shard", shard]).code, Some(0));
    }
    let run = bench.run(&[
        "campaign",
        "merge",
        "plan.toml",
        "b",
        "a",
        "--out",
        "merged",
    ]);
    assert_eq!(run.code, Some(0), "{}", run.err);
    for file in [
        "trials.csv",
        "trials.parquet",
        "cells.csv",
        "cells.parquet",
        "sweep.svg",
    ] {
        let read = |folder: &str| std::fs::read(bench.path(folder).join(file)).expect(file);
        assert_eq!(read("whole"), read("merged"), "{file}");
    }
    let run = bench.run(&["campaign", "merge", "plan.toml", "b", "--out", "half"]);
    refused(&run, &["in no shard", "1/N to N/N"]);
    refused(&sweep(&["c", "--shard", "3/2"]), &["3/2", "K/N"]);
}

/// Two faults: half the source's voltage deceives, as nothing in the readings contradicts it; the pack channel without its wire is told.
const FAULTS: &str = "format = \"ohmsplit-plan-1\"\nname = \"quick\"\nscenario = \"SCENARIO\"\ntrials = 2\nseed = 1\n\
    [set]\nduration_s = 12.0\n\"network.timing.dwell_max_s\" = 1.0\n\
    fault = [{ from_s = 5.0, what = { kind = \"drive_open\" } }]\n\
    leak = [{ from_s = 0.0, resistance_ohm = 1.0e6, position = 0.5 }]\n\
    [[axis]]\nfield = \"fault[0].what\"\nvalues = [{ kind = \"source_drift\", change_percent = -50.0 }, \
    { kind = \"sense_open\", channel = \"second\" }]\n";

fn faults_bench() -> Bench {
    let bench = Bench::new();
    let scenario = fixture("scenarios/parked-car-connector-gets-wet.toml");
    bench.write("plan.toml", FAULTS.replace("SCENARIO", &scenario));
    bench
}

fn run_faults(bench: &Bench, more: &[&str]) -> Run {
    bench.run(&[&["campaign", "faults", "plan.toml", "--out"], more].concat())
}

#[test]
fn a_fault_campaign_counts_what_is_detected_and_missed_and_keeps_what_deceives() {
    let bench = faults_bench();
    let faults = |more: &[&str]| run_faults(&bench, more);
    let run = faults(&["whole"]);
    assert_eq!(run.code, Some(0), "{}", run.err);
    let read = |file: &str| std::fs::read_to_string(bench.path(file)).expect(file);
    let table = read("whole/faults.csv");
    let line = |fault: &str| {
        let line = table
            .lines()
            .find(|line| line.contains(fault) && line.contains(",all,"));
        line.expect(fault).to_owned()
    };
    assert!(
        line("source_drift").contains(",all,2,0,0,2,0,0.0,"),
        "{table}"
    );
    assert!(
        line("sense_open").contains(",all,2,2,0,0,0,1.0,"),
        "{table}"
    );
    let page = read("whole/faults.md");
    for words in [
        "source_drift, change_percent -50",
        "26262-5",
        "can kill",
        "seed 1",
    ] {
        assert!(page.contains(words), "{words}: {page}");
    }
    // A deceived run is a scenario by itself, and the same as the trial that it was.
    let deceived = read("whole/deceived/trial-0.toml");
    let shown = faults(&["whole", "--show-trial", "0"]);
    assert_eq!(
        (shown.code, shown.out.trim_end()),
        (Some(0), deceived.trim_end())
    );
    let run = bench.run(&["simulate", "whole/deceived/trial-0.toml", "--show", "lines"]);
    assert!(matches!(run.code, Some(0 | 10 | 20 | 30)), "{}", run.err);
    refused(
        &faults(&["whole", "--show-trial", "4"]),
        &["no trial 4", "0 to 3"],
    );
}

#[test]
fn a_fault_campaign_in_shards_is_the_whole_and_without_its_faults_nothing_deceives() {
    let bench = faults_bench();
    let faults = |more: &[&str]| run_faults(&bench, more);
    let read = |file: &str| std::fs::read_to_string(bench.path(file)).expect(file);
    assert_eq!(faults(&["whole"]).code, Some(0));
    // Shards of it are told from those of a sweep by their tables.
    for (folder, shard) in [("a", "1/2"), ("b", "2/2")] {
        assert_eq!(faults(&[folder, "--shard", shard]).code, Some(0));
    }
    let merge = [
        "campaign",
        "merge",
        "plan.toml",
        "a",
        "b",
        "--out",
        "merged",
    ];
    assert_eq!(bench.run(&merge).code, Some(0));
    assert_eq!(read("merged/faults.md"), read("whole/faults.md"));
    // Without its faults nothing deceives, and the folder is not that of the other study.
    let run = faults(&["sound", "--healthy"]);
    assert_eq!(run.code, Some(0), "{}", run.err);
    assert!(read("sound/healthy.md").contains("| source_to_negative | 4 | 4 | 0 | 0 | 0 | 0 |"));
    assert_eq!(
        std::fs::read_dir(bench.path("sound/deceived"))
            .expect("a folder")
            .count(),
        0
    );
    refused(
        &faults(&["whole", "--healthy", "--resume"]),
        &["trials.csv, line 1", "healthy"],
    );
}

#[test]
fn the_plans_that_ship_are_sound() {
    let folder = fixture("campaigns");
    let mut plans = 0;
    for entry in std::fs::read_dir(folder).expect("plans") {
        let path = entry.expect("an entry").path();
        let plan = ohmsplit_host::sweep::Plan::read(&path).expect("a sound plan");
        assert!(
            plan.description.contains("To see") || plan.description.contains("see:"),
            "{path:?}"
        );
        plans += 1;
    }
    assert!(plans >= 2);
}
