//! Stamps that are damaged, run back or leap, and inputs whose work would outgrow their bytes.
//!
//! The truth is the schedule set here: ten frames a second, every fiftieth of them lost. The budget is one of steps: whole
//! seconds that the core went through one by one.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

mod frames;

use std::path::Path;
use std::sync::Arc;

use fadewatch::capture::{PcapngWriter, Recording};
use fadewatch::monitor::{LinkMonitor, RecordingFacts};
use fadewatch::profile::Profile;
use fadewatch::record::{
    Body, Direction, Entry, InterfaceId, InterfaceInfo, InterfaceKind, MarkKind, Note, Record, SessionInfo,
};
use fadewatch::session::player::Player;
use fadewatch::summary::{Earlier, Summary};
use fadewatch::units::Nanos;
use frames::frame;

const START: Nanos = Nanos::from_secs(1_777_000_000);
const SECOND: Nanos = Nanos::from_secs(1);
const HOUR: Nanos = Nanos::from_secs(3600);
const YEAR: Nanos = Nanos::from_secs(365 * 86_400);
/// Steps that a record may cost.
const STEPS: u64 = 22;

fn opening() -> [Entry<'static>; 3] {
    let info = |name: &str, kind| InterfaceInfo { name: name.to_owned(), kind, description: None };
    [
        Entry::Session(SessionInfo { has_wall_clock: true, ..SessionInfo::default() }),
        Entry::Interface(InterfaceId(0), info("vehicle", InterfaceKind::Stream)),
        Entry::Interface(InterfaceId(1), info("marks", InterfaceKind::Marks)),
    ]
}

/// What a record holds: a frame's bytes, or a note.
#[derive(Clone)]
enum What {
    Bytes(Vec<u8>),
    Note(Note),
}

type Row = (Nanos, What);

fn entry((at, what): &Row) -> Entry<'_> {
    let (interface, body) = match what {
        What::Bytes(bytes) => (InterfaceId(0), Body::Stream(bytes)),
        What::Note(note) => (InterfaceId(1), Body::Note(note.clone())),
    };
    Entry::Record(Record { at: *at, interface, direction: Direction::Inbound, body })
}

fn heartbeat(number: u64) -> What {
    What::Bytes(frame(number, (1, 1), 0, 50, &[0, 0, 0, 0, 2, 3, 0, 4, 3]))
}

/// So many heartbeats at 10 Hz, but every fiftieth.
fn heartbeats(count: u64) -> Vec<Row> {
    let sent = (0..count).filter(|number| number % 50 != 49);
    sent.map(|number| (START + Nanos::from_millis(100 * number as i64), heartbeat(number))).collect()
}

fn ticks(seconds: i64) -> impl Iterator<Item = Row> {
    (0..seconds).map(|second| (START + Nanos::from_secs(second), What::Note(Note::Tick)))
}

fn play(rows: &[Row]) -> (LinkMonitor, Summary) {
    let mut monitor = LinkMonitor::new(Arc::default(), Arc::from([]));
    for entry in opening().iter().chain(&rows.iter().map(entry).collect::<Vec<_>>()) {
        monitor.handle(entry);
    }
    let summary = monitor.summary(&RecordingFacts::default());
    (monitor, summary)
}

fn kinds(summary: &Summary) -> Vec<&str> {
    summary.events.iter().map(|event| event.event.kind()).filter(|kind| *kind != "phase").collect()
}

fn counts(summary: &Summary) -> (u64, u64) {
    let stream = summary.streams.iter().find(|stream| stream.system == 1).unwrap();
    (stream.received, stream.lost.expect("followed"))
}

fn write(rows: &[Row], path: &Path) {
    let mut writer = PcapngWriter::new(std::fs::File::create(path).unwrap());
    for entry in opening().iter().chain(&rows.iter().map(entry).collect::<Vec<_>>()) {
        writer.write(entry).unwrap();
    }
    writer.flush().unwrap();
}

/// The stamps of a written recording's packets, high and low half, are made so much.
fn damage(path: &Path, packet: usize, high_low: [u32; 2]) {
    let mut bytes = std::fs::read(path).unwrap();
    let (mut place, mut packets) = (0, 0);
    while place < bytes.len() {
        let word = |at: usize| u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap());
        let (kind, length) = (word(place), word(place + 4) as usize);
        if kind == 6 {
            if packets == packet {
                bytes[place + 12..place + 16].copy_from_slice(&high_low[0].to_le_bytes());
                bytes[place + 16..place + 20].copy_from_slice(&high_low[1].to_le_bytes());
            }
            packets += 1;
        }
        place += length;
    }
    std::fs::write(path, bytes).unwrap();
}

