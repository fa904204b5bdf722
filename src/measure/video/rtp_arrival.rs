//! A packet as it came, and which of several that nothing explains are of one numbering.
//!
//! Definition: RFC 3550, appendix A.1: two packets in sequence make a numbering known. Of it are those within 64
//! numbers, 5 s of the host's time and 5 s of the sender's clock.

use crate::units::Nanos;
use crate::wire::rtp::payload::Contents;
use crate::wire::rtp::{Header, VIDEO_CLOCK_HZ};

const NEAR_NUMBERS: u16 = 64;
const NEAR_WITHIN: Nanos = Nanos::from_secs(5);

/// A packet as it came.
#[derive(Clone, Copy, Debug)]
pub(super) struct RtpArrival {
    pub(super) at: Nanos,
    pub(super) header: Header,
    pub(super) size: u32,
    pub(super) contents: Contents,
}

/// What is kept of it under its number.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct KeptPacket {
    pub(super) timestamp: u32,
    /// When it came, on the host's time; wraps after 49 days.
    pub(super) at_ms: u32,
    /// The last packet of a frame of the video.
    pub(super) marker: bool,
    /// The frame that it ends was delivered.
    pub(super) delivered: bool,
    /// What it holds, read as each codec.
    pub(super) contents: Contents,
}

impl RtpArrival {
    /// How many numbers after another packet of one numbering this one is; `None`: not of one.
    fn after(&self, other: &Self) -> Option<i16> {
        let numbers = self.header.sequence.wrapping_sub(other.header.sequence) as i16;
        let ticks = self.header.timestamp.wrapping_sub(other.header.timestamp) as i32;
        let near = numbers.unsigned_abs() <= NEAR_NUMBERS
            && self.at - other.at <= NEAR_WITHIN
            && f64::from(ticks).abs() <= NEAR_WITHIN.secs() * VIDEO_CLOCK_HZ;
        near.then_some(numbers)
    }

    /// Of packets that nothing explained, those of this one's numbering, in order of arrival and with this one at their
    /// end; none before two of them are in sequence, in either order (RFC 3550, appendix A.1).
    pub(super) fn in_sequence(self, before: &[Self]) -> Vec<Self> {
        if !before.iter().any(|other| matches!(self.after(other), Some(1 | -1))) {
            return Vec::new();
        }
        let of_it = before.iter().filter(|other| self.after(other).is_some());
        of_it.copied().chain([self]).collect()
    }
}
