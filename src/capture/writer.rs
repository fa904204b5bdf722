//! Writing pcapng: entries in, blocks out.
//!
//! A section header with the session's tags as comments; an interface description a
//! source (link type 147 for byte streams, RAW IP for datagrams, which get an IP and a
//! UDP header so that ordinary packet tools open them), nanosecond stamps; a
//! packet a record; a note is a packet without bytes and with one comment. Whole blocks
//! only: what has been given out so far is always a valid file.

use std::io;
use std::io::{ErrorKind, Write};

use super::comment_codec;
use super::comment_codec::Interfaces;
use super::dissect::{LINK_JOYSTICK, LINK_RAW_IP, LINK_STREAM, LINK_WIRELESS};
use super::internet::write_udp;
use super::pcapng::{BYTE_ORDER_MAGIC, ENHANCED_PACKET, INTERFACE_DESCRIPTION, SECTION_HEADER, code};
use crate::record::{Body, Direction, Entry, InterfaceId, InterfaceInfo, InterfaceKind, Record, SessionInfo};

/// Nanoseconds.
const RESOLUTION: u8 = 9;
/// A comment's length is a 16 bit number; an option's padding must still fit.
const LONGEST_COMMENT: usize = 65_000;

#[derive(Debug)]
struct Written {
    id: InterfaceId,
    name: String,
    kind: InterfaceKind,
    link: u16,
}

impl Interfaces for [Written] {
    fn name(&self, place: usize) -> Option<&str> {
        self.get(place).map(|interface| interface.name.as_str())
    }

    fn id(&self, place: usize) -> Option<InterfaceId> {
        self.get(place).map(|interface| interface.id)
    }
}

/// Turns entries into blocks; knows what it has already described.
#[derive(Debug, Default)]
pub(crate) struct Encoder {
    begun: bool,
    interfaces: Vec<Written>,
    packet: Vec<u8>,
}

impl Encoder {
    /// Appends the blocks of an entry, in whole blocks or not at all.
    pub(crate) fn encode(&mut self, entry: &Entry<'_>, out: &mut Vec<u8>) -> io::Result<()> {
        let begin = out.len();
        let result = self.append(entry, out);
        if result.is_err() {
            out.truncate(begin);
        }
        result
    }

    fn append(&mut self, entry: &Entry<'_>, out: &mut Vec<u8>) -> io::Result<()> {
        match entry {
            Entry::Session(info) => {
                self.begun = true;
                // A new section counts its interfaces anew.
                self.interfaces.clear();
                section(info, out);
            }
            Entry::Interface(id, info) => self.interface(*id, info, out),
            Entry::Record(record) => self.record(record, out)?,
        }
        Ok(())
    }

    fn begin(&mut self, out: &mut Vec<u8>) {
        if !self.begun {
            section(&SessionInfo { has_wall_clock: true, ..SessionInfo::default() }, out);
            self.begun = true;
        }
    }

    fn interface(&mut self, id: InterfaceId, info: &InterfaceInfo, out: &mut Vec<u8>) {
        self.begin(out);
        let link = match info.kind {
            InterfaceKind::Datagram => LINK_RAW_IP,
            InterfaceKind::Stream => LINK_STREAM,
            InterfaceKind::Captured(link) => link.0,
            InterfaceKind::Joystick => LINK_JOYSTICK,
            InterfaceKind::Wireless => LINK_WIRELESS,
            // Some packet tools read files of one link type only: marks, which have no bytes, take
            // that of the first source.
            InterfaceKind::Marks => self.interfaces.first().map_or(LINK_STREAM, |first| first.link),
        };
        block(INTERFACE_DESCRIPTION, out, |out| {
            out.extend(link.to_le_bytes());
            // Reserved, and no limit to a packet's length.
            out.extend([0; 6]);
            option(code::INTERFACE_NAME, info.name.as_bytes(), out);
            if let Some(description) = &info.description {
                option(code::INTERFACE_DESCRIPTION, description.as_bytes(), out);
            }
            option(code::TIME_RESOLUTION, &[RESOLUTION], out);
            option(code::TIME_OFFSET, &[0; 8], out);
        });
        self.interfaces.push(Written { id, name: info.name.clone(), kind: info.kind, link });
    }

    /// The place of an interface in the file; one that was never described is described now.
    fn place(&mut self, record: &Record<'_>, out: &mut Vec<u8>) -> usize {
        if let Some(place) = self.interfaces.iter().rposition(|each| each.id == record.interface) {
            return place;
        }
        let (name, kind) = match record.body {
            Body::Stream(_) => (format!("if{}", record.interface.0), InterfaceKind::Stream),
            Body::Datagram { .. } | Body::Other => {
                (format!("if{}", record.interface.0), InterfaceKind::Datagram)
            }
            Body::Packet(packet) => {
                (format!("if{}", record.interface.0), InterfaceKind::Captured(packet.link))
            }
            Body::Note(_) => ("marks".to_owned(), InterfaceKind::Marks),
        };
        self.interface(record.interface, &InterfaceInfo { name, kind, description: None }, out);
        self.interfaces.len() - 1
    }

