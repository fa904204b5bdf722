//! Where a recording goes, and its way to the disk: a sync may take seconds, and holds up no write.

use std::fs::File;
use std::io;
use std::io::{ErrorKind, Seek, SeekFrom, Write};
use std::os::unix::fs::MetadataExt as _;
use std::path::Path;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread::JoinHandle;

/// Makes what was written so far survive a power cut.
pub type DiskSync = Box<dyn FnMut() -> io::Result<()> + Send>;

/// Where a recording goes: a file, or what stands for one in a test.
pub trait Storage: Write + Send {
    /// Cuts off everything from this place on, and goes on writing there.
    fn cut(&mut self, length: u64) -> io::Result<()>;
    /// Bytes that it holds.
    fn length(&self) -> io::Result<u64>;
    /// What syncs it, from another thread.
    fn syncing(&self) -> io::Result<DiskSync>;
    /// Whether `path` still leads to it, and it holds at least so many bytes: nobody deleted, moved or cut it.
    fn is_at(&self, path: &Path, bytes: u64) -> bool;
}

impl Storage for File {
    fn cut(&mut self, length: u64) -> io::Result<()> {
        self.set_len(length)?;
        self.seek(SeekFrom::Start(length)).map(|_| ())
    }

    fn length(&self) -> io::Result<u64> {
        Ok(self.metadata()?.len())
    }

    fn syncing(&self) -> io::Result<DiskSync> {
        let file = self.try_clone()?;
        Ok(Box::new(move || file.sync_data()))
    }

    fn is_at(&self, path: &Path, bytes: u64) -> bool {
        let Ok(own) = self.metadata() else { return true };
        match path.metadata() {
            Ok(there) => own.ino() == there.ino() && own.dev() == there.dev() && own.len() >= bytes,
            // Another error says nothing of the file.
            Err(error) => error.kind() != ErrorKind::NotFound,
        }
    }
}

/// The thread that syncs.
#[derive(Debug)]
pub(super) struct Syncer {
    ask: Option<Sender<()>>,
    done: Receiver<io::Result<()>>,
    thread: Option<JoinHandle<()>>,
    /// One is under way.
    is_busy: bool,
}

impl Syncer {
    pub(super) fn start(mut sync: DiskSync) -> io::Result<Self> {
        let (ask, asked) = channel();
        let (answer, done) = channel();
        let thread = std::thread::Builder::new()
            .name("sync".to_owned())
            .spawn(move || while asked.recv().is_ok() && answer.send(sync()).is_ok() {})?;
        Ok(Self { ask: Some(ask), done, thread: Some(thread), is_busy: false })
    }

    /// Begins a sync; false while one is under way.
    pub(super) fn begin(&mut self) -> bool {
        if self.is_busy {
            return false;
        }
        self.is_busy = self.ask.as_ref().is_some_and(|ask| ask.send(()).is_ok());
        self.is_busy
    }

    /// How the sync that was under way went, once it is over.
    pub(super) fn outcome(&mut self) -> Option<io::Result<()>> {
        let outcome = self.done.try_recv().ok();
        self.is_busy &= outcome.is_none();
        outcome
    }

    /// The same, and waits for it.
    pub(super) fn wait(&mut self) -> Option<io::Result<()>> {
        let outcome = if self.is_busy { self.done.recv().ok() } else { None };
        self.is_busy = false;
        outcome
    }
}

impl Drop for Syncer {
    fn drop(&mut self) {
        self.ask = None;
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}
