//! When the bell rings, while an alarm stands that nobody has acknowledged. Time comes with the feed.
//!
//! Alarm: one stroke every 4 s. Failing: two every 2 s. What is graver rings at once. Common practice, no source.

use crate::snapshot::{LinkState, Snapshot};

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

/// Keeps the rhythm.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Ringing {
    /// When it rang last, and for what.
    last: Option<(f64, LinkState)>,
}

impl Ringing {
    /// A newer picture of a live session: strokes to be rung now.
    pub fn observe(&mut self, snapshot: &Snapshot) -> u8 {
        let calls = || snapshot.lanes.iter().filter_map(|lane| lane.unacknowledged);
        let Some(first) = calls().next() else {
            self.last = None;
            return 0;
        };
        let fails = calls().any(|call| call.state == LinkState::Failing);
        let state = if fails { LinkState::Failing } else { first.state };
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
}
