//! Files that appear under their name only when complete.

use std::io::{self, Write};
use std::path::{Path, PathBuf};

use tempfile::NamedTempFile;

use crate::error::HostError;
use crate::interrupt::Draft;

/// A file being written beside the place where it will appear. Dropped before
/// [`AtomicFile::commit`], or interrupted, it leaves nothing, and what stood there stays.
#[derive(Debug)]
pub struct AtomicFile {
    target: PathBuf,
    draft: NamedTempFile,
    listed: Draft,
}

impl AtomicFile {
    /// Starts a file in the target's folder.
    ///
    /// # Errors
    /// When the folder is missing or cannot be written.
    pub fn create(target: &Path) -> Result<Self, HostError> {
        let name = target.display().to_string();
        if target.is_dir() {
            return Err(HostError::input("is a folder")
                .in_file(name)
                .expected("the name of a file to write")
                .mend("name a file in it"));
        }
        let folder = match target.parent() {
            Some(folder) if !folder.as_os_str().is_empty() => folder,
            _ => Path::new("."),
        };
        if !folder.is_dir() {
            let what = if folder.exists() {
                "is no folder"
            } else {
                "is not there"
            };
            return Err(HostError::input(format!(
                "cannot be written: the folder {} {what}",
                folder.display()
            ))
            .in_file(name)
            .expected("the name of a file in a folder that is there")
            .mend("make the folder, or correct the name"));
        }
        let mut builder = tempfile::Builder::new();
        builder.prefix(".ohmsplit-");
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            // As any new file: the user's mask decides.
            builder.permissions(std::fs::Permissions::from_mode(0o666));
        }
        let draft = builder
            .tempfile_in(folder)
            .map_err(|error| HostError::system(name, "cannot be written", &error))?;
        Ok(Self {
            target: target.to_path_buf(),
            listed: Draft::at(draft.path()),
            draft,
        })
    }

    /// Gives the complete file its name, replacing what had it.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn commit(self) -> Result<(), HostError> {
        let Self {
            target,
            draft,
            listed,
        } = self;
        let named = draft.persist(&target);
        drop(listed);
        named.map(drop).map_err(|error| {
            HostError::system(
                target.display().to_string(),
                "cannot be written",
                &error.error,
            )
        })
    }

    /// Writes a whole file at once.
    ///
    /// # Errors
    /// As [`AtomicFile::create`].
    pub fn write(target: &Path, content: &str) -> Result<(), HostError> {
        let mut file = Self::create(target)?;
        file.write_all(content.as_bytes()).map_err(|error| {
            HostError::system(target.display().to_string(), "cannot be written", &error)
        })?;
        file.commit()
    }
}

impl Write for AtomicFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.draft.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.draft.flush()
    }
}
