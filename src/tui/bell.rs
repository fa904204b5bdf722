//! When the bell rings, while an alarm stands that nobody has acknowledged. Time comes with the feed. A recording that is
//! not written is an alarm too.
//!
//! Alarm: one stroke every 4 s. Failing: two every 2 s. What is graver rings at once. Common practice, no source.

use crate::session::Feed;
use crate::snapshot::LinkState;

/// The bell.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Bell {
    /// Rings until each alarm is acknowledged.
    #[default]
    On,
    /// Silent.
    Off,
}

/// Ticks come a little early or late.
const EARLY_S: f64 = 0.1;

/// Seconds from one ring to the next, and strokes of each.
const fn rhythm(state: LinkState) -> (f64, u8) {
    if matches!(state, LinkState::Failing) { (2.0, 2) } else { (4.0, 1) }
}

/// Whether a session that is to be recorded is not.
fn is_unrecorded(feed: &Feed) -> bool {
    feed.recorder.as_ref().is_some_and(|recorder| recorder.error.is_some() || recorder.is_gone)
}

/// Keeps the rhythm.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Ringing {
    /// When it rang last, and for what.
    last: Option<(f64, LinkState)>,
    /// The pilot knows that nothing is recorded.
    is_known: bool,
}

impl Ringing {
    /// A newer picture of a live session: strokes to be rung now.
    pub fn observe(&mut self, feed: &Feed) -> u8 {
        let snapshot = &feed.snapshot;
        let unrecorded = is_unrecorded(feed);
        self.is_known &= unrecorded;
        let of_links = snapshot.lanes.iter().filter_map(|lane| lane.unacknowledged.map(|call| call.state));
        let of_recorder = (unrecorded && !self.is_known).then_some(LinkState::Alarm);
        let calls = || of_links.clone().chain(of_recorder);
        let Some(first) = calls().next() else {
            self.last = None;
            return 0;
        };
        let fails = calls().any(|state| state == LinkState::Failing);
        let state = if fails { LinkState::Failing } else { first };
        let (every_s, strokes) = rhythm(state);
        let is_due = self.last.is_none_or(|(at_s, rang_for)| {
            let is_graver = fails && rang_for != LinkState::Failing;
            is_graver || snapshot.now_s - at_s >= every_s - EARLY_S
        });
        if !is_due {
            return 0;
        }
        self.last = Some((snapshot.now_s, state));
        strokes
    }

    /// The pilot acknowledges that nothing is recorded; false where it is.
    pub fn acknowledge(&mut self, feed: &Feed) -> bool {
        self.is_known = is_unrecorded(feed);
        self.is_known
    }
}
