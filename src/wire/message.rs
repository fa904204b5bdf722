//! What the wire stage gives: typed messages without a byte of their entry.
//!
//! Interface, direction, flow and stamp are the entry's own. Nothing is allocated but the words of a STATUSTEXT and
//! the name of a wireless card.

use super::card_level::Row;
use super::codec;
use super::framer::{Frame, FrameHeader};
use super::ieee80211;
use super::radiotap;
use super::rtp;
use super::telemetry::{BootStamp, Telemetry};

/// One message.
#[derive(Clone, Debug, PartialEq)]
pub enum Message {
    /// A MAVLink frame.
    Mavlink(MavlinkMessage),
    /// An RTP packet.
    Rtp(rtp::Packet),
    /// An RTCP report.
    RtpControl,
    /// An 802.11 frame that a receiver in monitor mode heard; comes behind the datagram in it.
    OnAir(OnAir),
    /// What the kernel says of a wireless card.
    CardLevel(Row),
}

/// A frame, decoded.
#[derive(Clone, Debug, PartialEq)]
pub struct MavlinkMessage {
    /// Its header.
    pub header: FrameHeader,
    /// Tells frames of one number apart.
    pub fingerprint: u64,
    /// The boot clock that it carries.
    pub boot: Option<BootStamp>,
    /// What it says, if a figure needs it.
    pub telemetry: Option<Telemetry>,
}

impl MavlinkMessage {
    /// Reads a frame.
    #[must_use]
    #[inline]
    pub fn read(frame: &Frame<'_>) -> Self {
        let telemetry = codec::decode(frame);
        let boot = telemetry.as_ref().and_then(Telemetry::boot_stamp);
        Self { header: frame.header, fingerprint: frame.fingerprint(), boot, telemetry }
    }
}

/// What a receiver in monitor mode heard.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct OnAir {
    /// What the receiver says of it.
    pub radio: radiotap::Header,
    /// Its header; `None` where its check sequence failed.
    pub frame: Option<ieee80211::FrameHeader>,
    /// Whether the datagram in it is RTP; `None` without a datagram.
    pub carries_rtp: Option<bool>,
}
