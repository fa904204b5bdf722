//! The terminal as one owned resource: entered, drawn on, and restored whatever happens.
//!
//! A panic of the thread that draws restores the terminal before its message is
//! printed. One of another thread must not write over the screens: its message is
//! kept and printed when they are left. Reports of the mouse are asked for and ended here too. What is drawn is
//! written by a thread of its own (see `painter`); a terminal that takes nothing in the end is left as it is.

use std::io;
use std::io::{Write, stdout};
use std::os::fd::AsFd;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, Once, PoisonError};
use std::thread::ThreadId;
use std::time::Duration;

use crossterm::cursor::Show;
use crossterm::execute;
use crossterm::style::Print;
use crossterm::terminal::{
    Clear, ClearType, EnterAlternateScreen, LeaveAlternateScreen, disable_raw_mode, enable_raw_mode,
};
use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use nix::sys::signal::{SigSet, Signal};
use ratatui::Terminal;
use ratatui::backend::CrosstermBackend;
use ratatui::layout::Rect;
use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};

use super::painter::{Painter, Progress};

/// A terminal that takes nothing for so long when the screens are left is given up.
const LAST_DRAWING: Duration = Duration::from_millis(500);

/// Signals that ask the program to end.
pub(super) struct Endings {
    asked: Arc<AtomicBool>,
    registered: Vec<signal_hook::SigId>,
}

impl Endings {
    /// Listens from now on.
    pub(super) fn register() -> io::Result<Self> {
        let asked = Arc::new(AtomicBool::new(false));
        let registered = [SIGTERM, SIGINT, SIGHUP]
            .into_iter()
            .map(|signal| signal_hook::flag::register(signal, Arc::clone(&asked)))
            .collect::<io::Result<_>>()?;
        Ok(Self { asked, registered })
    }

    /// Whether one came.
    pub(super) fn asked(&self) -> bool {
        self.asked.load(Ordering::Relaxed)
    }
}

impl Drop for Endings {
    fn drop(&mut self) {
        for id in self.registered.drain(..) {
            signal_hook::low_level::unregister(id);
        }
    }
}

/// While it lives, those signals end the program at once again: who listened for one takes its default away for good.
pub struct EndedBySignals(Vec<signal_hook::SigId>);

impl EndedBySignals {
    /// From now on.
    ///
    /// # Errors
    /// Where a signal cannot be listened for.
    pub fn register() -> io::Result<Self> {
        let always = Arc::new(AtomicBool::new(true));
        let register = |signal| signal_hook::flag::register_conditional_default(signal, Arc::clone(&always));
        Ok(Self([SIGTERM, SIGINT, SIGHUP].into_iter().map(register).collect::<io::Result<_>>()?))
    }
}

impl Drop for EndedBySignals {
    fn drop(&mut self) {
        for id in self.0.drain(..) {
            signal_hook::low_level::unregister(id);
        }
    }
}

/// What waiting for keys found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Keys {
    /// There may be some.
    Perhaps,
    /// The terminal was hung up: nobody will press one any more.
    Gone,
}

/// Waits for keys, and sees a terminal that was hung up before anything is read from
/// it: the event reader never comes back from one.
pub(super) fn wait_for_keys(longest: Duration) -> Keys {
    let input = io::stdin();
    let mut watched = [PollFd::new(input.as_fd(), PollFlags::POLLIN)];
    let longest = PollTimeout::try_from(longest).unwrap_or(PollTimeout::ZERO);
    // A signal ends the wait early: the loop looks at what it asked for.
    let _ = poll(&mut watched, longest);
    let gone = PollFlags::POLLHUP | PollFlags::POLLERR | PollFlags::POLLNVAL;
    if watched[0].revents().is_some_and(|seen| seen.intersects(gone)) { Keys::Gone } else { Keys::Perhaps }
}

/// Which thread holds the terminal now, and what others said while it did.
static HOLDER: Mutex<Option<ThreadId>> = Mutex::new(None);
static KEPT: Mutex<Vec<String>> = Mutex::new(Vec::new());
static HOOK: Once = Once::new();
/// The terminal took nothing any more when the screens were left.
static STUCK: AtomicBool = AtomicBool::new(false);

/// Whether the terminal took nothing any more when the screens were left: whoever writes to it now waits for ever.
pub(super) fn is_stuck() -> bool {
    STUCK.load(Ordering::Relaxed)
}

