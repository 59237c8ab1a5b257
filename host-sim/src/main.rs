//! The `ohmsplit` program.

use std::process::ExitCode;

fn main() -> ExitCode {
    ohmsplit_host::cli::main()
}
