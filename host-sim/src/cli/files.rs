//! Nothing that the user has is written over by mistake.

use std::path::{Path, PathBuf};

use crate::document::Document;
use crate::error::HostError;
use crate::network::NetworkFile;

/// Refuses to write over a file that is read, or twice into one file.
pub(super) fn keep_apart(read: &[&Path], written: &[&Path]) -> Result<(), HostError> {
    for (place, output) in written.iter().enumerate() {
        let others = read.iter().chain(&written[..place]);
        if others.clone().any(|other| same(output, other)) {
            return Err(HostError::input("would be written over by another file of this command")
                .in_file(output.display().to_string())
                .expected("a different name for every file that is read or written")
                .mend("choose another name; the network of a capture has the capture's name with .toml"));
        }
    }
    Ok(())
}

/// Refuses a name whose ending promises another kind of file than is written.
pub(super) fn ends_in(path: &Path, endings: &[&str], what: &str) -> Result<(), HostError> {
    let name = path.display().to_string();
    // A folder is refused where it would be written.
    if path.is_dir()
        || endings
            .iter()
            .any(|ending| name.to_lowercase().ends_with(ending))
    {
        return Ok(());
    }
    let endings = endings.join(" or ");
    Err(
        HostError::input(format!("{what} is not written as such a file"))
            .in_file(name)
            .expected(format!("a name that ends in {endings}"))
            .mend("end the name so; other programs convert the file"),
    )
}

/// Refuses to replace a file by the network of a capture, unless it is one.
pub(super) fn free_for_network(path: &Path) -> Result<(), HostError> {
    let is_network = |path| Document::read(path).and_then(|text| NetworkFile::parse(&text));
    if path.exists() && is_network(path).is_err() {
        return Err(
            HostError::input("is there already, and is not the network of a capture")
                .in_file(path.display().to_string())
                .mend("give the capture another name: its network is written beside it"),
        );
    }
    Ok(())
}

fn same(one: &Path, other: &Path) -> bool {
    identity(one) == identity(other)
}

/// The path without links, as far as it exists.
fn identity(path: &Path) -> Option<PathBuf> {
    if let Ok(path) = path.canonicalize() {
        return Some(path);
    }
    let absolute = std::path::absolute(path).ok()?;
    let folder = absolute.parent()?;
    let folder = folder.canonicalize().unwrap_or_else(|_| folder.to_owned());
    Some(folder.join(absolute.file_name()?))
}
