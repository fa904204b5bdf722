//! How far a long command is: a bar on a terminal's error output, nothing elsewhere.

use std::cell::RefCell;
use std::io::{self, IsTerminal as _, Write as _};
use std::sync::atomic::{AtomicBool, Ordering};

/// Clears the line from its beginning.
const CLEAR: &str = "\r\x1b[K";
/// Letters of a whole bar.
const WIDTH: usize = 30;

/// A bar stands in the last line: one for all, since there is one terminal.
static STANDS: AtomicBool = AtomicBool::new(false);

/// A line that is written again whenever what it says changes, and cleared in the end.
#[derive(Debug)]
pub(super) struct Progress {
    what: &'static str,
    /// What stands there; `None` where nothing is shown.
    shown: Option<RefCell<String>>,
}

impl Progress {
    /// Shown on a terminal.
    pub(super) fn new(what: &'static str) -> Self {
        Self { what, shown: io::stderr().is_terminal().then(RefCell::default) }
    }

    /// How much is done, 0 to 1, and how many of how many.
    pub(super) fn show(&self, share: f64, (done, all): (usize, usize)) {
        let Some(shown) = &self.shown else { return };
        let line = line(self.what, share, (done, all));
        if *shown.borrow() != line || !STANDS.load(Ordering::Relaxed) {
            let _ = write!(io::stderr(), "{CLEAR}{line}");
            STANDS.store(true, Ordering::Relaxed);
            shown.replace(line);
        }
    }

    /// Makes room for another line, which is written next.
    pub(super) fn clear() {
        if STANDS.swap(false, Ordering::Relaxed) {
            let _ = write!(io::stderr(), "{CLEAR}");
        }
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        Self::clear();
    }
}

/// `  [###########-------------------]  37 %  4 of 12 recordings`; of one there is no count.
fn line(what: &str, share: f64, (done, all): (usize, usize)) -> String {
    let share = share.clamp(0.0, 1.0);
    let full = (share * WIDTH as f64) as usize;
    let bar = "#".repeat(full) + &"-".repeat(WIDTH - full);
    let percent = (share * 100.0) as u64;
    let count = if all > 1 { format!("  {done} of {all} {what}") } else { String::new() };
    format!("  [{bar}] {percent:>3} %{count}")
}

#[cfg(test)]
mod tests {
    use crate::run::progress::*;

    #[test]
    fn a_bar_is_as_long_as_what_is_done() {
        assert_eq!(
            line("recordings", 0.5, (4, 12)),
            "  [###############---------------]  50 %  4 of 12 recordings"
        );
        assert_eq!(line("recordings", 1.7, (1, 1)), "  [##############################] 100 %");
        assert_eq!(line("recordings", f64::NAN, (0, 1)).len(), line("recordings", 0.0, (0, 1)).len());
        assert!(line("recordings", 0.0, (999_999, 999_999)).len() <= 80);
    }
}
