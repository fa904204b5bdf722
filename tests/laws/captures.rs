//! Laws of recordings: entries stay within their file, come in bounded number, and are the same however the bytes come and
//! after they are written again.
//!
//! Formats: draft-ietf-opsawg-pcap and draft-ietf-opsawg-pcapng, written anew here.

use fadewatch::capture::{PcapngWriter, Recording, StreamDecoder, StreamFormat};
use fadewatch::record::text::is_printable;
use fadewatch::record::{Body, Entry, InterfaceId, InterfaceKind};
use fadewatch::units::Nanos;

use super::choices::Choices;
use super::frames::frame;

const LINKS: [u16; 10] = [1, 101, 105, 113, 127, 147, 148, 149, 276, 0];
const STAMPS: [u64; 6] = [0, 1, 1_900_000_000_000_000_000, 1 << 63, u64::MAX, 1 << 32];
const COMMENTS: [&str; 17] = [
    "fadewatch tick",
    "fadewatch end",
    "fadewatch mark picture-froze",
    "fadewatch mark remark \u{1b}[2J",
    "fadewatch source-down if0 gone",
    "fadewatch source-up #0",
    "fadewatch host-drops if0 18446744073709551615",
    "fadewatch joystick if1 24 little 0:-32768:32767:0,1:0:0:5 stick",
    "fadewatch bytes-lost 18446744073709551615 9223372036854775807",
    "fadewatch stalled -9223372036854775808",
    "fadewatch clock-step 9223372036854775807",
    "fadewatch limits {\"thresholds\":[]}",
    "fadewatch transmits in the path",
    "fadewatch acknowledged video",
    "fadewatch comment fadewatch tick",
    "fadewatch no-wall-clock",
    "fadewatch tag antenna=panel",
];

/// A packet behind a link header of this type: a datagram, an 802.11 frame, or what comes.
fn packet(choices: &mut Choices<'_>, link: u16) -> Vec<u8> {
    let kind = choices.byte();
    let length = usize::from(choices.byte());
    let inside = match kind & 3 {
        0 => frame(
            true,
            false,
            [choices.byte(), 1, 1],
            choices.one_of(&[0, 30, 109, 147]),
            choices.take(length),
        ),
        1 => [&[0x80, 0xE0, 0, choices.byte(), 0, 0, 0, choices.byte(), 1, 2, 3, 4], choices.take(length)]
            .concat(),
        _ => choices.take(length).to_vec(),
    };
    if kind & 4 != 0 || matches!(link, 147..=149) {
        return inside;
    }
    let udp =
        [&[0x38, 0xD6, 0x13, 0x8C], &(8 + inside.len() as u16).to_be_bytes()[..], &[0, 0], &inside].concat();
    let mut ip = vec![0x45, 0];
    ip.extend((20 + udp.len() as u16).to_be_bytes());
    ip.extend([0, 0, kind & 0x20, kind & 0x40, 64, 17, 0, 0, 192, 0, 2, 1, 192, 0, 2, 2]);
    ip.extend(udp);
    let snap: &[u8] = &[0xAA, 0xAA, 3, 0, 0, 0, 8, 0];
    let air = [&[8, 2, 0, 0], &[2; 18][..], &[choices.byte(), 0], snap].concat();
    let before = match link {
        1 => [&[2; 12][..], &[8, 0]].concat(),
        105 => air,
        127 => [&[0, 0, 9, 0, 0x20, 0, 0, 0, 0xC0], &air[..]].concat(),
        113 => [&[0; 14][..], &[8, 0]].concat(),
        276 => [&[8, 0][..], &[0; 18]].concat(),
        0 => vec![2, 0, 0, 0],
        _ => Vec::new(),
    };
    let mut packet = [before, ip].concat();
    if kind & 8 != 0 {
        packet.truncate(usize::from(choices.byte()));
    }
    if kind & 16 != 0 && !packet.is_empty() {
        let place = usize::from(choices.byte()) % packet.len();
        packet[place] = choices.byte();
    }
    packet
}

struct Order(bool);

impl Order {
    fn two(&self, number: u16) -> [u8; 2] {
        if self.0 { number.to_be_bytes() } else { number.to_le_bytes() }
    }

    fn four(&self, number: u32) -> [u8; 4] {
        if self.0 { number.to_be_bytes() } else { number.to_le_bytes() }
    }

    fn option(&self, code: u16, value: &[u8], out: &mut Vec<u8>) {
        out.extend(self.two(code));
        out.extend(self.two(value.len() as u16));
        out.extend(value);
        out.resize(out.len().next_multiple_of(4), 0);
    }

    /// A block; its second length is now and then a wrong one.
    fn block(&self, choices: &mut Choices<'_>, kind: u32, body: &[u8], out: &mut Vec<u8>) {
        let length = (12 + body.len().next_multiple_of(4)) as u32;
        out.extend(self.four(kind));
        out.extend(self.four(length));
        out.extend(body);
        out.resize(out.len().next_multiple_of(4), 0);
        out.extend(self.four(if choices.once_in(64) { choices.u32() } else { length }));
    }
}