#[test]
fn one_damaged_stamp_in_a_file_moves_no_time() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.pcapng");
    let rows = heartbeats(3000);
    let clean = play(&rows).1;
    for high_low in [[u32::MAX, u32::MAX], [1 << 31, 0], [0, 0], [0x3000_0000, 5]] {
        for packet in [0, 1, 1400, rows.len() - 1] {
            write(&rows, &path);
            damage(&path, packet, high_low);
            let recording = Arc::new(Recording::open(&path).unwrap());
            let mut player = Player::new(recording, Arc::default(), Earlier::default());
            assert!(player.advance(Nanos::MAX, usize::MAX));
            let summary = player.summary();
            let case = format!("{high_low:?} at {packet}");
            assert!(player.monitor().seconds_walked() <= 400, "{case}");
            assert_eq!(counts(&summary), counts(&clean), "{case}");
            assert!((summary.recording.duration_s - 299.8).abs() < 0.5, "{case}");
            let [word] = kinds(&summary)[..] else { panic!("{case}: {:?}", summary.events) };
            assert!(
                if packet == 0 { word.starts_with("stamp-") } else { word == "stamp-off" },
                "{case}: {word}"
            );
            let utc = summary.recording.start_utc.unwrap();
            assert!(utc.starts_with("2026-"), "{case}: {utc}");
            // A replay plays it at the same pace.
            player.jump(150.0);
            assert!(player.advance(Nanos::from_secs(150), usize::MAX));
            assert!((149.0..=150.0).contains(&player.position_s()), "{case}: {}", player.position_s());
        }
    }
}

#[test]
fn a_clock_at_its_end_goes_on() {
    let base = Nanos(i64::MAX) - Nanos::from_secs(100);
    let rows: Vec<Row> = (0..100)
        .flat_map(|second: i64| {
            let at = base + Nanos::from_secs(second);
            [(at, What::Note(Note::Tick)), (at, heartbeat(second as u64))]
        })
        .collect();
    let (monitor, summary) = play(&rows);
    assert_eq!((summary.recording.duration_s, counts(&summary)), (99.0, (100, 0)));
    assert_eq!(summary.recording.start_utc.unwrap()[..4], *"2262");
    assert!(monitor.seconds_walked() <= 99);
    // And where it can go no further.
    let rows: Vec<Row> = (0..100).map(|number| (Nanos::MAX, heartbeat(number))).collect();
    let (monitor, summary) = play(&rows);
    assert_eq!((summary.recording.duration_s, monitor.seconds_walked()), (0.0, 0));
}

/// Whatever the holes are, whether the recording has ticks, and whatever stands in it.
#[test]
fn holes_cost_what_their_records_are_worth() {
    let mut chance = 10_001_u64;
    for length in [25 * HOUR.0, 23 * HOUR.0, 2 * HOUR.0, 30 * YEAR.0, 0] {
        for has_ticks in [false, true] {
            let mut at = START;
            let mut rows: Vec<Row> = ticks(if has_ticks { 3 } else { 0 }).collect();
            for number in 0..600 {
                chance = chance.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                let step = if length == 0 { (chance >> 1) as i64 } else { length };
                at = if number % 3 == 0 { at + Nanos(step) } else { at + SECOND };
                rows.push((at, heartbeat(number)));
            }
            let (monitor, summary) = play(&rows);
            let steps = monitor.seconds_walked();
            assert!(steps <= STEPS * rows.len() as u64, "{length}: {steps} steps");
            assert_eq!(counts(&summary).0, 600);
        }
    }
}

#[test]
fn a_clock_set_back_for_a_part_is_one_event_and_loses_nothing() {
    let rows = heartbeats(6000);
    let clean = play(&rows).1;
    for by in [10 * SECOND.0, 600 * SECOND.0, 20 * HOUR.0] {
        let back = |number: usize| if (2000..4000).contains(&number) { Nanos(by) } else { Nanos::ZERO };
        let moved: Vec<Row> =
            rows.iter().enumerate().map(|(number, (at, what))| (*at - back(number), what.clone())).collect();
        let summary = play(&moved).1;
        assert_eq!(kinds(&summary), ["stamp-back"], "{by}");
        assert_eq!(counts(&summary), counts(&clean), "{by}");
        assert!((summary.recording.duration_s - clean.recording.duration_s).abs() < 1.0, "{by}");
    }
}

