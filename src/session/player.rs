//! A recording played to any instant: no clock and no threads.
//!
//! The state at an instant is that after every record up to it, however it was
//! reached. Copies of the core ([`Checkpoints`]) are kept on the way; a seek goes on from the nearest one before.

mod checkpoints;

use std::sync::Arc;

use crate::capture::{Cursor, Recording};
use crate::monitor::{LinkMonitor, RecordingFacts};
use crate::profile::Profile;
use crate::record::{Entry, OwnedRecord};
use crate::summary::Earlier;
use crate::summary::Summary;
use crate::units::Nanos;

use checkpoints::{Checkpoints, FIRST_SPACING};

/// Everything that a replay needs to go on from an instant.
#[derive(Clone, Debug)]
struct State {
    cursor: Cursor,
    monitor: LinkMonitor,
    /// Read already, but later than the instant that was asked for.
    pending: Option<OwnedRecord>,
    /// There is nothing after it.
    ended: bool,
}

impl State {
    /// About how many bytes it holds that neither later ones share nor the one before it.
    fn own_bytes(&self, before: Option<&Self>) -> usize {
        self.monitor.own_bytes(before.map(|before| &before.monitor))
    }

    /// Since the first record.
    fn elapsed(&self) -> Nanos {
        self.monitor.elapsed().unwrap_or_default()
    }
}

/// Plays a recording.
#[derive(Clone, Debug)]
pub struct Player {
    recording: Arc<Recording>,
    first: Box<State>,
    state: Box<State>,
    checkpoints: Checkpoints,
    /// When this player looks at the checkpoints again.
    checkpoint_due: Nanos,
}

impl Player {
    /// Before the first record.
    #[must_use]
    pub fn new(recording: Arc<Recording>, profile: Arc<Profile>, earlier: Earlier) -> Self {
        let state = Box::new(State {
            cursor: recording.cursor(),
            monitor: LinkMonitor::with_earlier(profile, earlier).of_recording(),
            pending: None,
            ended: false,
        });
        let first = state.clone();
        Self { recording, first, state, checkpoints: Checkpoints::default(), checkpoint_due: FIRST_SPACING }
    }

    /// Goes to the nearest saved state before an instant, seconds from the first record, unless this one is nearer.
    pub fn jump(&mut self, t_s: f64) {
        let to = Nanos::from_secs_f64(t_s.max(0.0));
        let here = self.state.monitor.elapsed().filter(|here| *here <= to);
        if let Some(state) = self.checkpoints.before(to, here) {
            *self.state = state;
        } else if here.is_none() {
            self.state = self.first.clone();
        }
        self.checkpoint_due = self.checkpoints.next_due();
    }

    /// Handles at most so many records up to an instant; true once it is reached.
    pub fn advance(&mut self, to: Nanos, most: usize) -> bool {
        let mut room = most;
        if let Some(pending) = self.state.pending.take() {
            if self.state.monitor.due(&pending.as_record()) > to {
                self.state.pending = Some(pending);
                return true;
            }
            self.state.monitor.handle(&Entry::Record(pending.as_record()));
        }
        loop {
            if self.state.elapsed() >= self.checkpoint_due {
                self.checkpoints.keep(&self.state);
                self.checkpoint_due = self.checkpoints.next_due();
            }
            if room == 0 {
                return false;
            }
            room -= 1;
            let state = &mut *self.state;
            match self.recording.next(&mut state.cursor) {
                None => {
                    state.ended = true;
                    self.checkpoints.keep(&self.state);
                    return true;
                }
                Some(Entry::Record(record)) => {
                    if state.monitor.due(&record) > to {
                        state.pending = Some(OwnedRecord::from(&record));
                        return true;
                    }
                    state.monitor.handle(&Entry::Record(record));
                }
                Some(other) => state.monitor.handle(&other),
            }
        }
    }

    /// Seconds from the first record to the last that was handled.
    #[must_use]
    pub fn position_s(&self) -> f64 {
        self.state.elapsed().secs()
    }

    /// The last record has been handled.
    #[must_use]
    pub fn at_end(&self) -> bool {
        self.state.ended
    }

    /// What is known of the recording here.
    #[must_use]
    pub fn facts(&self) -> RecordingFacts {
        self.recording.facts(&self.state.cursor)
    }

    /// All figures here.
    #[must_use]
    pub fn summary(&self) -> Summary {
        self.state.monitor.summary(&self.facts())
    }

    /// The core.
    #[must_use]
    pub const fn monitor(&self) -> &LinkMonitor {
        &self.state.monitor
    }

    /// How far the recording is known to reach, by this player or a copy of it, in seconds.
    pub(crate) fn farthest_s(&self) -> f64 {
        self.checkpoints.farthest_s().max(self.position_s())
    }
}

#[cfg(test)]
mod tests {
    use crate::capture::PcapngWriter;
    use crate::record::{Direction, InterfaceId, InterfaceInfo, InterfaceKind, Note, OwnedBody, SessionInfo};
    use crate::session::player::*;

    #[test]
    fn saved_states_stay_within_their_bound_over_an_hour() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("hour.pcapng");
        let mut writer = PcapngWriter::new(std::fs::File::create(&path).unwrap());
        let info = InterfaceInfo { name: "marks".to_owned(), kind: InterfaceKind::Marks, description: None };
        writer.write(&Entry::Session(SessionInfo::default())).unwrap();
        writer.write(&Entry::Interface(InterfaceId(0), info)).unwrap();
        for second in 0..=3600 {
            let record = OwnedRecord {
                at: Nanos::from_secs(1_900_000_000 + second),
                interface: InterfaceId(0),
                direction: Direction::Inbound,
                body: OwnedBody::Note(Note::Tick),
            };
            writer.write(&Entry::Record(record.as_record())).unwrap();
        }
        writer.flush().unwrap();
        let recording = Arc::new(Recording::open(&path).unwrap());
        let mut player = Player::new(recording, Arc::default(), Earlier::default());
        assert!(player.advance(Nanos::MAX, usize::MAX));
        let (count, bytes) = player.checkpoints.held();
        assert!((32..=128).contains(&count), "{count} saved states");
        assert!((8 << 20..=32 << 20).contains(&bytes), "{bytes} bytes");
        player.jump(1800.5);
        assert!(player.advance(Nanos::from_secs_f64(1800.5), usize::MAX));
        assert_eq!(player.position_s(), 1800.0);
        assert_eq!(player.summary().recording.records, 1801);
    }
}
