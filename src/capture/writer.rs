//! Writing pcapng: entries in, blocks out.
//!
//! A section header with the session's tags as comments; an interface description a
//! source (link type 147 for byte streams, RAW IP for datagrams, which get an IP and a
//! UDP header so that ordinary packet tools open them), nanosecond stamps; a
//! packet a record; a note is a packet without bytes and with one comment. Whole blocks
//! only: what has been given out so far is always a valid file.

use std::borrow::Cow;
use std::io;
use std::io::{ErrorKind, Write};
use std::net::{IpAddr, Ipv6Addr};

use etherparse::PacketBuilder;
use pcap_parser::pcapng::{InterfaceDescriptionBlock, OptionCode, PcapNGOption, SectionHeaderBlock};
use pcap_parser::{Linktype, ToVec};

use super::comment_codec;
use super::comment_codec::Interfaces;
use super::dissect::{LINK_JOYSTICK, LINK_RAW_IP, LINK_STREAM, LINK_WIRELESS};
use crate::record::{
    Body, Direction, Entry, Flow, InterfaceId, InterfaceInfo, InterfaceKind, Record, SessionInfo,
};

const ENHANCED_PACKET: u32 = 6;
/// Nanoseconds.
const RESOLUTION: u8 = 9;
/// A comment's length is a 16 bit number; an option's padding must still fit.
const LONGEST_COMMENT: usize = 65_000;
const HOPS: u8 = 64;

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
                section(info, out)
            }
            Entry::Interface(id, info) => self.interface(*id, info, out),
            Entry::Record(record) => self.record(record, out),
        }
    }

    fn begin(&mut self, out: &mut Vec<u8>) -> io::Result<()> {
        if !self.begun {
            section(&SessionInfo { has_wall_clock: true, ..SessionInfo::default() }, out)?;
            self.begun = true;
        }
        Ok(())
    }

    fn interface(&mut self, id: InterfaceId, info: &InterfaceInfo, out: &mut Vec<u8>) -> io::Result<()> {
        self.begin(out)?;
        let mut options = vec![option(OptionCode::IfName, info.name.as_bytes())];
        if let Some(description) = &info.description {
            options.push(option(OptionCode::IfDescription, description.as_bytes()));
        }
        options.push(option(OptionCode::IfTsresol, &[RESOLUTION]));
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
        let mut block = InterfaceDescriptionBlock {
            block_type: 0,
            block_len1: 0,
            linktype: Linktype(i32::from(link)),
            reserved: 0,
            snaplen: 0,
            options,
            block_len2: 0,
            if_tsresol: RESOLUTION,
            if_tsoffset: 0,
        };
        out.extend(block.to_vec().map_err(|error| io::Error::other(error.to_string()))?);
        self.interfaces.push(Written { id, name: info.name.clone(), kind: info.kind, link });
        Ok(())
    }

    /// The place of an interface in the file; one that was never described is described now.
    fn place(&mut self, record: &Record<'_>, out: &mut Vec<u8>) -> io::Result<usize> {
        if let Some(place) = self.interfaces.iter().rposition(|each| each.id == record.interface) {
            return Ok(place);
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
        self.interface(record.interface, &InterfaceInfo { name, kind, description: None }, out)?;
        Ok(self.interfaces.len() - 1)
    }

    fn record(&mut self, record: &Record<'_>, out: &mut Vec<u8>) -> io::Result<()> {
        self.begin(out)?;
        let place = self.place(record, out)?;
        let kind = self.interfaces[place].kind;
        self.packet.clear();
        let mut comment = None;
        let mut original = 0;
        let packet = match &record.body {
            Body::Stream(_) if matches!(kind, InterfaceKind::Datagram | InterfaceKind::Captured(_)) => {
                return Err(invalid("bytes of a stream on an interface of datagrams"));
            }
            Body::Stream(bytes) => bytes,
            Body::Datagram { flow, bytes } if kind == InterfaceKind::Datagram => {
                build(*flow, bytes, &mut self.packet)?;
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

fn option(code: OptionCode, value: &[u8]) -> PcapNGOption<'static> {
    let mut value = value[..value.len().min(LONGEST_COMMENT)].to_vec();
    let len = value.len() as u16;
    pad(value.len(), &mut value);
    PcapNGOption { code, len, value: Cow::Owned(value) }
}

fn section(info: &SessionInfo, out: &mut Vec<u8>) -> io::Result<()> {
    let application = concat!("fadewatch ", env!("CARGO_PKG_VERSION"));
    let mut options = vec![option(OptionCode::ShbUserAppl, application.as_bytes())];
    if !info.has_wall_clock {
        options.push(option(OptionCode::Comment, comment_codec::NO_WALL_CLOCK.as_bytes()));
    }
    for (key, value) in &info.tags {
        options.push(option(OptionCode::Comment, comment_codec::write_tag(key, value).as_bytes()));
    }
    let mut block = SectionHeaderBlock {
        block_type: 0,
        block_len1: 0,
        bom: 0,
        major_version: 1,
        minor_version: 0,
        section_len: -1,
        options,
        block_len2: 0,
    };
    out.extend(block.to_vec().map_err(|error| io::Error::other(error.to_string()))?);
    Ok(())
}

/// A payload with the IP and UDP header that carried it (as far as they are known).
fn build(flow: Flow, payload: &[u8], out: &mut Vec<u8>) -> io::Result<()> {
    let ports = (flow.source.port(), flow.destination.port());
    let result = match (flow.source.ip(), flow.destination.ip()) {
        (IpAddr::V4(source), IpAddr::V4(destination)) => {
            PacketBuilder::ipv4(source.octets(), destination.octets(), HOPS)
                .udp(ports.0, ports.1)
                .write(out, payload)
        }
        (source, destination) => {
            let (source, destination) = (mapped(source), mapped(destination));
            PacketBuilder::ipv6(source.octets(), destination.octets(), HOPS)
                .udp(ports.0, ports.1)
                .write(out, payload)
        }
    };
    result.map_err(|error| io::Error::new(ErrorKind::InvalidInput, error.to_string()))
}

fn mapped(address: IpAddr) -> Ipv6Addr {
    match address {
        IpAddr::V4(address) => address.to_ipv6_mapped(),
        IpAddr::V6(address) => address,
    }
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
    pub fn into_inner(self) -> W {
        self.out
    }
}