fn holder() -> Option<ThreadId> {
    *HOLDER.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Presses, drags and the wheel (not every movement), at places of any size (xterm's control sequences).
const MOUSE_ON: &str = "\x1b[?1000h\x1b[?1002h\x1b[?1006h";
const MOUSE_OFF: &str = "\x1b[?1006l\x1b[?1002l\x1b[?1000l";

/// Restores the terminal; safe to call twice. Errors are of no use any more here.
fn restore() {
    let _ = disable_raw_mode();
    let _ = execute!(stdout(), Print(MOUSE_OFF), LeaveAlternateScreen, Show);
    *HOLDER.lock().unwrap_or_else(PoisonError::into_inner) = None;
}

/// Puts the restoring in front of whatever prints a panic now.
fn hook_panics() {
    HOOK.call_once(|| {
        let before = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |panic| match holder() {
            Some(thread) if thread != std::thread::current().id() => {
                KEPT.lock().unwrap_or_else(PoisonError::into_inner).push(panic.to_string());
            }
            Some(_) => {
                restore();
                before(panic);
            }
            None => before(panic),
        }));
    });
}

/// The terminal while the screens are shown.
pub(super) struct Screens {
    terminal: Terminal<CrosstermBackend<Painter>>,
    progress: Progress,
}

impl Screens {
    /// Takes the terminal over.
    pub(super) fn enter(mouse: bool) -> io::Result<Self> {
        hook_panics();
        // Drawing from the background would stop the whole program, and its recording with it.
        let mut stops = SigSet::empty();
        stops.add(Signal::SIGTTOU);
        let _ = stops.thread_block();
        *HOLDER.lock().unwrap_or_else(PoisonError::into_inner) = Some(std::thread::current().id());
        let entered = enable_raw_mode()
            // Not `Terminal::clear`: it asks where the cursor is, and a terminal that does not
            // answer would hold the start up for seconds and then fail it.
            .and_then(|()| execute!(stdout(), EnterAlternateScreen, Clear(ClearType::All)))
            .and_then(|()| if mouse { execute!(stdout(), Print(MOUSE_ON)) } else { Ok(()) })
            .and_then(|()| Painter::start(stdout()))
            .and_then(|painter| {
                let progress = painter.progress();
                Ok(Self { terminal: Terminal::new(CrosstermBackend::new(painter))?, progress })
            });
        if entered.is_err() {
            restore();
        }
        entered
    }

    /// Whether the terminal took all that was drawn: only then can more be.
    pub(super) fn is_ready(&self) -> bool {
        self.progress.is_idle()
    }

    /// Draws what changed.
    pub(super) fn draw(&mut self, draw: impl FnOnce(&mut ratatui::Frame<'_>)) -> io::Result<()> {
        self.terminal.draw(draw).map(|_| ())
    }

    /// The terminal's size.
    pub(super) fn area(&self) -> io::Result<Rect> {
        self.terminal.size().map(Into::into)
    }

    /// Rings the bell.
    pub(super) fn ring(&mut self) -> io::Result<()> {
        let out = self.terminal.backend_mut();
        out.write_all(b"\x07")?;
        io::Write::flush(out)
    }
}

impl Drop for Screens {
    fn drop(&mut self) {
        // By way of the painter: a terminal that takes nothing would hold up this thread for ever.
        let _ = disable_raw_mode();
        let _ = execute!(self.terminal.backend_mut(), Print(MOUSE_OFF), LeaveAlternateScreen, Show);
        *HOLDER.lock().unwrap_or_else(PoisonError::into_inner) = None;
        if !self.progress.close(LAST_DRAWING) {
            STUCK.store(true, Ordering::Relaxed);
            return;
        }
        for message in KEPT.lock().unwrap_or_else(PoisonError::into_inner).drain(..) {
            let _ = writeln!(io::stderr(), "{message}");
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::tui::terminal::*;

    /// What another thread says in dying waits until the screens are gone; a fault of the drawing itself
    /// gives the terminal back first.
    #[test]
    fn a_panic_never_writes_over_the_screens() {
        hook_panics();
        let drawing = std::thread::spawn(|| {
            *HOLDER.lock().unwrap() = Some(std::thread::current().id());
            assert!(std::thread::spawn(|| panic!("of another thread, on purpose")).join().is_err());
            let kept = KEPT.lock().unwrap().iter().any(|said| said.contains("of another thread, on purpose"));
            assert!(kept && holder() == Some(std::thread::current().id()));
            panic!("of the drawing, on purpose");
        });
        assert!(drawing.join().is_err());
        let said = KEPT.lock().unwrap().iter().any(|said| said.contains("of the drawing, on purpose"));
        assert_eq!((holder(), said), (None, false), "restored, and printed at once");
    }
}
