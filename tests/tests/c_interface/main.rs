//! The C interface of `core/capi`: C programs that are compiled here replay
//! captures through it and misuse it. What they print must be, to the last
//! digit, what the core says without it.

mod after;
mod text;
mod toolchain;

use ohmsplit_host::capture::Reader;
use ohmsplit_host::network::{NetworkFile, Readings};
use ohmsplit_host::rig::{Clock, MonitorKind, Rig};
use ohmsplit_tests::fixtures;

use after::After;
use toolchain::{AFTER, MISUSE, MISUSE_AFTER, PLAIN, Program, REPLAY, SANITIZED, TASK};

/// A capture as the C program reads it, and what it must print.
struct Replay {
    stem: String,
    input: String,
    expected: String,
}

impl Replay {
    /// `None` for a capture in volts: firmware has codes.
    fn of(stem: &str, kind: MonitorKind, program: &Program) -> Option<Self> {
        let path = fixtures::capture(stem);
        let mut reader = Reader::open(&path).expect(stem);
        if reader.layout().readings == Readings::Volts {
            return None;
        }
        let network = fixtures::folder().join(format!("captures/{stem}.toml"));
        let network = NetworkFile::read(&network).expect(stem);
        let config = reader.bind(&network).expect(stem);
        let mut input = text::settings(&network);
        let mut expected = String::new();
        let mut verdict = None;
        let mut after = program
            .goes_on_after_the_report
            .then(|| After::new(&config));
        let mut on_event = |event: &ohmsplit_host::rig::Event| {
            text::put_report(&mut expected, &event.report);
            if let Some(after) = &mut after {
                after.report(&mut expected, &event.report);
            }
            verdict = Some(event.report.verdict);
        };
        let mut clock = Clock::default();
        let mut rig = Rig::new(&config, kind);
        while let Some(row) = reader.next_row().expect(stem) {
            let sample = ohmsplit::Sample {
                at_us: clock.at(row.time_s),
                drive: row.drive,
                codes: row.codes,
            };
            text::put_sample(&mut input, &sample);
            rig.push(row.time_s, &sample, &mut on_event);
        }
        let wanted = rig.drive();
        rig.finish(&mut on_event);
        text::put_end(&mut expected, wanted, verdict.expect("a report"));
        if let Some(after) = after {
            after.end(&mut expected);
        }
        Some(Self {
            stem: stem.to_owned(),
            input,
            expected,
        })
    }

    fn check(&self, printed: &str, how: &str) {
        let pairs = printed.lines().zip(self.expected.lines());
        for (place, (printed, expected)) in pairs.enumerate() {
            assert_eq!(printed, expected, "{}, {how}, line {place}", self.stem);
        }
        assert_eq!(
            printed.lines().count(),
            self.expected.lines().count(),
            "lines of {}, {how}",
            self.stem
        );
    }
}

#[test]
fn every_capture_in_codes_is_replayed_with_the_result_of_the_core() {
    for subject in toolchain::SUBJECTS {
        let build = |build| toolchain::host_program(&AFTER, build, subject);
        let (plain, sanitized) = (build(PLAIN), build(SANITIZED));
        let replays: Vec<_> = fixtures::captures()
            .iter()
            .filter_map(|stem| Replay::of(stem, subject.kind, &AFTER))
            .collect();
        assert!(replays.len() >= 10, "captures in codes");
        for replay in replays {
            replay.check(&toolchain::run(&plain, &replay.input), "plain");
            replay.check(&toolchain::run(&sanitized, &replay.input), "sanitized");
        }
    }
}

#[test]
fn every_misuse_is_told_and_nothing_is_written_beside() {
    for program in [&MISUSE, &MISUSE_AFTER] {
        for subject in toolchain::SUBJECTS {
            for build in [PLAIN, SANITIZED] {
                let program = toolchain::host_program(program, build, subject);
                assert_eq!(toolchain::run(&program, ""), "every misuse was told\n");
            }
        }
    }
}

