//! Compilers, the static library, processes and the emulator.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::OnceLock;

use ohmsplit_host::rig::MonitorKind;

/// A monitor of the interface: its kind in the core, and what chooses it in the C programs.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Subject {
    pub(crate) kind: MonitorKind,
    pub(crate) name: &'static str,
    define: &'static str,
}

/// Both.
pub(crate) const SUBJECTS: [Subject; 2] = [
    Subject {
        kind: MonitorKind::Settled,
        name: "monitor",
        define: "-DSETTLED",
    },
    Subject {
        kind: MonitorKind::Swift,
        name: "swift",
        define: "-DSWIFT",
    },
];

/// A program of `ctest`.
#[derive(Debug)]
pub(crate) struct Program {
    name: &'static str,
    sources: &'static [&'static str],
    defines: &'static [&'static str],
    pub(crate) goes_on_after_the_report: bool,
}

impl Program {
    const fn new(name: &'static str, sources: &'static [&'static str]) -> Self {
        Self {
            name,
            sources,
            defines: &[],
            goes_on_after_the_report: false,
        }
    }

    fn paths(&self) -> impl Iterator<Item = PathBuf> {
        let folder = capi().join("ctest");
        self.sources.iter().map(move |name| folder.join(name))
    }
}

/// Replays; it wants a port.
pub(crate) const REPLAY: Program = Program::new("replay", &["replay.c", "text.c"]);

/// Replays, and hands each report to the stages after it.
pub(crate) const AFTER: Program = Program {
    name: "after",
    sources: &["replay.c", "text.c", "after.c"],
    defines: &["-DAFTER"],
    goes_on_after_the_report: true,
};

/// Misuses what leads to a report.
pub(crate) const MISUSE: Program = Program::new("misuse", &["misuse.c"]);

/// Misuses what comes after it.
pub(crate) const MISUSE_AFTER: Program = Program::new("misuse_after", &["misuse_after.c"]);

/// The example for an operating system, with a thread as its task.
pub(crate) const TASK: Program = Program::new("task", &["task_host.c", "../examples/task.c"]);

/// How a program for the host is compiled.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Build {
    name: &'static str,
    flags: &'static [&'static str],
}

/// As a user would.
pub(crate) const PLAIN: Build = Build {
    name: "plain",
    flags: &["-O2"],
};

/// With the address and undefined-behaviour sanitizers, which end the program.
pub(crate) const SANITIZED: Build = Build {
    name: "sanitized",
    flags: &[
        "-O1",
        "-g",
        "-fsanitize=address,undefined",
        "-fno-sanitize-recover=all",
    ],
};

const WARNINGS: [&str; 4] = ["-Wall", "-Wextra", "-Wpedantic", "-Werror"];

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

/// The package under test.
pub(crate) fn capi() -> PathBuf {
    root().join("core/capi")
}

/// A folder for what is made here.
fn scratch() -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("c_interface");
    fs::create_dir_all(&folder).expect("a folder for scratch files");
    folder
}

/// The target folder that this test was built in.
fn target_folder() -> &'static Path {
    Path::new(env!("CARGO_TARGET_TMPDIR"))
        .parent()
        .expect("a target folder")
}

/// Runs a command to its end; what it printed.
fn output(command: &mut Command, input: &str) -> String {
    let mut child = command
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap_or_else(|error| panic!("{command:?}: {error}"));
    let mut stdin = child.stdin.take().expect("piped");
    let text = input.to_owned();
    // From a thread, for the program writes before it has read all.
    let writer = std::thread::spawn(move || stdin.write_all(text.as_bytes()));
    let output = child.wait_with_output().expect("an ended program");
    let printed = String::from_utf8_lossy(&output.stdout).into_owned();
    let errors = String::from_utf8_lossy(&output.stderr);
    assert!(
        output.status.success(),
        "{command:?}: {}\n{printed}\n{errors}",
        output.status
    );
    writer.join().expect("a writer").expect("all input is read");
    printed
}

/// Runs a program of the host.
pub(crate) fn run(program: &Path, input: &str) -> String {
    output(&mut Command::new(program), input)
}

