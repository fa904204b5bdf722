//! Laws of the wire stage: MAVLink frames, RTP packets, the headers of radios.
//!
//! Sources: the public MAVLink serialization guide (layout, X.25 checksum with the extra byte), RFC 3550 section 5.1 with
//! RFC 5761 section 4, radiotap.org and IEEE 802.11-2016 section 9.2.4. What they say is written anew here.

use fadewatch::capture::Recording;
use fadewatch::profile::Profile;
use fadewatch::record::packet::LinkType;
use fadewatch::record::{Body, Entry};
use fadewatch::wire::codec::definition;
use fadewatch::wire::framer::{Frame, Framer, LONGEST_FRAME, Standing, Tally};
use fadewatch::wire::message::{MavlinkMessage, Message};
use fadewatch::wire::rtp::payload::{Codec, Recognition};
use fadewatch::wire::rtp::{Packet, is_control, parse};
use fadewatch::wire::{Wire, ieee80211, radiotap};

use super::choices::Choices;

/// Ids that figures rest on, some of other dialects, and some that nobody has.
pub const IDS: [u32; 32] = [
    0, 1, 2, 4, 22, 24, 27, 30, 32, 33, 35, 36, 65, 69, 70, 74, 77, 105, 109, 111, 147, 148, 166, 241, 242,
    253, 269, 270, 331, 11_030, 52_000, 0xFF_FFFF,
];

/// CRC-16/MCRF4XX bit by bit, as the guide describes it.
pub fn checksum(bytes: impl Iterator<Item = u8>) -> u16 {
    bytes.fold(0xFFFF, |crc, byte| {
        (0..8).fold(crc ^ u16::from(byte), |crc, _| if crc & 1 == 1 { crc >> 1 ^ 0x8408 } else { crc >> 1 })
    })
}

/// The extra byte of an id; of one that nobody knows any that stays the same.
fn extra(id: u32) -> u8 {
    definition(id).map_or(id as u8 ^ 0x5A, |definition| definition.crc_extra)
}

/// A whole frame: version 1 or 2, perhaps signed.
pub fn frame(version_2: bool, signed: bool, header: [u8; 3], id: u32, payload: &[u8]) -> Vec<u8> {
    let length = payload.len() as u8;
    let mut bytes = if version_2 {
        let mut start = vec![0xFD, length, u8::from(signed), 0];
        start.extend(header);
        start.extend(&id.to_le_bytes()[..3]);
        start
    } else {
        let mut start = vec![0xFE, length];
        start.extend(header);
        start.push(id as u8);
        start
    };
    bytes.extend(payload);
    let id = if version_2 { id & 0xFF_FFFF } else { id & 0xFF };
    let crc = checksum(bytes[1..].iter().copied().chain([extra(id)]));
    bytes.extend(crc.to_le_bytes());
    if version_2 && signed {
        bytes.extend([7; 13]);
    }
    bytes
}

/// Frames, damaged frames and noise.
fn stream(choices: &mut Choices<'_>) -> Vec<u8> {
    let mut bytes = Vec::new();
    while !choices.is_over() && bytes.len() < 8192 {
        let kind = choices.byte();
        if kind & 7 == 7 {
            bytes.extend(choices.take(usize::from(kind >> 3)));
            continue;
        }
        let id = choices.one_of(&IDS);
        let header = [choices.byte(), choices.byte() & 3, choices.byte() & 3];
        let longest = if kind & 64 != 0 { 255 } else { 16 };
        let length = usize::from(choices.byte()).min(longest);
        let payload = choices.take(length);
        let mut one = frame(kind & 8 == 0, kind & 16 != 0, header, id, payload);
        let place = usize::from(choices.byte()) % one.len();
        match kind & 7 {
            5 => one.truncate(place),
            6 => one[place] ^= choices.byte(),
            _ => {}
        }
        bytes.extend(one);
    }
    bytes
}