fn stamp(choices: &mut Choices<'_>, before: &mut u64) -> u64 {
    let kind = choices.byte();
    *before = match kind & 15 {
        0..=12 => before.wrapping_add(u64::from(choices.u16()) << (kind >> 3)),
        13 => choices.one_of(&STAMPS),
        14 => choices.u64(),
        _ => before.wrapping_sub(u64::from(choices.u32())),
    };
    *before
}

pub fn build_pcapng(choices: &mut Choices<'_>) -> Vec<u8> {
    let (mut bytes, mut order, mut at) = (Vec::new(), Order(choices.byte() & 1 == 1), STAMPS[2]);
    let mut links = Vec::new();
    let section = |choices: &mut Choices<'_>, order: &Order, bytes: &mut Vec<u8>| {
        let mut body = order.four(0x1A2B_3C4D).to_vec();
        body.extend([order.two(1), order.two(0)].concat());
        body.extend([0xFF; 8]);
        while choices.once_in(3) {
            order.option(1, choices.one_of(&COMMENTS[14..]).as_bytes(), &mut body);
        }
        order.block(choices, 0x0A0D_0D0A, &body, bytes);
    };
    section(choices, &order, &mut bytes);
    while !choices.is_over() && bytes.len() < 16_384 {
        let mut body = Vec::new();
        let kind = choices.byte();
        let place = usize::from(kind >> 4) % links.len().max(1);
        let link = links.get(place).copied().unwrap_or(1);
        match kind & 15 {
            0 => {
                if choices.once_in(2) {
                    order = Order(!order.0);
                }
                links.clear();
                section(choices, &order, &mut bytes);
            }
            1..=3 => {
                let link = choices.one_of(&LINKS);
                links.push(link);
                body.extend(order.two(link));
                body.extend([0; 6]);
                if choices.once_in(2) {
                    order.option(
                        2,
                        choices.one_of(&["if0", "vehicle", "marks", "a b%"]).as_bytes(),
                        &mut body,
                    );
                }
                order.option(9, &[choices.one_of(&[6, 9, 0, 3, 20, 0x80, 0xFF, 9])], &mut body);
                if choices.once_in(8) {
                    order.option(14, &choices.u64().to_le_bytes(), &mut body);
                }
                order.block(choices, 1, &body, &mut bytes);
            }
            4 => {
                let length = choices.below(40);
                order.block(choices, 5, choices.0.get(..length).unwrap_or_default(), &mut bytes);
            }
            5 => {
                let packet = packet(choices, link);
                order.block(
                    choices,
                    3,
                    &[&order.four(packet.len() as u32), &packet[..]].concat(),
                    &mut bytes,
                );
            }
            6 => {
                let (kind, length) = (choices.u32(), choices.below(64));
                let body = choices.take(length);
                order.block(choices, kind, body, &mut bytes);
            }
            other => {
                let at = stamp(choices, &mut at);
                let packet = if other > 12 { Vec::new() } else { packet(choices, link) };
                let captured = if choices.once_in(64) { choices.u32() } else { packet.len() as u32 };
                for word in [place as u32, (at >> 32) as u32, at as u32, captured, packet.len() as u32] {
                    body.extend(order.four(word));
                }
                body.extend(&packet);
                body.resize(body.len().next_multiple_of(4), 0);
                let options = if other > 12 { choices.below(4) } else { usize::from(choices.once_in(8)) };
                for _ in 0..options {
                    if choices.once_in(8) {
                        order.option(choices.u16() & 7, choices.take(8), &mut body);
                    } else {
                        order.option(1, choices.one_of(&COMMENTS).as_bytes(), &mut body);
                    }
                }
                order.block(choices, 6, &body, &mut bytes);
            }
        }
    }
    bytes
}

pub fn build_pcap(choices: &mut Choices<'_>) -> Vec<u8> {
    let kind = choices.byte();
    let order = Order(kind & 1 == 1);
    let link = choices.one_of(&LINKS);
    let mut bytes = order.four(if kind & 2 == 0 { 0xA1B2_C3D4 } else { 0xA1B2_3C4D }).to_vec();
    bytes.extend([0; 16]);
    bytes.extend(order.four(u32::from(link)));
    let mut at = STAMPS[2] / 1_000_000_000;
    while !choices.is_over() && bytes.len() < 16_384 {
        let seconds = stamp(choices, &mut at) as u32;
        let packet = packet(choices, link);
        let captured = if choices.once_in(64) { choices.u32() } else { packet.len() as u32 };
        for word in [seconds, choices.u32(), captured, captured] {
            bytes.extend(order.four(word));
        }
        bytes.extend(packet);
    }
    bytes
}

