//! Reading pcapng: blocks in either byte order, any time resolution, any number of sections.
//!
//! Blocks are walked in place, without allocation. State is bounded: at most [`MOST_INTERFACES`]
//! interfaces and [`MOST_TAGS`] tags are kept.
//!
//! Format: draft-ietf-opsawg-pcapng. A last block that is cut, or one whose two
//! lengths disagree, ends the recording: what stands before it is given.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::comment_codec;
use super::comment_codec::Interfaces;
use super::dissect::{dissect, kind_of};
use super::step::Step;
use crate::record::{
    Body, Direction, Entry, InterfaceId, InterfaceInfo, InterfaceKind, Note, Record, SessionInfo,
};
use crate::units::Nanos;

/// Interfaces kept; packets of further ones are left out.
const MOST_INTERFACES: u16 = 1024;
const MOST_TAGS: usize = 256;

pub(crate) const SECTION_HEADER: u32 = 0x0A0D_0D0A;
pub(super) const INTERFACE_DESCRIPTION: u32 = 1;
const OBSOLETE_PACKET: u32 = 2;
const SIMPLE_PACKET: u32 = 3;
const INTERFACE_STATISTICS: u32 = 5;
pub(super) const ENHANCED_PACKET: u32 = 6;
pub(super) const BYTE_ORDER_MAGIC: u32 = 0x1A2B_3C4D;

/// Codes of options; those of one number stand in blocks of different kinds.
pub(super) mod code {
    pub(crate) const END: u16 = 0;
    pub(crate) const COMMENT: u16 = 1;
    pub(crate) const APPLICATION: u16 = 4;
    pub(crate) const INTERFACE_NAME: u16 = 2;
    pub(crate) const INTERFACE_DESCRIPTION: u16 = 3;
    pub(crate) const TIME_RESOLUTION: u16 = 9;
    pub(crate) const TIME_OFFSET: u16 = 14;
    pub(crate) const PACKET_FLAGS: u16 = 2;
    pub(crate) const INTERFACE_DROPS: u16 = 5;
    pub(crate) const SYSTEM_DROPS: u16 = 7;
}

/// Units of a time stamp to nanoseconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Scale {
    Times(u64),
    Per(u64),
    Shift(u32),
}

impl Scale {
    /// From the value of if_tsresol.
    fn from_resolution(resolution: u8) -> Self {
        let exponent = u32::from(resolution & 0x7F);
        if resolution & 0x80 != 0 {
            Self::Shift(exponent)
        } else if exponent <= 9 {
            Self::Times(10_u64.pow(9 - exponent))
        } else {
            Self::Per(10_u64.checked_pow(exponent - 9).unwrap_or(u64::MAX))
        }
    }

    fn nanos(self, units: u64) -> i64 {
        let nanos = match self {
            Self::Times(factor) => units.saturating_mul(factor),
            Self::Per(divisor) => units / divisor,
            Self::Shift(bits) => {
                let nanos = u128::from(units) * 1_000_000_000;
                u64::try_from(nanos.checked_shr(bits).unwrap_or(0)).unwrap_or(u64::MAX)
            }
        };
        i64::try_from(nanos).unwrap_or(i64::MAX)
    }
}

#[derive(Clone, Debug)]
struct Interface {
    id: InterfaceId,
    name: String,
    kind: InterfaceKind,
    link: u16,
    scale: Scale,
    offset: Nanos,
}

impl Interfaces for [Interface] {
    fn name(&self, place: usize) -> Option<&str> {
        self.get(place).map(|interface| interface.name.as_str())
    }

    fn id(&self, place: usize) -> Option<InterfaceId> {
        self.get(place).map(|interface| interface.id)
    }
}

/// What has been read so far that later blocks depend on.
#[derive(Clone, Debug, Default)]
pub(crate) struct Pcapng {
    big_endian: bool,
    /// Of the current section.
    interfaces: Arc<Vec<Interface>>,
    /// Of all sections.
    interface_count: u16,
    session: Option<Arc<SessionInfo>>,
    /// The stamp of the packet before: packets without one take it.
    last: Nanos,
    /// Which way the packet at hand went, by its options.
    direction: Option<Direction>,
    /// Where among its options the next comment to be given stands; `None` before the packet itself.
    comment: Option<usize>,
}

