//! The recorder: a thread that writes a session down, and never holds it up.
//!
//! The file has its header when it gets its name (see `new_file`). [`Recorder::record`] turns an entry into blocks and leaves
//! them in a queue of at most [`QUEUE`] bytes; the thread writes the first at once and the others twice a second, has them synced to the disk every
//! two by a thread of its own (see `storage`), so that a sync may take 1.5 s and a power cut costs at most 5, and keeps at most another [`QUEUE`] bytes while the disk fails, trying again
//! once a second. What finds no place is counted, and a [`Note::BytesLost`] stands in
//! the file as soon as something can be written again. A block that was written in part
//! is cut off before the file goes on, so that the file is at any time a valid one up to
//! its last whole block.

mod new_file;
pub mod storage;

use std::io;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

use super::writer::Encoder;
use crate::monitor::RecordingFacts;
use crate::record::{
    Body, Direction, Entry, InterfaceId, InterfaceKind, Note, OwnedBody, OwnedRecord, Record,
};
use crate::units::Nanos;
use storage::{Storage, Syncer};

/// Bytes that may wait, and again as many that are being written.
const QUEUE: usize = 8 << 20;
/// What interfaces and notes may take beyond it, so that a full queue loses none of them at once.
const RESERVE: usize = 256 << 10;
/// From this many waiting bytes on the thread does not wait longer.
const BATCH: usize = 256 << 10;
const SYNC_EVERY: Nanos = Nanos::from_secs(2);

/// How the recorder does.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct RecorderStatus {
    /// The file.
    pub path: PathBuf,
    /// Bytes written.
    pub bytes: u64,
    /// Why it does not record, e.g. a full disk; monitoring goes on.
    pub error: Option<String>,
    /// Bytes that it had to refuse.
    pub refused: u64,
    /// The file was deleted, moved or cut by somebody else: it wants to go on in another.
    pub is_gone: bool,
}

impl RecorderStatus {
    /// Name and size.
    #[must_use]
    pub fn facts(&self) -> RecordingFacts {
        RecordingFacts { file: super::file_name(&self.path), bytes: Some(self.bytes), truncated: false }
    }
}

/// How long the recorder's thread waits.
#[derive(Clone, Copy, Debug)]
pub struct Pace {
    /// Between two writes.
    pub write: Duration,
    /// After a failed write.
    pub retry: Duration,
}

impl Default for Pace {
    fn default() -> Self {
        Self { write: Duration::from_millis(500), retry: Duration::from_secs(1) }
    }
}

/// Writes a session down as pcapng.
#[derive(Debug)]
pub struct Recorder {
    encoder: Encoder,
    blocks: Vec<u8>,
    marks: Option<InterfaceId>,
    newest: Nanos,
    /// Refused since the last note that says so, and from when on.
    unsaid: Refused,
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
}

#[derive(Clone, Copy, Debug, Default)]
struct Refused {
    bytes: u64,
    from: Nanos,
}

#[derive(Debug)]
struct Shared {
    queue: Mutex<Queue>,
    woken: Condvar,
    status: Mutex<RecorderStatus>,
}

#[derive(Debug, Default)]
struct Queue {
    blocks: Vec<u8>,
    newest: Nanos,
    closed: bool,
    /// Something was written: what comes now may wait.
    is_begun: bool,
}

