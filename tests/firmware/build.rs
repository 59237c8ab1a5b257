//! Packs the captures that the images carry, and lays out the memory of the emulated boards.

use std::env;
use std::error::Error;
use std::fs::{self, File};
use std::io::Read;
use std::path::{Path, PathBuf};

/// Captures in converter codes, small enough together for the flash of the smaller board.
const CAPTURES: [&str; 4] = [
    "switched-600v-12bit",
    "source-400v-jitter-gaps",
    "source-500v-rail-pair",
    "source-400v-short-positive",
];

fn main() -> Result<(), Box<dyn Error>> {
    let out = PathBuf::from(env::var("OUT_DIR")?);
    let folder = Path::new("../../hil-fixtures/captures");
    println!("cargo::rerun-if-changed=build.rs");
    for stem in CAPTURES {
        let path = capture_path(folder, stem);
        println!("cargo::rerun-if-changed={}", path.display());
        let packed = read(&path)
            .and_then(|text| pack(&text))
            .map_err(|e| format!("{}: {e}", path.display()))?;
        fs::write(out.join(format!("{stem}.bin")), packed)?;
    }
    if env::var("CARGO_CFG_TARGET_OS")? == "none" {
        fs::write(out.join("memory.x"), memory(&env::var("TARGET")?)?)?;
        fs::write(out.join("device.x"), "PROVIDE(SPARE = DefaultHandler);\n")?;
        println!("cargo::rustc-link-search={}", out.display());
        println!("cargo::rustc-link-arg-bins=-Tlink.x");
        println!("cargo::rustc-link-arg-bins=--nmagic");
    }
    Ok(())
}

/// The board that the emulator has for a target: MPS2 with AN385 (Cortex-M3) or AN386 (Cortex-M4). The
/// emulator's only board with a Cortex-M0 has too little memory for the captures; a Cortex-M3 runs the
/// instructions of a Cortex-M0 as they are.
fn memory(target: &str) -> Result<&'static str, String> {
    match target {
        "thumbv6m-none-eabi" | "thumbv7em-none-eabihf" => Ok(
            "MEMORY {\n  FLASH : ORIGIN = 0, LENGTH = 4M\n  RAM : ORIGIN = 0x20000000, LENGTH = 4M\n}\n",
        ),
        other => Err(format!(
            "no board is known for {other}; use thumbv6m-none-eabi or thumbv7em-none-eabihf"
        )),
    }
}

fn capture_path(folder: &Path, stem: &str) -> PathBuf {
    let plain = folder.join(format!("{stem}.csv"));
    if plain.exists() {
        plain
    } else {
        folder.join(format!("{stem}.csv.gz"))
    }
}

fn read(path: &Path) -> Result<String, Box<dyn Error>> {
    let mut text = String::new();
    let mut file = File::open(path)?;
    if path.extension().is_some_and(|e| e == "gz") {
        flate2::read::MultiGzDecoder::new(file).read_to_string(&mut text)?;
    } else {
        file.read_to_string(&mut text)?;
    }
    Ok(text)
}

/// Ten bytes a row, little-endian: the time in microseconds with the drive state in its top two bits, then both codes
/// in the order of the core's channels, three bytes each.
fn pack(text: &str) -> Result<Vec<u8>, Box<dyn Error>> {
    let mut rows = text.lines().filter(|line| !line.starts_with('#'));
    let header: Vec<_> = rows.next().ok_or("empty")?.split(',').collect();
    let column = |names: &[&str]| {
        header
            .iter()
            .position(|name| names.contains(name))
            .ok_or(format!("no column {}", names.join(" or ")))
    };
    let (time, drive) = (column(&["time_s"])?, column(&["drive"])?);
    let codes = [
        column(&["chassis_code", "positive_code"])?,
        column(&["pack_code", "negative_code"])?,
    ];
    let mut packed = Vec::new();
    for row in rows {
        let cells: Vec<_> = row.split(',').collect();
        let micros = (cells[time].parse::<f64>()? * 1e6).round() as u32;
        let state = match cells[drive] {
            "rest" => 0u32,
            "raise" => 1,
            "lower" => 2,
            other => return Err(format!("unknown drive state {other}").into()),
        };
        if micros >= 1 << 30 {
            return Err("longer than 2^30 microseconds".into());
        }
        packed.extend((micros | state << 30).to_le_bytes());
        for column in codes {
            let code: i32 = cells[column].parse()?;
            if !(0..1 << 24).contains(&code) {
                return Err(format!("code {code} does not fit 24 bits").into());
            }
            packed.extend(&code.to_le_bytes()[..3]);
        }
    }
    Ok(packed)
}
