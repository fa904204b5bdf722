//! The screens in a real pseudo-terminal: keys, resizing, leaving in good order, a panic.
//!
//! The program under test is this test binary itself: it starts itself again with
//! `FADEWATCH_TEST_CHILD` set, on the far side of a pseudo-terminal, and there shows
//! an invented session. What it writes goes through a terminal emulator.

mod pseudo_terminal;
mod support;

use std::io::Read;
use std::os::fd::AsFd;
use std::process::{Command as Process, Stdio};
use std::sync::Arc;
use std::sync::mpsc::sync_channel;
use std::time::Duration;

use fadewatch::monitor::SessionEvidence;
use fadewatch::session::{Command, FeedSlot, SessionEnd, SessionHandle};
use fadewatch::snapshot::{LinkState, Unacknowledged};
use fadewatch::summary::Summary;
use fadewatch::tui;
use fadewatch::tui::Options;
use nix::pty::{Winsize, openpty};
use pseudo_terminal::Screen;
use support::Data;

/// How long a test waits for output before it gives up; it never waits so long where all is well.
const PATIENCE: Duration = Duration::from_secs(20);
const CHILD: &str = "FADEWATCH_TEST_CHILD";

/// What the child does: shows the screens on a session that answers each note, and
/// falls over where one says `panic`.
#[test]
fn child() {
    let Ok(what) = std::env::var(CHILD) else { return };
    let (commands, asked) = sync_channel(64);
    let slot = FeedSlot::default();
    let feeds = slot.clone();
    let data = if what == "replay" { Data::Lossy } else { Data::Full };
    let calls = what == "calling";
    let mouse = what != "no mouse";
    let session = std::thread::spawn(move || {
        let mut feed = support::feed(data, 102);
        if calls {
            let mut snapshot = support::snapshot(data, 102);
            snapshot.lanes[0].unacknowledged = Some(Unacknowledged { state: LinkState::Failing, ago_s: 2.0 });
            feed.snapshot = Arc::new(snapshot);
        }
        feeds.publish(feed.clone());
        while let Ok(command) = asked.recv() {
            match command {
                Command::Quit => break,
                Command::Mark { text, .. } if text == "panic" => panic!("the invented session fell over"),
                Command::Mark { text, .. } => feed.message = Some(format!("got {text}")),
                Command::Acknowledge => feed.message = Some("got it acknowledged".to_owned()),
                Command::View(_) if calls => {}
                Command::View(request) => feed.snapshot = Arc::new(support::snapshot(data, request.columns)),
                _ => {}
            }
            feed.revision += 1;
            feeds.publish(feed.clone());
        }
        Ok(SessionEnd {
            missing: None,
            summary: Summary::default(),
            recordings: Vec::new(),
            evidence: SessionEvidence::default(),
            heard: None,
        })
    });
    let handle = SessionHandle::new(commands, slot, session);
    tui::run(&handle, Options { mouse, ..Options::default() }, &|| false).expect("the screens run");
    #[expect(clippy::print_stdout, reason = "the parent reads it behind the pseudo-terminal")]
    {
        println!("left in good order");
    }
    let _ = handle.finish();
}

/// The child of this test binary that shows this.
fn start(what: &str, columns: u16, rows: u16) -> Screen {
    let mut child = Process::new(std::env::current_exe().expect("this binary"));
    child.args(["--exact", "child", "--nocapture", "--test-threads=1"]).env(CHILD, what);
    Screen::of(&mut child, columns, rows)
}

#[test]
fn keys_change_pages_and_notes_reach_the_session() {
    let mut screen = start("live", 128, 37);
    screen.shows("downlink");
    screen.press("7");
    screen.shows("newest first");
    screen.press("mtwo trees\r");
    screen.shows("got two trees");
    screen.press("?");
    screen.shows("marks and warnings");
    screen.press("\u{1b}");
    screen.until("the page under the help", |screen| !screen.text().contains("marks and warnings"));
    screen.press("qy");
    let (status, restored, text) = screen.end();
    assert!(status.success() && restored && text.contains("left in good order"), "{text}");
}

