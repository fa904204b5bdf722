//! How far a long command is: one line on a terminal's error output, nothing elsewhere.

use std::cell::Cell;
use std::io::{self, IsTerminal as _, Write as _};

/// Clears the line from its beginning.
const CLEAR: &str = "\r\x1b[K";

/// A line that is written again whenever its whole percent changes, and cleared in the end.
#[derive(Debug)]
pub(super) struct Progress {
    what: &'static str,
    /// What stands there; `None` where nothing is shown.
    percent: Option<Cell<u64>>,
}

impl Progress {
    /// Shown on a terminal, if it `is_wanted`.
    pub(super) fn new(what: &'static str, is_wanted: bool) -> Self {
        let percent = (is_wanted && io::stderr().is_terminal()).then(|| Cell::new(u64::MAX));
        Self { what, percent }
    }

    /// How much is done, 0 to 1.
    pub(super) fn set(&self, share: f64) {
        let percent = (share * 100.0) as u64;
        if let Some(shown) = &self.percent
            && shown.replace(percent) != percent
        {
            let _ = write!(io::stderr(), "{CLEAR}  {} {percent} %", self.what);
        }
    }

    /// Makes room for another line, which is written next.
    pub(super) fn clear(&self) {
        if let Some(shown) = &self.percent {
            shown.set(u64::MAX);
            let _ = write!(io::stderr(), "{CLEAR}");
        }
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.clear();
    }
}
