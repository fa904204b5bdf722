//! The border between a running session (live or replay) and the screens.
//!
//! The session thread owns the core. Screens send [`Command`]s and read the
//! latest [`Feed`]; neither waits for the other.

pub mod live;
pub mod player;
pub mod replay;

pub(crate) mod picture_pace;
mod told_queue;

use std::path::{Path, PathBuf};
use std::sync::mpsc::SyncSender;
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;

use crate::capture::RecorderStatus;
use crate::monitor::{Heard, SessionEvidence};
use crate::record::MarkKind;
use crate::snapshot::{Snapshot, View};
use crate::summary::Summary;

pub use told_queue::ToldQueue;

/// What a screen may ask of a session.
#[derive(Clone, Debug, PartialEq)]
pub enum Command {
    /// Show this window of time from now on.
    View(ViewRequest),
    /// Set a mark now.
    Mark {
        /// Which.
        kind: MarkKind,
        /// In words, may be empty.
        text: String,
    },
    /// Acknowledge all warnings and alarms.
    Acknowledge,
    /// Tell the pilot something in one line.
    Notice(String),
    /// Live only: send this to the vehicle from now on.
    Transmit(Request),
    /// Replay only: stop the clock, or go on.
    Pause(bool),
    /// Replay only: recorded seconds a second, 0.25 to 64.
    Speed(f64),
    /// Replay only: go to this instant, seconds from the first record.
    Seek(f64),
    /// Replay only: go to the last record.
    SeekEnd,
    /// End the session in good order.
    Quit,
}

/// What a session may be asked to send.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Request {
    /// Requests for faster RC and servo messages.
    Rates,
    /// TIMESYNC requests.
    Time,
}

/// A window of time, fixed or following the newest record.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ViewRequest {
    /// Width in seconds; infinite: the whole session.
    pub span_s: f64,
    /// Right edge, seconds from the first record; `None`: follow the newest record.
    pub end_s: Option<f64>,
    /// Columns.
    pub columns: u16,
}

impl ViewRequest {
    /// The window at an instant.
    #[must_use]
    pub fn at(&self, now_s: f64) -> View {
        let to_s = self.end_s.unwrap_or(now_s);
        let span_s = if self.span_s.is_finite() { self.span_s } else { to_s.max(1.0) };
        View { from_s: to_s - span_s, to_s, columns: self.columns.clamp(1, 512) }
    }
}

/// What kind of session runs.
#[derive(Clone, Debug, PartialEq)]
pub enum Mode {
    /// From live sources.
    Live,
    /// From a recording.
    Replay {
        /// Recorded seconds a second.
        speed: f64,
        /// The clock stands.
        paused: bool,
        /// Length of the recording.
        duration_s: f64,
        /// The last record has been reached.
        at_end: bool,
    },
}

/// The newest picture and state of a session.
#[derive(Clone, Debug)]
pub struct Feed {
    /// Counts up with every change.
    pub revision: u64,
    /// The picture.
    pub snapshot: Arc<Snapshot>,
    /// Live or replay.
    pub mode: Mode,
    /// The recorder; `None` where nothing is recorded.
    pub recorder: Option<RecorderStatus>,
    /// The session has ended; no more feeds come.
    pub ended: bool,
    /// One line for the pilot that stands until the next, e.g. why a source failed.
    pub message: Option<String>,
}

/// Where the session thread leaves the newest feed; an older one that nobody read is dropped.
#[derive(Clone, Debug, Default)]
pub struct FeedSlot(Arc<Mutex<Option<Arc<Feed>>>>);

impl FeedSlot {
    /// Replaces the feed.
    pub fn publish(&self, feed: Feed) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = Some(Arc::new(feed));
    }

    /// The newest feed; `None` before the first.
    #[must_use]
    pub fn latest(&self) -> Option<Arc<Feed>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

/// What the recordings of a session lack.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Missing {
    /// Bytes that could not be written.
    pub bytes: u64,
    /// Why not.
    pub error: Option<String>,
    /// One of them was deleted, moved or cut while it was written.
    pub was_taken: bool,
}

/// What a session leaves behind.
#[derive(Clone, Debug)]
pub struct SessionEnd {
    /// All figures at the last record.
    pub summary: Summary,
    /// The recordings that were written, one a day, the newest last.
    pub recordings: Vec<PathBuf>,
    /// What the recordings lack of it; `None` where they hold all of it.
    pub missing: Option<Missing>,
    /// What it tells the history.
    pub evidence: SessionEvidence,
    /// Who was heard; of a live session.
    pub heard: Option<Heard>,
}

/// Looks at a session beside the screens, and may tell the pilot something.
#[derive(Clone, Debug)]
pub struct Watcher {
    commands: SyncSender<Command>,
    feed: FeedSlot,
}

impl Watcher {
    /// The newest feed; `None` before the first.
    #[must_use]
    pub fn feed(&self) -> Option<Arc<Feed>> {
        self.feed.latest()
    }

    /// Tells the pilot something in one line.
    pub fn say(&self, text: String) {
        let _ = self.commands.try_send(Command::Notice(text));
    }
}

/// A running session, as screens hold it.
#[derive(Debug)]
pub struct SessionHandle {
    commands: SyncSender<Command>,
    feed: FeedSlot,
    thread: JoinHandle<anyhow::Result<SessionEnd>>,
    recording: Option<PathBuf>,
}

impl SessionHandle {
    /// Joins a session thread to the ends of its channels.
    #[must_use]
    pub const fn new(
        commands: SyncSender<Command>,
        feed: FeedSlot,
        thread: JoinHandle<anyhow::Result<SessionEnd>>,
    ) -> Self {
        Self { commands, feed, thread, recording: None }
    }

    /// The same with the file that it records to.
    #[must_use]
    pub fn recording_to(self, recording: Option<PathBuf>) -> Self {
        Self { recording, ..self }
    }

    /// The file that it began to record to.
    #[must_use]
    pub fn recording(&self) -> Option<&Path> {
        self.recording.as_deref()
    }

    /// Asks for something; false where the session has ended or its queue is full.
    pub fn send(&self, command: Command) -> bool {
        self.commands.try_send(command).is_ok()
    }

    /// The newest feed; `None` before the first.
    #[must_use]
    pub fn feed(&self) -> Option<Arc<Feed>> {
        self.feed.latest()
    }

    /// For another thread that looks at the session too.
    #[must_use]
    pub fn watcher(&self) -> Watcher {
        Watcher { commands: self.commands.clone(), feed: self.feed.clone() }
    }

    /// Whether the session thread has ended.
    #[must_use]
    pub fn is_finished(&self) -> bool {
        self.thread.is_finished()
    }

    /// Ends the session in good order and waits for what it leaves.
    pub fn finish(self) -> anyhow::Result<SessionEnd> {
        let _ = self.commands.send(Command::Quit);
        self.thread.join().map_err(|_| anyhow::anyhow!("the session thread panicked"))?
    }
}
