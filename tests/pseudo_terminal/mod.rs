//! A program behind a pseudo-terminal, and a terminal emulator that shows what it wrote.

#![allow(dead_code, reason = "each test binary uses its own part")]

use std::io::Read;
use std::num::NonZero;
use std::os::fd::{AsFd, OwnedFd};
use std::process::{Child, Command as Process, ExitStatus, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use nix::fcntl::{FcntlArg, FdFlag, fcntl};
use nix::pty::{Winsize, openpty};

/// How long a test waits for output before it gives up; it never waits so long where all is well.
const PATIENCE: Duration = Duration::from_secs(20);

fn size_of(cells: u16) -> NonZero<u16> {
    NonZero::new(cells).expect("a size")
}

/// A child behind a pseudo-terminal, and the emulator that shows what it wrote.
pub(crate) struct Screen {
    pub(crate) child: Child,
    pub(crate) master: OwnedFd,
    pub(crate) slave: OwnedFd,
    pub(crate) written: Receiver<Vec<u8>>,
    pub(crate) parser: Arc<Mutex<vt100::Parser>>,
    /// Strokes of the bell so far.
    pub(crate) strokes: usize,
}

impl Screen {
    pub(crate) fn of(program: &mut Process, columns: u16, rows: u16) -> Self {
        let size = Winsize { ws_row: rows, ws_col: columns, ws_xpixel: 0, ws_ypixel: 0 };
        let pty = openpty(&size, None).expect("a pseudo-terminal");
        // A child that held this end would not see the terminal hung up.
        fcntl(&pty.master, FcntlArg::F_SETFD(FdFlag::FD_CLOEXEC)).expect("no child gets it");
        let end = || Stdio::from(pty.slave.try_clone().expect("its far side"));
        let child = program
            .env("TERM", "xterm-256color")
            .stdin(end())
            .stdout(end())
            .stderr(end())
            .spawn()
            .expect("the child starts");
        let (sender, written) = channel();
        let mut reader = std::fs::File::from(pty.master.try_clone().expect("its near side"));
        std::thread::spawn(move || {
            let mut chunk = [0; 8_192];
            while let Ok(count) = reader.read(&mut chunk) {
                if count == 0 || sender.send(chunk[..count].to_vec()).is_err() {
                    break;
                }
            }
        });
        let parser = Arc::new(Mutex::new(vt100::Parser::new(size_of(rows), size_of(columns), 0)));
        Self { child, master: pty.master, slave: pty.slave, written, parser, strokes: 0 }
    }

    pub(crate) fn text(&self) -> String {
        self.parser.lock().expect("no test fell over here").screen().contents()
    }

    /// Reads what comes within so long; why nothing did, else.
    pub(crate) fn read(&mut self, longest: Duration) -> Result<(), RecvTimeoutError> {
        let bytes = self.written.recv_timeout(longest)?;
        self.strokes += bytes.split(|byte| *byte == 7).count() - 1;
        self.parser.lock().expect("no test fell over here").process(&bytes);
        Ok(())
    }

    /// Reads until the screen satisfies `seen`; fails where the child falls silent first.
    pub(crate) fn until(&mut self, what: &str, seen: impl Fn(&Self) -> bool) {
        while !seen(self) {
            if self.read(PATIENCE).is_err() {
                assert!(seen(self), "{what} was never seen, but:\n{}", self.text());
            }
        }
    }

    pub(crate) fn shows(&mut self, text: &str) {
        self.until(text, |screen| screen.text().contains(text));
    }

    pub(crate) fn press(&self, keys: &str) {
        nix::unistd::write(self.master.as_fd(), keys.as_bytes()).expect("keys go in");
    }

    /// What the terminal was asked to report of the mouse.
    pub(crate) fn reports(&self) -> vt100::MouseProtocolMode {
        self.parser.lock().expect("no test fell over here").screen().mouse_protocol_mode()
    }

    /// Where a text stands: column and row, from 0.
    pub(crate) fn place_of(&self, text: &str) -> (usize, usize) {
        let shown = self.text();
        let found = shown.lines().enumerate().find_map(|(y, line)| Some((line.find(text)?, y, line)));
        let (at, y, line) = found.unwrap_or_else(|| panic!("no {text}:\n{shown}"));
        (line[..at].chars().count(), y)
    }

    /// A report of the mouse as xterm's control sequences have it (SGR, 1006): places count from 1.
    pub(crate) fn report(&self, button: u8, (x, y): (usize, usize), ending: char) {
        self.press(&format!("\u{1b}[<{button};{};{}{ending}", x + 1, y + 1));
    }

    /// Taps a text as soon as it stands there.
    pub(crate) fn tap_on(&mut self, text: &str) {
        self.shows(text);
        self.tap(self.place_of(text));
    }

    pub(crate) fn tap(&self, place: (usize, usize)) {
        self.report(0, place, 'M');
        self.report(0, place, 'm');
    }

    pub(crate) fn signal(&self, name: &str) {
        let told = Process::new("sh").args(["-c", &format!("kill -{name} {}", self.child.id())]).status();
        assert!(told.expect("a shell").success());
    }

    /// Makes the terminal another size, as a terminal window would.
    pub(crate) fn resize(&self, columns: u16, rows: u16) {
        let slave = self.slave.try_clone().expect("the far side");
        let sizes = ["cols".to_owned(), columns.to_string(), "rows".to_owned(), rows.to_string()];
        let done = Process::new("stty").args(sizes).stdin(Stdio::from(slave)).status();
        assert!(done.expect("stty").success());
        self.parser
            .lock()
            .expect("no test fell over here")
            .screen_mut()
            .set_size(size_of(rows), size_of(columns));
        self.signal("WINCH");
    }

    /// Reads to the end; true where the last word left the alternate screen and showed the cursor.
    pub(crate) fn end(self) -> (ExitStatus, bool, String) {
        let Self { mut child, slave, written, parser, master, .. } = self;
        drop(slave);
        while let Ok(bytes) = written.recv_timeout(PATIENCE) {
            parser.lock().expect("no test fell over here").process(&bytes);
        }
        drop(master);
        let status = child.wait().expect("it ends");
        let parser = parser.lock().expect("no test fell over here");
        let screen = parser.screen();
        let is_quiet = screen.mouse_protocol_mode() == vt100::MouseProtocolMode::None;
        (status, is_quiet && !screen.alternate_screen() && !screen.hide_cursor(), screen.contents())
    }
}
