//! A replay: the same core, paced by the clock over a recording.
//!
//! The clock says only how far to play; every figure comes from the records up to
//! there. A second thread goes through the recording once and keeps saved states, so
//! that a seek is quick wherever it goes. Nothing is written into the recording.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, sync_channel};
use std::time::Duration;

use anyhow::bail;

use super::picture_pace::{DeathNotice, Publisher, Status};
use super::player::Player;
use super::{Command, FeedSlot, Mode, SessionEnd, SessionHandle};
use crate::capture::Recording;
use crate::clock::SessionClock;
use crate::profile::Profile;
use crate::summary::Earlier;
use crate::units::Nanos;

/// Between two looks at the clock while it plays.
const LOOK: Duration = Duration::from_millis(25);
/// Records handled between two looks at the commands.
const SLICE: usize = 20_000;
const COMMANDS: usize = 64;
/// A seek that takes longer shows where it is on the way.
const QUICK_SEEK: Nanos = Nanos::from_millis(200);
/// Recorded seconds a second.
const SPEEDS: std::ops::RangeInclusive<f64> = 0.25..=64.0;

/// What a replay shall do.
#[derive(Clone, Debug)]
pub struct ReplayConfig {
    /// The recording.
    pub recording: Arc<Recording>,
    /// The profile.
    pub profile: Arc<Profile>,
    /// What earlier sessions showed.
    pub earlier: Earlier,
    /// Where to start, seconds from the first record; infinite: at the end.
    pub start_at: f64,
    /// Recorded seconds a second, 0.25 to 64.
    pub speed: f64,
    /// Start with the clock standing.
    pub paused: bool,
}

/// Starts a replay.
pub fn start(config: ReplayConfig) -> anyhow::Result<SessionHandle> {
    if !SPEEDS.contains(&config.speed) {
        bail!("a replay's speed is 0.25 to 64, not {}", config.speed);
    }
    if config.start_at.is_nan() || config.start_at < 0.0 {
        bail!("a replay starts at 0 s or later, not at {} s", config.start_at);
    }
    let player = Player::new(config.recording, config.profile, config.earlier);
    let stop = Arc::new(AtomicBool::new(false));
    let explorer = explore(player.clone(), Arc::clone(&stop))?;
    let (commands, asked) = sync_channel(COMMANDS);
    let feed = FeedSlot::default();
    let slot = feed.clone();
    let clock = SessionClock::start();
    let thread = std::thread::Builder::new().name("replay".to_owned()).spawn(move || {
        let _notice = DeathNotice(slot.clone());
        let mut replay = Replay {
            player,
            publisher: Publisher::new(slot, clock),
            clock,
            speed: config.speed,
            paused: config.paused,
            wanted_s: config.start_at,
            resumed: clock.now(),
            behind: true,
            seeking_since: Some(clock.now()),
            rests: false,
            known_s: -1.0,
        };
        let end = replay.run(&asked);
        stop.store(true, Ordering::Relaxed);
        let _ = explorer.join();
        Ok(end)
    })?;
    Ok(SessionHandle::new(commands, feed, thread))
}

/// Goes through the recording once, on a thread of its own, for its length and the saved states.
fn explore(mut player: Player, stop: Arc<AtomicBool>) -> std::io::Result<std::thread::JoinHandle<()>> {
    std::thread::Builder::new()
        .name("replay-index".to_owned())
        .spawn(move || while !stop.load(Ordering::Relaxed) && !player.advance(Nanos::MAX, SLICE) {})
}

struct Replay {
    player: Player,
    publisher: Publisher,
    clock: SessionClock,
    speed: f64,
    paused: bool,
    /// Where the clock stood when it was last set going; beyond the end: at the end.
    wanted_s: f64,
    resumed: Nanos,
    /// The player has yet to reach the instant that is wanted.
    behind: bool,
    /// A seek is under way.
    seeking_since: Option<Nanos>,
    /// It stands, and shows figures of where it stands.
    rests: bool,
    /// Length of the recording as last published.
    known_s: f64,
}