#[test]
fn it_is_used_by_taps_drags_and_the_wheel() {
    let mut screen = start("live", 128, 37);
    screen.shows("downlink");
    assert_eq!(screen.reports(), vt100::MouseProtocolMode::ButtonMotion);
    screen.tap_on("events");
    screen.shows("newest first");
    screen.tap_on("overview");
    screen.shows("plots 2 min");
    screen.tap((3, 1));
    screen.shows("got it acknowledged");
    // A plot drawn to the right shows what was before; two turns of the wheel to the newest shows that again.
    let (x, y) = (60, 8);
    screen.report(0, (x, y), 'M');
    screen.report(32, (x + 20, y), 'M');
    screen.report(0, (x + 20, y), 'm');
    let ends_now = |screen: &Screen| screen.text().contains("now  1/1");
    screen.until("another end of the axis", |screen| !ends_now(screen));
    screen.report(65, (x, y), 'M');
    screen.report(65, (x, y), 'M');
    screen.until("the newest again", ends_now);
    screen.tap((3, y));
    screen.shows("longest interval between frames");
    screen.tap_on("help");
    screen.shows("marks and warnings");
    screen.tap((1, 1));
    screen.until("the page under the help", |screen| !screen.text().contains("marks and warnings"));
    screen.tap_on("q quit");
    screen.shows("End the session");
    screen.tap_on("end it");
    let (status, restored, text) = screen.end();
    assert!(status.success() && restored && text.contains("left in good order"), "{text}");
}

#[test]
fn without_the_mouse_the_terminal_keeps_its_own_selection() {
    let mut screen = start("no mouse", 80, 24);
    screen.shows("freeze limit");
    assert_eq!(screen.reports(), vt100::MouseProtocolMode::None);
    screen.press("qy");
    assert!(screen.end().1);
}

/// What fails rings twice, in two strokes that a terminal can tell apart.
#[test]
fn what_fails_rings_twice() {
    let mut screen = start("calling", 128, 37);
    screen.shows("unacknowledged: video failing 2 s ago");
    screen.until("two strokes", |screen| screen.strokes == 2);
    screen.press("a");
    screen.shows("got it acknowledged");
    assert_eq!(screen.strokes, 2, "time stands still there, and so does the bell");
    screen.press("qy");
    assert!(screen.end().1);
}

/// By hand: the mean of 100, 110 and 90 ms.
#[test]
fn the_stopwatch_runs_and_takes_what_the_photographs_show() {
    let mut program = Process::new(env!("CARGO_BIN_EXE_fadewatch"));
    program.args(["stopwatch", "--ascii"]).env("FADEWATCH_PROFILE", "none");
    let mut screen = Screen::of(&mut program, 80, 24);
    screen.shows("Hold a phone");
    let digits = |screen: &Screen| screen.text().lines().take(12).collect::<String>();
    let first = digits(&screen);
    screen.until("the time to run on", |screen| digits(screen) != first);
    screen.press("1.5\r1.4\r2.5\r2.39\r3.5\r3.41\r");
    screen.shows("glass to glass 100 ms");
    screen.press("q");
    let (status, restored, text) = screen.end();
    assert!(status.success() && restored, "{text}");
    assert!(text.contains("glass_to_glass_ms = 100.0"), "{text}");
}

#[test]
fn quitting_a_live_session_asks_first() {
    let mut screen = start("live", 80, 24);
    screen.shows("freeze limit");
    screen.press("q");
    screen.shows("End the session");
    screen.press("y");
    let (status, restored, text) = screen.end();
    assert!(status.success() && restored && text.contains("left in good order"), "{text}");
}

#[test]
fn another_size_is_drawn_at_once() {
    let mut screen = start("replay", 80, 24);
    screen.shows("latency ");
    assert!(!screen.text().contains("claimed"), "80 columns have no right part");
    screen.resize(140, 40);
    screen.shows("claimed");
    screen.press("q");
    let (status, restored, text) = screen.end();
    assert!(status.success() && restored, "{text}");
}