#[test]
fn every_error_of_the_header_is_provoked_by_the_misuse_program() {
    let read = |path: &str| {
        std::fs::read_to_string(toolchain::capi().join(path))
            .unwrap_or_else(|error| panic!("{path}: {error}"))
    };
    let header = read("include/ohmsplit.h");
    let misuse = read("ctest/misuse.c") + &read("ctest/misuse_after.c");
    let errors: Vec<&str> = header
        .lines()
        .filter_map(|line| line.trim().split_once(" = -"))
        .map(|(name, _)| name)
        .collect();
    assert!(errors.len() > 20, "{errors:?}");
    for error in errors {
        assert!(misuse.contains(error), "{error} is not provoked");
    }
}

#[test]
fn the_example_for_an_operating_system_finds_a_leak() {
    for build in [PLAIN, SANITIZED] {
        let [_, swift] = toolchain::SUBJECTS;
        let program = toolchain::host_program(&TASK, build, swift);
        assert_eq!(toolchain::run(&program, ""), "the task found the leak\n");
    }
}

#[test]
fn the_header_compiles_alone_in_each_language_that_may_include_it() {
    for language in ["-std=c11", "-std=c2x", "-std=c++17"] {
        let twice = "#include \"ohmsplit.h\"\n#include \"ohmsplit.h\"\nint empty;\n";
        toolchain::check_source(language, twice);
    }
}

/// The guide shows nothing that is not compiled: parts of the examples, line by line.
#[test]
fn what_the_integrators_guide_shows_is_quoted_from_the_examples() {
    let root = toolchain::capi().join("../..");
    let read = |path: &str| std::fs::read_to_string(root.join(path)).expect(path);
    // Quoted without the indentation, and so compared.
    let plain = |text: &str| text.lines().map(str::trim).collect::<Vec<_>>().join("\n");
    let guide = read("host-sim/book/integration.md");
    for (fence, examples, quoted) in [
        ("```c\n", vec!["core/capi/examples/task.c"], 3),
        (
            "```rust,ignore\n",
            vec![
                "tests/firmware/src/bin/rtic.rs",
                "tests/firmware/src/bin/embassy.rs",
            ],
            2,
        ),
    ] {
        let sources: Vec<_> = examples
            .into_iter()
            .map(|path| plain(&read(path)))
            .collect();
        let blocks: Vec<_> = guide.split(fence).skip(1).collect();
        assert_eq!(blocks.len(), quoted, "{fence}");
        for block in blocks {
            let (code, _) = block.split_once("```").expect("an end");
            let found = sources.iter().any(|source| source.contains(&plain(code)));
            assert!(found, "not in an example: {code}");
        }
    }
}

/// Captures that are small enough for the flash of the smaller board.
const ON_TARGET: [&str; 3] = [
    "switched-600v-12bit",
    "source-500v-rail-pair",
    "source-400v-short-positive",
];

#[test]
#[ignore = "needs arm-none-eabi-gcc and an emulator; `.ci/run target` runs it"]
fn microcontrollers_replay_with_the_result_of_the_core_and_link_nothing_forbidden() {
    toolchain::assert_floating_point_would_show();
    let task = toolchain::capi().join("examples/task.c");
    for (_, target) in toolchain::RUNS {
        toolchain::check_for_target(target, &task);
    }
    for (subject, target) in toolchain::RUNS {
        let [first, ..] = ON_TARGET;
        let replays = ON_TARGET.map(|stem| (stem, &REPLAY));
        for (stem, program) in replays.into_iter().chain([(first, &AFTER)]) {
            let replay = Replay::of(stem, subject.kind, program).expect("a capture in codes");
            let image = toolchain::target_program(program, target, subject, stem, &replay.input);
            toolchain::assert_nothing_forbidden_is_linked(&image);
            replay.check(&toolchain::emulate(target, &image), target.triple);
        }
    }
}
