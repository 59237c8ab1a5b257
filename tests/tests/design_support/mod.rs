//! Data sheets for the tests of the design, and the compilers of firmware.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;

use ohmsplit_host::design::candidate::{Candidate, DriveChoice};
use ohmsplit_host::design::rank::Rated;
use ohmsplit_host::design::sheet::{EXAMPLE, Sheet};
use ohmsplit_host::document::Document;

/// The data sheet that ships.
pub(crate) const SHEET: &str = EXAMPLE;

/// A data sheet with one piece replaced.
pub(crate) fn with(text: &str, old: &str, new: &str) -> String {
    assert!(text.contains(old), "{old}");
    text.replacen(old, new, 1)
}

pub(crate) fn sheet(text: &str) -> Sheet {
    Sheet::parse(&Document::embedded("pack.toml", text)).expect("a good data sheet")
}

/// A proposal with a drive of about this resistance and a divider of 22 MΩ.
pub(crate) fn rated(sheet: &Sheet, drive: DriveChoice, ohm: f64) -> Rated {
    let candidate = Candidate::build(sheet, drive, ohm, 22e6).expect("can be built");
    Rated::new(sheet, candidate).expect("accepted")
}

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

fn scratch() -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("design");
    std::fs::create_dir_all(&folder).expect("a folder for scratch files");
    folder
}

fn target_folder() -> &'static Path {
    Path::new(env!("CARGO_TARGET_TMPDIR"))
        .parent()
        .expect("a target folder")
}

fn output(command: &mut Command) -> String {
    let output = command.output().expect("the program starts");
    assert!(
        output.status.success(),
        "{command:?}: {}\n{}\n{}",
        output.status,
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr),
    );
    String::from_utf8(output.stdout).expect("text")
}

/// Builds a package of the workspace; the files that came of it.
fn built(package: &str) -> Vec<PathBuf> {
    let mut cargo = ohmsplit_tests::cargo();
    cargo
        .args(["build", "--quiet", "-p", package, "--target-dir"])
        .arg(target_folder())
        .args(["--message-format", "json"])
        .current_dir(root());
    output(&mut cargo)
        .lines()
        .filter_map(|line| serde_json::from_str::<serde_json::Value>(line).ok())
        .filter(|message| {
            let target = &message["target"]["name"];
            *target == package.replace('-', "_") || *target == package
        })
        .flat_map(|message| message["filenames"].as_array().cloned().unwrap_or_default())
        .filter_map(|name| name.as_str().map(PathBuf::from))
        .collect()
}

fn ending<'p>(files: &'p [PathBuf], extension: &str) -> &'p Path {
    let mut found = files
        .iter()
        .filter(|path| path.extension().is_some_and(|e| e == extension));
    found.next().expect("a library")
}

/// A program around the settings, which the library must take.
const MAIN: &str = "\
#include \"ohmsplit.h\"
extern const ohmsplit_settings_t ohmsplit_settings;
static ohmsplit_config_t config;
int main(void) {
    return ohmsplit_config_init(&config, sizeof config, &ohmsplit_settings) == OHMSPLIT_OK ? 0 : 1;
}
";

/// Compiles the settings with warnings as errors, links the library, and lets
/// it check them.
pub(crate) fn compile_c(name: &str, settings: &str) {
    let folder = scratch().join(name);
    std::fs::create_dir_all(&folder).expect("a folder");
    std::fs::write(folder.join("ohmsplit_config.c"), settings).expect("written");
    std::fs::write(folder.join("main.c"), MAIN).expect("written");
    let program = folder.join("program");
    let files = built("ohmsplit-capi");
    let mut gcc = Command::new("gcc");
    gcc.args([
        "-std=c11",
        "-Wall",
        "-Wextra",
        "-Wpedantic",
        "-Werror",
        "-I",
    ])
    .arg(root().join("core/capi/include"))
    .args(["ohmsplit_config.c", "main.c"].map(|file| folder.join(file)))
    .arg(ending(&files, "a"))
    .args(["-lpthread", "-ldl", "-lm", "-o"])
    .arg(&program);
    output(&mut gcc);
    output(&mut Command::new(program));
}

/// Compiles each module as it is into one program, with warnings as errors;
/// each must be the configuration that is expected of it.
pub(crate) fn compile_rust(modules: &[(String, String, String)]) {
    let folder = scratch();
    let mut main = String::new();
    let mut calls = String::new();
    for (name, module, expected) in modules {
        std::fs::write(folder.join(format!("{name}.rs")), module).expect("written");
        writeln!(main, "mod {name};").expect("a string");
        writeln!(
            calls,
            "    assert_eq!(format!(\"{{:?}}\", {name}::config().unwrap()), {expected:?});"
        )
        .expect("a string");
    }
    write!(main, "fn main() {{\n{calls}}}\n").expect("a string");
    let source = folder.join("main.rs");
    std::fs::write(&source, main).expect("written");
    let files = built("ohmsplit");
    let library = ending(&files, "rlib");
    let program = folder.join("program");
    let mut rustc = Command::new("rustc");
    rustc
        .args(["--edition", "2024", "-D", "warnings"])
        .arg(&source)
        .arg("--extern")
        .arg(format!("ohmsplit={}", library.display()))
        .arg("-L")
        .arg(format!(
            "dependency={}",
            target_folder().join("debug/deps").display()
        ))
        .arg("-o")
        .arg(&program);
    output(&mut rustc);
    output(&mut Command::new(program));
}