/// A frame is laid out as the guide says and its checksum holds.
fn assert_laid_out(frame: &Frame<'_>) {
    let (bytes, header) = (frame.bytes, frame.header);
    assert!(bytes.len() <= LONGEST_FRAME);
    let (head, id) = match bytes[0] {
        0xFD => (10, u32::from_le_bytes([bytes[7], bytes[8], bytes[9], 0])),
        0xFE => (6, u32::from(bytes[5])),
        other => panic!("a frame begins with {other:#x}"),
    };
    let signed = bytes[0] == 0xFD && bytes[2] & 1 == 1;
    let end = head + usize::from(bytes[1]);
    assert_eq!(bytes.len(), end + 2 + if signed { 13 } else { 0 });
    assert_eq!((header.message, header.signed, header.version), (id, signed, if head == 10 { 2 } else { 1 }));
    assert_eq!([header.sequence, header.system, header.component], bytes[head / 2 - 1..][..3]);
    assert_eq!(frame.payload, &bytes[head..end]);
    assert_eq!(header.known, definition(id).is_some());
    let sent = u16::from_le_bytes([bytes[end], bytes[end + 1]]);
    let holds = |extra| checksum(bytes[1..end].iter().copied().chain([extra])) == sent;
    match definition(id) {
        Some(definition) => assert!(holds(definition.crc_extra), "the checksum of {id}"),
        None => assert!((0..=255).any(holds), "no extra byte fits {id}"),
    }
}

type Seen = Vec<(Standing, Vec<u8>)>;

fn push(framer: &mut Framer, bytes: &[u8], seen: &mut Seen) {
    framer.push(bytes, &mut |frame| {
        assert_laid_out(frame);
        let message = MavlinkMessage::read(frame);
        assert_eq!(message.header, frame.header);
        seen.push((frame.header.standing, frame.bytes.to_vec()));
    });
}

/// What was given is what was counted, byte for byte.
fn assert_kept(framer: &Framer, seen: &Seen, pushed: usize) {
    let Tally { framed, skipped, pending, other } = framer.tally();
    assert_eq!(framed + skipped + pending + other, pushed as u64, "{:?}", framer.tally());
    assert!(pending <= LONGEST_FRAME as u64);
    let accepted = seen.iter().filter(|(standing, _)| *standing != Standing::Witness);
    let (frames, bytes) = accepted.fold((0, 0), |(frames, all), (_, bytes)| (frames + 1, all + bytes.len()));
    assert_eq!((framer.counts().frames, framed), (frames, bytes as u64));
    assert!(framer.counts().unknown_ids <= frames);
}

/// Bytes in = framed + skipped + pending + other; any split gives the same; a checksum holds of each frame.
pub fn framer(data: &[u8]) {
    let mut choices = Choices(data);
    let mode = choices.byte();
    let cuts = [choices.byte(), choices.byte(), choices.byte()].map(|cut| usize::from(cut) + 1);
    let bytes = if mode & 1 == 0 { stream(&mut choices) } else { choices.0.to_vec() };
    let (mut whole, mut split, mut datagrams) = (Framer::stream(), Framer::stream(), Framer::datagrams());
    let (mut seen, mut seen_split, mut seen_datagrams) = (Seen::new(), Seen::new(), Seen::new());
    push(&mut whole, &bytes, &mut seen);
    assert_kept(&whole, &seen, bytes.len());
    let (mut rest, mut pushed) = (&bytes[..], 0);
    for cut in cuts.into_iter().cycle() {
        let (one, behind) = rest.split_at(cut.min(rest.len()));
        pushed += one.len();
        push(&mut split, one, &mut seen_split);
        push(&mut datagrams, one, &mut seen_datagrams);
        assert_kept(&split, &seen_split, pushed);
        assert_kept(&datagrams, &seen_datagrams, pushed);
        rest = behind;
        if rest.is_empty() {
            break;
        }
    }
    assert_eq!(seen, seen_split, "a split changes what is seen");
    assert_eq!((whole.counts(), whole.finished()), (split.counts(), split.finished()));
    assert_eq!(datagrams.tally().pending, 0);
}

/// Header, payload and padding make up the datagram; what RTCP uses is none.
pub fn rtp(data: &[u8]) {
    let mut choices = Choices(data);
    let mut recognition = Recognition::default();
    while !choices.is_over() {
        let length = usize::from(choices.u16() & 0x3FF);
        let mut bytes = choices.take(length).to_vec();
        if let Some(first) = bytes.first_mut()
            && length & 1 == 0
        {
            *first = *first & 0x3F | 0x80;
        }
        let control = is_control(&bytes);
        let Some((header, payload)) = parse(&bytes) else {
            assert!(Packet::read(&bytes).is_none());
            continue;
        };
        assert!(!control && bytes[0] >> 6 == 2 && bytes.len() >= 12);
        let second = u8::from(header.marker) << 7 | header.payload_type;
        let fixed = [&[second][..], &header.sequence.to_be_bytes(), &header.timestamp.to_be_bytes()].concat();
        assert_eq!(bytes[1..8], fixed);
        assert_eq!(bytes[8..12], header.ssrc.to_be_bytes());
        let padding = if bytes[0] & 0x20 == 0 { 0 } else { usize::from(bytes[bytes.len() - 1]) };
        let mut before = 12 + 4 * usize::from(bytes[0] & 15);
        if bytes[0] & 0x10 != 0 {
            before += 4 + 4 * usize::from(u16::from_be_bytes([bytes[before + 2], bytes[before + 3]]));
        }
        assert_eq!(before + payload.len() + padding, bytes.len());
        assert_eq!(payload, &bytes[before..before + payload.len()]);
        let packet = Packet::read(&bytes).expect("it was parsed");
        assert_eq!((packet.header, packet.size as usize), (header, bytes.len()));
        recognition.observe(packet.contents);
        assert!(recognition.codec().is_none_or(|codec| codec < Codec::ALL.len()));
    }
}