/// One that is set ahead by years, as where a network or a satellite first tells the time.
#[test]
fn a_clock_that_learns_the_date_is_one_event() {
    let rows = heartbeats(6000);
    let clean = play(&rows).1;
    let moved: Vec<Row> = rows
        .iter()
        .enumerate()
        .map(|(number, (at, what))| (if number < 500 { *at - YEAR - YEAR } else { *at }, what.clone()))
        .collect();
    let summary = play(&moved).1;
    assert_eq!(kinds(&summary), ["stamp-ahead"]);
    assert_eq!(counts(&summary), counts(&clean));
    assert!((summary.recording.duration_s - clean.recording.duration_s).abs() < 1.0);
}

/// A session whose computer slept for two days: its ticks say that the time did pass.
#[test]
fn with_ticks_a_hole_is_a_hole() {
    let mut rows: Vec<Row> = ticks(30).collect();
    rows.extend(ticks(30).map(|(at, what)| (at + HOUR + Nanos(47 * HOUR.0), what)));
    let summary = play(&rows).1;
    assert_eq!(summary.recording.duration_s, 48.0 * 3600.0 + 29.0);
    let mut kinds = kinds(&summary);
    kinds.sort_unstable();
    assert_eq!(kinds, ["hole", "stall"]);
}

/// A day of silence or less is one, whatever comes: nothing is taken out of it.
#[test]
fn a_silence_is_no_step() {
    for silence_s in [2, 59, 3600, 86_000] {
        let rows: Vec<Row> = heartbeats(200)
            .into_iter()
            .enumerate()
            .map(|(number, (at, what))| {
                (if number < 100 { at } else { at + Nanos::from_secs(silence_s) }, what)
            })
            .collect();
        let summary = play(&rows).1;
        assert!(!kinds(&summary).iter().any(|kind| kind.starts_with("stamp")), "{silence_s}");
        assert!((summary.recording.duration_s - 19.8 - silence_s as f64).abs() < 0.2, "{silence_s}");
    }
}

/// STATUSTEXT (253) of severity 4.
fn status_text(number: u64) -> What {
    let mut payload = vec![4];
    payload.extend(format!("low {number}").bytes());
    payload.resize(51, 0);
    What::Bytes(frame(number, (1, 1), 253, 83, &payload))
}

#[test]
fn a_talkative_vehicle_hides_no_mark() {
    let mut rows = heartbeats(10);
    let at = |number: i64| START + SECOND + Nanos::from_millis(20 * number);
    rows.extend((0..5000).map(|number| (at(number), status_text(number as u64 + 10))));
    let mark = Note::Mark { kind: MarkKind::PictureFroze, text: String::new() };
    rows.push((at(5001), What::Note(mark)));
    let summary = play(&rows).1;
    assert_eq!(kinds(&summary).last(), Some(&"mark"));
    let told = kinds(&summary).iter().filter(|kind| **kind == "vehicle").count();
    let [left_out] = &summary.events_left_out[..] else { panic!("{:?}", summary.events_left_out) };
    assert_eq!((left_out.kind.as_str(), left_out.count), ("vehicle", 5000 - told as u64));
    assert!(told >= 256);
    let json = serde_json::to_value(&summary).unwrap();
    assert_eq!(json["events_left_out"][0]["count"], 5000 - told as u64);
    // Where nothing is left out, that is said too.
    assert_eq!(play(&heartbeats(10)).1.events_left_out, []);
}

#[test]
fn a_profile_of_too_many_links_is_refused() {
    let link = |link: usize| format!("[[link]]\nname = \"l{link}\"\nrole = \"telemetry\"\n");
    let links = |count: usize| (0..count).map(link).collect::<Vec<_>>().concat();
    assert!(Profile::parse(&links(64)).is_ok());
    let error = Profile::parse(&links(20_000)).unwrap_err().to_string();
    assert!(error.starts_with("line 194: 20000 links"), "{error}");
}

/// Holes of any size, told twice: what is lost at all cannot run over.
#[test]
fn holes_beyond_all_bytes_are_added_up() {
    let lost = |bytes| (START, What::Note(Note::BytesLost { bytes, reach: None }));
    let (_, summary) = play(&[lost(u64::MAX), lost(u64::MAX), lost(1)]);
    assert_eq!(kinds(&summary), ["recorder"; 3]);
}
