//! The push framer: bytes in, MAVLink 1 and 2 frames out, damage counted.

use crate::summary::Framing;

/// The header of an accepted frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FrameHeader {
    /// 1 or 2.
    pub version: u8,
    /// Sequence number.
    pub sequence: u8,
    /// System id.
    pub system: u8,
    /// Component id.
    pub component: u8,
    /// Message id.
    pub message: u32,
    /// Carries a signature (which is not verified: no key is known).
    pub signed: bool,
    /// The dialect has this message id.
    pub known: bool,
}

/// One accepted frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Frame<'a> {
    /// Its header.
    pub header: FrameHeader,
    /// Its payload as sent, trailing zeros cut in version 2.
    pub payload: &'a [u8],
    /// The whole frame.
    pub bytes: &'a [u8],
}

/// Frames one byte stream, or the datagrams of one flow.
#[derive(Clone, Debug, Default)]
pub struct Framer {
    counts: Framing,
}

impl Framer {
    /// For a byte stream: chunk borders mean nothing.
    #[must_use]
    pub fn stream() -> Self {
        Self::default()
    }

    /// For datagrams: a frame never spans two.
    #[must_use]
    pub fn datagrams() -> Self {
        Self::default()
    }

    /// Takes the next chunk (or one datagram) and gives every frame that it completes to `sink`, in order.
    pub fn push(&mut self, bytes: &[u8], sink: &mut dyn FnMut(&Frame<'_>)) {
        let _ = (bytes, sink);
    }

    /// What has been counted, pending bytes left out.
    #[must_use]
    pub fn counts(&self) -> Framing {
        self.counts
    }

    /// What would be counted if the stream ended here, and whether it would end inside a frame.
    #[must_use]
    pub fn finished(&self) -> (Framing, bool) {
        (self.counts, false)
    }
}