fn host_library() -> &'static Path {
    static BUILT: OnceLock<PathBuf> = OnceLock::new();
    BUILT.get_or_init(|| {
        let mut cargo = ohmsplit_tests::cargo();
        cargo
            .args(["build", "--quiet", "-p", "ohmsplit-capi", "--target-dir"])
            .arg(target_folder())
            .current_dir(root());
        output(&mut cargo, "");
        target_folder().join("debug/libohmsplit_capi.a")
    })
}

fn compiler(program: &str, language: &str) -> Command {
    let mut compiler = Command::new(program);
    compiler
        .arg(language)
        .args(WARNINGS)
        .arg("-I")
        .arg(capi().join("include"));
    compiler
}

/// Compiles a C program of `ctest` against the library for the host.
pub(crate) fn host_program(program: &Program, build: Build, subject: Subject) -> PathBuf {
    let name = program.name;
    let built = scratch().join(format!("{name}-{}-{}", subject.name, build.name));
    let mut gcc = compiler("gcc", "-std=c11");
    gcc.args(build.flags).arg(subject.define);
    gcc.args(program.defines).args(program.paths());
    if program.sources.contains(&"text.c") {
        gcc.arg(capi().join("ctest/port_host.c"));
    }
    // The libraries that the standard library of Rust on the host wants.
    gcc.arg(host_library()).args(["-lpthread", "-ldl", "-lm"]);
    output(gcc.arg("-o").arg(&built), "");
    built
}

/// Compiles a text of a language, to nothing, with all warnings as errors.
pub(crate) fn check_source(language: &str, text: &str) {
    let mut gcc = compiler("gcc", language);
    let of = if language.contains("++") { "c++" } else { "c" };
    output(gcc.args(["-fsyntax-only", "-x", of, "-"]), text);
}

/// Compiles a C file for a target, with all warnings as errors, and does not link it.
pub(crate) fn check_for_target(target: &Target, source: &Path) {
    let object = scratch().join(format!("{}.o", target.triple));
    let mut gcc = compiler("arm-none-eabi-gcc", "-std=c11");
    gcc.args(target.core).args(["-Os", "-ffreestanding", "-c"]);
    output(gcc.arg(source).arg("-o").arg(object), "");
}

/// A microcontroller and the emulated board that has it.
#[derive(Debug)]
pub(crate) struct Target {
    pub(crate) triple: &'static str,
    core: &'static [&'static str],
    board: &'static [&'static str],
    /// Symbols of target.ld: the memory of the board, and what of it the stack must have.
    memory: [&'static str; 3],
}

const MPS2: [&str; 3] = ["flash_bytes=1M", "ram_bytes=64K", "stack_bytes=32K"];

const CORTEX_M0: Target = Target {
    triple: "thumbv6m-none-eabi",
    core: &["-mcpu=cortex-m0", "-mthumb"],
    board: &["-M", "microbit"],
    memory: ["flash_bytes=256K", "ram_bytes=16K", "stack_bytes=4K"],
};

/// Code for a Cortex-M0 on a Cortex-M3, as the emulated board with a Cortex-M0 has little memory.
const CORTEX_M0_CODE: Target = Target {
    board: &["-M", "mps2-an385"],
    memory: MPS2,
    ..CORTEX_M0
};

const CORTEX_M4F: Target = Target {
    triple: "thumbv7em-none-eabihf",
    core: &[
        "-mcpu=cortex-m4",
        "-mthumb",
        "-mfloat-abi=hard",
        "-mfpu=fpv4-sp-d16",
    ],
    board: &["-M", "mps2-an386", "-cpu", "cortex-m4"],
    memory: MPS2,
};

/// Where each monitor runs.
pub(crate) const RUNS: [(&Subject, &Target); 4] = [
    (&SUBJECTS[0], &CORTEX_M0),
    (&SUBJECTS[0], &CORTEX_M4F),
    (&SUBJECTS[1], &CORTEX_M0_CODE),
    (&SUBJECTS[1], &CORTEX_M4F),
];

fn bare_metal() -> Command {
    let mut script = Command::new(root().join(".ci/bare-metal.sh"));
    script.current_dir(root());
    script
}