impl Replay {
    fn run(&mut self, asked: &Receiver<Command>) -> SessionEnd {
        self.player.jump(self.wanted_s);
        loop {
            let wait = if self.behind { Duration::ZERO } else { LOOK };
            match asked.recv_timeout(wait) {
                Ok(Command::Quit) | Err(RecvTimeoutError::Disconnected) => break,
                Ok(command) => {
                    self.obey(&command);
                    continue;
                }
                Err(RecvTimeoutError::Timeout) => {}
            }
            self.play();
            self.publish();
        }
        self.end()
    }

    /// The instant that the clock points at.
    fn target_s(&self) -> f64 {
        if self.paused {
            return self.wanted_s;
        }
        self.wanted_s + (self.clock.now() - self.resumed).secs() * self.speed
    }

    fn play(&mut self) {
        let before = (self.player.position_s(), self.player.at_end());
        let target = self.target_s();
        self.behind = !self.player.advance(Nanos::from_secs_f64(target), SLICE);
        if (self.player.position_s(), self.player.at_end()) != before {
            self.publisher.records_came();
        }
        if self.player.at_end() && !self.paused {
            self.wanted_s = self.player.position_s();
            self.resumed = self.clock.now();
        }
        let rests = !self.behind && (self.paused || self.player.at_end());
        let arrived = !self.behind && self.seeking_since.take().is_some();
        if arrived || (rests && !self.rests) {
            self.publisher.refresh();
        }
        self.rests = rests;
    }

    fn obey(&mut self, command: &Command) {
        match *command {
            Command::View(view) => self.publisher.show(view),
            Command::Pause(paused) => {
                self.hold();
                self.paused = paused;
            }
            Command::Speed(speed) => {
                self.hold();
                let speed = if speed.is_nan() { 1.0 } else { speed };
                self.speed = speed.clamp(*SPEEDS.start(), *SPEEDS.end());
            }
            Command::Seek(to_s) if to_s.is_nan() => {}
            Command::Seek(to_s) => self.go(to_s.max(0.0)),
            Command::SeekEnd => self.go(f64::INFINITY),
            Command::Mark { .. } => {
                self.publisher.say("a replay takes no marks: its recording stays as it is".to_owned());
            }
            Command::Acknowledge => {
                self.publisher.say("a replay acknowledges nothing: its recording stays as it is".to_owned());
            }
            Command::Notice(ref text) => self.publisher.say(text.clone()),
            Command::Transmit(_) => self.publisher.say("a replay sends nothing".to_owned()),
            Command::Quit => {}
        }
    }

    /// Lets the clock go on from where it is.
    fn hold(&mut self) {
        self.wanted_s = self.target_s();
        self.resumed = self.clock.now();
        self.publisher.touch();
    }

    fn go(&mut self, to_s: f64) {
        self.wanted_s = to_s;
        self.resumed = self.clock.now();
        self.player.jump(to_s);
        self.publisher.records_came();
        self.behind = true;
        self.seeking_since = Some(self.resumed);
    }

    fn publish(&mut self) {
        if self.seeking_since.is_some_and(|since| self.clock.now() - since < QUICK_SEEK) {
            return;
        }
        let farthest_s = self.player.farthest_s();
        if farthest_s > self.known_s {
            self.known_s = farthest_s;
            self.publisher.touch();
        }
        let status = self.status();
        self.publisher.offer(self.player.monitor(), || status);
    }

    fn status(&self) -> Status {
        Status {
            facts: self.player.facts(),
            mode: Mode::Replay {
                speed: self.speed,
                paused: self.paused,
                duration_s: self.known_s.max(0.0),
                at_end: self.player.at_end(),
            },
            recorder: None,
        }
    }

    fn end(&mut self) -> SessionEnd {
        let summary = self.player.summary();
        self.publisher.end(self.player.monitor(), self.status(), summary.clone());
        SessionEnd {
            summary,
            recordings: Vec::new(),
            missing: None,
            evidence: self.player.monitor().session_evidence(),
            heard: None,
        }
    }
}
