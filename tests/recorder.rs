//! Writing recordings: what is written reads back the same, whatever the disk does.
#![expect(clippy::unwrap_used, reason = "a test stops at what it cannot read")]

use std::collections::BTreeMap;
use std::io;
use std::io::Write;
use std::net::{IpAddr, SocketAddr};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Condvar, Mutex};
use std::time::Duration;

use fadewatch::capture::recorder::Pace;
use fadewatch::capture::recorder::storage::{DiskSync, Storage};
use fadewatch::capture::{PcapngWriter, Recorder, Recording, StreamDecoder};
use fadewatch::record::health_reading::{HealthPart, HealthRow};
use fadewatch::record::joystick_layout::{JoystickAxis, JoystickLayout};
use fadewatch::record::{
    Body, Direction, Entry, Flow, InterfaceId, InterfaceInfo, InterfaceKind, MarkKind, Note, OwnedBody,
    Record, SessionInfo,
};
use fadewatch::units::Nanos;
use proptest::prelude::*;

const KINDS: [(&str, InterfaceKind); 6] = [
    ("vehicle", InterfaceKind::Stream),
    ("video", InterfaceKind::Datagram),
    ("hand set %#=", InterfaceKind::Datagram),
    ("#2", InterfaceKind::Stream),
    ("marks", InterfaceKind::Marks),
    ("sticks", InterfaceKind::Joystick),
];

/// A record without its bytes borrowed.
#[derive(Clone, Debug)]
enum Content {
    Stream(Vec<u8>),
    Datagram(Flow, Vec<u8>),
    Note(Note),
}

#[derive(Clone, Debug)]
struct Written {
    at: i64,
    interface: u16,
    outbound: bool,
    content: Content,
}

impl Written {
    fn entry(&self) -> Entry<'_> {
        Entry::Record(Record {
            at: Nanos(self.at),
            interface: InterfaceId(self.interface),
            direction: if self.outbound { Direction::Outbound } else { Direction::Inbound },
            body: match &self.content {
                Content::Stream(bytes) => Body::Stream(bytes),
                Content::Datagram(flow, bytes) => Body::Datagram { flow: *flow, bytes },
                Content::Note(note) => Body::Note(note.clone()),
            },
        })
    }
}

fn words() -> impl Strategy<Value = String> {
    prop_oneof![Just(String::new()), "\\PC{1,40}", "fadewatch [a-z ]{0,20}", " [a-z\\n\\t]{0,9} "]
}

fn note() -> impl Strategy<Value = Note> {
    let interface = || (0..7_u16).prop_map(InterfaceId);
    let kind = prop_oneof![
        Just(MarkKind::PictureFroze),
        Just(MarkKind::PictureShook),
        Just(MarkKind::HandsetHere),
        Just(MarkKind::Drill),
        Just(MarkKind::Remark)
    ];
    prop_oneof![
        Just(Note::Tick),
        Just(Note::End),
        (kind, words()).prop_map(|(kind, text)| Note::Mark { kind, text }),
        (interface(), words()).prop_map(|(interface, reason)| Note::SourceDown { interface, reason }),
        interface().prop_map(|interface| Note::SourceUp { interface }),
        (interface(), any::<u64>()).prop_map(|(interface, total)| Note::HostDrops { interface, total }),
        prop::collection::vec(health(), 0..9).prop_map(|rows| Note::Health { rows }),
        (interface(), layout()).prop_map(|(interface, layout)| Note::Joystick { interface, layout }),
        (any::<u64>(), any::<Option<i64>>())
            .prop_map(|(bytes, reach)| Note::BytesLost { bytes, reach: reach.map(Nanos) }),
        any::<i64>().prop_map(|reach| Note::Stalled { reach: Nanos(reach) }),
        words().prop_map(|json| Note::Limits { json }),
        any::<i64>().prop_map(|by| Note::WallClockStep { by: Nanos(by) }),
        words().prop_map(|what| Note::Transmits { what }),
        words().prop_map(|link| Note::Acknowledged { link }),
        words().prop_map(|text| Note::Foreign { text }),
    ]
}