fn raw_or(data: &[u8], build: impl Fn(&mut Choices<'_>) -> Vec<u8>) -> ([usize; 2], Vec<u8>) {
    let mut choices = Choices(data);
    let mode = choices.byte();
    let cuts = [choices.byte(), choices.byte()].map(|cut| usize::from(cut) + 1);
    (cuts, if mode & 1 == 0 { build(&mut choices) } else { choices.0.to_vec() })
}

/// Of classic captures.
pub fn pcap(data: &[u8]) {
    let (cuts, bytes) = raw_or(data, build_pcap);
    entries_are_sound(&bytes, cuts);
}

/// Of captures in blocks.
pub fn pcapng(data: &[u8]) {
    let (cuts, bytes) = raw_or(data, build_pcapng);
    entries_are_sound(&bytes, cuts);
}

/// The bytes of a record, notes aside.
fn bytes_of<'a>(entry: &Entry<'a>) -> &'a [u8] {
    match entry {
        Entry::Record(record) => match record.body {
            Body::Stream(bytes) | Body::Datagram { bytes, .. } => bytes,
            Body::Packet(packet) => packet.bytes,
            Body::Other | Body::Note(_) => &[],
        },
        _ => &[],
    }
}

fn told(entries: &mut Vec<String>, entry: &Entry<'_>) {
    entries.push(format!("{entry:?}"));
}

/// Opens bytes; an error is one that can be shown.
pub fn opened(bytes: &[u8]) -> Option<Recording> {
    match Recording::read("any.pcapng", bytes) {
        Ok(recording) => Some(recording),
        Err(error) => {
            assert!(error.to_string().chars().all(is_printable), "{error}");
            None
        }
    }
}

/// Whether an interface of this kind holds such bodies; what a stranger's capture has on one called `marks` is read too.
fn fits(body: &Body<'_>, kind: InterfaceKind) -> bool {
    use InterfaceKind::{Captured, Datagram, Joystick, Marks, Stream, Wireless};
    match body {
        _ if kind == Marks => true,
        Body::Stream(_) => matches!(kind, Stream | Joystick | Wireless),
        Body::Packet(packet) => kind == Captured(packet.link),
        Body::Datagram { .. } => kind == Datagram,
        Body::Other | Body::Note(_) => true,
    }
}

/// Entries of a recording: bounded by its bytes, each of an interface that was described before.
pub fn entries_are_sound(bytes: &[u8], cuts: [usize; 2]) {
    let Some(recording) = opened(bytes) else { return };
    let (mut cursor, mut entries, mut sum, mut progress) = (recording.cursor(), Vec::new(), 0, 0.0);
    let mut known: Vec<(InterfaceId, InterfaceKind)> = Vec::new();
    let mut writer = PcapngWriter::new(Vec::new());
    let mut written = Vec::new();
    while let Some(entry) = recording.next(&mut cursor) {
        told(&mut entries, &entry);
        // A comment takes 4 bytes at least, a record 16, a block 12; two entries open a file.
        assert!(entries.len() <= bytes.len() / 4 + 2, "{} entries of {} bytes", entries.len(), bytes.len());
        sum += bytes_of(&entry).len();
        match &entry {
            // A live session may describe a source anew.
            Entry::Interface(id, info) => known.push((*id, info.kind)),
            Entry::Record(record) => {
                let mut kinds = known.iter().filter(|(id, _)| *id == record.interface).map(|(_, kind)| *kind);
                assert!(kinds.any(|kind| fits(&record.body, kind)), "{record:?}");
            }
            Entry::Session(_) => {}
        }
        let now = recording.progress(&cursor);
        assert!((progress..=1.0).contains(&now), "from {progress} to {now}");
        progress = now;
        if writer.write(&entry).is_ok() {
            written.push(bytes_of(&entry).to_vec());
        }
    }
    assert!(sum <= bytes.len(), "{sum} bytes in entries, {} in the file", bytes.len());
    assert_eq!(recording.progress(&cursor), 1.0);
    assert!(recording.next(&mut cursor).is_none(), "the end is the end");
    assert_grows_to(bytes, cuts, &entries);
    assert_written(&writer.into_inner(), &written);
}

/// The same entries come of it while it grows.
fn assert_grows_to(bytes: &[u8], cuts: [usize; 2], whole: &[String]) {
    let (mut decoder, mut entries, mut rest) = (StreamDecoder::new(), Vec::new(), bytes);
    for cut in cuts.into_iter().cycle() {
        let (one, behind) = rest.split_at(cut.min(rest.len()));
        decoder.push(Nanos::ZERO, one, &mut |entry| told(&mut entries, entry));
        rest = behind;
        if rest.is_empty() {
            break;
        }
    }
    decoder.finish(Nanos::ZERO, &mut |entry| told(&mut entries, entry));
    if matches!(decoder.format(), StreamFormat::Capture | StreamFormat::Damaged) {
        assert_eq!(entries, whole, "a growing file");
    }
}

/// What was written again holds the same bytes in the same order.
fn assert_written(file: &[u8], bodies: &[Vec<u8>]) {
    if file.is_empty() {
        return;
    }
    let recording = Recording::read("again.pcapng", file).expect("what was written opens");
    let (mut cursor, mut again) = (recording.cursor(), Vec::<u8>::new());
    while let Some(entry) = recording.next(&mut cursor) {
        again.extend(bytes_of(&entry));
    }
    assert!(!recording.facts(&cursor).truncated);
    assert_eq!(again, bodies.concat(), "written again");
}
