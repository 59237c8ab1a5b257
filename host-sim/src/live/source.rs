//! Bytes that are still being written, as rows.

use std::fs::File;
use std::io::{self, Read};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::time::Duration;

use ohmsplit::config::Config;

use crate::capture::Reader;
use crate::document::Document;
use crate::error::HostError;
use crate::network::NetworkFile;

/// How often the end of a file is looked at.
const POLL: Duration = Duration::from_millis(50);
/// Rows that wait for the core; a reader that is ahead waits.
const AHEAD: usize = 4096;

/// Where the bytes come from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Source {
    /// Standard input.
    Input,
    /// A file, a pipe with a name, or a device.
    Path(PathBuf),
}

impl Source {
    /// The name in messages.
    #[must_use]
    pub fn name(&self) -> String {
        match self {
            Self::Input => "standard input".to_owned(),
            Self::Path(path) => path.display().to_string(),
        }
    }

    fn open(&self) -> Result<Box<dyn Read + Send>, HostError> {
        match self {
            Self::Input => Ok(Box::new(io::stdin())),
            Self::Path(path) => {
                open(path).map_err(|error| HostError::system(self.name(), "cannot open", &error))
            }
        }
    }
}

fn open(path: &Path) -> io::Result<Box<dyn Read + Send>> {
    let file = File::open(path)?;
    // A pipe ends when its writers have gone; a file or a device may go on.
    let kind = file.metadata()?.file_type();
    if kind.is_dir() {
        return Err(io::ErrorKind::IsADirectory.into());
    }
    #[cfg(unix)]
    if std::os::unix::fs::FileTypeExt::is_fifo(&kind) {
        return Ok(Box::new(file));
    }
    Ok(Box::new(Growing { file, taken: 0 }))
}

/// A file that is still being written: at its end, what comes next is waited for.
struct Growing {
    file: File,
    taken: u64,
}

impl Read for Growing {
    fn read(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        loop {
            let count = self.file.read(bytes)?;
            if count > 0 || bytes.is_empty() {
                self.taken += count as u64;
                return Ok(count);
            }
            let about = self.file.metadata()?;
            if about.is_file() && about.len() < self.taken {
                return Err(io::Error::other(
                    "it became shorter while it was followed; start again to follow the new one",
                ));
            }
            std::thread::sleep(POLL);
        }
    }
}

/// What the reading thread tells. When it hangs up, the stream is over.
#[derive(Debug)]
#[allow(
    clippy::large_enum_variant,
    reason = "rows are many, the other two come once"
)]
pub enum Message {
    /// The header has come, and fits the network document. Always the first.
    Opened(Config),
    /// A row.
    Row(crate::capture::Row),
    /// What ends the stream before its time. Always the last.
    Failed(HostError),
}

/// Opens a source and starts to read it.
///
/// # Errors
/// When it cannot be opened.
pub fn start(
    source: &Source,
    network: NetworkFile,
    document: Document,
) -> Result<Receiver<Message>, HostError> {
    let bytes = source.open()?;
    let name = source.name();
    let (sender, receiver) = sync_channel(AHEAD);
    // Never joined: it may wait for bytes that do not come.
    std::thread::spawn(move || {
        if let Err(error) = read(&name, bytes, &network, &document, &sender) {
            // Nobody listens when the user has stopped.
            let _ = sender.send(Message::Failed(error));
        }
    });
    Ok(receiver)
}

fn read(
    name: &str,
    bytes: Box<dyn Read + Send>,
    network: &NetworkFile,
    document: &Document,
    sender: &SyncSender<Message>,
) -> Result<(), HostError> {
    let mut reader = Reader::from_bytes(name, bytes)?;
    let config = reader
        .bind(network)
        .map_err(|fault| document.locate(fault))?;
    if sender.send(Message::Opened(config)).is_err() {
        return Ok(());
    }
    while let Some(row) = reader.next_row()? {
        if sender.send(Message::Row(row)).is_err() {
            return Ok(());
        }
    }
    Ok(())
}