fn health() -> impl Strategy<Value = HealthRow> {
    let parts = HealthPart::WORDS.map(|(part, _)| part);
    (prop::sample::select(parts.to_vec()), words(), any::<[Option<i64>; 3]>())
        .prop_map(|(part, name, values)| HealthRow { part, name, values })
}

fn layout() -> impl Strategy<Value = JoystickLayout> {
    let axis = any::<(u16, i32, i32, i32)>().prop_map(|(code, minimum, maximum, value)| JoystickAxis {
        code,
        minimum,
        maximum,
        value,
    });
    (prop_oneof![Just(16), Just(24)], any::<bool>(), prop::collection::vec(axis, 0..=18), words()).prop_map(
        |(event_bytes, big_endian, axes, name)| JoystickLayout { event_bytes, big_endian, axes, name },
    )
}

fn flow() -> impl Strategy<Value = Flow> {
    let v4 = (any::<[u8; 4]>(), any::<[u8; 4]>()).prop_map(|(a, b)| (IpAddr::from(a), IpAddr::from(b)));
    let v6 = (any::<[u8; 16]>(), any::<[u8; 16]>()).prop_map(|(a, b)| (IpAddr::from(a), IpAddr::from(b)));
    (prop_oneof![v4, v6], any::<u16>(), any::<u16>()).prop_map(|((a, b), one, other)| Flow {
        source: SocketAddr::new(a, one),
        destination: SocketAddr::new(b, other),
    })
}

fn written() -> impl Strategy<Value = Written> {
    let bytes = || prop::collection::vec(any::<u8>(), 1..200);
    let content = prop_oneof![
        (prop_oneof![Just(0_u16), Just(3), Just(5)], bytes())
            .prop_map(|(interface, bytes)| (interface, Content::Stream(bytes))),
        (1..3_u16, flow(), bytes())
            .prop_map(|(interface, flow, bytes)| (interface, Content::Datagram(flow, bytes))),
        (0..5_u16, note()).prop_map(|(interface, note)| (interface, Content::Note(note))),
    ];
    (0..i64::MAX, any::<bool>(), content).prop_map(|(at, outbound, (interface, content))| Written {
        at,
        interface,
        outbound,
        content,
    })
}

fn opening(tags: BTreeMap<String, String>, has_wall_clock: bool) -> Vec<Entry<'static>> {
    let mut entries = vec![Entry::Session(SessionInfo { tags, has_wall_clock })];
    for (place, (name, kind)) in KINDS.into_iter().enumerate() {
        let description = (place == 0).then(|| "serial port of the vehicle".to_owned());
        let info = InterfaceInfo { name: name.to_owned(), kind, description };
        entries.push(Entry::Interface(InterfaceId(place as u16), info));
    }
    entries
}

