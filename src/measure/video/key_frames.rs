//! Key frames, recovery points, and delivered frames that depend on lost ones.
//!
//! Definition: a key frame is a frame (RTP timestamp) of which a packet with part of a key picture
//! came (`wire/rtp/payload.rs`). Spacing: the sender's clock from one to the next that was seen, in
//! seconds; a key frame lost whole shows as a longer one. Broken: delivered frames after a frame
//! that was not delivered, up to the next delivered key frame, or to as many delivered frames after a recovery point as it
//! says: every frame is taken to depend on the ones before it, so it is an upper bound where an encoder leaves frames
//! unreferenced. Before the first of either nothing is known and none is counted. An encoder may refresh the picture bit
//! by bit and never say so: where packets came and for long neither was among them, broken frames cannot be told. Read
//! in the order of the sequence numbers, once a number can no longer come late; duplicates never reach it, a restart
//! waits for a key frame anew. Bounded: the newest 4,096 spacings, the longest of all.

use std::collections::VecDeque;

use crate::wire::rtp::VIDEO_CLOCK_HZ;
use crate::wire::rtp::payload::Content;

use super::rtp_arrival::KeptPacket;

const MOST_SPACINGS: usize = 4096;
/// A picture that is refreshed by key frames is refreshed within this time, and within so many of their spacings.
const LONGEST_UNSEEN_S: f64 = 10.0;
const MOST_UNSEEN: f64 = 3.0;

/// One frame as far as its packets came.
#[derive(Clone, Copy, Debug, Default)]
struct Present {
    /// A packet of it is missing.
    missing: bool,
    /// All that they hold.
    key: bool,
    reference: bool,
    recovery: Option<u16>,
}

/// One stream read as one codec.
#[derive(Clone, Debug, Default)]
pub(super) struct KeyFrames {
    /// Distinct key frames of which something came.
    pub(super) count: u64,
    /// Recovery points that came.
    pub(super) recovery_points: u64,
    broken: u64,
    last: Option<u32>,
    spacings: VecDeque<u32>,
    longest: Option<u32>,
    /// A frame since the picture was whole was not delivered; `None` before the first time.
    damaged: Option<bool>,
    /// A frame was not delivered.
    ever_missing: bool,
    /// Frames that others refer to until the picture is whole again.
    refresh: Option<u16>,
    present: Present,
    /// The last frame with a key picture or recovery point; numbers that came since, and that did not.
    seen: Option<u32>,
    since: (u64, u64),
    /// The longest time since one of them at which a frame was called broken.
    unseen: u32,
}

impl KeyFrames {
    /// The packet under the next number of the sequence, read as this codec.
    pub(super) fn push(&mut self, packet: KeptPacket, content: Content) {
        self.since.0 += 1;
        if content.key {
            self.see_key(packet.timestamp);
        }
        if content.recovery.is_some() {
            self.recovery_points += 1;
        }
        if content.key || content.recovery.is_some() {
            (self.seen, self.since) = (Some(packet.timestamp), (0, 0));
        }
        self.present.key |= content.key;
        self.present.reference |= content.reference;
        self.present.recovery = self.present.recovery.or(content.recovery);
        if packet.marker {
            self.end_frame(packet.timestamp);
        }
    }

    fn see_key(&mut self, timestamp: u32) {
        if self.last == Some(timestamp) {
            return;
        }
        self.count += 1;
        let ticks = self.last.map(|last| timestamp.wrapping_sub(last));
        if let Some(ticks) = ticks.filter(|ticks| *ticks < u32::MAX / 2) {
            self.longest = self.longest.max(Some(ticks));
            self.spacings.push_back(ticks);
            if self.spacings.len() > MOST_SPACINGS {
                self.spacings.pop_front();
            }
        }
        self.last = Some(timestamp);
    }

    fn end_frame(&mut self, timestamp: u32) {
        let present = std::mem::take(&mut self.present);
        if present.missing {
            self.ever_missing = true;
            self.refresh = None;
            self.damaged = self.damaged.map(|_| true);
            return;
        }
        if present.reference {
            self.refresh = self.refresh.map(|frames| frames.saturating_sub(1));
        }
        self.refresh = self.refresh.into_iter().chain(present.recovery).min();
        if present.key || self.refresh == Some(0) {
            self.refresh = None;
            self.damaged = Some(false);
        } else if self.damaged == Some(true) {
            self.broken += 1;
            let since = self.seen.map_or(0, |seen| timestamp.wrapping_sub(seen));
            // Where more was lost than came, one may have been among it.
            if self.since.0 >= self.since.1 && since < u32::MAX / 2 {
                self.unseen = self.unseen.max(since);
            }
        }
    }

    /// Numbers that never came.
    pub(super) const fn lose(&mut self, count: u64) {
        self.present.missing = true;
        self.since.1 += count;
    }

    /// The sender began anew.
    pub(super) fn restart(&mut self) {
        *self = Self {
            damaged: None,
            refresh: None,
            last: None,
            seen: None,
            since: (0, 0),
            present: Present::default(),
            ..std::mem::take(self)
        };
    }

    /// Delivered frames that depend on lost ones; `None` where it cannot be told what depends on what.
    pub(super) fn broken(&self) -> Option<u64> {
        let usual = self.spacing_s().map_or(0.0, |(median, _)| MOST_UNSEEN * median);
        let is_told = f64::from(self.unseen) / VIDEO_CLOCK_HZ <= usual.max(LONGEST_UNSEEN_S);
        let is_refreshed = self.count > 0 || self.recovery_points > 0;
        (is_told && (is_refreshed || !self.ever_missing)).then_some(self.broken)
    }

    /// The same of a picture that was seen to be refreshed again and again: after its first key frame an encoder may
    /// refresh it bit by bit.
    pub(super) fn broken_between_refreshes(&self) -> Option<u64> {
        self.broken().filter(|_| !self.spacings.is_empty() || self.recovery_points > 1)
    }

    /// Whether the picture waits for a key frame or recovery point; `None` before the first, and where it cannot be told.
    pub(super) fn is_damaged(&self) -> Option<bool> {
        self.damaged.filter(|_| self.broken().is_some())
    }

    /// Median and longest spacing in seconds; `None` below two key frames.
    pub(super) fn spacing_s(&self) -> Option<(f64, f64)> {
        let mut sorted: Vec<u32> = self.spacings.iter().copied().collect();
        sorted.sort_unstable();
        let middle = sorted.len().checked_sub(1)? / 2;
        let upper = sorted.len() / 2;
        let median = f64::midpoint(f64::from(sorted[middle]), f64::from(sorted[upper]));
        Some((median / VIDEO_CLOCK_HZ, f64::from(self.longest?) / VIDEO_CLOCK_HZ))
    }
}