/// The parts of any packet block.
struct Packet<'a> {
    interface: usize,
    /// `None` where the block holds no stamp.
    units: Option<u64>,
    bytes: &'a [u8],
    options: &'a [u8],
}

impl Pcapng {
    /// Reads on at the start of a block.
    pub(crate) fn step<'a>(&mut self, rest: &'a [u8]) -> Step<'a> {
        let Some(head) = rest.first_chunk::<12>() else {
            return if rest.is_empty() { Step::End } else { Step::Torn };
        };
        if self.u32(head, 0) == SECTION_HEADER {
            match byte_order(head) {
                Some(big_endian) => self.big_endian = big_endian,
                None => return Step::Corrupt,
            }
        }
        let length = self.u32(head, 4) as usize;
        if length < 12 || !length.is_multiple_of(4) {
            return Step::Corrupt;
        }
        let Some(block) = rest.get(..length) else { return Step::Torn };
        if self.u32(block, length - 4) as usize != length {
            return Step::Corrupt;
        }
        match self.u32(block, 0) {
            ENHANCED_PACKET => self.packet(enhanced(self.big_endian, block), length),
            SECTION_HEADER => self.section(block),
            INTERFACE_DESCRIPTION => self.interface(block),
            SIMPLE_PACKET => self.packet(simple(self.big_endian, block), length),
            OBSOLETE_PACKET => self.packet(obsolete(self.big_endian, block), length),
            INTERFACE_STATISTICS => self.statistics(block),
            _ => Step::Skip(length),
        }
    }

    fn u32(&self, bytes: &[u8], at: usize) -> u32 {
        u32_at(self.big_endian, bytes, at).unwrap_or(0)
    }

    fn section<'a>(&mut self, block: &'a [u8]) -> Step<'a> {
        if block.len() < 28 {
            return Step::Corrupt;
        }
        self.interfaces = Arc::default();
        let mut is_new = self.session.is_none();
        let known = self
            .session
            .take()
            .unwrap_or_else(|| Arc::new(SessionInfo { tags: BTreeMap::new(), has_wall_clock: true }));
        let info = Arc::make_mut(self.session.insert(known));
        let options = Options { big_endian: self.big_endian, bytes: &block[24..block.len() - 4] };
        for (_, comment) in options.filter(|(number, _)| *number == code::COMMENT) {
            let comment = String::from_utf8_lossy(comment);
            if comment == comment_codec::NO_WALL_CLOCK {
                is_new |= std::mem::replace(&mut info.has_wall_clock, false);
            } else if let Some((key, value)) = comment_codec::read_tag(&comment)
                && info.tags.len() < MOST_TAGS
                && !info.tags.contains_key(&key)
            {
                info.tags.insert(key, value);
                is_new = true;
            }
        }
        if !is_new {
            return Step::Skip(block.len());
        }
        Step::Entry(block.len(), Entry::Session(info.clone()))
    }

    fn interface<'a>(&mut self, block: &'a [u8]) -> Step<'a> {
        if block.len() < 20 {
            return Step::Corrupt;
        }
        if self.interface_count >= MOST_INTERFACES || self.interfaces.len() >= usize::from(MOST_INTERFACES) {
            return Step::Skip(block.len());
        }
        let mut id = InterfaceId(self.interface_count);
        let link = self.number([block[8], block[9]]);
        let options = self.options(&block[16..block.len() - 4]);
        let option = |wanted| options.clone().find(|(number, _)| *number == wanted).map(|(_, value)| value);
        let name = option(code::INTERFACE_NAME).and_then(text).unwrap_or_else(|| format!("if{}", id.0));
        let kind = match link {
            _ if name == "marks" => InterfaceKind::Marks,
            _ => kind_of(link),
        };
        // A live session describes a source anew once its first bytes show that it carries datagrams.
        let earlier = self.interfaces.iter().find(|earlier| {
            let anew = matches!(kind, InterfaceKind::Datagram | InterfaceKind::Captured(_));
            earlier.kind == InterfaceKind::Stream && anew && earlier.name == name
        });
        match earlier {
            Some(earlier) => id = earlier.id,
            None => self.interface_count += 1,
        }
        let offset =
            option(code::TIME_OFFSET).and_then(|value| value.first_chunk::<8>()).map_or(0, |value| {
                if self.big_endian { i64::from_be_bytes(*value) } else { i64::from_le_bytes(*value) }
            });
        let resolution = option(code::TIME_RESOLUTION).and_then(|value| value.first().copied());
        let description = option(code::INTERFACE_DESCRIPTION).and_then(text);
        Arc::make_mut(&mut self.interfaces).push(Interface {
            id,
            name: name.clone(),
            kind,
            link,
            scale: Scale::from_resolution(resolution.unwrap_or(6)),
            offset: Nanos::from_secs(offset),
        });
        Step::Entry(block.len(), Entry::Interface(id, InterfaceInfo { name, kind, description }))
    }

    fn packet<'a>(&mut self, packet: Option<Packet<'a>>, length: usize) -> Step<'a> {
        let Some(packet) = packet else { return Step::Skip(length) };
        let Some(interface) = self.interfaces.get(packet.interface) else { return Step::Skip(length) };
        let at =
            packet.units.map_or(self.last, |units| Nanos(interface.scale.nanos(units)) + interface.offset);
        self.last = at;
        let (id, link, on_marks) = (interface.id, interface.link, interface.kind == InterfaceKind::Marks);
        let is_begun = self.comment.is_some();
        if !is_begun {
            self.begin_options(packet.options);
        }
        let (body, seen_direction) = match self.comment.filter(|_| is_begun || packet.bytes.is_empty()) {
            Some(place) => (Body::Note(self.note(&packet, place, on_marks)), None),
            None if packet.bytes.is_empty() => (Body::Other, None),
            None => dissect(link, packet.bytes),
        };
        let consumed = if self.comment.is_some() { 0 } else { length };
        let direction = self.direction.or(seen_direction).unwrap_or(Direction::Inbound);
        Step::Entry(consumed, Entry::Record(Record { at, interface: id, direction, body }))
    }

    /// Reads a packet's options up to the first comment, and which way it went.
    fn begin_options(&mut self, options: &[u8]) {
        self.comment = self.comment_from(options, 0);
        let flags = self.options(options).filter(|(number, _)| *number == code::PACKET_FLAGS).last();
        self.direction = flags.and_then(|(_, value)| self.direction_of(value));
    }

    /// Where the first comment from a place on stands.
    fn comment_from(&self, options: &[u8], from: usize) -> Option<usize> {
        let mut rest = self.options(options.get(from..)?);
        loop {
            let place = options.len() - rest.bytes.len();
            if rest.next()?.0 == code::COMMENT {
                return Some(place);
            }
        }
    }

    /// The comment at a place; goes on to the next one.
    fn note(&mut self, packet: &Packet<'_>, place: usize, on_marks: bool) -> Note {
        let mut rest = self.options(packet.options.get(place..).unwrap_or_default());
        let text = rest.next().map(|(_, value)| String::from_utf8_lossy(value)).unwrap_or_default();
        self.comment = self.comment_from(packet.options, packet.options.len() - rest.bytes.len());
        if packet.bytes.is_empty() {
            comment_codec::read(&text, self.interfaces.as_slice(), on_marks)
        } else {
            Note::Foreign { text: text.into_owned() }
        }
    }

    fn number(&self, bytes: [u8; 2]) -> u16 {
        if self.big_endian { u16::from_be_bytes(bytes) } else { u16::from_le_bytes(bytes) }
    }

    fn options<'a>(&self, bytes: &'a [u8]) -> Options<'a> {
        Options { big_endian: self.big_endian, bytes }
    }

    /// The two low bits of the packet flags.
    fn direction_of(&self, flags: &[u8]) -> Option<Direction> {
        match u32_at(self.big_endian, flags, 0)? & 3 {
            1 => Some(Direction::Inbound),
            2 => Some(Direction::Outbound),
            _ => None,
        }
    }

    /// What the computer that captured says that it lost itself.
    fn statistics<'a>(&mut self, block: &'a [u8]) -> Step<'a> {
        let skip = Step::Skip(block.len());
        if block.len() < 24 {
            return skip;
        }
        let Some(interface) = self.interfaces.get(self.u32(block, 8) as usize) else { return skip };
        let total: u64 = self
            .options(&block[20..block.len() - 4])
            .filter(|(number, _)| matches!(*number, code::INTERFACE_DROPS | code::SYSTEM_DROPS))
            .filter_map(|(_, value)| value.first_chunk::<8>())
            .map(
                |value| if self.big_endian { u64::from_be_bytes(*value) } else { u64::from_le_bytes(*value) },
            )
            .fold(0, u64::saturating_add);
        if total == 0 {
            return skip;
        }
        let units = join(self.u32(block, 12), self.u32(block, 16));
        let at = Nanos(interface.scale.nanos(units)) + interface.offset;
        let body = Body::Note(Note::HostDrops { interface: interface.id, total });
        let record = Record { at, interface: interface.id, direction: Direction::Inbound, body };
        Step::Entry(block.len(), Entry::Record(record))
    }
}

