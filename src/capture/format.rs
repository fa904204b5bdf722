//! The format of a recording, told by its first bytes.

use super::bare::Bare;
use super::pcap::Pcap;
use super::pcapng::{Pcapng, byte_order};
use super::step::Step;

/// A recording's format, with what has been read so far that later bytes depend on.
#[derive(Clone, Debug)]
pub(crate) enum Decoder {
    Pcapng(Pcapng),
    Pcap(Pcap),
    Bare(Box<Bare>),
}

impl Decoder {
    /// A packet capture's format by its first twelve bytes; `None`: no packet capture.
    pub(crate) fn sniff_capture(head: &[u8]) -> Option<Self> {
        if head.starts_with(&[0x0A, 0x0D, 0x0D, 0x0A]) && byte_order(head).is_some() {
            return Some(Self::Pcapng(Pcapng::default()));
        }
        Pcap::sniff(head).map(Self::Pcap)
    }

    /// Reads on; `rest` reaches to the end of what there is.
    pub(crate) fn step<'a>(&mut self, rest: &'a [u8]) -> Step<'a> {
        match self {
            Self::Pcapng(pcapng) => pcapng.step(rest),
            Self::Pcap(pcap) => pcap.step(rest),
            Self::Bare(bare) => bare.step(rest),
        }
    }
}
