use super::*;

/// The car for 3 s, with noise.
fn car() -> String {
    let noise = "[disturbance]\nnoise_chassis_V = 0.05\n";
    crate::test_car::scenario_with(&[("duration_s = 20.0", "duration_s = 3.0")]) + noise
}

const PLAN: &str = r#"format = "ohmsplit-plan-1"
name = "small"
scenario = "car.toml"
trials = 3
seed = 5
[[axis]]
field = "leak[0].resistance_ohm"
from = 2.0e4
to = 2.0e6
count = 3
spacing = "log"
[[axis]]
field = "capacitance.positive_uF"
values = [0.05, 0.5]
also = [{ field = "capacitance.negative_uF", values = [0.05, 0.5] }]
[[draw]]
field = "leak[0].position"
law = "uniform"
low = 0.0
high = 1.0
"#;

struct Bench {
    folder: tempfile::TempDir,
}

impl Bench {
    fn new() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        std::fs::write(folder.path().join("car.toml"), car()).expect("written");
        Self { folder }
    }

    fn at(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn plan(&self, text: &str) -> Result<Plan, HostError> {
        std::fs::write(self.at("plan.toml"), text).expect("written");
        Plan::read(&self.at("plan.toml"))
    }

    fn files(&self, name: &str) -> [Vec<u8>; 5] {
        std::array::from_fn(|place| {
            let file = SWEEP.files[place];
            std::fs::read(self.at(name).join(file)).expect(file)
        })
    }

    fn run(
        &self,
        plan: &Plan,
        name: &str,
        shard: Shard,
        threads: usize,
    ) -> Result<bool, HostError> {
        let how = Run {
            shard,
            resume: true,
            threads: NonZeroUsize::new(threads).expect("not zero"),
            stop: &AtomicBool::new(false),
        };
        run(&SWEEP, plan, &self.at(name), how, |_, _| ())
    }
}

#[test]
fn a_sweep_is_the_same_in_one_piece_in_shards_with_more_threads_and_after_a_cut() {
    let bench = Bench::new();
    let plan = bench.plan(PLAN).expect("a plan");
    assert_eq!((plan.cells(), plan.all_trials()), (6, 18));
    assert_eq!(bench.run(&plan, "whole", Shard::WHOLE, 1), Ok(true));
    let whole = bench.files("whole");
    assert_eq!(bench.run(&plan, "four", Shard::WHOLE, 4), Ok(true));
    assert_eq!(bench.files("four"), whole);
    let shards: Vec<PathBuf> = (1..=4)
        .map(|number| {
            let name = format!("part{number}");
            assert_eq!(
                bench.run(&plan, &name, Shard { number, of: 4 }, 2),
                Ok(true)
            );
            bench.at(&name)
        })
        .collect();
    let mixed = [&shards[2..], &shards[..2]].concat();
    merge(&[&SWEEP], &plan, &mixed, &bench.at("merged")).expect("merged");
    assert_eq!(bench.files("merged"), whole);
    let told = merge(&[&SWEEP], &plan, &shards[1..], &bench.at("lacking"))
        .expect_err("a shard is missing")
        .to_string();
    assert!(told.contains("in no shard"), "{told}");
    std::fs::create_dir(bench.at("cut")).expect("a folder");
    std::fs::write(
        bench.at("cut/trials.csv"),
        &whole[0][..whole[0].len() * 2 / 3],
    )
    .expect("written");
    assert_eq!(bench.run(&plan, "cut", Shard::WHOLE, 2), Ok(true));
    assert_eq!(bench.files("cut"), whole);
}

