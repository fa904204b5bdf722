//! Live sessions on real sockets and pseudo-terminals of this computer.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

mod free_ports;
mod live_session;
mod waiting;

use std::fs::File;
use std::io::{Read, Write};
use std::net::{TcpListener, UdpSocket};
use std::os::fd::OwnedFd;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use fadewatch::capture::Recording;
use fadewatch::monitor::LinkMonitor;
use fadewatch::record::{Body, Direction, Entry, MarkKind, Note};
use fadewatch::session::live::LiveConfig;
use fadewatch::session::{Command, Feed, SessionEnd, SessionHandle};
use fadewatch::source::SourceUrl;
use fadewatch::source::ingest_queue::IntakeLimits;
use fadewatch::summary::Summary;
use fadewatch::wire::codec::decode;
use fadewatch::wire::framer::Framer;
use fadewatch::wire::telemetry::Telemetry;
use fadewatch::wording::event::text;
use free_ports::free_udp_port;
use live_session::start;
use mavlink::dialects::all::{HEARTBEAT_DATA, MavMessage, MavModeFlag, MavType};
use nix::sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr};
use rand::{Rng, SeedableRng};

/// Far more than anything here takes.
const PATIENCE: Duration = Duration::from_secs(20);

/// Looks again and again until a condition holds.
fn wait_for<T>(what: &str, look: impl FnMut() -> Option<T>) -> T {
    waiting::wait_for(PATIENCE, what, look)
}

fn wait_for_feed(session: &SessionHandle, what: &str, mut holds: impl FnMut(&Feed) -> bool) -> Arc<Feed> {
    wait_for(what, || {
        assert!(!session.is_finished(), "the session ended while waiting for {what}");
        session.feed().filter(|feed| holds(feed))
    })
}

fn wait_for_frames(session: &SessionHandle, frames: u64) {
    wait_for_feed(session, &format!("{frames} frames"), |feed| {
        feed.snapshot.summary.framing.frames >= frames
    });
}

fn heartbeat(sequence: u8) -> Vec<u8> {
    let data = HEARTBEAT_DATA {
        mavtype: MavType::MAV_TYPE_QUADROTOR,
        base_mode: MavModeFlag::empty(),
        ..HEARTBEAT_DATA::default()
    };
    let mut bytes = Vec::new();
    let header = mavlink::MavHeader { system_id: 1, component_id: 1, sequence };
    mavlink::write_v2_msg(&mut bytes, header, &MavMessage::HEARTBEAT(data)).unwrap();
    bytes
}

fn random_bytes(seed: u64, length: usize) -> Vec<u8> {
    let mut bytes = vec![0; length];
    rand::rngs::ChaCha8Rng::seed_from_u64(seed).fill_bytes(&mut bytes);
    bytes
}

fn udp(port: u16) -> SourceUrl {
    format!("udp://127.0.0.1:{port}").parse().unwrap()
}

/// A socket that talks to a port of this computer.
fn sender_to(port: u16) -> UdpSocket {
    let socket = UdpSocket::bind("127.0.0.1:0").unwrap();
    socket.connect(("127.0.0.1", port)).unwrap();
    socket.set_read_timeout(Some(PATIENCE)).unwrap();
    socket
}

/// A raw pseudo-terminal whose far end stands under a path of our own.
struct Terminal {
    master: File,
    /// Keeps the far end alive until somebody opens it.
    _slave: OwnedFd,
    link: PathBuf,
}

/// Unplugged, its name is gone first: the number of the device may be another terminal's a moment later.
impl Drop for Terminal {
    fn drop(&mut self) {
        let _ = std::fs::remove_file(&self.link);
    }
}

impl Terminal {
    fn at(link: &Path) -> Self {
        let pair = nix::pty::openpty(None, None).unwrap();
        let mut settings = tcgetattr(&pair.slave).unwrap();
        cfmakeraw(&mut settings);
        tcsetattr(&pair.slave, SetArg::TCSANOW, &settings).unwrap();
        let path = nix::unistd::ttyname(&pair.slave).unwrap();
        std::os::unix::fs::symlink(path, link).unwrap();
        Self { master: File::from(pair.master), _slave: pair.slave, link: link.to_owned() }
    }

    fn url(link: &Path) -> SourceUrl {
        format!("serial:{}?baud=57600", link.display()).parse().unwrap()
    }
}

struct Folder(tempfile::TempDir);

impl Folder {
    fn new() -> Self {
        Self(tempfile::tempdir().unwrap())
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }
}

