//! Reading classic pcap: both byte orders, microseconds and nanoseconds.
//!
//! Format: draft-ietf-opsawg-pcap. The file has one interface, which has no name of
//! its own and is given as `if0`.

use std::collections::BTreeMap;

use super::dissect::{dissect, kind_of};
use super::step::Step;
use crate::record::{Body, Direction, Entry, InterfaceId, InterfaceInfo, Record, SessionInfo};
use crate::units::Nanos;

const HEADER: usize = 24;
const RECORD_HEADER: usize = 16;

/// How a classic capture is laid out, and which of its opening entries were given.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pcap {
    big_endian: bool,
    /// Nanoseconds in a unit of the fraction.
    unit: i64,
    link: u16,
    opening: Opening,
}

#[derive(Clone, Copy, Debug)]
enum Opening {
    Session,
    Interface,
    Done,
}

impl Pcap {
    /// From the first bytes of the file; `None` where the magic is of another format.
    pub(crate) fn sniff(head: &[u8]) -> Option<Self> {
        let (big_endian, unit) = match head.first_chunk::<4>()? {
            [0xD4, 0xC3, 0xB2, 0xA1] => (false, 1000),
            [0x4D, 0x3C, 0xB2, 0xA1] => (false, 1),
            [0xA1, 0xB2, 0xC3, 0xD4] => (true, 1000),
            [0xA1, 0xB2, 0x3C, 0x4D] => (true, 1),
            _ => return None,
        };
        Some(Self { big_endian, unit, link: 0, opening: Opening::Session })
    }

    /// Reads on: the file header first, then a record at a time.
    pub(crate) fn step<'a>(&mut self, rest: &'a [u8]) -> Step<'a> {
        match self.opening {
            Opening::Session => {
                if rest.len() < HEADER {
                    return Step::Torn;
                }
                // The low 16 bits; above them stand flags about checksums at the end of frames.
                self.link = self.u32(rest, 20) as u16;
                self.opening = Opening::Interface;
                let info = SessionInfo { tags: BTreeMap::new(), has_wall_clock: true };
                Step::Entry(HEADER, Entry::Session(info))
            }
            Opening::Interface => {
                self.opening = Opening::Done;
                let kind = kind_of(self.link);
                let info = InterfaceInfo { name: "if0".to_owned(), kind, description: None };
                Step::Entry(0, Entry::Interface(InterfaceId(0), info))
            }
            Opening::Done => self.record(rest),
        }
    }

    fn record(self, rest: &[u8]) -> Step<'_> {
        if rest.is_empty() {
            return Step::End;
        }
        if rest.len() < RECORD_HEADER {
            return Step::Torn;
        }
        let captured = self.u32(rest, 8) as usize;
        let Some(packet) = rest[RECORD_HEADER..].get(..captured) else { return Step::Torn };
        let at = Nanos::from_secs(i64::from(self.u32(rest, 0)))
            + Nanos(i64::from(self.u32(rest, 4)).saturating_mul(self.unit));
        let (body, direction) =
            if packet.is_empty() { (Body::Other, None) } else { dissect(self.link, packet) };
        let direction = direction.unwrap_or(Direction::Inbound);
        let record = Record { at, interface: InterfaceId(0), direction, body };
        Step::Entry(RECORD_HEADER + captured, Entry::Record(record))
    }

    fn u32(self, bytes: &[u8], at: usize) -> u32 {
        let bytes = [bytes[at], bytes[at + 1], bytes[at + 2], bytes[at + 3]];
        if self.big_endian { u32::from_be_bytes(bytes) } else { u32::from_le_bytes(bytes) }
    }
}
