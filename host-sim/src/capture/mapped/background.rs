//! A source that is decoded on a thread of its own, a few batches ahead.

use std::sync::mpsc::{Receiver, SyncSender, sync_channel};

use super::{Batch, Source};
use crate::error::HostError;

/// Batches that may wait: enough to keep both sides busy, and no more memory.
const AHEAD: usize = 2;

/// Hands a batch on; false when nobody wants more.
pub(super) type Give<'a> = dyn FnMut(Batch) -> bool + 'a;
type Work = Box<dyn FnOnce(&mut Give<'_>) -> Result<(), HostError> + Send>;
type Message = Result<Option<Batch>, HostError>;

/// Starts with the first batch that is asked for, and ends when dropped.
pub(super) struct Background {
    file: String,
    work: Option<Work>,
    messages: Option<Receiver<Message>>,
}

impl Background {
    pub(super) fn new(
        file: &str,
        work: impl FnOnce(&mut Give<'_>) -> Result<(), HostError> + Send + 'static,
    ) -> Self {
        Self {
            file: file.to_owned(),
            work: Some(Box::new(work)),
            messages: None,
        }
    }
}

fn run(work: Work, sender: &SyncSender<Message>) {
    let done = work(&mut |batch| sender.send(Ok(Some(batch))).is_ok());
    // Nobody listens any more: nothing is left to say.
    let _ = sender.send(done.map(|()| None));
}

impl Source for Background {
    fn next_batch(&mut self) -> Result<Option<Batch>, HostError> {
        if let Some(work) = self.work.take() {
            let (sender, receiver) = sync_channel(AHEAD);
            std::thread::spawn(move || run(work, &sender));
            self.messages = Some(receiver);
        }
        let message = self.messages.as_ref().map(Receiver::recv);
        match message {
            Some(Ok(Ok(None))) | None => {
                self.messages = None;
                Ok(None)
            }
            Some(Ok(message)) => message,
            // The thread is gone without a word: a defect, not an end.
            Some(Err(_)) => Err(HostError::input("decoding broke off")
                .in_file(&*self.file)
                .mend("report this with the file that causes it")),
        }
    }
}