/// Whether a section is big-endian; `None` where the magic is neither.
pub(crate) fn byte_order(head: &[u8]) -> Option<bool> {
    match u32_at(false, head, 8)? {
        BYTE_ORDER_MAGIC => Some(false),
        magic if magic.swap_bytes() == BYTE_ORDER_MAGIC => Some(true),
        _ => None,
    }
}

fn u32_at(big_endian: bool, bytes: &[u8], at: usize) -> Option<u32> {
    let bytes = *bytes.get(at..)?.first_chunk()?;
    Some(if big_endian { u32::from_be_bytes(bytes) } else { u32::from_le_bytes(bytes) })
}

fn join(high: u32, low: u32) -> u64 {
    u64::from(high) << 32 | u64::from(low)
}

fn enhanced(big_endian: bool, block: &[u8]) -> Option<Packet<'_>> {
    let word = |at| u32_at(big_endian, block, at);
    packet_at_28(block, word(8)? as usize, join(word(12)?, word(16)?), word(20)?)
}

/// The obsolete packet block: as the enhanced one, its interface in 16 bits and a drop counter beside it.
fn obsolete(big_endian: bool, block: &[u8]) -> Option<Packet<'_>> {
    let word = |at| u32_at(big_endian, block, at);
    let interface = if big_endian { word(8)? >> 16 } else { word(8)? & 0xFFFF };
    packet_at_28(block, interface as usize, join(word(12)?, word(16)?), word(20)?)
}