    fn record(&mut self, record: &Record<'_>, out: &mut Vec<u8>) -> io::Result<()> {
        self.begin(out);
        let place = self.place(record, out);
        let kind = self.interfaces[place].kind;
        self.packet.clear();
        let mut comment = None;
        let mut original = 0;
        let packet = match &record.body {
            Body::Stream(_) if matches!(kind, InterfaceKind::Datagram | InterfaceKind::Captured(_)) => {
                return Err(invalid("bytes of a stream on an interface of datagrams"));
            }
            // Marks have the link type of another interface, which says nothing of these bytes.
            Body::Stream(_) if kind == InterfaceKind::Marks => {
                return Err(invalid("bytes of a stream on the interface of marks"));
            }
            Body::Stream(bytes) => bytes,
            Body::Datagram { flow, bytes } if kind == InterfaceKind::Datagram => {
                write_udp(*flow, bytes, &mut self.packet)
                    .ok_or_else(|| invalid("a datagram over 65,507 bytes"))?;
                self.packet.as_slice()
            }
            Body::Datagram { .. } => return Err(invalid("a datagram on an interface of a byte stream")),
            Body::Packet(packet) if kind == InterfaceKind::Captured(packet.link) => {
                original = packet.original;
                packet.bytes
            }
            Body::Packet(_) => return Err(invalid("a packet of another link type than its interface")),
            Body::Other => &[],
            Body::Note(note) => {
                let mut text =
                    comment_codec::write(note, self.interfaces.as_slice(), kind == InterfaceKind::Marks);
                text.truncate(text.floor_char_boundary(LONGEST_COMMENT));
                comment = Some(text);
                &[]
            }
        };
        write_packet(record, place, (packet, original), comment.as_deref(), out)
    }
}

fn write_packet(
    record: &Record<'_>,
    place: usize,
    (packet, original): (&[u8], u32),
    comment: Option<&str>,
    out: &mut Vec<u8>,
) -> io::Result<()> {
    // Flags take 8 bytes, the end of the options 4.
    let commented = comment.map_or(0, |comment| 4 + comment.len().next_multiple_of(4));
    let length = 32 + packet.len().next_multiple_of(4) + 12 + commented;
    let length = u32::try_from(length).map_err(|_| invalid("a record of over 4 GB"))?;
    // Stamps before 1970 cannot be written.
    let at = u64::try_from(record.at.0).unwrap_or(0);
    let (high, low) = ((at >> 32) as u32, at as u32);
    let size = packet.len() as u32;
    for word in [ENHANCED_PACKET, length, place as u32, high, low, size, size.max(original)] {
        out.extend(word.to_le_bytes());
    }
    out.extend(packet);
    pad(packet.len(), out);
    if let Some(comment) = comment {
        out.extend(1_u16.to_le_bytes());
        out.extend((comment.len() as u16).to_le_bytes());
        out.extend(comment.as_bytes());
        pad(comment.len(), out);
    }
    let flags: u32 = match record.direction {
        Direction::Inbound => 1,
        Direction::Outbound => 2,
    };
    out.extend([2, 0, 4, 0]);
    out.extend(flags.to_le_bytes());
    out.extend([0; 4]);
    out.extend(length.to_le_bytes());
    Ok(())
}

fn pad(length: usize, out: &mut Vec<u8>) {
    out.resize(out.len() + length.next_multiple_of(4) - length, 0);
}

fn invalid(what: &'static str) -> io::Error {
    io::Error::new(ErrorKind::InvalidInput, what)
}

/// Appends a block: its type and length, what `fill` appends, the end of its options, the length again.
fn block(kind: u32, out: &mut Vec<u8>, fill: impl FnOnce(&mut Vec<u8>)) {
    let begin = out.len();
    out.extend(kind.to_le_bytes());
    out.extend([0; 4]);
    fill(out);
    out.extend([0; 4]);
    let length = ((out.len() - begin + 4) as u32).to_le_bytes();
    out[begin + 4..begin + 8].copy_from_slice(&length);
    out.extend(length);
}

fn option(code: u16, value: &[u8], out: &mut Vec<u8>) {
    let value = &value[..value.len().min(LONGEST_COMMENT)];
    out.extend(code.to_le_bytes());
    out.extend((value.len() as u16).to_le_bytes());
    out.extend(value);
    pad(value.len(), out);
}

fn section(info: &SessionInfo, out: &mut Vec<u8>) {
    block(SECTION_HEADER, out, |out| {
        out.extend(BYTE_ORDER_MAGIC.to_le_bytes());
        // Version 1.0, of unknown length.
        out.extend([1, 0, 0, 0]);
        out.extend([0xFF; 8]);
        option(code::APPLICATION, concat!("fadewatch ", env!("CARGO_PKG_VERSION")).as_bytes(), out);
        if !info.has_wall_clock {
            option(code::COMMENT, comment_codec::NO_WALL_CLOCK.as_bytes(), out);
        }
        for (key, value) in &info.tags {
            option(code::COMMENT, comment_codec::write_tag(key, value).as_bytes(), out);
        }
    });
}

/// Writes entries as pcapng, one write a block.
#[derive(Debug)]
pub struct PcapngWriter<W: Write> {
    out: W,
    encoder: Encoder,
    blocks: Vec<u8>,
}

impl<W: Write> PcapngWriter<W> {
    /// Writes nothing yet: the section header comes with the first entry.
    pub fn new(out: W) -> Self {
        Self { out, encoder: Encoder::default(), blocks: Vec::new() }
    }

    /// Writes one entry as whole blocks.
    ///
    /// Errors: those of the writer; [`ErrorKind::InvalidInput`] where the entry cannot be
    /// written (a datagram over 65,507 bytes, or a body of another kind than its interface).
    pub fn write(&mut self, entry: &Entry<'_>) -> io::Result<()> {
        self.blocks.clear();
        self.encoder.encode(entry, &mut self.blocks)?;
        self.out.write_all(&self.blocks)
    }

    /// Passes on what the writer below still holds.
    pub fn flush(&mut self) -> io::Result<()> {
        self.out.flush()
    }

    /// The writer below.
    #[cfg(any(test, feature = "internals"))]
    pub fn into_inner(self) -> W {
        self.out
    }
}
