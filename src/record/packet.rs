//! A packet as it was captured, link header included, and where the UDP payload in it stands.

use std::sync::Arc;

use super::Flow;

/// A link type, as pcapng numbers them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LinkType(pub u16);

impl LinkType {
    /// Ethernet, and the Linux loopback.
    pub const ETHERNET: Self = Self(1);
    /// 802.11 frames without a radio's header.
    pub const IEEE802_11: Self = Self(105);
    /// Linux cooked, version 1.
    pub const COOKED: Self = Self(113);
    /// 802.11 frames behind a radiotap header.
    pub const RADIOTAP: Self = Self(127);

    /// Whether it is what a receiver in monitor mode hears: 802.11 frames.
    #[must_use]
    pub const fn is_on_air(self) -> bool {
        matches!(self, Self::RADIOTAP | Self::IEEE802_11)
    }
}

/// One captured packet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Packet<'a> {
    /// What it begins with.
    pub link: LinkType,
    /// As captured.
    pub bytes: &'a [u8],
    /// How long it was, where less was kept.
    pub original: u32,
    /// The two ends of the datagram in it, if there is one that can be read.
    pub flow: Option<Flow>,
    /// First and one past the last byte of the datagram's payload.
    payload: (u32, u32),
}

impl<'a> Packet<'a> {
    /// A packet, and the datagram in it; the payload is a part of `bytes`.
    #[must_use]
    pub fn new(link: LinkType, bytes: &'a [u8], datagram: Option<(Flow, &'a [u8])>) -> Self {
        let place = |payload: &[u8]| payload.as_ptr().addr().wrapping_sub(bytes.as_ptr().addr()) as u32;
        let payload =
            datagram.map_or((0, 0), |(_, payload)| (place(payload), place(payload) + payload.len() as u32));
        Self { link, bytes, original: bytes.len() as u32, flow: datagram.map(|(flow, _)| flow), payload }
    }

    /// The datagram in it.
    #[must_use]
    pub fn datagram(&self) -> Option<(Flow, &'a [u8])> {
        let (from, to) = self.payload;
        Some((self.flow?, self.bytes.get(from as usize..to as usize)?))
    }

    /// Its first bytes alone, without the datagram.
    #[must_use]
    pub fn cut(self, length: usize) -> Self {
        let bytes = &self.bytes[..length.min(self.bytes.len())];
        Self { bytes, flow: None, payload: (0, 0), ..self }
    }

    /// A copy that owns its bytes.
    #[must_use]
    #[allow(clippy::wrong_self_convention, reason = "by value, the standard library's would be taken for it")]
    pub fn to_owned(&self) -> OwnedPacket {
        let Self { link, bytes, original, flow, payload } = *self;
        OwnedPacket { link, bytes: bytes.into(), original, flow, payload }
    }
}

/// A captured packet that owns its bytes, to cross threads.
#[derive(Clone, Debug)]
pub struct OwnedPacket {
    link: LinkType,
    bytes: Arc<[u8]>,
    original: u32,
    flow: Option<Flow>,
    payload: (u32, u32),
}

impl OwnedPacket {
    /// The same packet, borrowed.
    #[must_use]
    pub fn as_packet(&self) -> Packet<'_> {
        let Self { link, bytes, original, flow, payload } = self;
        Packet { link: *link, bytes, original: *original, flow: *flow, payload: *payload }
    }

    /// Bytes kept of it.
    #[must_use]
    pub fn len(&self) -> usize {
        self.bytes.len()
    }

    /// Whether none were kept.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.bytes.is_empty()
    }
}