fn packet_at_28(block: &[u8], interface: usize, units: u64, captured: u32) -> Option<Packet<'_>> {
    let body = block.get(28..block.len() - 4)?;
    // A length beyond the block: the bytes are there, how many of them count is not known.
    let bytes = body.get(..captured as usize)?;
    let options = body.get((captured as usize).next_multiple_of(4)..).unwrap_or_default();
    Some(Packet { interface, units: Some(units), bytes, options })
}

fn simple(big_endian: bool, block: &[u8]) -> Option<Packet<'_>> {
    let original = u32_at(big_endian, block, 8)? as usize;
    let body = block.get(12..block.len() - 4)?;
    Some(Packet { interface: 0, units: None, bytes: &body[..original.min(body.len())], options: &[] })
}

fn text(value: &[u8]) -> Option<String> {
    let text = String::from_utf8_lossy(value);
    let text = text.trim_end_matches('\0');
    (!text.is_empty()).then(|| text.to_owned())
}

/// Walks the options of a block; stops at the first that is cut.
#[derive(Clone)]
struct Options<'a> {
    big_endian: bool,
    bytes: &'a [u8],
}

impl<'a> Iterator for Options<'a> {
    type Item = (u16, &'a [u8]);

    fn next(&mut self) -> Option<Self::Item> {
        #[cfg(test)]
        tests::LOOKED_AT.with(|count| count.set(count.get() + 1));
        let head: [u8; 4] = *self.bytes.first_chunk()?;
        let number = |bytes: [u8; 2]| {
            if self.big_endian { u16::from_be_bytes(bytes) } else { u16::from_le_bytes(bytes) }
        };
        let code = number([head[0], head[1]]);
        let length = usize::from(number([head[2], head[3]]));
        if code == code::END {
            return None;
        }
        let value = self.bytes.get(4..4 + length)?;
        self.bytes = self.bytes.get((4 + length).next_multiple_of(4)..).unwrap_or_default();
        Some((code, value))
    }
}

#[cfg(test)]
mod tests {
    use std::cell::Cell;