impl Shared {
    fn queue(&self) -> MutexGuard<'_, Queue> {
        self.queue.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn status(&self) -> MutexGuard<'_, RecorderStatus> {
        self.status.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Recorder {
    /// Creates the file, for this user alone, with the session and its interfaces, and starts the thread. What is there
    /// already, a device or a pipe too, is never written to.
    pub fn create(path: &Path, opening: &[Entry<'_>]) -> io::Result<Self> {
        let (mut encoder, mut header) = (Encoder::default(), Vec::new());
        for entry in opening {
            encoder.encode(entry, &mut header)?;
        }
        let (file, is_begun) = new_file::create(path, &header)?;
        let mut recorder = Self::start(path.to_owned(), Box::new(file), Pace::default())?;
        recorder.encoder = encoder;
        recorder.marks = opening.iter().find_map(marks_of);
        if !is_begun {
            recorder.blocks = header;
            recorder.enqueue(usize::MAX);
        }
        Ok(recorder)
    }

    /// Starts the thread on a storage of the caller's, behind what it holds; the path is only named.
    pub fn start(path: PathBuf, storage: Box<dyn Storage>, pace: Pace) -> io::Result<Self> {
        let syncer = Syncer::start(storage.syncing()?)?;
        let written = storage.length()?;
        let status = RecorderStatus { path: path.clone(), bytes: written, ..RecorderStatus::default() };
        let shared =
            Arc::new(Shared { queue: Mutex::default(), woken: Condvar::new(), status: Mutex::new(status) });
        let mut output = Output {
            storage,
            path,
            syncer,
            pace,
            shared: Arc::clone(&shared),
            batch: Vec::new(),
            written,
            torn: false,
            failed: false,
            unsynced: written > 0,
            newest: Nanos::ZERO,
            synced_at: Nanos::ZERO,
            idle: Duration::ZERO,
        };
        let thread = std::thread::Builder::new().name("recorder".to_owned()).spawn(move || output.run())?;
        Ok(Self {
            encoder: Encoder::default(),
            blocks: Vec::new(),
            marks: None,
            newest: Nanos::ZERO,
            unsaid: Refused::default(),
            shared,
            thread: Some(thread),
        })
    }

    /// Leaves an entry to be written; never waits for the disk.
    ///
    /// Gives the note that was written before it, if bytes were refused earlier: a core
    /// that shall agree with a later replay takes the note before the entry.
    pub fn record(&mut self, entry: &Entry<'_>) -> Option<OwnedRecord> {
        let mut interface = InterfaceId(0);
        match entry {
            Entry::Record(record) => {
                self.newest = self.newest.max(record.at);
                interface = record.interface;
            }
            _ => self.marks = marks_of(entry).or(self.marks),
        }
        self.blocks.clear();
        let (payload, limit) = match entry {
            Entry::Record(Record { body: Body::Stream(bytes) | Body::Datagram { bytes, .. }, .. }) => {
                (bytes.len(), QUEUE)
            }
            Entry::Record(Record { body: Body::Packet(packet), .. }) => (packet.bytes.len(), QUEUE),
            Entry::Record(_) => (0, QUEUE + RESERVE),
            // Without these nothing that follows could be read; there are few.
            Entry::Session(_) | Entry::Interface(..) => (0, usize::MAX),
        };
        let unsaid = self.unsaid;
        let said = if payload > 0 && self.room(payload) { self.say_refused(interface) } else { None };
        if self.encoder.encode(entry, &mut self.blocks).is_err() {
            // What is no valid entry cannot be kept; the note before it can.
            self.refuse(payload as u64);
        }
        if !self.enqueue(limit) {
            self.unsaid = unsaid;
            self.refuse(payload as u64);
            return None;
        }
        said
    }

    fn room(&self, payload: usize) -> bool {
        self.shared.queue().blocks.len() + payload < QUEUE
    }

    fn say_refused(&mut self, interface: InterfaceId) -> Option<OwnedRecord> {
        if self.unsaid.bytes == 0 {
            return None;
        }
        let reach = Some(self.newest - self.unsaid.from);
        let note = OwnedRecord {
            at: self.newest,
            interface: self.marks.unwrap_or(interface),
            direction: Direction::Inbound,
            body: OwnedBody::Note(Note::BytesLost { bytes: self.unsaid.bytes, reach }),
        };
        self.encoder.encode(&Entry::Record(note.as_record()), &mut self.blocks).ok()?;
        self.unsaid = Refused::default();
        Some(note)
    }

    /// False where more than `limit` would wait.
    fn enqueue(&mut self, limit: usize) -> bool {
        let mut queue = self.shared.queue();
        if queue.blocks.len() + self.blocks.len() > limit {
            return false;
        }
        queue.blocks.extend_from_slice(&self.blocks);
        queue.newest = self.newest;
        if queue.blocks.len() >= BATCH || !queue.is_begun {
            self.shared.woken.notify_one();
        }
        true
    }

    fn refuse(&mut self, bytes: u64) {
        if self.unsaid.bytes == 0 {
            self.unsaid.from = self.newest;
        }
        self.unsaid.bytes += bytes;
        self.shared.status().refused += bytes;
    }

    /// How it does.
    #[must_use]
    pub fn status(&self) -> RecorderStatus {
        self.shared.status().clone()
    }

    /// Writes what waits, syncs it and ends the thread; what the disk still refuses is lost.
    ///
    /// Gives the note that was written last, if bytes were refused since the note before: see [`Self::record`].
    /// None where the disk did not take even that.
    pub fn finish(mut self) -> (RecorderStatus, Option<OwnedRecord>) {
        self.blocks.clear();
        let said = self.say_refused(InterfaceId(0));
        if said.is_some() {
            let blocks = std::mem::take(&mut self.blocks);
            self.shared.queue().blocks.extend(blocks);
        }
        let refused = self.status().refused;
        self.close();
        let status = self.status();
        // The note stands last: whatever is lost at the end, it is.
        let said = said.filter(|_| status.refused == refused);
        (status, said)
    }

    fn close(&mut self) {
        self.shared.queue().closed = true;
        self.shared.woken.notify_one();
        if let Some(thread) = self.thread.take() {
            // A panic of the thread has been printed; the status says how far it came.
            let _ = thread.join();
        }
    }
}

impl Drop for Recorder {
    fn drop(&mut self) {
        self.close();
    }
}

/// The interface of marks, where an entry describes it.
fn marks_of(entry: &Entry<'_>) -> Option<InterfaceId> {
    match entry {
        Entry::Interface(id, info) if info.kind == InterfaceKind::Marks => Some(*id),
        _ => None,
    }
}

/// The thread's side.
struct Output {
    storage: Box<dyn Storage>,
    path: PathBuf,
    syncer: Syncer,
    pace: Pace,
    shared: Arc<Shared>,
    /// Whole blocks that are not written yet.
    batch: Vec<u8>,
    /// Bytes of the file up to its last whole block.
    written: u64,
    /// Part of a block stands behind them.
    torn: bool,
    failed: bool,
    unsynced: bool,
    newest: Nanos,
    synced_at: Nanos,
    /// Time waited since the last sync.
    idle: Duration,
}

impl Output {
    fn run(&mut self) {
        loop {
            let closed = self.take();
            // Before the next write, which would hide that the file was cut.
            if !self.shared.status().is_gone && !self.storage.is_at(&self.path, self.written) {
                self.shared.status().is_gone = true;
            }
            match self.write() {
                Ok(()) => self.failed = false,
                Err(error) => self.fail(&error),
            }
            self.sync(closed);
            if !self.failed {
                self.shared.status().error = None;
            }
            if closed {
                self.shared.status().refused += self.batch.len() as u64;
                return;
            }
        }
    }

    /// Has what was written synced, where it is time; at the end it waits for that.
    fn sync(&mut self, closed: bool) {
        if let Some(outcome) = if closed { self.syncer.wait() } else { self.syncer.outcome() } {
            self.synced(&outcome);
        }
        if self.failed || !self.unsynced || !(closed || self.is_sync_due()) {
            return;
        }
        if self.syncer.begin() {
            self.unsynced = false;
            (self.synced_at, self.idle) = (self.newest, Duration::ZERO);
        }
        if closed && let Some(outcome) = self.syncer.wait() {
            self.synced(&outcome);
        }
    }

    fn synced(&mut self, outcome: &io::Result<()>) {
        match outcome {
            // A device or a pipe that knows no sync is none the worse for it.
            Err(error) if !matches!(error.kind(), ErrorKind::InvalidInput | ErrorKind::Unsupported) => {
                self.unsynced = true;
                self.fail(error);
            }
            _ => {}
        }
    }

    /// Waits for bytes and takes them, unless the last ones still stand.
    fn take(&mut self) -> bool {
        let (wait, failed) = if self.failed { (self.pace.retry, true) } else { (self.pace.write, false) };
        let queue = self.shared.queue();
        let (mut queue, outcome) = self
            .shared
            .woken
            .wait_timeout_while(queue, wait, |queue| {
                let enough = if queue.is_begun { BATCH } else { 1 };
                !queue.closed && (failed || queue.blocks.len() < enough)
            })
            .unwrap_or_else(PoisonError::into_inner);
        if outcome.timed_out() {
            self.idle += wait;
        }
        self.newest = queue.newest;
        queue.is_begun |= !queue.blocks.is_empty();
        if self.batch.is_empty() {
            std::mem::swap(&mut self.batch, &mut queue.blocks);
        } else if queue.closed {
            self.batch.append(&mut queue.blocks);
        }
        queue.closed
    }

    fn is_sync_due(&self) -> bool {
        self.newest - self.synced_at >= SYNC_EVERY || self.idle.as_nanos() as i64 >= SYNC_EVERY.0
    }

    /// Writes the batch; on an error what was not written as whole blocks stays in it.
    fn write(&mut self) -> io::Result<()> {
        if self.batch.is_empty() {
            return Ok(());
        }
        if self.torn {
            self.storage.cut(self.written)?;
            self.torn = false;
        }
        let (count, result) = write_some(self.storage.as_mut(), &self.batch);
        let whole = if result.is_ok() { count } else { whole_blocks(&self.batch, count) };
        self.batch.drain(..whole);
        self.written += whole as u64;
        self.unsynced |= whole > 0;
        self.shared.status().bytes = self.written;
        if whole < count {
            self.torn = true;
            self.storage.cut(self.written)?;
            self.torn = false;
        }
        result
    }

    fn fail(&mut self, error: &io::Error) {
        self.failed = true;
        self.shared.status().error = Some(error.to_string());
    }
}

/// Writes until all is written or it fails; says how much was written.
fn write_some(out: &mut dyn Storage, bytes: &[u8]) -> (usize, io::Result<()>) {
    let mut count = 0;
    while count < bytes.len() {
        match out.write(&bytes[count..]) {
            Ok(0) => return (count, Err(ErrorKind::WriteZero.into())),
            Ok(more) => count += more,
            Err(error) if error.kind() == ErrorKind::Interrupted => {}
            Err(error) => return (count, Err(error)),
        }
    }
    (count, out.flush())
}

/// The end of the last block that lies in the first `count` bytes as a whole.
fn whole_blocks(blocks: &[u8], count: usize) -> usize {
    let mut end = 0;
    while let Some(length) = blocks.get(end + 4..).and_then(|rest| rest.first_chunk::<4>()) {
        let next = end + u32::from_le_bytes(*length) as usize;
        if next > count || next == end {
            break;
        }
        end = next;
    }
    end
}
