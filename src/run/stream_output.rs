//! `--stream`: what a session tells, one JSON object a line on standard output.
//!
//! Live, a thread of its own writes: a reader that stops reading stops the stream alone, and one that goes away ends it.
//! A replay waits for its reader instead, and ends with it.

use std::io;
use std::io::Write;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

use crate::capture::Recording;
use crate::cli::{Common, StreamArgs};
use crate::monitor::LinkMonitor;
use crate::profile::Profile;
use crate::report;
use crate::session::ToldQueue;
use crate::summary::{Earlier, Told};
use crate::wording::quantity;

use super::{earlier_sessions, tell};

/// Objects that may wait for a reader: some minutes of a busy session.
const ROOM: usize = 4_096;
/// A reader that reads has the end of a session within this.
const LAST: Duration = Duration::from_secs(2);

/// Writes one object at once: whoever listens wants to know now.
fn write(told: &Told) -> io::Result<()> {
    let mut line = Vec::new();
    report::write_json_to(&mut line, told)?;
    let mut out = io::stdout().lock();
    out.write_all(&line)?;
    out.flush()
}

/// The stream of a live session.
#[derive(Debug)]
pub(super) struct StreamOutput {
    written: Receiver<()>,
    dropped: Arc<AtomicU64>,
}

impl StreamOutput {
    /// Begins to write what comes out of the queue, which is for the session; `None` where no stream is wanted.
    pub(super) fn start(args: &StreamArgs) -> io::Result<Option<(Self, ToldQueue)>> {
        if !args.stream {
            return Ok(None);
        }
        let (queue, told, dropped) = ToldQueue::new(ROOM, args.every.unwrap_or(0));
        let (done, written) = channel();
        std::thread::Builder::new().name("stream".to_owned()).spawn(move || {
            let _ = told.iter().try_for_each(|told| write(&told));
            drop(told);
            let _ = done.send(());
        })?;
        Ok(Some((Self { written, dropped }, queue)))
    }

    /// The session has ended: waits a little for what is still to be written, and says what was left out.
    pub(super) fn end(self) {
        let is_stuck = self.written.recv_timeout(LAST).is_err();
        let dropped = self.dropped.load(Ordering::Relaxed);
        if let Some(lacks) = lacks(is_stuck, dropped) {
            let why = "its reader did not keep up";
            tell(format_args!("fadewatch: the stream is not whole, {why}: {lacks}"));
        }
    }
}

/// What a stream lacks; `None`: nothing.
fn lacks(is_stuck: bool, dropped: u64) -> Option<String> {
    let end = is_stuck.then(|| "its end was not read".to_owned());
    let objects = quantity::counted(dropped, "object was", "objects were");
    let left_out = (dropped > 0).then(|| format!("{objects} left out"));
    let all: Vec<String> = left_out.into_iter().chain(end).collect();
    (!all.is_empty()).then(|| all.join(", and "))
}

/// Writes what a whole recording tells, as fast as it is read.
pub(super) fn of_recording(common: &Common, file: &Path, every_s: u32) -> anyhow::Result<()> {
    let profile: Arc<Profile> = super::profile(common)?;
    let recording = Recording::open(file)?;
    let earlier: Earlier = earlier_sessions::showed_before(common, &profile, &recording)?;
    let mut monitor = LinkMonitor::with_earlier(profile, earlier).telling(every_s);
    let mut cursor = recording.cursor();
    while let Some(entry) = recording.next(&mut cursor) {
        monitor.handle(&entry);
        monitor.take_told().iter().try_for_each(write)?;
    }
    let summary = monitor.summary(&recording.facts(&cursor));
    monitor.tell_end(&summary);
    Ok(monitor.take_told().iter().try_for_each(write)?)
}

#[cfg(test)]
mod tests {
    use crate::run::stream_output::*;

    #[test]
    fn a_stream_says_what_it_lacks_and_nothing_else() {
        assert_eq!(lacks(false, 0), None);
        assert_eq!(lacks(true, 0).as_deref(), Some("its end was not read"));
        assert_eq!(lacks(false, 1).as_deref(), Some("1 object was left out"));
        assert_eq!(lacks(true, 70).as_deref(), Some("70 objects were left out, and its end was not read"));
    }
}
