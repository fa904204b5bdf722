//! Bare MAVLink bytes: a serial port dumped to a file.
//!
//! Time comes from the boot clock of the first sender that carries one; when the
//! recording began is not known. An entry is a chunk of bytes that ends with the frame
//! that moves that clock, stamped with it; damaged bytes stay inside the chunks, for
//! the wire stage to count. How a clock becomes time stands in `clocks/bare_clock.rs`.
//!
//! Only frames that carry a clock are checked here; the others are stepped over by
//! their length where another frame follows, since the wire stage frames the bytes anyway.

use std::collections::BTreeMap;

use super::step::Step;
use crate::clocks::BareClock;
use crate::record::{Body, Direction, Entry, InterfaceId, InterfaceInfo, InterfaceKind, Record, SessionInfo};
use crate::wire::codec;
use crate::wire::framer::{Frame, Framer, intact, is_start};
use crate::wire::telemetry::Telemetry;

/// Bytes without a moving clock are given in chunks of this size.
const LONGEST_CHUNK: usize = 16 * 1024;
/// Messages that carry a boot clock, a bit each.
const CLOCK_MESSAGES: u128 =
    1 << 2 | 1 << 26 | 1 << 27 | 1 << 30 | 1 << 33 | 1 << 35 | 1 << 36 | 1 << 65 | 1 << 105;

/// Bytes in which a frame is looked for when a file is opened.
const SNIFFED: usize = 4 << 20;
/// In a file longer than this one valid frame may be chance.
const SHORT: usize = 4096;

/// What has been read so far that later bytes depend on.
#[derive(Clone, Debug, Default)]
pub(crate) struct Bare {
    opening: u8,
    /// Checks one frame at a time.
    framer: Framer,
    clock: BareClock,
}

/// A place where a frame may start.
#[derive(Clone, Copy)]
struct Candidate {
    length: usize,
    message: u32,
    system: u8,
    component: u8,
}

impl Bare {
    /// Whether the bytes hold MAVLink: one valid frame in a short file, two of one sender in a longer one.
    pub(crate) fn holds_frames(bytes: &[u8]) -> bool {
        let wanted = if bytes.len() <= SHORT { 1 } else { 2 };
        let mut framer = Framer::stream();
        let mut senders: BTreeMap<(u8, u8), u32> = BTreeMap::new();
        for chunk in bytes[..bytes.len().min(SNIFFED)].chunks(SHORT) {
            framer.push(chunk, &mut |frame| {
                if frame.header.known {
                    *senders.entry((frame.header.system, frame.header.component)).or_default() += 1;
                }
            });
            if senders.values().any(|frames| *frames >= wanted) {
                return true;
            }
        }
        false
    }

    /// Reads on: the session, its one interface, then a chunk at a time.
    pub(crate) fn step<'a>(&mut self, rest: &'a [u8]) -> Step<'a> {
        match self.opening {
            0 => {
                self.opening = 1;
                self.framer = Framer::datagrams();
                let info = SessionInfo { tags: BTreeMap::new(), has_wall_clock: false };
                Step::Entry(0, Entry::Session(info))
            }
            1 => {
                self.opening = 2;
                let (name, kind) = ("if0".to_owned(), InterfaceKind::Stream);
                let info = InterfaceInfo { name, kind, description: None };
                Step::Entry(0, Entry::Interface(InterfaceId(0), info))
            }
            _ if rest.is_empty() => Step::End,
            _ => {
                let length = self.chunk(rest);
                let body = Body::Stream(&rest[..length]);
                let direction = Direction::Inbound;
                let record = Record { at: self.clock.at(), interface: InterfaceId(0), direction, body };
                Step::Entry(length, Entry::Record(record))
            }
        }
    }

    /// The length of the next chunk; moves the clock.
    fn chunk(&mut self, rest: &[u8]) -> usize {
        let mut place = 0;
        while place < rest.len().min(LONGEST_CHUNK) {
            let Some(candidate) = candidate(&rest[place..]) else {
                place += 1;
                continue;
            };
            let end = place + candidate.length;
            if self.is_clock(candidate) && self.moves(&rest[place..end]) {
                return end;
            }
            let another = rest.get(end).is_none_or(|&byte| is_start(byte));
            place = if another { end } else { place + 1 };
        }
        place.min(rest.len())
    }

    fn is_clock(&self, candidate: Candidate) -> bool {
        CLOCK_MESSAGES.checked_shr(candidate.message).is_some_and(|bits| bits & 1 == 1)
            && self.clock.follows(candidate.system, candidate.component)
    }

    /// Takes the clock of a valid frame; true where time went on (or began).
    fn moves(&mut self, frame: &[u8]) -> bool {
        let mut found = None;
        let mut take = |frame: &Frame<'_>| {
            let stamp = codec::decode(frame).as_ref().and_then(Telemetry::boot_stamp);
            found = stamp.map(|stamp| (frame.header.system, frame.header.component, stamp));
        };
        match intact(frame) {
            Some(frame) => take(&frame),
            // Damaged: what looks like a frame inside it may be one.
            None => self.framer.push(frame, &mut take),
        }
        found.is_some_and(|(system, component, stamp)| self.clock.observe(system, component, stamp))
    }
}

/// Reads the header of a frame that lies in the bytes as a whole.
fn candidate(bytes: &[u8]) -> Option<Candidate> {
    let (length, message, system, component) = match bytes {
        [0xFD, len, incompatible, _, _, system, component, low, middle, high, ..] if *incompatible <= 1 => (
            12 + usize::from(*len) + 13 * usize::from(*incompatible),
            u32::from_le_bytes([*low, *middle, *high, 0]),
            *system,
            *component,
        ),
        [0xFE, len, _, system, component, message, ..] => {
            (8 + usize::from(*len), u32::from(*message), *system, *component)
        }
        _ => return None,
    };
    (length <= bytes.len()).then_some(Candidate { length, message, system, component })
}
