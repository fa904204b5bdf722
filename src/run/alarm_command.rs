//! `live --on-alarm COMMAND`: runs the builder's own program, a buzzer or a light, as a link's alarm begins, changes or
//! ends.
//!
//! By the shell, one at a time, with its output discarded. What changes while it runs is told when it is done, by how
//! things stand then. It is ended on leaving.

use std::collections::BTreeMap;
use std::os::unix::process::CommandExt;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::Duration;

use nix::sys::signal::{Signal, killpg};
use nix::unistd::Pid;

use crate::session::Watcher;
use crate::snapshot::{Lane, Snapshot};
use crate::wording::advice;

/// Between two looks.
const LOOK_EVERY: Duration = Duration::from_millis(50);
/// One that runs for longer hangs, seconds.
const HANGS_S: f64 = 10.0;
/// Looks that it has to end by itself on leaving.
const LAST_LOOKS: u32 = 10;

/// The words that stand for no state of a link.
const ACKNOWLEDGED: &str = "acknowledged";
const QUIET: &str = "quiet";

/// The thread that watches and runs; dropped, it ends what runs.
#[derive(Debug)]
pub(super) struct AlarmCommand {
    stop: Option<Sender<()>>,
    thread: Option<JoinHandle<()>>,
}

impl AlarmCommand {
    /// Watches from now on.
    pub(super) fn start(command: String, watcher: Watcher) -> std::io::Result<Self> {
        let (stop, stopped) = channel();
        let thread = std::thread::Builder::new()
            .name("on-alarm".to_owned())
            .spawn(move || Runner::new(command, watcher).run(&stopped))?;
        Ok(Self { stop: Some(stop), thread: Some(thread) })
    }
}

impl Drop for AlarmCommand {
    fn drop(&mut self) {
        drop(self.stop.take());
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

/// What is told of a link.
#[derive(Clone, Debug, PartialEq)]
struct Change {
    link: String,
    state: &'static str,
    /// Seconds left to its limit, where they are known.
    seconds: String,
    text: String,
}

/// What was told of each link last.
#[derive(Debug, Default)]
struct Told(BTreeMap<String, &'static str>);

impl Told {
    /// The gravest change that is to be told now.
    fn change(&mut self, snapshot: &Snapshot) -> Option<Change> {
        let is_quiet = snapshot.phase.is_some_and(|phase| !phase.is_trip());
        let mut gravest: Option<(&Lane, &'static str)> = None;
        for lane in &snapshot.lanes {
            let state = word(lane, is_quiet);
            let before = self.0.get(&lane.link).copied();
            if before == Some(state) {
                continue;
            }
            if !calls(state) && !before.is_some_and(|before| calls(before) || before == ACKNOWLEDGED) {
                self.0.insert(lane.link.clone(), state);
            } else if gravest.is_none_or(|(_, other)| gravity(state) > gravity(other)) {
                gravest = Some((lane, state));
            }
        }
        let (lane, state) = gravest?;
        self.0.insert(lane.link.clone(), state);
        let verdict = snapshot.verdicts.iter().find(|verdict| verdict.about == lane.link);
        Some(Change {
            link: lane.link.clone(),
            state,
            seconds: lane.seconds_left.map(|left_s| format!("{left_s:.0}")).unwrap_or_default(),
            text: verdict.map(advice::text).unwrap_or_default(),
        })
    }
}

fn word(lane: &Lane, is_quiet: bool) -> &'static str {
    match lane.state.rings() {
        true if is_quiet => QUIET,
        true if lane.acknowledged => ACKNOWLEDGED,
        _ => lane.state.word(),
    }
}

fn gravity(state: &str) -> u8 {
    match state {
        "failing" => 2,
        "alarm" => 1,
        _ => 0,
    }
}

fn calls(state: &str) -> bool {
    gravity(state) > 0
}

struct Runner {
    command: String,
    watcher: Watcher,
    told: Told,
    /// What runs, and since when.
    running: Option<(Child, f64)>,
    /// What was said already: that it hangs, that it does not start.
    said: [bool; 2],
}

impl Runner {
    fn new(command: String, watcher: Watcher) -> Self {
        Self { command, watcher, told: Told::default(), running: None, said: [false; 2] }
    }

    fn run(mut self, stopped: &Receiver<()>) {
        while stopped.recv_timeout(LOOK_EVERY) == Err(RecvTimeoutError::Timeout) {
            self.look();
        }
        self.end();
    }

    fn look(&mut self) {
        let Some(feed) = self.watcher.feed() else { return };
        let now_s = feed.snapshot.now_s;
        if let Some((child, since_s)) = &mut self.running {
            match child.try_wait() {
                Ok(None) => {
                    if now_s - *since_s >= HANGS_S {
                        let ran = format!("--on-alarm: its command runs for over {HANGS_S:.0} s");
                        self.say(0, &format!("{ran}; what comes meanwhile is told after it"));
                    }
                    return;
                }
                Ok(Some(status)) => self.look_at_end(status),
                Err(_) => {}
            }
            self.running = None;
        }
        if feed.ended {
            return;
        }
        if let Some(change) = self.told.change(&feed.snapshot) {
            match self.start(&change) {
                Ok(child) => self.running = Some((child, now_s)),
                Err(error) => self.say(1, &format!("--on-alarm: the shell did not start: {error}")),
            }
        }
    }

    /// A shell says by 126 and 127 that what it was given cannot be run, or is not there (POSIX, 2.8.2).
    fn look_at_end(&mut self, status: ExitStatus) {
        if let Some(code @ (126 | 127)) = status.code() {
            let why = if code == 126 { "it cannot be run" } else { "it was not found" };
            self.say(1, &format!("--on-alarm: its command did not start: {why}"));
        }
    }

    fn say(&mut self, which: usize, text: &str) {
        if !std::mem::replace(&mut self.said[which], true) {
            self.watcher.say(text.to_owned());
        }
    }

    fn start(&self, change: &Change) -> std::io::Result<Child> {
        Command::new("sh")
            .arg("-c")
            .arg(&self.command)
            .env("FADEWATCH_LINK", &change.link)
            .env("FADEWATCH_STATE", change.state)
            .env("FADEWATCH_SECONDS", &change.seconds)
            .env("FADEWATCH_TEXT", &change.text)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            // A group of its own, so that what the shell started ends with it.
            .process_group(0)
            .spawn()
    }

    /// Ends what still runs: asks first, so that a buzzer can be left silent.
    fn end(mut self) {
        let Some((mut child, _)) = self.running.take() else { return };
        let Ok(group) = i32::try_from(child.id()) else { return };
        let _ = killpg(Pid::from_raw(group), Signal::SIGTERM);
        for _ in 0..LAST_LOOKS {
            if !matches!(child.try_wait(), Ok(None)) {
                break;
            }
            std::thread::sleep(LOOK_EVERY);
        }
        let _ = killpg(Pid::from_raw(group), Signal::SIGKILL);
        let _ = child.wait();
    }
}

#[cfg(test)]
#[path = "alarm_command/tests.rs"]
mod tests;