fn encode(entries: &[Entry<'_>]) -> (Vec<u8>, Vec<usize>) {
    let mut writer = PcapngWriter::new(Vec::new());
    for entry in entries {
        writer.write(entry).unwrap();
    }
    let bytes = writer.into_inner();
    // Where each block ends, by the length that stands in it.
    let mut ends = Vec::new();
    let mut end = 0;
    while end < bytes.len() {
        end += u32::from_le_bytes(*bytes[end + 4..].first_chunk().unwrap()) as usize;
        ends.push(end);
    }
    (bytes, ends)
}

fn with_file<T>(bytes: &[u8], read: impl FnOnce(&Recording) -> T) -> T {
    let file = tempfile::NamedTempFile::new().unwrap();
    std::fs::write(file.path(), bytes).unwrap();
    read(&Recording::open(file.path()).unwrap())
}

/// Every entry in turn equals what is expected, and no more follow; gives whether the end is torn.
fn agrees(recording: &Recording, expected: &[Entry<'_>]) -> bool {
    let mut cursor = recording.cursor();
    for each in expected {
        assert_eq!(recording.next(&mut cursor).as_ref(), Some(each));
    }
    assert_eq!(recording.next(&mut cursor), None);
    recording.facts(&cursor).truncated
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn what_is_written_reads_back_and_a_torn_file_up_to_its_last_whole_block(
        tags in prop::collection::btree_map("\\PC{1,12}", words(), 0..4),
        has_wall_clock in any::<bool>(),
        records in prop::collection::vec(written(), 0..20),
        cut in any::<prop::sample::Index>(),
        portion in 1..200_usize,
    ) {
        let mut entries = opening(tags, has_wall_clock);
        entries.extend(records.iter().map(Written::entry));
        let (bytes, ends) = encode(&entries);
        prop_assert_eq!(ends.len(), entries.len());
        prop_assert!(!with_file(&bytes, |recording| agrees(recording, &entries)));

        let cut = ends[0] + cut.index(bytes.len() - ends[0]);
        let whole = ends.iter().filter(|end| **end <= cut).count();
        let torn = with_file(&bytes[..cut], |recording| agrees(recording, &entries[..whole]));
        prop_assert_eq!(torn, ends[whole - 1] != cut);

        let mut decoder = StreamDecoder::new();
        let mut expected = entries.iter();
        for chunk in bytes.chunks(portion) {
            decoder.push(Nanos(0), chunk, &mut |entry| assert_eq!(Some(entry), expected.next()));
        }
        prop_assert_eq!(expected.next(), None);
    }

    #[test]
    fn any_damage_is_survived(
        records in prop::collection::vec(written(), 1..8),
        hits in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..12),
    ) {
        let mut entries = opening(BTreeMap::new(), true);
        entries.extend(records.iter().map(Written::entry));
        let (mut bytes, ends) = encode(&entries);
        let length = bytes.len() - ends[0];
        for (place, value) in &hits {
            bytes[ends[0] + place.index(length)] = *value;
        }
        with_file(&bytes, |recording| {
            let mut cursor = recording.cursor();
            while recording.next(&mut cursor).is_some() {}
        });
        let mut decoder = StreamDecoder::new();
        decoder.push(Nanos(0), &bytes, &mut |_| {});
    }
}

/// A disk that fails when told to, after some bytes of each write.
#[derive(Clone, Default)]
struct Disk {
    bytes: Arc<Mutex<Vec<u8>>>,
    full: Arc<AtomicBool>,
    partial: Arc<AtomicUsize>,
    syncs: Arc<AtomicUsize>,
    stuck: Arc<Mutex<()>>,
}

impl Write for Disk {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        if self.full.load(Ordering::SeqCst) {
            let part = self.partial.swap(0, Ordering::SeqCst).min(bytes.len());
            if part == 0 {
                return Err(io::ErrorKind::StorageFull.into());
            }
            self.bytes.lock().unwrap().extend(&bytes[..part]);
            return Ok(part);
        }
        self.bytes.lock().unwrap().extend(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl Storage for Disk {
    fn cut(&mut self, length: u64) -> io::Result<()> {
        self.bytes.lock().unwrap().truncate(length as usize);
        Ok(())
    }

    fn length(&self) -> io::Result<u64> {
        Ok(self.bytes.lock().unwrap().len() as u64)
    }

    fn syncing(&self) -> io::Result<DiskSync> {
        let (syncs, stuck) = (Arc::clone(&self.syncs), Arc::clone(&self.stuck));
        Ok(Box::new(move || {
            syncs.fetch_add(1, Ordering::SeqCst);
            // Stands still for as long as the test holds it.
            drop(stuck.lock().unwrap());
            Ok(())
        }))
    }

    fn is_at(&self, _: &Path, _: u64) -> bool {
        true
    }
}

const QUICK: Pace = Pace { write: Duration::from_millis(1), retry: Duration::from_millis(1) };

fn chunk(at: i64, bytes: &[u8]) -> Entry<'_> {
    let (interface, direction) = (InterfaceId(0), Direction::Inbound);
    Entry::Record(Record { at: Nanos(at), interface, direction, body: Body::Stream(bytes) })
}

fn start(disk: &Disk) -> Recorder {
    let mut recorder = Recorder::start(PathBuf::from("a.pcapng"), Box::new(disk.clone()), QUICK).unwrap();
    for entry in opening(BTreeMap::new(), true) {
        recorder.record(&entry);
    }
    recorder
}

#[test]
fn a_session_is_written_and_synced() {
    let disk = Disk::default();
    let mut recorder = start(&disk);
    let bytes = [7_u8; 1200];
    let mut expected = opening(BTreeMap::new(), true);
    for at in 0..200 {
        recorder.record(&chunk(at * 100_000_000, &bytes));
        expected.push(chunk(at * 100_000_000, &bytes));
    }
    let (status, said) = recorder.finish();
    let facts = status.facts();
    assert_eq!(said.map(|note| note.at), None, "nothing was refused");
    let written = disk.bytes.lock().unwrap().clone();
    assert_eq!((facts.file.as_str(), facts.bytes), ("a.pcapng", Some(written.len() as u64)));
    assert!(!with_file(&written, |recording| agrees(recording, &expected)));
    assert!(disk.syncs.load(Ordering::SeqCst) > 0);
}

#[test]
fn a_full_disk_never_holds_up_the_session_and_the_hole_is_noted() {
    let disk = Disk::default();
    let mut recorder = start(&disk);
    // Within the first chunk.
    disk.partial.store(3003, Ordering::SeqCst);
    disk.full.store(true, Ordering::SeqCst);
    let bytes = vec![9_u8; 4096];
    let offered = 6000;
    recorder.record(&chunk(0, &bytes));
    // From here on the thread holds what it could not write, and one hole follows, however slow it is.
    while recorder.status().error.is_none() {
        std::thread::yield_now();
    }
    for at in 1..offered {
        recorder.record(&chunk(at, &bytes));
    }
    let refused = recorder.status().refused;
    // 24 MB were offered, 16 MB may wait at most.
    assert!(refused > 7_000_000 && refused.is_multiple_of(4096), "{refused}");
    disk.full.store(false, Ordering::SeqCst);
    // What was refused last is told to the caller as it stands in the file.
    let (_, said) = recorder.finish();
    assert!(
        matches!(said.map(|note| note.body), Some(OwnedBody::Note(Note::BytesLost { bytes, .. })) if bytes == refused)
    );
    let written = disk.bytes.lock().unwrap().clone();
    with_file(&written, |recording| {
        let mut cursor = recording.cursor();
        let (mut kept, mut lost) = (0, 0);
        while let Some(entry) = recording.next(&mut cursor) {
            match entry {
                Entry::Record(Record { body: Body::Stream(bytes), .. }) => kept += bytes.len() as u64,
                Entry::Record(Record {
                    body: Body::Note(Note::BytesLost { bytes, reach }),
                    interface,
                    ..
                }) => {
                    lost += bytes;
                    // Chunk 0 is the first, and one comes each nanosecond: the hole begins where they end.
                    assert_eq!(reach, Some(Nanos(offered - 1 - kept as i64 / 4096)));
                    assert_eq!(interface, InterfaceId(4), "on the marks interface");
                }
                _ => {}
            }
        }
        assert!(!recording.facts(&cursor).truncated);
        assert_eq!((lost, kept + lost), (refused, offered as u64 * 4096));
    });
}

/// What the disk refuses at the very end is not in the file: the caller must not hear of a note that is.
#[test]
fn a_disk_that_stays_full_has_no_last_note() {
    let disk = Disk::default();
    let mut recorder = start(&disk);
    disk.full.store(true, Ordering::SeqCst);
    for at in 0..6000 {
        recorder.record(&chunk(at, &[9; 4096]));
    }
    assert!(recorder.status().refused > 0);
    assert!(recorder.finish().1.is_none());
}

/// As written before holes had a start.
#[test]
fn an_older_note_of_a_hole_is_read() {
    let bytes_lost = |reach| Note::BytesLost { bytes: 12, reach };
    let written = |note| Written { at: 5, interface: 1, outbound: false, content: Content::Note(note) };
    let infos = [("vehicle", InterfaceKind::Stream), ("marks", InterfaceKind::Marks)];
    let infos = infos.map(|(name, kind)| InterfaceInfo { name: name.to_owned(), kind, description: None });
    let [vehicle, marks] = infos;
    let (older, newer) = (written(bytes_lost(None)), written(bytes_lost(Some(Nanos(7)))));
    let entries = [
        Entry::Session(SessionInfo { tags: BTreeMap::new(), has_wall_clock: true }),
        Entry::Interface(InterfaceId(0), vehicle),
        Entry::Interface(InterfaceId(1), marks),
        older.entry(),
        newer.entry(),
    ];
    let (bytes, _) = encode(&entries);
    let text = |words: &str| bytes.windows(words.len()).any(|window| window == words.as_bytes());
    assert!(text("fadewatch bytes-lost 12\0") && text("fadewatch bytes-lost 12 7"));
    assert!(!with_file(&bytes, |recording| agrees(recording, &entries)));
}

#[test]
fn a_session_of_datagrams_alone_has_one_link_type() {
    let info = |name: &str, kind| InterfaceInfo { name: name.to_owned(), kind, description: None };
    let note = Written { at: 5, interface: 1, outbound: false, content: Content::Note(Note::Tick) };
    let entries = [
        Entry::Session(SessionInfo { tags: BTreeMap::new(), has_wall_clock: true }),
        Entry::Interface(InterfaceId(0), info("video", InterfaceKind::Datagram)),
        Entry::Interface(InterfaceId(1), info("marks", InterfaceKind::Marks)),
        note.entry(),
    ];
    let (bytes, ends) = encode(&entries);
    // The link type stands at byte 8 of an interface description: 101 is RAW IP.
    assert_eq!((bytes[ends[0] + 8], bytes[ends[1] + 8]), (101, 101));
    assert!(!with_file(&bytes, |recording| agrees(recording, &entries)));
}

/// A disk whose sync takes for ever: what comes is written all the same.
#[test]
fn a_slow_sync_holds_up_no_write() {
    let disk = Disk::default();
    let held = disk.stuck.lock().unwrap();
    let mut recorder = start(&disk);
    // Six seconds of the session: a sync is due, and stands still.
    recorder.record(&chunk(0, b"before"));
    recorder.record(&chunk(6_000_000_000, b"while it begins"));
    while disk.syncs.load(Ordering::SeqCst) == 0 {
        std::thread::yield_now();
    }
    let before = disk.bytes.lock().unwrap().len();
    recorder.record(&chunk(6_100_000_000, b"while it stands still"));
    while disk.bytes.lock().unwrap().len() == before {
        std::thread::yield_now();
    }
    drop(held);
    assert_eq!(recorder.finish().0.error, None);
    let text = |words: &[u8]| disk.bytes.lock().unwrap().windows(words.len()).any(|window| window == words);
    assert!(text(b"while it stands still"));
}

/// A disk of which a power cut leaves what was synced. A sync covers what was written as it began, and ends when told to.
#[derive(Clone, Default)]
struct Forgetful(Arc<(Mutex<Kept>, Condvar)>);

#[derive(Default)]
struct Kept {
    written: Vec<u8>,
    synced: usize,
    /// Syncs that began, that may end, and that ended.
    begun: u64,
    allowed: u64,
    ended: u64,
    /// How often the recorder looked after its file: once a round.
    rounds: u64,
}

impl Forgetful {
    fn kept(&self) -> std::sync::MutexGuard<'_, Kept> {
        self.0.0.lock().unwrap()
    }

    fn wait_until(&self, holds: impl Fn(&Kept) -> bool) {
        while !holds(&self.kept()) {
            std::thread::yield_now();
        }
    }
}

impl Write for Forgetful {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.kept().written.extend(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl Storage for Forgetful {
    fn cut(&mut self, length: u64) -> io::Result<()> {
        self.kept().written.truncate(length as usize);
        Ok(())
    }

    fn length(&self) -> io::Result<u64> {
        Ok(self.kept().written.len() as u64)
    }

    fn syncing(&self) -> io::Result<DiskSync> {
        let disk = self.clone();
        Ok(Box::new(move || {
            let mut kept = disk.kept();
            kept.begun += 1;
            let covered = kept.written.len();
            kept = disk.0.1.wait_while(kept, |kept| kept.allowed < kept.begun).unwrap();
            kept.synced = covered;
            kept.ended += 1;
            Ok(())
        }))
    }

    fn is_at(&self, _: &Path, _: u64) -> bool {
        self.kept().rounds += 1;
        true
    }
}

/// A minute and a half of records, a write each half second, syncs that take up to three of those: whenever the power is
/// cut, what is missing is no older than 5 s, and the rest opens.
#[test]
fn a_power_cut_costs_at_most_five_seconds() {
    for (seed, sync_steps) in (10_001..10_005_u64).zip(0..) {
        let (disk, offset_ms) = (Forgetful::default(), (seed * 77) as i64 % 100);
        let mut recorder = Recorder::start(PathBuf::from("a.pcapng"), Box::new(disk.clone()), QUICK).unwrap();
        let mut entries = opening(BTreeMap::new(), true);
        for entry in &entries {
            recorder.record(entry);
        }
        let (header, mut begun_at, mut worst_ms) = (entries.len(), 0, 0);
        for step in 0..180_i64 {
            for tenth in 0..5 {
                entries.push(chunk((step * 500 + tenth * 95 + offset_ms) * 1_000_000, b"of the session"));
                recorder.record(entries.last().unwrap());
            }
            let (_, ends) = encode(&entries);
            disk.wait_until(|kept| kept.written.len() == ends[ends.len() - 1]);
            let rounds = disk.kept().rounds;
            disk.wait_until(|kept| kept.rounds > rounds + 1);
            let Kept { begun, ended, .. } = *disk.kept();
            if begun == ended {
                begun_at = step + 1;
            } else if step - begun_at >= sync_steps {
                disk.kept().allowed = begun;
                disk.0.1.notify_all();
                disk.wait_until(|kept| kept.ended == begun);
                begun_at = step + 1;
            }
            // The power is cut just before the next write.
            let synced = disk.kept().synced;
            let whole = ends.iter().take_while(|end| **end <= synced).count();
            let kept_ms = whole.saturating_sub(header) as i64 * 100;
            worst_ms = worst_ms.max((step + 2) * 500 - kept_ms);
            if step % 20 == 7 && synced > 0 {
                let bytes = disk.kept().written[..synced].to_vec();
                assert!(!with_file(&bytes, |recording| agrees(recording, &entries[..whole])), "seed {seed}");
            }
        }
        disk.kept().allowed = u64::MAX;
        disk.0.1.notify_all();
        recorder.finish();
        assert!((2000..=5000).contains(&worst_ms), "syncs of {sync_steps} steps: {worst_ms} ms");
    }
}

/// The first blocks are written at once, whatever the pace: a kill right after the start leaves a file that opens.
#[test]
fn the_header_is_written_at_once() {
    let disk = Disk::default();
    let never = Pace { write: Duration::from_hours(1), retry: Duration::from_hours(1) };
    let mut recorder = Recorder::start(PathBuf::from("a.pcapng"), Box::new(disk.clone()), never).unwrap();
    for entry in opening(BTreeMap::new(), true) {
        recorder.record(&entry);
    }
    while disk.bytes.lock().unwrap().is_empty() {
        std::thread::yield_now();
    }
    let written = disk.bytes.lock().unwrap().clone();
    with_file(&written, |recording| assert!(!recording.facts(&recording.cursor()).truncated));
}

#[cfg(target_os = "linux")]
#[test]
fn a_full_device_loses_what_it_refuses_and_says_so() {
    let file = std::fs::File::create("/dev/full").unwrap();
    let mut recorder = Recorder::start(PathBuf::from("/dev/full"), Box::new(file), QUICK).unwrap();
    recorder.record(&chunk(1, b"some bytes"));
    let (status, _) = recorder.finish();
    assert_eq!(status.bytes, 0);
    assert!(status.refused > 0 && status.error.is_some(), "{status:?}");
}

/// What is no new file is never opened: a device, a pipe, a link to either.
#[cfg(target_os = "linux")]
#[test]
fn what_is_no_new_file_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let pipe = folder.path().join("pipe");
    nix::unistd::mkfifo(&pipe, nix::sys::stat::Mode::S_IRWXU).unwrap();
    let link = folder.path().join("link");
    std::os::unix::fs::symlink("/dev/full", &link).unwrap();
    for path in [Path::new("/dev/full"), &pipe, &link, folder.path()] {
        let error = Recorder::create(path, &[]).unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::AlreadyExists, "{}", path.display());
    }
}

/// Only this user may read where one was.
#[cfg(unix)]
#[test]
fn a_recording_is_for_this_user_alone() {
    use std::os::unix::fs::PermissionsExt as _;
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("session.pcapng");
    drop(Recorder::create(&path, &opening(BTreeMap::new(), true)).unwrap());
    assert_eq!(std::fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
}

/// Deleted, moved away, replaced or cut underneath.
#[test]
fn a_file_that_is_not_there_any_more_is_noticed() {
    type Act = (&'static str, fn(&Path));
    let folder = tempfile::tempdir().unwrap();
    let acts: [Act; 4] = [
        ("deleted", |path| std::fs::remove_file(path).unwrap()),
        ("moved", |path| std::fs::rename(path, path.with_extension("old")).unwrap()),
        ("replaced", |path| {
            std::fs::remove_file(path).unwrap();
            std::fs::write(path, vec![0; 100_000]).unwrap();
        }),
        ("cut", |path| std::fs::OpenOptions::new().write(true).open(path).unwrap().set_len(10).unwrap()),
    ];
    for (name, act) in acts {
        let path = folder.path().join(format!("{name}.pcapng"));
        let file = std::fs::OpenOptions::new().write(true).create_new(true).open(&path).unwrap();
        let mut recorder = Recorder::start(path.clone(), Box::new(file), QUICK).unwrap();
        for entry in opening(BTreeMap::new(), true) {
            recorder.record(&entry);
        }
        while recorder.status().bytes == 0 {
            std::thread::yield_now();
        }
        assert!(!recorder.status().is_gone, "{name}");
        act(&path);
        while !recorder.status().is_gone {
            std::thread::yield_now();
        }
    }
}

#[test]
fn a_recording_is_never_overwritten() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("session.pcapng");
    let mut recorder = Recorder::create(&path, &opening(BTreeMap::new(), true)).unwrap();
    recorder.record(&chunk(1, b"some bytes"));
    assert_eq!(recorder.finish().0.bytes, std::fs::metadata(&path).unwrap().len());
    assert_eq!(
        Recorder::create(&path, &opening(BTreeMap::new(), true)).unwrap_err().kind(),
        io::ErrorKind::AlreadyExists
    );
    // Oracle: `printf abc | sha256sum`, as in FIPS 180-2 appendix B.1.
    std::fs::write(folder.path().join("abc"), "abc").unwrap();
    assert_eq!(
        fadewatch::capture::file_hash(&folder.path().join("abc")).unwrap(),
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    );
}