#[test]
fn a_signal_to_end_restores_the_terminal() {
    let mut screen = start("live", 80, 24);
    screen.shows("freeze limit");
    screen.signal("TERM");
    let (status, restored, text) = screen.end();
    assert!(status.success() && restored && text.contains("left in good order"), "{text}");
}

#[test]
fn what_another_thread_says_in_a_panic_is_shown_after_the_screens() {
    let mut screen = start("live", 128, 37);
    screen.shows("downlink");
    screen.press("mpanic\r");
    screen.press("2");
    screen.shows("age of the stick position");
    assert!(!screen.text().contains("fell over"), "the screens stay whole");
    screen.press("qy");
    let (_, restored, text) = screen.end();
    assert!(restored && text.contains("fell over"), "{text}");
}

/// A terminal that is hung up (the window closed, the ssh session gone) must not leave a process
/// behind that spins on it: `timeout` would end such a one with status 124.
#[test]
fn a_terminal_that_is_gone_ends_the_program() {
    let size = Winsize { ws_row: 24, ws_col: 80, ws_xpixel: 0, ws_ypixel: 0 };
    let pty = openpty(&size, None).expect("a pseudo-terminal");
    let end = || Stdio::from(pty.slave.try_clone().expect("its far side"));
    // The child must not hold the near side open itself.
    let close = nix::fcntl::FcntlArg::F_SETFD(nix::fcntl::FdFlag::FD_CLOEXEC);
    nix::fcntl::fcntl(pty.master.as_fd(), close).expect("a flag");
    let mut child = Process::new("timeout")
        .arg("--foreground")
        .arg(PATIENCE.as_secs().to_string())
        .arg(std::env::current_exe().expect("this binary"))
        .args(["--exact", "child", "--nocapture", "--test-threads=1"])
        .env(CHILD, "replay")
        .env("TERM", "xterm-256color")
        .stdin(end())
        .stdout(end())
        .stderr(Stdio::null())
        .spawn()
        .expect("the child starts");
    drop(pty.slave);
    let mut master = std::fs::File::from(pty.master);
    let mut seen = Vec::new();
    let mut chunk = [0; 8_192];
    while !String::from_utf8_lossy(&seen).contains("freeze limit") {
        let count = master.read(&mut chunk).expect("the screens are drawn");
        seen.extend_from_slice(&chunk[..count]);
    }
    drop(master);
    let status = child.wait().expect("it ends");
    assert_ne!(status.code(), Some(124), "it was still there after {PATIENCE:?}");
}

/// A terminal whose output is stopped (by a key, or by a reader that hangs) holds up neither signals nor the end: the
/// program leaves it as it is.
#[test]
fn a_terminal_that_takes_nothing_holds_up_no_signal() {
    let size = Winsize { ws_row: 24, ws_col: 80, ws_xpixel: 0, ws_ypixel: 0 };
    let pty = openpty(&size, None).expect("a pseudo-terminal");
    let end = || Stdio::from(pty.slave.try_clone().expect("its far side"));
    let mut child = Process::new("timeout")
        .arg("--foreground")
        .arg(PATIENCE.as_secs().to_string())
        .arg(env!("CARGO_BIN_EXE_fadewatch"))
        .arg("demo")
        .env("FADEWATCH_PROFILE", "none")
        .env("TERM", "xterm-256color")
        .stdin(end())
        .stdout(end())
        .stderr(end())
        .spawn()
        .expect("the program starts");
    let mut master = std::fs::File::from(pty.master);
    let (mut seen, mut chunk) = (Vec::new(), [0; 8_192]);
    while !String::from_utf8_lossy(&seen).contains("overview") {
        let count = master.read(&mut chunk).expect("the screens are drawn");
        seen.extend_from_slice(&chunk[..count]);
    }
    nix::sys::termios::tcflow(&pty.slave, nix::sys::termios::FlowArg::TCOOFF).expect("its output stops");
    let told = Process::new("sh").args(["-c", &format!("kill -TERM {}", child.id())]).status();
    assert!(told.expect("a shell").success());
    // `timeout` hands the signal on, and would end a program that does not come back with status 124.
    let status = child.wait().expect("it ends");
    assert_eq!(status.code(), Some(0));
}
