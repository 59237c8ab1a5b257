//! `ohmsplit completions` and `ohmsplit man`: both follow from the arguments.

use std::io::{self, Write};
use std::path::{Path, PathBuf};

use clap::CommandFactory;
use clap_complete::Shell;

use super::End;
use super::args::Args;
use crate::error::HostError;
use crate::output::AtomicFile;

#[derive(Debug, clap::Args)]
#[command(after_help = "\
Example: ohmsplit completions bash > ~/.local/share/bash-completion/completions/ohmsplit")]
pub(super) struct CompletionsArgs {
    /// The shell.
    #[arg(value_enum, value_name = "SHELL")]
    shell: Shell,
}

#[derive(Debug, clap::Args)]
#[command(after_help = "Example: ohmsplit man | man -l -")]
pub(super) struct ManArgs {
    /// Write one page a command into this folder, which must exist, instead of the main page to standard output.
    #[arg(long, value_name = "FOLDER")]
    out: Option<PathBuf>,
}

pub(super) fn completions(args: &CompletionsArgs) -> Result<End, HostError> {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut Args::command(), "ohmsplit", &mut script);
    print(&script)
}

pub(super) fn man(args: &ManArgs) -> Result<End, HostError> {
    let mut command = Args::command().disable_help_subcommand(true);
    command.build();
    match &args.out {
        None => print(&page(&command)?),
        Some(folder) => {
            pages(&command, folder)?;
            Ok(End::Done)
        }
    }
}

/// A page of the command and of every command below it.
fn pages(command: &clap::Command, folder: &Path) -> Result<(), HostError> {
    let name = command.get_display_name().unwrap_or("ohmsplit");
    let path = folder.join(format!("{name}.1"));
    let mut file = AtomicFile::create(&path)?;
    file.write_all(&page(command)?).map_err(|error| {
        HostError::system(path.display().to_string(), "cannot be written", &error)
    })?;
    file.commit()?;
    command
        .get_subcommands()
        .try_for_each(|command| pages(command, folder))
}

fn page(command: &clap::Command) -> Result<Vec<u8>, HostError> {
    let mut page = Vec::new();
    clap_mangen::Man::new(command.clone())
        .render(&mut page)
        .map_err(|error| HostError::system("manual page", "cannot be made", &error))?;
    Ok(page)
}

fn print(bytes: &[u8]) -> Result<End, HostError> {
    match io::stdout().write_all(bytes) {
        // The reader has seen enough.
        Err(error) if error.kind() != io::ErrorKind::BrokenPipe => {
            Err(HostError::system("standard output", "cannot write", &error))
        }
        _ => Ok(End::Done),
    }
}