/// Builds the static library for a target.
fn target_library(target: &Target) -> PathBuf {
    let mut script = bare_metal();
    script
        .args(["cargo", "build", "--quiet", "-p", "ohmsplit-capi"])
        .args(["--profile", "firmware", "--features", "panic-trap"])
        .arg("--target")
        .arg(target.triple)
        .arg("--target-dir")
        .arg(target_folder());
    output(&mut script, "");
    target_folder()
        .join(target.triple)
        .join("firmware/libohmsplit_capi.a")
}

/// Links the replay with a capture in its flash.
pub(crate) fn target_program(
    program: &Program,
    target: &Target,
    subject: &Subject,
    stem: &str,
    capture: &str,
) -> PathBuf {
    let text = scratch().join(format!("{stem}.txt"));
    fs::write(&text, capture).expect("a scratch file");
    let name = program.name;
    let file = format!("{name}-{stem}-{}-{}.elf", subject.name, target.triple);
    let image = scratch().join(file);
    let ctest = capi().join("ctest");
    let mut gcc = compiler("arm-none-eabi-gcc", "-std=c11");
    gcc.args(target.core)
        .args(["-Os", "-ffreestanding", "-ffunction-sections", "-nostdlib"])
        .arg(subject.define)
        .args(target.memory.map(|symbol| format!("-Wl,--defsym={symbol}")))
        .arg(format!("-DCAPTURE=\"{}\"", text.display()))
        .args(program.defines)
        .args(program.paths())
        .arg(ctest.join("port_target.c"))
        .arg(target_library(target))
        .args(["-lgcc", "-Wl,--gc-sections,--fatal-warnings"])
        .args(["-Wl,-z,noexecstack", "-T"])
        .arg(ctest.join("target.ld"));
    output(gcc.arg("-o").arg(&image), "");
    image
}

/// What no image may hold: a way to the panic handler, text formatting, the allocator, and floating point
/// in software, single and double (the run-time ABI of the Arm architecture, and the names of its helpers).
const ABSENT: [&str; 10] = [
    "panic",
    "core::fmt",
    "__rust_alloc",
    "__rdl_alloc",
    "alloc::",
    "__aeabi_f",
    "__aeabi_d",
    "__aeabi_i2",
    "sf3",
    "df3",
];

/// The first symbol of an image, or of an object file, that must be absent. Names alone are listed: an address
/// in hexadecimal can read like one of those, as 0000df38 did.
fn forbidden(image: &Path) -> Option<String> {
    let mut names = Command::new("arm-none-eabi-nm");
    let symbols = output(names.args(["--demangle", "--just-symbols"]).arg(image), "");
    symbols
        .lines()
        .find(|symbol| ABSENT.iter().any(|absent| symbol.contains(absent)))
        .map(str::to_owned)
}

/// The linker left out whatever cannot be reached: what is not in the image cannot happen.
pub(crate) fn assert_nothing_forbidden_is_linked(image: &Path) {
    assert_eq!(forbidden(image), None, "{}", image.display());
}

/// That it would show: objects which do compute with floating point are refused.
pub(crate) fn assert_floating_point_would_show() {
    for kind in ["float", "double"] {
        let object = scratch().join(format!("{kind}.o"));
        let mut gcc = compiler("arm-none-eabi-gcc", "-std=c11");
        gcc.args(CORTEX_M0.core).args(["-c", "-x", "c", "-o"]);
        let square =
            format!("{kind} square({kind} x);\n{kind} square({kind} x) {{ return x * x; }}\n");
        output(gcc.arg(&object).arg("-"), &square);
        assert!(forbidden(&object).is_some(), "{kind}");
    }
}

/// Runs an image in the emulator; what it printed.
pub(crate) fn emulate(target: &Target, image: &Path) -> String {
    let mut script = bare_metal();
    script
        .arg("qemu-system-arm")
        .args(target.board)
        .args(["-nographic", "-semihosting-config"])
        .args(["enable=on,target=native", "-kernel"])
        .arg(image);
    output(&mut script, "")
}