#[test]
fn cells_sum_up_their_trials_and_the_monitor_finds_the_leaks() {
    let bench = Bench::new();
    let plan = bench.plan(PLAN).expect("a plan");
    assert_eq!(bench.run(&plan, "run", Shard::WHOLE, 2), Ok(true));
    let text = String::from_utf8(bench.files("run")[2].clone()).expect("text");
    let columns = cells::columns(&plan);
    let rows: Vec<_> = text
        .lines()
        .skip(1)
        .map(|line| crate::table::parse(line, &columns).expect("a row"))
        .collect();
    assert_eq!(rows.len(), 6);
    let of = |row: &[Cell], name: &str| {
        let place = columns
            .iter()
            .position(|(column, _)| column == name)
            .expect(name);
        row[place].clone()
    };
    for (place, row) in rows.iter().enumerate() {
        assert_eq!(of(row, "trials"), Cell::Whole(3));
        assert_eq!(
            (of(row, "wrong"), of(row, "deceived")),
            (Cell::Whole(0), Cell::Whole(0))
        );
        // 20 kΩ is 50 Ω/V: an alarm; 200 kΩ may be either; 2 MΩ is healthy.
        let verdict = ["alarm", "warning", "healthy"][place / 2];
        if verdict != "warning" {
            assert_eq!(of(row, verdict), Cell::Whole(3), "{row:?}");
        }
        assert!(
            of(row, "error_p95_percent")
                .as_real()
                .is_some_and(|error| error < 5.0),
            "{row:?}"
        );
    }
    let picture = String::from_utf8(bench.files("run")[4].clone()).expect("text");
    for words in [
        "small: 3 trials",
        "leak[0].resistance_ohm across",
        "capacitance.positive_uF down",
    ] {
        assert!(picture.contains(words), "{words}");
    }
}

#[test]
fn a_wrong_plan_is_told_with_its_line_and_field() {
    let bench = Bench::new();
    for (from, to, words) in [
        (
            "leak[0].resistance_ohm",
            "leak[0].resistance_kohm",
            vec!["plan.toml", "line 7", "axis[0].field", "resistance_kohm"],
        ),
        (
            "leak[0].position",
            "leak[3].position",
            vec!["draw[0].field", "leak[3] is not in the scenario"],
        ),
        (
            "high = 1.0",
            "high = 2.0",
            vec!["draw[0].field", "position"],
        ),
        (
            "values = [0.05, 0.5]\nalso",
            "values = [0.05]\nalso",
            vec!["axis[1].also[0].values", "2 values"],
        ),
        (
            "count = 3",
            "count = 1",
            vec!["axis[0]", "fewer than two values"],
        ),
        (
            "law = \"uniform\"",
            "law = \"gauss\"",
            vec!["plan.toml", "gauss"],
        ),
        (
            "scenario = \"car.toml\"",
            "scenario = \"cars.toml\"",
            vec!["cars.toml", "cannot read"],
        ),
        (
            "ohmsplit-plan-1",
            "ohmsplit-scenario-1",
            vec!["format", "ohmsplit-plan-1"],
        ),
        (
            "[[draw]]\nfield = \"leak[0].position\"",
            "[[draw]]\nfield = \"capacitance.positive_uF\"",
            vec!["set twice"],
        ),
    ] {
        assert!(PLAN.contains(from), "{from}");
        let told = bench
            .plan(&PLAN.replacen(from, to, 1))
            .expect_err(to)
            .to_string();
        for word in words {
            assert!(told.contains(word), "{to}: {told}");
        }
    }
}

#[test]
fn another_sweep_is_not_mixed_in_and_nothing_is_written_over() {
    let bench = Bench::new();
    let plan = bench.plan(PLAN).expect("a plan");
    assert_eq!(bench.run(&plan, "run", Shard::WHOLE, 2), Ok(true));
    let before = bench.files("run");
    let other = bench
        .plan(&PLAN.replacen("seed = 5", "seed = 6", 1))
        .expect("a plan");
    let told = bench
        .run(&other, "run", Shard::WHOLE, 2)
        .expect_err("refused")
        .to_string();
    assert!(
        told.contains("trials.csv, line 1") && told.contains("not of this part"),
        "{told}"
    );
    let how = Run {
        shard: Shard::WHOLE,
        resume: false,
        threads: NonZeroUsize::MIN,
        stop: &AtomicBool::new(false),
    };
    let told = run(&SWEEP, &plan, &bench.at("run"), how, |_, _| ())
        .expect_err("refused")
        .to_string();
    assert!(
        told.contains("is there already") && told.contains("--resume"),
        "{told}"
    );
    assert_eq!(bench.files("run"), before);
}
