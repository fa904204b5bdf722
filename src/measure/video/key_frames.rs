//! Key frames, their spacing, and delivered frames that depend on lost ones.
//!
//! Definition: a key frame is a frame (RTP timestamp) of which a packet with part of a key picture
//! came (`wire/rtp/payload.rs`). Spacing: the sender's clock from one to the next that was seen, in
//! seconds; a key frame lost whole shows as a longer one. Broken: delivered frames after a frame
//! that was not delivered, up to the next delivered key frame: every frame is taken to depend on the ones
//! before it since its key frame, so it is an upper bound where an encoder leaves frames
//! unreferenced. Before the first delivered key frame nothing is known and none is counted. Read in the order of the
//! sequence numbers, once a number can no longer come late; duplicates never reach it, a
//! restart waits for a key frame anew. Bounded: the newest 4,096 spacings, the longest of all.

use std::collections::VecDeque;

use crate::wire::rtp::VIDEO_CLOCK_HZ;

use super::rtp_arrival::KeptPacket;

const MOST_SPACINGS: usize = 4096;

/// One stream read as one codec.
#[derive(Clone, Debug, Default)]
pub(super) struct KeyFrames {
    /// Distinct key frames of which something came.
    pub(super) count: u64,
    /// Delivered frames that depend on lost ones.
    pub(super) broken: u64,
    last: Option<u32>,
    spacings: VecDeque<u32>,
    longest: Option<u32>,
    /// A frame since the last delivered key frame was not delivered; `None` before the first.
    damaged: Option<bool>,
    /// A packet of the present frame is missing.
    missing: bool,
    /// The present frame holds part of a key picture.
    key: bool,
}

impl KeyFrames {
    /// The packet under the next number of the sequence; `bit` is the codec's in its `keys`.
    pub(super) fn push(&mut self, packet: KeptPacket, bit: u8) {
        if packet.keys & bit != 0 {
            self.see(packet.timestamp);
        }
        if packet.marker {
            self.end_frame();
        }
    }

    fn see(&mut self, timestamp: u32) {
        self.key = true;
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

    fn end_frame(&mut self) {
        let (missing, key) = (std::mem::take(&mut self.missing), std::mem::take(&mut self.key));
        if missing {
            self.damaged = self.damaged.map(|_| true);
        } else if key {
            self.damaged = Some(false);
        } else if self.damaged == Some(true) {
            self.broken += 1;
        }
    }

    /// Numbers that never came.
    pub(super) const fn lose(&mut self) {
        self.missing = true;
    }

    /// The sender began anew.
    pub(super) fn restart(&mut self) {
        *self = Self {
            count: self.count,
            broken: self.broken,
            spacings: std::mem::take(&mut self.spacings),
            longest: self.longest,
            ..Self::default()
        };
    }

    /// Whether the picture waits for a key frame; `None` before the first.
    pub(super) const fn is_damaged(&self) -> Option<bool> {
        self.damaged
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
