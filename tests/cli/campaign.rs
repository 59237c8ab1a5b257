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
