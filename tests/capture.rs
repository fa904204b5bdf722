//! Reading and writing recordings, on published vectors and on files that this test builds.
#![expect(clippy::unwrap_used, reason = "a test stops at what it cannot read")]

use std::path::{Path, PathBuf};

use fadewatch::capture::{CaptureError, Recording};
use fadewatch::record::{Body, Entry, InterfaceKind, Note};
use serde_json::Value;

fn hex(text: &str) -> Vec<u8> {
    (0..text.len()).step_by(2).map(|at| u8::from_str_radix(&text[at..at + 2], 16).unwrap()).collect()
}

fn vectors() -> Value {
    serde_json::from_str(include_str!("vectors/pcapng.json")).unwrap()
}

fn open(bytes: &[u8]) -> Result<(tempfile::NamedTempFile, Recording), CaptureError> {
    let file = tempfile::NamedTempFile::new().unwrap();
    std::fs::write(file.path(), bytes).unwrap();
    Recording::open(file.path()).map(|recording| (file, recording))
}

/// What a record holds, short enough to compare: stamp, interface, source port, bytes or a word.
fn describe(entry: &Entry<'_>) -> String {
    match entry {
        Entry::Session(info) => format!("session {:?} {}", info.tags, info.has_wall_clock),
        Entry::Interface(id, info) => format!("interface {} {} {:?}", id.0, info.name, info.kind),
        Entry::Record(record) => {
            let body = match &record.body {
                Body::Stream(bytes) => format!("stream {bytes:02x?}"),
                Body::Datagram { flow, bytes } => {
                    format!("{} > {} {bytes:02x?}", flow.source, flow.destination)
                }
                other => format!("{other:?}"),
            };
            format!("{} {} {:?} {body}", record.at.0, record.interface.0, record.direction)
        }
    }
}

fn read_all(bytes: &[u8]) -> (Vec<String>, bool) {
    let (_file, recording) = open(bytes).unwrap();
    let mut cursor = recording.cursor();
    let mut entries = Vec::new();
    while let Some(entry) = recording.next(&mut cursor) {
        entries.push(describe(&entry));
    }
    (entries, recording.facts(&cursor).truncated)
}

fn data(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data").join(name)
}

// Oracle: bytes by hand from the pcapng draft, read back with dpkt 1.9.8 (see the vector file).
#[test]
fn the_published_pcapng_is_read_to_the_nanosecond() {
    let vectors = vectors();
    let expect = &vectors["expect"];
    let (_file, recording) = open(&hex(vectors["pcapng_hex"].as_str().unwrap())).unwrap();
    let mut cursor = recording.cursor();
    assert!(matches!(recording.next(&mut cursor), Some(Entry::Session(info)) if info.has_wall_clock));
    let Some(Entry::Interface(_, info)) = recording.next(&mut cursor) else { panic!("no interface") };
    assert_eq!((info.name.as_str(), info.kind), ("if0", InterfaceKind::Datagram));
    let Some(Entry::Record(record)) = recording.next(&mut cursor) else { panic!("no record") };
    assert_eq!(record.at.0, expect["timestamp_ns"].as_i64().unwrap());
    let Body::Datagram { flow, bytes } = record.body else { panic!("no datagram") };
    assert_eq!(bytes, hex(expect["udp_payload_hex"].as_str().unwrap()));
    assert_eq!((flow.source.to_string().as_str(), flow.destination.port()), ("127.0.0.1:14550", 14550));
    let Some(Entry::Record(record)) = recording.next(&mut cursor) else { panic!("no comment") };
    assert_eq!(record.body, Body::Note(Note::Foreign { text: "stick step".to_owned() }));
    assert!(recording.next(&mut cursor).is_none());
    assert!(!recording.facts(&cursor).truncated);
}

#[test]
fn a_cut_pcapng_gives_its_whole_blocks_and_says_so() {
    let vectors = vectors();
    let whole = hex(vectors["pcapng_hex"].as_str().unwrap());
    for case in vectors["truncated"].as_array().unwrap() {
        let cut = case["bytes"].as_u64().unwrap() as usize;
        let (entries, truncated) = read_all(&whole[..cut]);
        assert_eq!((entries.len(), truncated), (2, true), "cut at {cut}");
    }
    assert!(!read_all(&whole[..60]).1, "cut at a block's end");
}

#[test]
fn classic_pcap_in_each_byte_order_and_unit() {
    let vectors = vectors();
    let payload = format!("{:02x?}", hex(vectors["expect"]["udp_payload_hex"].as_str().unwrap()));
    for (name, nanos) in [
        ("little_us", 1_700_000_000_123_456_000_i64),
        ("little_ns", 1_700_000_000_123_456_789),
        ("big_us", 1_700_000_000_123_456_000),
    ] {
        let (entries, truncated) = read_all(&hex(vectors["classic_pcap"][name].as_str().unwrap()));
        assert_eq!(
            entries[2],
            format!("{nanos} 0 Inbound 127.0.0.1:14550 > 127.0.0.1:14550 {payload}"),
            "{name}"
        );
        assert_eq!((entries.len(), truncated), (3, false));
    }
}

// Oracle: tests/data/README.md: 407 RTP packets, none lost.
#[test]
fn real_video_over_ethernet() {
    let recording = Recording::open(&data("rtp_h265.pcap")).unwrap();
    let mut cursor = recording.cursor();
    let mut sequence = Vec::new();
    while let Some(entry) = recording.next(&mut cursor) {
        if let Entry::Record(record) = entry
            && let Body::Datagram { bytes, .. } = record.body
        {
            sequence.push(u16::from_be_bytes([bytes[2], bytes[3]]));
        }
    }
    assert_eq!(sequence.len(), 407);
    assert!(sequence.windows(2).all(|pair| pair[1] == pair[0].wrapping_add(1)));
    assert!((recording.progress(&cursor) - 1.0).abs() < 1e-9);
}

#[test]
fn what_is_no_telemetry_is_refused_with_a_reason() {
    for (bytes, reason) in [
        (&b""[..], "it is empty"),
        (b"altitude 12 m\nspeed 3 m/s\n", "it is text"),
        (&[0x81, 0, 1, 2, 3, 200, 7, 7, 9, 250, 0x90][..], "no MAVLink frame was found in it"),
        (b"\x0a\x0d\x0d\x0a\x1c\0\0\0", "it ends inside its first block"),
    ] {
        let error = open(bytes).unwrap_err().to_string();
        assert!(error.contains(reason) && !error.contains('\n'), "{error}");
    }
    assert!(matches!(Recording::open(Path::new("/nowhere/at/all")), Err(CaptureError::Read { .. })));
}