/// All figures of a recording, as the batch command would get them.
fn summary_of(path: &Path) -> Summary {
    let recording = Recording::open(path).unwrap();
    let mut cursor = recording.cursor();
    let mut monitor = LinkMonitor::new(Arc::default(), Arc::default());
    while let Some(entry) = recording.next(&mut cursor) {
        monitor.handle(&entry);
    }
    monitor.summary(&recording.facts(&cursor))
}

/// The figures of the recording are those that the session ended with.
fn assert_recorded(end: &SessionEnd) {
    let recorded = summary_of(&end.recordings[0]);
    let text = |summary: &Summary| serde_json::to_string_pretty(summary).unwrap();
    assert_eq!(text(&recorded), text(&end.summary));
}

fn notes_of(path: &Path) -> Vec<Note> {
    let recording = Recording::open(path).unwrap();
    let mut cursor = recording.cursor();
    let mut notes = Vec::new();
    while let Some(entry) = recording.next(&mut cursor) {
        if let Entry::Record(record) = entry
            && let Body::Note(note) = record.body
        {
            notes.push(note);
        }
    }
    notes
}

/// All bytes that went one way, in order.
fn traffic_of(path: &Path, direction: Direction) -> Vec<u8> {
    let recording = Recording::open(path).unwrap();
    let mut cursor = recording.cursor();
    let mut all = Vec::new();
    while let Some(entry) = recording.next(&mut cursor) {
        if let Entry::Record(record) = entry
            && record.direction == direction
            && let Body::Stream(bytes) | Body::Datagram { bytes, .. } = record.body
        {
            all.extend_from_slice(bytes);
        }
    }
    all
}

#[test]
fn datagrams_are_counted_recorded_and_summed_up_alike() {
    let folder = Folder::new();
    let port = free_udp_port();
    let session = start(LiveConfig {
        vehicle: Some(udp(port)),
        recording: Some(folder.path("a.pcapng")),
        tags: [("antenna".to_owned(), "panel".to_owned())].into(),
        ..LiveConfig::default()
    })
    .unwrap();
    let sender = sender_to(port);
    for sequence in (0..60).filter(|sequence| sequence % 10 != 3) {
        sender.send(&heartbeat(sequence)).unwrap();
    }
    wait_for_frames(&session, 54);
    assert!(session.send(Command::Mark { kind: MarkKind::PictureFroze, text: "behind the barn".to_owned() }));
    wait_for_feed(&session, "the mark", |feed| {
        feed.snapshot.summary.events.iter().any(|event| event.event.kind() == "mark")
    });
    let end = session.finish().unwrap();
    assert_eq!(end.summary.framing.frames, 54);
    assert_eq!(end.summary.recording.tags["antenna"], "panel");
    assert_eq!(end.summary.recording.host_drops, Some(0));
    assert_recorded(&end);
    let notes = notes_of(&folder.path("a.pcapng"));
    assert_eq!(notes.first(), Some(&Note::Tick));
    assert_eq!(notes.last(), Some(&Note::End));
}

#[test]
fn an_unplugged_port_is_an_outage_and_the_session_goes_on() {
    let folder = Folder::new();
    let link = folder.path("tty");
    let mut terminal = Terminal::at(&link);
    let session = start(LiveConfig {
        vehicle: Some(Terminal::url(&link)),
        recording: Some(folder.path("a.pcapng")),
        ..LiveConfig::default()
    })
    .unwrap();
    for sequence in 0..5 {
        terminal.master.write_all(&heartbeat(sequence)).unwrap();
    }
    wait_for_frames(&session, 5);
    drop(terminal);
    let feed = wait_for_feed(&session, "the outage", |feed| feed.snapshot.sources[0].down.is_some());
    assert!(feed.message.as_deref().unwrap().starts_with("vehicle is gone"));
    let mut terminal = Terminal::at(&link);
    wait_for_feed(&session, "its return", |feed| feed.snapshot.sources[0].down.is_none());
    for sequence in 5..8 {
        terminal.master.write_all(&heartbeat(sequence)).unwrap();
    }
    wait_for_frames(&session, 8);
    let end = session.finish().unwrap();
    assert_eq!(end.summary.framing.frames, 8);
    let events: Vec<String> =
        end.summary.events.iter().filter(|event| event.event.kind() == "source").map(text).collect();
    assert_eq!(events.len(), 2);
    assert!(events[0].starts_with("vehicle is gone") && events[1] == "vehicle is back");
    assert_recorded(&end);
}

