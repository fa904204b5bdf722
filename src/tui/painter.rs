//! What is drawn goes to the terminal on a thread of its own: one that reads nothing, or whose output was stopped by a key,
//! holds up neither keys, signals nor the end of the session.
//!
//! A drawing is handed over whole, at its `flush`. The next is made only once the last was taken, since each holds what
//! changed since the one before. Bounded by that: one drawing waits at most.

use std::io;
use std::io::Write;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

/// What lies between the two threads.
#[derive(Debug, Default)]
struct Hatch {
    /// To be written.
    bytes: Vec<u8>,
    is_writing: bool,
    is_closed: bool,
    error: Option<io::Error>,
}

#[derive(Debug, Default)]
struct Shared {
    hatch: Mutex<Hatch>,
    changed: Condvar,
}

impl Shared {
    fn hatch(&self) -> MutexGuard<'_, Hatch> {
        self.hatch.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The near side: a writer that never waits.
#[derive(Debug)]
pub(super) struct Painter {
    drawing: Vec<u8>,
    shared: Arc<Shared>,
}

impl Painter {
    /// Starts the thread.
    pub(super) fn start(mut terminal: impl Write + Send + 'static) -> io::Result<Self> {
        let shared = Arc::<Shared>::default();
        let far = Arc::clone(&shared);
        std::thread::Builder::new().name("painter".to_owned()).spawn(move || {
            while let Some(bytes) = next(&far) {
                let written = terminal.write_all(&bytes).and_then(|()| terminal.flush());
                let mut hatch = far.hatch();
                hatch.is_writing = false;
                hatch.error = written.err().or(hatch.error.take());
                far.changed.notify_all();
            }
        })?;
        Ok(Self { drawing: Vec::new(), shared })
    }

    /// What tells how far the terminal is.
    pub(super) fn progress(&self) -> Progress {
        Progress(Arc::clone(&self.shared))
    }
}

/// How far the terminal is with what was drawn.
#[derive(Debug)]
pub(super) struct Progress(Arc<Shared>);

impl Progress {
    /// Whether the terminal took all that was drawn.
    pub(super) fn is_idle(&self) -> bool {
        let hatch = self.0.hatch();
        hatch.bytes.is_empty() && !hatch.is_writing
    }

    /// Ends the thread once the terminal took all; false where it did not within this time, and the thread is left
    /// behind.
    pub(super) fn close(&self, patience: Duration) -> bool {
        let mut hatch = self.0.hatch();
        hatch.is_closed = true;
        self.0.changed.notify_all();
        let busy = |hatch: &mut Hatch| !hatch.bytes.is_empty() || hatch.is_writing;
        let waited = self.0.changed.wait_timeout_while(hatch, patience, busy);
        !waited.unwrap_or_else(PoisonError::into_inner).1.timed_out()
    }
}

/// The next drawing; `None` at the end.
fn next(shared: &Shared) -> Option<Vec<u8>> {
    let hatch = shared.hatch();
    let nothing = |hatch: &mut Hatch| hatch.bytes.is_empty() && !hatch.is_closed;
    let mut hatch = shared.changed.wait_while(hatch, nothing).unwrap_or_else(PoisonError::into_inner);
    let bytes = std::mem::take(&mut hatch.bytes);
    hatch.is_writing = !bytes.is_empty();
    hatch.is_writing.then_some(bytes)
}

impl Write for Painter {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.drawing.extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        let mut hatch = self.shared.hatch();
        if let Some(error) = hatch.error.take() {
            return Err(error);
        }
        hatch.bytes.append(&mut self.drawing);
        self.shared.changed.notify_all();
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use std::sync::mpsc::{Receiver, Sender, channel};

    use crate::tui::painter::*;

    /// A terminal that takes a drawing only when it is let.
    struct Stopped {
        lets: Receiver<()>,
        took: Sender<Vec<u8>>,
    }

    impl Write for Stopped {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            self.lets.recv().map_err(io::Error::other)?;
            self.took.send(bytes.to_vec()).map_err(io::Error::other)?;
            Ok(bytes.len())
        }

        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    #[test]
    fn a_terminal_that_takes_nothing_holds_nobody_up() {
        let ((let_it, lets), (took, taken)) = (channel(), channel());
        let mut painter = Painter::start(Stopped { lets, took }).unwrap();
        let progress = painter.progress();
        painter.write_all(b"first").unwrap();
        painter.flush().unwrap();
        assert!(!progress.is_idle());
        assert!(!progress.close(Duration::from_millis(20)), "it is left behind");
        let_it.send(()).unwrap();
        assert_eq!(taken.recv().unwrap(), b"first");
        assert!(progress.close(Duration::from_mins(1)));
    }

    #[test]
    fn an_error_of_the_terminal_is_told_at_the_next_drawing() {
        let ((let_it, lets), (took, taken)) = (channel::<()>(), channel());
        drop((let_it, taken));
        let mut painter = Painter::start(Stopped { lets, took }).unwrap();
        let progress = painter.progress();
        painter.write_all(b"first").unwrap();
        painter.flush().unwrap();
        while !progress.is_idle() {
            std::thread::yield_now();
        }
        painter.write_all(b"second").unwrap();
        assert!(painter.flush().is_err());
    }
}
