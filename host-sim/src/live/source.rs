//! Bytes that are still being written, as rows.

use std::fs::File;
use std::io::{self, BufRead, BufReader, Cursor, Read};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::time::Duration;

use ohmsplit::config::Config;

use crate::capture::Reader;
use crate::document::Document;
use crate::error::HostError;
use crate::network::NetworkFile;

/// How often the end of a file is looked at.
const POLL: Duration = Duration::from_millis(50);
/// Longest line before the header row; noise may have no line ends.
const LINE_MAX: u64 = 1 << 12;
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

    /// Asked before a network is looked for beside it.
    ///
    /// # Errors
    /// When there is no such file, or it is a folder.
    pub fn exists(&self) -> Result<(), HostError> {
        let Self::Path(path) = self else {
            return Ok(());
        };
        let refused = |error| HostError::system(self.name(), "cannot open", &error);
        let found = std::fs::metadata(path).map_err(refused)?;
        if found.is_dir() {
            return Err(refused(io::ErrorKind::IsADirectory.into()));
        }
        Ok(())
    }

    fn open(&self) -> Result<Bytes, HostError> {
        match self {
            Self::Input => Ok(Bytes::Ending(Box::new(io::stdin()))),
            Self::Path(path) => {
                open(path).map_err(|error| HostError::system(self.name(), "cannot open", &error))
            }
        }
    }
}

/// Bytes by how they come.
enum Bytes {
    /// They end when their writer has gone, or are those of a file.
    Ending(Box<dyn Read + Send>),
    /// Of a line that can be joined at any time and can be disturbed.
    Device(Device),
}

fn open(path: &Path) -> io::Result<Bytes> {
    let file = File::open(path)?;
    // A pipe ends when its writers have gone; a file or a device may go on.
    let kind = file.metadata()?.file_type();
    if kind.is_dir() {
        return Err(io::ErrorKind::IsADirectory.into());
    }
    #[cfg(unix)]
    {
        use std::os::unix::fs::FileTypeExt;
        if kind.is_fifo() {
            return Ok(Bytes::Ending(Box::new(file)));
        }
        if kind.is_char_device() {
            return Ok(Bytes::Device(Device {
                file,
                path: path.to_owned(),
                gone: Arc::default(),
            }));
        }
    }
    Ok(Bytes::Ending(Box::new(Growing { file, taken: 0 })))
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
            if self.file.metadata()?.len() < self.taken {
                return Err(io::Error::other(
                    "it became shorter while it was followed; start again to follow the new one",
                ));
            }
            std::thread::sleep(POLL);
        }
    }
}

/// A serial line. It is silent as long as it likes, and ends when its device is unplugged.
struct Device {
    file: File,
    path: PathBuf,
    gone: Arc<AtomicBool>,
}

impl Read for Device {
    fn read(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        loop {
            match self.file.read(bytes) {
                Ok(count) if count > 0 || bytes.is_empty() => return Ok(count),
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                // Nothing has come in the time that the device allows; or it is not there any more.
                Ok(_) if self.path.exists() => std::thread::sleep(POLL),
                Ok(_) | Err(_) => {
                    self.gone.store(true, Ordering::Relaxed);
                    return Ok(0);
                }
            }
        }
    }
}

/// What the reading thread tells. When it hangs up, the stream is over.
#[derive(Debug)]
#[allow(
    clippy::large_enum_variant,
    reason = "rows are many, the configuration comes once"
)]
pub enum Message {
    /// The header has come, and fits the network document. Before any row.
    Opened(Config),
    /// A row.
    Row(crate::capture::Row),
    /// A line of a device that is no row, and is passed over.
    Skipped(HostError),
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
    let (sender, receiver) = sync_channel(AHEAD);
    let stream = Stream {
        name: source.name(),
        network,
        document,
        sender,
    };
    // Never joined: it may wait for bytes that do not come.
    std::thread::spawn(move || {
        let read = match bytes {
            Bytes::Ending(bytes) => stream.read(bytes, None),
            Bytes::Device(device) => {
                let gone = Arc::clone(&device.gone);
                stream.read_device(device, &gone)
            }
        };
        if let Err(error) = read {
            stream.tell(Message::Failed(error));
        }
    });
    Ok(receiver)
}

/// What turns bytes into rows.
struct Stream {
    name: String,
    network: NetworkFile,
    document: Document,
    sender: SyncSender<Message>,
}

impl Stream {
    /// False when the user has stopped: nobody listens any more.
    fn tell(&self, message: Message) -> bool {
        self.sender.send(message).is_ok()
    }

    /// Reads to the end. Bad rows are passed over where `gone`, which tells a device's end, is given.
    fn read(&self, bytes: impl Read + 'static, gone: Option<&AtomicBool>) -> Result<(), HostError> {
        let mut reader = Reader::from_bytes(&self.name, bytes)?;
        let config = reader
            .bind(&self.network)
            .map_err(|fault| self.document.locate(fault))?;
        let mut heard = self.tell(Message::Opened(config));
        while heard {
            heard = match (reader.next_row(), gone) {
                (Ok(Some(row)), _) => self.tell(Message::Row(row)),
                (Ok(None), _) => return Ok(()),
                // A device that was unplugged in the middle of a row is no fault of the row.
                (Err(_), Some(gone)) if gone.load(Ordering::Relaxed) => return Ok(()),
                (Err(error), Some(_)) => self.tell(Message::Skipped(error)),
                (Err(error), None) => return Err(error),
            };
        }
        Ok(())
    }

    /// Reads from the header row on, wherever the line was joined.
    fn read_device(&self, device: impl Read + 'static, gone: &AtomicBool) -> Result<(), HostError> {
        let mut bytes = BufReader::new(device);
        let mut line = Vec::new();
        loop {
            line.clear();
            let read = bytes.by_ref().take(LINE_MAX).read_until(b'\n', &mut line);
            if read.map_err(|error| HostError::system(&*self.name, "cannot read", &error))? == 0 {
                return Err(
                    HostError::input("the device went before its header row came")
                        .in_file(&*self.name)
                        .mend("plug it in and start again"),
                );
            }
            if is_header(&line) {
                return self.read(Cursor::new(line).chain(bytes), Some(gone));
            }
            let other = HostError::input("this is not the header row").in_file(&*self.name);
            if !self.tell(Message::Skipped(other)) {
                return Ok(());
            }
        }
    }
}

/// Whether a line names the columns that every capture has.
fn is_header(line: &[u8]) -> bool {
    let mut names: Vec<&[u8]> = line.split(|&byte| byte == b',').collect();
    names.iter_mut().for_each(|name| *name = name.trim_ascii());
    [&b"time_s"[..], b"drive"]
        .iter()
        .all(|name| names.contains(name))
}