/// A classic capture of one link type, each packet of its own second.
fn classic(link: u16, packets: &[&[u8]]) -> Vec<u8> {
    let mut bytes = vec![0xD4, 0xC3, 0xB2, 0xA1, 2, 0, 4, 0];
    bytes.extend([0; 12]);
    bytes.extend(u32::from(link).to_le_bytes());
    for (second, packet) in packets.iter().enumerate() {
        for word in [1_900_000_000 + second as u32, 0, packet.len() as u32, packet.len() as u32] {
            bytes.extend(word.to_le_bytes());
        }
        bytes.extend(*packet);
    }
    bytes
}

/// Nothing is read beyond a header's stated length, addresses stand where the standard puts them, what is inside is a
/// part of the packet.
pub fn radio(data: &[u8]) {
    let mut choices = Choices(data);
    let link = if choices.byte() & 1 == 0 { LinkType::RADIOTAP } else { LinkType::IEEE802_11 };
    let mut packets: Vec<Vec<u8>> = Vec::new();
    while !choices.is_over() && packets.len() < 16 {
        let kind = choices.byte();
        let length = usize::from(choices.byte());
        let mut packet = choices.take(length).to_vec();
        // The version and the length of the radio's header, mostly right.
        if link == LinkType::RADIOTAP && kind & 3 != 0 && packet.len() >= 8 {
            let header = 8 + usize::from(kind >> 2) % (packet.len() - 7);
            packet[0] = 0;
            packet[2..4].copy_from_slice(&(header as u16).to_le_bytes());
        }
        packets.push(packet);
    }
    let slices: Vec<&[u8]> = packets.iter().map(Vec::as_slice).collect();
    let recording = Recording::read("radio.pcap", &classic(link.0, &slices)[..]).expect("a capture");
    let mut wire = Wire::new(&Profile::default());
    let (mut cursor, mut messages, mut place) = (recording.cursor(), Vec::new(), 0);
    while let Some(entry) = recording.next(&mut cursor) {
        let Entry::Record(record) = &entry else { continue };
        messages.clear();
        wire.read(&entry, &mut messages);
        let bytes = slices[place];
        place += 1;
        if let Body::Packet(packet) = &record.body {
            assert_eq!((packet.link, packet.bytes), (link, bytes));
            assert!(packet.datagram().is_none_or(|(_, inside)| inside.len() < bytes.len()));
        }
        let on_air = messages.iter().filter_map(|message| match message {
            Message::OnAir(on_air) => Some(*on_air),
            _ => None,
        });
        for heard in on_air {
            assert_on_air(link, bytes, &heard.radio, heard.frame.as_ref());
        }
    }
    assert_eq!(place, slices.len());
}

fn assert_on_air(
    link: LinkType,
    bytes: &[u8],
    radio: &radiotap::Header,
    frame: Option<&ieee80211::FrameHeader>,
) {
    let stated = if link == LinkType::RADIOTAP { u16::from_le_bytes([bytes[2], bytes[3]]) } else { 0 };
    assert_eq!(radio.length, usize::from(stated));
    let inside = &bytes[radio.length..];
    let Some(frame) = frame else {
        assert!(radio.flags & 0x40 != 0, "only a failed check sequence hides a frame");
        return;
    };
    assert_eq!(
        (inside[0] & 3, &frame.receiver[..], &frame.transmitter[..]),
        (0, &inside[4..10], &inside[10..16])
    );
    assert_eq!(frame.retry, inside[1] & 8 != 0);
    assert_eq!(frame.is_data, inside[0] >> 2 & 3 == 2);
    if let Some((number, fragment)) = frame.sequence {
        assert_eq!(number << 4 | u16::from(fragment), u16::from_le_bytes([inside[22], inside[23]]));
    }
}