#[test]
fn what_cannot_be_opened_at_the_start_is_told_in_one_line() {
    let folder = Folder::new();
    let link = folder.path("tty");
    let _terminal = Terminal::at(&link);
    let live = |vehicle: SourceUrl| LiveConfig { vehicle: Some(vehicle), ..LiveConfig::default() };
    let holder = start(live(Terminal::url(&link))).unwrap();
    let taken = UdpSocket::bind("127.0.0.1:0").unwrap();
    let closed = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    for (url, part) in [
        (Terminal::url(&link), "busy"),
        (Terminal::url(&folder.path("none")), "no such device"),
        (udp(taken.local_addr().unwrap().port()), "busy"),
        (format!("tcp://127.0.0.1:{closed}").parse().unwrap(), "connection refused"),
        (SourceUrl::File(folder.path("none")), "no such file"),
        (SourceUrl::File(folder.0.path().to_owned()), "folder"),
    ] {
        let error = start(live(url.clone())).err().unwrap().to_string();
        assert!(error.contains(part) && error.contains(&url.to_string()), "{error}");
        assert!(error.starts_with("cannot open vehicle source") && !error.contains('\n'), "{error}");
    }
    holder.finish().unwrap();
    assert!(start(LiveConfig::default()).is_err());
    let existing = folder.path("existing.pcapng");
    File::create(&existing).unwrap();
    let config = LiveConfig { recording: Some(existing.clone()), ..live(udp(free_udp_port())) };
    let error = format!("{:#}", start(config).err().unwrap());
    assert!(error.contains(&existing.display().to_string()), "{error}");
}

#[test]
fn a_missing_port_can_be_waited_for() {
    let folder = Folder::new();
    let link = folder.path("tty");
    let config =
        LiveConfig { vehicle: Some(Terminal::url(&link)), wait_for_sources: true, ..LiveConfig::default() };
    let session = start(config).unwrap();
    wait_for_feed(&session, "the outage", |feed| feed.snapshot.sources[0].down.is_some());
    let mut terminal = Terminal::at(&link);
    wait_for_feed(&session, "the port", |feed| feed.snapshot.sources[0].down.is_none());
    terminal.master.write_all(&heartbeat(0)).unwrap();
    wait_for_frames(&session, 1);
    session.finish().unwrap();
}

#[test]
fn a_connection_that_breaks_is_made_again() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let url = format!("tcp://{}", listener.local_addr().unwrap()).parse().unwrap();
    let session = start(LiveConfig { vehicle: Some(url), ..LiveConfig::default() }).unwrap();
    let (mut connection, _) = listener.accept().unwrap();
    connection.write_all(&heartbeat(0)).unwrap();
    drop(connection);
    let (mut connection, _) = listener.accept().unwrap();
    connection.write_all(&heartbeat(1)).unwrap();
    wait_for_frames(&session, 2);
    let end = session.finish().unwrap();
    assert_eq!(end.summary.events.iter().filter(|event| event.event.kind() == "source").count(), 2);
}

#[test]
fn a_serial_port_and_a_udp_program_get_each_other_byte_for_byte() {
    let folder = Folder::new();
    let link = folder.path("tty");
    let mut terminal = Terminal::at(&link);
    let program = UdpSocket::bind("127.0.0.1:0").unwrap();
    program.set_read_timeout(Some(PATIENCE)).unwrap();
    let session = start(LiveConfig {
        vehicle: Some(Terminal::url(&link)),
        forward: Some(udp(program.local_addr().unwrap().port())),
        recording: Some(folder.path("a.pcapng")),
        ..LiveConfig::default()
    })
    .unwrap();
    let down = random_bytes(1, 50_000);
    let mut received = Vec::new();
    let mut buffer = vec![0; 65_536];
    let mut back_to = None;
    for portion in down.chunks(1000) {
        terminal.master.write_all(portion).unwrap();
        let whole = received.len() + portion.len();
        while received.len() < whole {
            let (length, from) = program.recv_from(&mut buffer).unwrap();
            back_to = Some(from);
            received.extend_from_slice(&buffer[..length]);
        }
    }
    assert!(received == down);
    let up = random_bytes(2, 20_000);
    for datagram in up.chunks(700) {
        program.send_to(datagram, back_to.unwrap()).unwrap();
        let mut there = vec![0; datagram.len()];
        terminal.master.read_exact(&mut there).unwrap();
        assert!(there == datagram);
    }
    let end = session.finish().unwrap();
    assert!(end.summary.events.iter().any(|event| text(event).starts_with("in the path")));
    assert!(traffic_of(&folder.path("a.pcapng"), Direction::Inbound) == down);
    assert!(traffic_of(&folder.path("a.pcapng"), Direction::Outbound) == up);
    assert_recorded(&end);
}

