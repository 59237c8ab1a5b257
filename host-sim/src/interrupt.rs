//! Ctrl-C and requests to terminate. The program ends at once and takes its
//! drafts with it, unless a command has said what is to be done instead.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};

use crate::error::HostError;

/// The exit code after Ctrl-C, as shells have it.
pub const EXIT_CODE: u8 = 130;

static DRAFTS: Mutex<BTreeSet<PathBuf>> = Mutex::new(BTreeSet::new());
static INSTEAD: Mutex<Option<Box<dyn Fn() + Send>>> = Mutex::new(None);

/// A file or folder that is being written and has no name of its own yet. One
/// that is listed is removed when the program is interrupted.
#[derive(Debug)]
pub struct Draft(PathBuf);

impl Draft {
    /// Lists a draft, until this is dropped.
    #[must_use]
    pub fn at(path: &Path) -> Self {
        held(&DRAFTS).insert(path.to_owned());
        Self(path.to_owned())
    }
}

impl Drop for Draft {
    fn drop(&mut self) {
        held(&DRAFTS).remove(&self.0);
    }
}

/// Begins to listen.
///
/// # Errors
/// When the system refuses.
pub fn listen() -> Result<(), HostError> {
    let heed = || match &*held(&INSTEAD) {
        Some(act) => act(),
        None => end(),
    };
    ctrlc::set_handler(heed)
        .map_err(|error| HostError::input(format!("Ctrl-C cannot be heeded: {error}")))
}

/// Does this from now on, instead of ending the program.
pub fn instead(act: impl Fn() + Send + 'static) {
    *held(&INSTEAD) = Some(Box::new(act));
}

/// Removes all drafts and ends the program.
pub fn end() -> ! {
    // Held to the end, so that no draft comes after.
    let drafts = held(&DRAFTS);
    for draft in drafts.iter() {
        // What cannot be removed stays; there is nobody left to tell.
        let _ = if draft.is_dir() {
            std::fs::remove_dir_all(draft)
        } else {
            std::fs::remove_file(draft)
        };
    }
    std::process::exit(i32::from(EXIT_CODE))
}

/// What a lock holds, also after a panic elsewhere.
fn held<T>(lock: &Mutex<T>) -> MutexGuard<'_, T> {
    lock.lock().unwrap_or_else(PoisonError::into_inner)
}
