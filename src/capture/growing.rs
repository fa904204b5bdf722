//! A recording that is still being written: what a packet tool sends to standard input.
//!
//! The first bytes tell whether they are pcapng, pcap or bare bytes. Captures bring
//! their own stamps; bare bytes get those of their arrival. A block is given as soon as
//! its last byte is here; what waits is bounded by [`LONGEST_BLOCK`].

use std::collections::BTreeMap;

use super::format::Decoder;
use super::step::Step;
use crate::record::{Body, Direction, Entry, InterfaceId, InterfaceInfo, InterfaceKind, Record, SessionInfo};
use crate::units::Nanos;

/// A block that claims to be longer than this is damage: it would hold up all that follows.
const LONGEST_BLOCK: usize = 16 << 20;
/// Bytes that tell the formats apart.
const SNIFFED: usize = 12;

/// What the bytes have turned out to be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StreamFormat {
    /// Too few bytes to tell.
    Unknown,
    /// pcapng or pcap, with stamps of its own.
    Capture,
    /// Bare bytes, stamped on arrival.
    Bare,
    /// A capture that cannot be read any further.
    Damaged,
}

/// Takes bytes in any portions, gives entries.
#[derive(Debug)]
pub struct StreamDecoder {
    waiting: Vec<u8>,
    decoder: Option<Decoder>,
    format: StreamFormat,
}

impl Default for StreamDecoder {
    fn default() -> Self {
        Self::new()
    }
}

impl StreamDecoder {
    /// Before the first byte.
    #[must_use]
    pub const fn new() -> Self {
        Self { waiting: Vec::new(), decoder: None, format: StreamFormat::Unknown }
    }

    /// What the bytes have turned out to be so far.
    #[must_use]
    pub const fn format(&self) -> StreamFormat {
        self.format
    }

    /// Takes bytes that arrived at `at`, and gives every entry that they complete to `sink`, in order.
    pub fn push(&mut self, at: Nanos, bytes: &[u8], sink: &mut dyn FnMut(&Entry<'_>)) {
        match self.format {
            StreamFormat::Bare => give(at, bytes, sink),
            StreamFormat::Damaged => {}
            StreamFormat::Capture => {
                self.waiting.extend_from_slice(bytes);
                self.decode(sink);
            }
            StreamFormat::Unknown => {
                self.waiting.extend_from_slice(bytes);
                self.recognise(at, sink);
            }
        }
    }

    /// The stream ended; bytes too few to be recognised are given as bare ones.
    pub fn finish(&mut self, at: Nanos, sink: &mut dyn FnMut(&Entry<'_>)) {
        if self.format == StreamFormat::Unknown && !self.waiting.is_empty() {
            self.begin_bare(at, sink);
        }
    }

    fn recognise(&mut self, at: Nanos, sink: &mut dyn FnMut(&Entry<'_>)) {
        let may_be_capture =
            [[0x0A_u8, 0x0D, 0x0D, 0x0A], [0xD4, 0xC3, 0xB2, 0xA1], [0x4D, 0x3C, 0xB2, 0xA1]]
                .iter()
                .chain(&[[0xA1, 0xB2, 0xC3, 0xD4], [0xA1, 0xB2, 0x3C, 0x4D]])
                .any(|magic| magic.iter().zip(&self.waiting).all(|(one, other)| one == other));
        if !may_be_capture {
            self.begin_bare(at, sink);
        } else if self.waiting.len() >= SNIFFED {
            self.decoder = Decoder::sniff_capture(&self.waiting);
            if self.decoder.is_some() {
                self.format = StreamFormat::Capture;
                self.decode(sink);
            } else {
                self.begin_bare(at, sink);
            }
        }
    }

    fn begin_bare(&mut self, at: Nanos, sink: &mut dyn FnMut(&Entry<'_>)) {
        self.format = StreamFormat::Bare;
        sink(&Entry::Session(SessionInfo { tags: BTreeMap::new(), has_wall_clock: true }));
        let info = InterfaceInfo { name: "if0".to_owned(), kind: InterfaceKind::Stream, description: None };
        sink(&Entry::Interface(InterfaceId(0), info));
        let waiting = std::mem::take(&mut self.waiting);
        give(at, &waiting, sink);
    }

    fn decode(&mut self, sink: &mut dyn FnMut(&Entry<'_>)) {
        let Some(decoder) = &mut self.decoder else { return };
        let mut place = 0;
        loop {
            let rest = &self.waiting[place..];
            match decoder.step(rest) {
                Step::Entry(length, entry) => {
                    place += length;
                    sink(&entry);
                }
                Step::Skip(length) => place += length,
                Step::Torn if rest.len() > LONGEST_BLOCK => self.format = StreamFormat::Damaged,
                Step::Corrupt => self.format = StreamFormat::Damaged,
                Step::End | Step::Torn => break,
            }
            if self.format == StreamFormat::Damaged {
                self.waiting = Vec::new();
                return;
            }
        }
        self.waiting.drain(..place);
    }
}

fn give(at: Nanos, bytes: &[u8], sink: &mut dyn FnMut(&Entry<'_>)) {
    if !bytes.is_empty() {
        let (direction, body) = (Direction::Inbound, Body::Stream(bytes));
        sink(&Entry::Record(Record { at, interface: InterfaceId(0), direction, body }));
    }
}