#[test]
fn a_udp_vehicle_and_a_tcp_program_get_each_other_byte_for_byte() {
    let folder = Folder::new();
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = free_udp_port();
    let session = start(LiveConfig {
        vehicle: Some(udp(port)),
        forward: Some(format!("tcp://{}", listener.local_addr().unwrap()).parse().unwrap()),
        recording: Some(folder.path("a.pcapng")),
        ..LiveConfig::default()
    })
    .unwrap();
    let (mut program, _) = listener.accept().unwrap();
    let vehicle = sender_to(port);
    // Only who brings frames of the vehicle is answered.
    let down = [heartbeat(0), random_bytes(3, 60_000)].concat();
    for datagram in down.chunks(1400) {
        vehicle.send(datagram).unwrap();
    }
    let mut received = vec![0; down.len()];
    program.read_exact(&mut received).unwrap();
    assert!(received == down);
    let up = random_bytes(4, 60_000);
    program.write_all(&up).unwrap();
    let mut received = Vec::new();
    let mut buffer = vec![0; 65_536];
    while received.len() < up.len() {
        let length = vehicle.recv(&mut buffer).unwrap();
        received.extend_from_slice(&buffer[..length]);
    }
    assert!(received == up);
    let end = session.finish().unwrap();
    assert!(traffic_of(&folder.path("a.pcapng"), Direction::Outbound) == up);
    assert_recorded(&end);
}

/// `from=` takes datagrams of one address alone: the others are not recorded, counted, or answered.
#[test]
fn one_sender_alone_is_listened_to_where_that_is_asked() {
    let port = free_udp_port();
    let url = format!("udp://127.0.0.1:{port}?from=127.0.0.1").parse().unwrap();
    let session = start(LiveConfig { vehicle: Some(url), ..LiveConfig::default() }).unwrap();
    let stranger = UdpSocket::bind("127.0.0.2:0").unwrap();
    stranger.connect(("127.0.0.1", port)).unwrap();
    let vehicle = sender_to(port);
    for number in 0..4 {
        stranger.send(&heartbeat(number)).unwrap();
        vehicle.send(&heartbeat(number)).unwrap();
    }
    wait_for_frames(&session, 4);
    wait_for("what is said of the stranger", || {
        let feed = session.feed()?;
        feed.message.as_deref().filter(|message| message.contains("not from 127.0.0.1")).map(|_| ())
    });
    let summary = session.finish().unwrap().summary;
    assert_eq!((summary.framing.frames, summary.streams.len()), (4, 1));
}

#[test]
fn a_program_that_takes_nothing_does_not_hold_up_the_session() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = free_udp_port();
    let session = start(LiveConfig {
        vehicle: Some(udp(port)),
        forward: Some(format!("tcp://{}", listener.local_addr().unwrap()).parse().unwrap()),
        ..LiveConfig::default()
    })
    .unwrap();
    let (_deaf, _) = listener.accept().unwrap();
    let vehicle = sender_to(port);
    // More than any buffer on the way holds, at the pace of the counts that come back.
    let datagram = vec![0; 60_000];
    wait_for("the refusal", || {
        for _ in 0..50 {
            vehicle.send(&datagram).unwrap();
        }
        let feed = session.feed()?;
        feed.message.as_deref().filter(|message| message.contains("not taken by the other program"))?;
        Some(())
    });
    vehicle.send(&heartbeat(0)).unwrap();
    wait_for_frames(&session, 1);
    session.finish().unwrap();
}