    use crate::capture::pcapng::*;

    thread_local! {
        /// Options that were looked at.
        pub(super) static LOOKED_AT: Cell<usize> = const { Cell::new(0) };
    }

    fn block(kind: u32, body: &[u8]) -> Vec<u8> {
        let length = (body.len() + 12) as u32;
        [&kind.to_le_bytes()[..], &length.to_le_bytes(), body, &length.to_le_bytes()].concat()
    }

    /// Every comment of a packet is given, and none is looked for from the first one on.
    #[test]
    fn a_packet_of_many_comments_is_read_once() {
        const COMMENTS: usize = 50_000;
        for bytes in [&[][..], &[1, 2, 3, 4]] {
            let mut file = block(
                SECTION_HEADER,
                &[&BYTE_ORDER_MAGIC.to_le_bytes()[..], &[1, 0, 0, 0], &[0xFF; 8]].concat(),
            );
            file.extend(block(INTERFACE_DESCRIPTION, &[147, 0, 0, 0, 0, 0, 0, 0]));
            let mut body = [0; 20];
            (body[12], body[16]) = (bytes.len() as u8, bytes.len() as u8);
            let flags = [2, 0, 4, 0, 2, 0, 0, 0];
            let comments = [1, 0, 0, 0].repeat(COMMENTS);
            file.extend(block(ENHANCED_PACKET, &[&body, bytes, &comments, &flags].concat()));
            let (mut decoder, mut place, mut records) = (Pcapng::default(), 0, Vec::new());
            LOOKED_AT.with(|count| count.set(0));
            loop {
                match decoder.step(&file[place..]) {
                    Step::Entry(length, entry) => {
                        place += length;
                        records.extend(if let Entry::Record(record) = entry { Some(record) } else { None });
                    }
                    Step::Skip(length) => place += length,
                    Step::End => break,
                    Step::Torn | Step::Corrupt => panic!("a whole file"),
                }
            }
            assert_eq!(records.len(), COMMENTS + usize::from(!bytes.is_empty()));
            assert!(records.iter().all(|record| record.direction == Direction::Outbound));
            let notes = records.iter().filter(|record| matches!(record.body, Body::Note(_))).count();
            assert_eq!(notes, COMMENTS);
            assert!(LOOKED_AT.with(Cell::get) <= 4 * COMMENTS);
        }
    }

    #[test]
    fn resolutions_of_the_format_description() {
        // The draft's own examples: 6 is 1e-6 s, 9 is 1e-9 s, 0x8A is 1/1024 s.
        assert_eq!(Scale::from_resolution(6).nanos(1_700_000_000_123_456), 1_700_000_000_123_456_000);
        assert_eq!(Scale::from_resolution(9).nanos(1_700_000_000_123_456_789), 1_700_000_000_123_456_789);
        assert_eq!(Scale::from_resolution(0x8A).nanos(1024 * 3 + 512), 3_500_000_000);
        assert_eq!(Scale::from_resolution(12).nanos(5_000), 5);
        assert_eq!(Scale::from_resolution(0).nanos(7), 7_000_000_000);
        for resolution in 0..=255 {
            assert!(Scale::from_resolution(resolution).nanos(u64::MAX) >= 0);
        }
    }
}