#[test]
fn timesync_requests_carry_the_stamp_of_their_sending() {
    let folder = Folder::new();
    let port = free_udp_port();
    let config = LiveConfig {
        vehicle: Some(udp(port)),
        timesync: true,
        request_rates_hz: Some(50.0),
        recording: Some(folder.path("a.pcapng")),
        ..LiveConfig::default()
    };
    let session = start(config).unwrap();
    let vehicle = sender_to(port);
    vehicle.send(&heartbeat(0)).unwrap();
    let mut syncs = Vec::new();
    let mut intervals = Vec::new();
    let mut buffer = vec![0; 512];
    while syncs.len() < 3 || intervals.len() < 2 {
        let length = vehicle.recv(&mut buffer).unwrap();
        let frame = &buffer[..length];
        assert_eq!((frame[0], &frame[5..7]), (0xFD, &[254, 191][..]));
        let mut framer = Framer::datagrams();
        let mut telemetry = None;
        framer.push(frame, &mut |frame| telemetry = decode(frame));
        assert_eq!(framer.finished().0.frames, 1, "its checksum holds");
        // Wire order of COMMAND_LONG (76): seven floats, command, target system, target component.
        let payload = &frame[10..length - 2];
        let float = |at: usize| f32::from_le_bytes(payload[at..at + 4].try_into().unwrap());
        match frame[7..10] {
            [111, 0, 0] => match telemetry {
                Some(Telemetry::TimeSync { tc1, ts1, .. }) => syncs.push((tc1, ts1)),
                other => panic!("sent {other:?}"),
            },
            [76, 0, 0] => {
                assert_eq!(payload[28..32], [255, 1, 1, 1], "command 511 to system 1, component 1");
                intervals.push((float(0), float(4)));
            }
            _ => panic!("sent message {:?}", &frame[7..10]),
        }
    }
    assert_eq!(intervals, [(65.0, 20_000.0), (36.0, 20_000.0)]);
    let end = session.finish().unwrap();
    assert_eq!(end.summary.events.iter().filter(|event| event.event.kind() == "transmits").count(), 2);
    // What was sent stands in the recording, stamped at its sending.
    let recording = Recording::open(&folder.path("a.pcapng")).unwrap();
    let mut cursor = recording.cursor();
    let mut recorded = Vec::new();
    while let Some(entry) = recording.next(&mut cursor) {
        if let Entry::Record(record) = entry
            && record.direction == Direction::Outbound
            && let Body::Datagram { bytes, .. } = record.body
            && bytes[7..10] == [111, 0, 0]
        {
            let ts1 = i64::from_le_bytes(bytes[18..26].try_into().unwrap());
            assert!((0..50_000_000).contains(&(record.at.0 - ts1)));
            recorded.push((0, ts1));
        }
    }
    assert_eq!(recorded[..3], syncs[..3]);
    assert_recorded(&end);
}

#[test]
fn what_does_not_fit_is_counted_as_lost_here() {
    let folder = Folder::new();
    let port = free_udp_port();
    let session = start(LiveConfig {
        vehicle: Some(udp(port)),
        recording: Some(folder.path("a.pcapng")),
        limits: IntakeLimits { records: 4, bytes: 1 << 20 },
        ..LiveConfig::default()
    })
    .unwrap();
    let vehicle = sender_to(port);
    let mut sequence = 0;
    wait_for_feed(&session, "a loss", |feed| {
        for _ in 0..20 {
            vehicle.send(&heartbeat(sequence)).unwrap();
            sequence = sequence.wrapping_add(1);
        }
        feed.snapshot.summary.recording.host_drops.is_some_and(|drops| drops > 0)
    });
    let end = session.finish().unwrap();
    assert!(end.summary.events.iter().any(|event| event.event.kind() == "recorder"));
    assert_recorded(&end);
}

#[test]
fn a_file_is_read_to_its_end() {
    let folder = Folder::new();
    let bytes: Vec<u8> = (0..=255).flat_map(heartbeat).collect();
    std::fs::write(folder.path("bytes"), &bytes).unwrap();
    let config = LiveConfig { vehicle: Some(SourceUrl::File(folder.path("bytes"))), ..LiveConfig::default() };
    let session = start(config).unwrap();
    wait_for_frames(&session, 256);
    wait_for_feed(&session, "the end", |feed| feed.snapshot.sources[0].down.is_some());
    session.finish().unwrap();
}

#[test]
fn what_makes_no_sense_together_is_refused() {
    let base = || LiveConfig { vehicle: Some(udp(14_550)), ..LiveConfig::default() };
    for config in [
        LiveConfig { handset: Some(udp(14_550)), ..base() },
        LiveConfig { vehicle: Some(SourceUrl::Stdin), video: Some(SourceUrl::Stdin), ..base() },
        LiveConfig { vehicle: Some(SourceUrl::Stdin), timesync: true, ..base() },
        LiveConfig { forward: Some(SourceUrl::Stdin), ..base() },
        LiveConfig { forward: Some("tcp://127.0.0.1:1".parse().unwrap()), timesync: true, ..base() },
        LiveConfig { request_rates_hz: Some(0.0), ..base() },
    ] {
        let error = start(config).err().unwrap().to_string();
        assert!(!error.contains('\n') && error.len() > 20, "{error}");
    }
}
